"""Files made to do harm are refused with a reason, within 5 s, by every reader of their kind.

XML bombs and external entities: CWE-776 and CWE-611; paths out of an archive: CWE-22; archives
that unpack without measure: CWE-409 (numbers from memory). GeoJSON: RFC 7946, JSON: RFC 8259.
"""

from __future__ import annotations

import io
import json
import os
import resource
import stat
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from vrx.audit import AuditResult, audit_file
from vrx.errors import InputError, VrxError
from vrx.intake import peek_boundary, peek_table, read_boundary, read_soil
from vrx.plan.load import load_plan

Refused = Callable[..., VrxError]
Faulted = Callable[..., AuditResult]
LAUGHS = "".join(f'<!ENTITY l{k} "{f"&l{k - 1};" * 10}">' for k in range(1, 10))
BOMB = f'<!DOCTYPE x [<!ENTITY l0 "ha">{LAUGHS}]>'
OUTSIDE = '<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]>'
GIB = 1 << 30


def boundary(path: Path) -> object:
    return read_boundary(path=path, name="F")


def put(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def test_the_whole_files_are_read(fuzz: ModuleType) -> None:
    # Otherwise a refusal below would prove nothing.
    field = fuzz._field()
    put = fuzz._put
    assert read_soil(path=put("t.csv", fuzz.table()), field=field, spec=fuzz._SOIL)
    assert read_soil(path=put("m.xml", fuzz.modus_xml()), field=field, spec=fuzz._MODUS)
    assert read_soil(path=put("m.json", fuzz.modus_json()), field=field, spec=fuzz._SLIM)
    book = put("b.xlsx", fuzz.zipped(fuzz.book_parts()))
    assert read_soil(path=book, field=field, spec=fuzz._SOIL)
    assert boundary(put("k.kml", fuzz.kml()))
    assert boundary(fuzz._shapefile_with(fuzz._shapefile_seeds()[0]))
    for whole in fuzz._zip_seeds():
        assert boundary(put("z.zip", whole))


TARGETS = (
    "applied", "audit-geojson", "audit-shapefile", "book", "coordinates", "geojson", "geopackage",
    "kml", "layout", "materials", "modus", "plan", "point-layer", "point-shapefile", "raster",
    "shapefile", "table", "task", "time-log", "workbook", "workbook-cells", "yields", "zip")


@pytest.mark.parametrize("name", TARGETS)
def test_every_target_takes_its_seeds_cut_and_damaged(fuzz: ModuleType, name: str) -> None:
    target = fuzz.TARGETS[name]
    for seed in target.seeds():
        third = max(1, len(seed) // 3)
        for data in (seed, seed[:third], seed[: 2 * third], b"", seed[:1] + bytes(40),
                     seed[:third] + b"\xff\x00\xfe" + seed[third + 3 :]):
            target.run(data)  # raises what is no VrxError
    assert sorted(fuzz.TARGETS) == sorted(TARGETS)


# --- XML -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("head", [BOMB, OUTSIDE], ids=["laughs", "external"])
def test_xml_with_entities(
    *, fuzz: ModuleType, refused: Refused, tmp_path: Path, head: str
) -> None:
    name = "l9" if head is BOMB else "e"
    kml = head.encode() + fuzz.kml(f"<description>&{name};</description>")
    refused(boundary, "xml-doctype", path=put(tmp_path, "a.kml", kml))
    refused(boundary, "xml-doctype",
            path=put(tmp_path, "a.kmz", fuzz.zipped({"doc.kml": kml})))
    lab = head.encode() + fuzz.modus_xml().replace(b">L<", f">&{name};<".encode())
    refused(peek_table, "xml-doctype", path=put(tmp_path, "a.xml", lab))
    parts = fuzz.book_parts()
    sheet = next(part for part in parts if "sheet1" in part)
    book = fuzz.zipped({**parts, sheet: head.encode() + parts[sheet]})
    refused(peek_table, "xml-doctype", path=put(tmp_path, "a.xlsx", book))


def test_xml_nested_without_end(fuzz: ModuleType, refused: Refused, tmp_path: Path) -> None:
    deep = "<MultiGeometry>" * 100_000
    refused(boundary, "xml-too-large", path=put(tmp_path, "a.kml", fuzz.kml(deep)))
    folders = b"<kml>" + b"<Folder>" * 100_000
    refused(boundary, "xml-too-large", path=put(tmp_path, "b.kml", folders))
    lab = b"<ModusResult>" + b"<Events>" * 100_000
    refused(peek_table, "xml-too-large", path=put(tmp_path, "a.xml", lab))


# --- zip -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("slip", ["../a.geojson", "/a.geojson", "C:/a.geojson", "b/../../a.geojson",
                                  "..\\a.geojson"])
def test_a_path_that_leaves_the_archive(
    *, fuzz: ModuleType, refused: Refused, faulted: Faulted, tmp_path: Path, slip: str
) -> None:
    path = put(tmp_path, "a.zip", fuzz.zipped({slip: fuzz.geojson()}))
    refused(boundary, "zip-unsafe-path", path=path)
    refused(peek_table, "zip-unsafe-path", path=path)
    faulted(path, "leaves the archive")
    kmz = put(tmp_path, "a.kmz", fuzz.zipped({slip.replace("geojson", "kml"): fuzz.kml()}))
    refused(boundary, "zip-unsafe-path", path=kmz)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["a.kmz", "a.zip"]


def test_a_link_in_an_archive(
    fuzz: ModuleType, refused: Refused, faulted: Faulted, tmp_path: Path
) -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        info = zipfile.ZipInfo("a.geojson")
        info.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(info, "/etc/hostname")
    path = put(tmp_path, "a.zip", stream.getvalue())
    refused(boundary, "zip-unsafe-path", path=path)
    faulted(path, "link to another place")


def test_a_zip_in_a_zip(
    fuzz: ModuleType, refused: Refused, faulted: Faulted, tmp_path: Path
) -> None:
    data = fuzz.zipped({"a.geojson": fuzz.geojson()})
    for _ in range(3):
        data = fuzz.zipped({"a.zip": data})
    path = put(tmp_path, "a.zip", data)
    refused(boundary, "file-no-layer", path=path)
    faulted(path, "neither a shapefile nor GeoJSON")


def bomb(name: str, size: int, *, method: int = zipfile.ZIP_DEFLATED, says: int = 0) -> bytes:
    """A zip of `size` zeros whose directory says what it holds, or `says` that it is less."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", method) as archive:
        with archive.open(name, "w") as member:
            for _ in range(size >> 20):
                member.write(bytes(1 << 20))
        if says:
            archive.infolist()[0].file_size = says
    return stream.getvalue()


def test_an_archive_that_says_how_much_it_unpacks_to(
    fuzz: ModuleType, refused: Refused, faulted: Faulted, tmp_path: Path
) -> None:
    path = put(tmp_path, "a.zip", bomb("a.geojson", 80 << 20))
    refused(boundary, "zip-bomb", path=path)
    refused(peek_table, "zip-bomb", path=put(tmp_path, "b.zip", bomb("a.csv", 80 << 20)))
    faulted(path, "a bomb")
    refused(boundary, "zip-bomb", path=put(tmp_path, "a.kmz", bomb("a.kml", 80 << 20)))
    refused(peek_table, "workbook-too-large",
            path=put(tmp_path, "a.xlsx", bomb("xl/a.xml", 300 << 20)))


@pytest.mark.parametrize("name", ["a.geojson", "a.csv"])
def test_an_archive_that_hides_how_much_it_unpacks_to(
    *, refused: Refused, faulted: Faulted, tmp_path: Path, name: str
) -> None:
    path = put(tmp_path, "a.zip", bomb(name, 256 << 20, says=100))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    refused(boundary if name == "a.geojson" else peek_table, "file-unreadable", path=path)
    faulted(path, "no whole zip")
    # KiB on Linux; unpacked it would be 262 144 more.
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000


def test_a_kmz_and_a_workbook_that_hide_how_much_they_unpack_to(
    refused: Refused, tmp_path: Path
) -> None:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    kmz = put(tmp_path, "a.kmz", bomb("a.kml", 256 << 20, says=100))
    refused(boundary, "file-unreadable", path=kmz)
    book = put(tmp_path, "a.xlsx", bomb("xl/media/a.png", 256 << 20, says=100))
    refused(peek_table, "workbook-broken", path=book)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_ways_of_packing_that_unpack_without_a_bound(
    *, fuzz: ModuleType, refused: Refused, faulted: Faulted, tmp_path: Path, method: int
) -> None:
    path = put(tmp_path, "a.zip", fuzz.zipped({"a.geojson": fuzz.geojson()}, method))
    refused(boundary, "zip-method", path=path)
    faulted(path, "not packed by deflate")


# Found by fuzzing: names and offsets of a directory that zipfile does not judge.
def damaged_zips(whole: bytes) -> list[bytes]:
    at = whole.index(b"PK\x01\x02")
    no_name = bytearray(whole)
    no_name[at + 46] = 0
    bad_name = bytearray(whole)
    bad_name[at + 46] = 0xB0
    bad_name[at + 9] |= 0x08
    local = bytearray(whole)
    local[30] = 0xBA
    local[7] |= 0x08
    offset = bytearray(whole)
    end = whole.index(b"PK\x05\x06")
    offset[end + 16 : end + 20] = struct.pack("<I", at + 26)
    return [bytes(one) for one in (no_name, bad_name, local, offset)]


def test_damaged_directories_of_a_zip(fuzz: ModuleType, tmp_path: Path) -> None:
    for name, member, data in (("a.zip", "a.geojson", fuzz.geojson()),
                               ("a.kmz", "a.kml", fuzz.kml())):
        for damaged in damaged_zips(fuzz.zipped({member: data})):
            path = put(tmp_path, name, damaged)
            with pytest.raises(InputError) as caught:
                boundary(path)
            assert caught.value.code in {"zip-broken", "file-unreadable", "file-no-layer"}
            if name == "a.zip":
                assert audit_file(path=path).faults


# --- size and kind -------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".csv", ".xlsx", ".xml", ".json", ".geojson", ".gpkg", ".kml",
                                    ".kmz", ".zip", ".shp"])
def test_a_sparse_file_of_more_than_2_gib(refused: Refused, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"huge{suffix}"
    with path.open("wb") as stream:
        os.truncate(stream.fileno(), 2 * GIB + 1)
    refused(boundary, "file-too-large", path=path)
    refused(peek_table, "file-too-large", path=path)
    refused(peek_boundary, "file-too-large", path=path)
    if suffix in {".geojson", ".json", ".zip", ".shp"}:
        refused(audit_file, "audit-file-too-large", path=path)
    refused(load_plan, "plan-too-large", path=path)


def test_what_is_no_file_is_not_waited_for(refused: Refused, tmp_path: Path) -> None:
    pipe = tmp_path / "a.csv"
    os.mkfifo(pipe)
    refused(peek_table, "file-not-regular", path=pipe)
    device = tmp_path / "a.geojson"
    device.symlink_to("/dev/zero")
    refused(boundary, "file-not-regular", path=device)
    refused(audit_file, "audit-no-file", path=device)
    refused(load_plan, "plan-unreadable", path=device)
    refused(load_plan, "plan-unreadable", path=pipe)
    loop = tmp_path / "loop.kml"
    loop.symlink_to(loop)
    refused(boundary, "file-missing", path=loop)


# --- text tables and workbooks -------------------------------------------------------------------


def test_tables_out_of_all_measure(fuzz: ModuleType, refused: Refused, tmp_path: Path) -> None:
    wide = ",".join(f"c{k}" for k in range(1_000_000)).encode() + b"\n" + b"1," * 999_999 + b"1\n"
    refused(peek_table, "table-too-wide", path=put(tmp_path, "wide.csv", wide))
    refused(read_soil, "table-too-wide", path=tmp_path / "wide.csv", field=fuzz._field(),
            spec=fuzz._SOIL)
    refused(peek_table, "table-broken", path=put(tmp_path, "line.csv", b"x" * (10 << 20)))
    refused(peek_table, "table-encoding",
            path=put(tmp_path, "nul.csv", fuzz.table().replace(b"S3", b"S\x003")))


def test_formula_cells(fuzz: ModuleType, refused: Refused, tmp_path: Path) -> None:
    parts = fuzz.book_parts()
    sheet = next(part for part in parts if "sheet1" in part)
    text = parts[sheet].replace(b'r="F2" t="s"', b'r="F2"').replace(b'r="F2" t="inlineStr"',
                                                                    b'r="F2"')
    begin = text.index(b'<c r="F2"')
    end = text.index(b"</c>", begin)
    text = text[:begin] + b'<c r="F2"><f>1+1</f>' + text[end:]
    path = put(tmp_path, "a.xlsx", fuzz.zipped({**parts, sheet: text}))
    refused(read_soil, "workbook-formula-empty", path=path, field=fuzz._field(), spec=fuzz._SOIL)
    # In text a formula is text, never run, and no number.
    table = fuzz.table().replace(b",120", b',"=cmd|\' /C calc\'!A0"')
    refused(read_soil, "soil-value-unreadable", path=put(tmp_path, "a.csv", table),
            field=fuzz._field(), spec=fuzz._SOIL)


# --- JSON ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("depth", [600, 990, 100_000])
def test_json_nested_without_end(
    *, fuzz: ModuleType, refused: Refused, tmp_path: Path, depth: int
) -> None:
    deep = b"[" * depth + b"1" + b"]" * depth
    geometry = b'{"type": "Polygon", "coordinates": ' + deep + b"}"
    path = put(tmp_path, "a.geojson", geometry)
    refused(boundary, "geojson-broken", "geojson-coordinates", path=path)
    assert audit_file(path=path).faults
    for text in (b'{"samples": ' + deep + b"}", b'{"Events": ' + deep + b"}"):
        refused(peek_table, "json-broken", "lab-no-results", path=put(tmp_path, "a.json", text))
    plan = b"a = " + b"[" * depth + b"]" * depth
    refused(load_plan, "plan-too-deep", path=put(tmp_path, "plan.toml", plan))


def test_collections_in_collections(refused: Refused, faulted: Faulted, tmp_path: Path) -> None:
    geometry: dict[str, object] = {"type": "Point", "coordinates": [1, 2]}
    for _ in range(100):
        geometry = {"type": "GeometryCollection", "geometries": [geometry]}
    path = put(tmp_path, "a.geojson", json.dumps(geometry).encode())
    refused(boundary, "geojson-too-deep", path=path)
    faulted(path, "no FeatureCollection")


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity", "1e400", "9" * 400, "9" * 5000])
def test_coordinates_that_are_no_numbers(
    *, fuzz: ModuleType, refused: Refused, tmp_path: Path, word: str
) -> None:
    text = fuzz.geojson().replace(b"42.0]", word.encode() + b"]", 1)
    assert word.encode() in text
    path = put(tmp_path, "a.geojson", text)
    refused(boundary, "geojson-coordinates", "geojson-broken", path=path)
    assert audit_file(path=path).faults
    kml = fuzz.kml().replace(b"42.0,0", word.encode() + b",0", 1)
    if len(word) < 100:
        kml = kml.replace(b"42.0,0", word.replace("Infinity", "inf").encode() + b",0")
        refused(boundary, "kml-coordinates", path=put(tmp_path, "a.kml", kml))
    lab = fuzz.modus_json().replace(b"42.004", word.encode())
    refused(read_soil, "json-broken", "soil-coordinate-unreadable", "soil-position-zero",
            "soil-none-left", "soil-no-samples", path=put(tmp_path, "a.json", lab),
            field=fuzz._field(), spec=fuzz._SLIM)


# Found by fuzzing and by whole documents with swapped values.
@pytest.mark.parametrize(("text", "code"), [
    ('{"type": "Feature", "properties": [[]], "geometry": null}', "geojson-not-one"),
    ('{"type": "Feature", "properties": "abc", "geometry": null}', "geojson-not-one"),
    ('{"type": "Feature", "properties": {}, "geometry": [1]}', "geojson-type"),
    ('{"type": "GeometryCollection", "geometries": ["x"]}', "geojson-type"),
    ('{"type": "Feature", "properties": {"name": "\\ud800"}, "geometry": null}',
     "geojson-encoding"),
    ('{"type": "FeatureCollection", "features": [], "crs": {"properties": {"name": "\\ud89a"}}}',
     "geojson-encoding"),
])
def test_geojson_of_the_wrong_kinds(
    *, refused: Refused, tmp_path: Path, text: str, code: str
) -> None:
    path = put(tmp_path, "a.geojson", text.encode())
    refused(boundary, code, path=path)
    assert audit_file(path=path).faults


def test_numbers_of_hundreds_of_digits_in_an_audited_column(
    fuzz: ModuleType, tmp_path: Path
) -> None:
    path = put(tmp_path, "a.geojson", fuzz.geojson().replace(b"20.5", b"9" * 400))
    assert any("rate" in one.code for one in audit_file(path=path).faults)


# --- plan ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "code"), [
    ("a = " + "9" * 5000, "plan-syntax"),
    ("a" + ".a" * 5000 + " = 1", "plan-too-deep"),
    ("a = " + "{b = " * 2000 + "1" + "}" * 2000, "plan-too-deep"),
    ("a = 2026-02-31", "plan-syntax"),
    ("a = \x00", "plan-syntax"),
    ("float = 1", "plan-"), ('"a[b]" = 1', "plan-"),
])
def test_plans(*, refused: Refused, tmp_path: Path, text: str, code: str) -> None:
    codes = [code] if code != "plan-" else ["plan-value", "plan-missing-key", "plan-unknown-key"]
    refused(load_plan, *codes, path=put(tmp_path, "plan.toml", text.encode()))


# --- shapefiles ----------------------------------------------------------------------------------


def set_of(folder: Path, fuzz: ModuleType, **changed: bytes) -> Path:
    for suffix, data in fuzz.shapefile_parts().items():
        put(folder, f"s{suffix}", changed.get(suffix[1:], data))
    return folder / "s.shp"


def spliced(data: bytes, at: int, new: bytes) -> bytes:
    return data[:at] + new + data[at + len(new) :]


@pytest.mark.parametrize(("part", "at", "new"), [
    ("shp", 148, struct.pack("<i", 1_000_000_000)),  # vertices of the first record
    ("shp", 144, struct.pack("<i", 2_000_000_000)),  # its rings
    ("shp", 148, struct.pack("<i", -5)),
    ("shp", 104, struct.pack(">i", -8)),  # its length
    ("shp", 104, struct.pack(">i", 0)),
    ("shp", 104, struct.pack(">i", 2**31 - 1)),
    ("shp", 24, struct.pack(">i", 2**31 - 1)),  # the file's length
    ("shp", 24, struct.pack(">i", -1)),
    ("dbf", 4, struct.pack("<I", 2**32 - 1)),  # records of the table
    ("dbf", 8, struct.pack("<H", 0)),
    ("dbf", 10, struct.pack("<H", 0)),
    ("shx", 100, struct.pack(">i", 2**31 - 1)),
])
def test_shapefiles_that_claim_what_they_do_not_hold(
    *, fuzz: ModuleType, refused: Refused, tmp_path: Path, part: str, at: int, new: bytes
) -> None:
    data = spliced(fuzz.shapefile_parts()[f".{part}"], at, new)
    path = set_of(tmp_path, fuzz, **{part: data})
    refused(boundary, "shapefile-incomplete", "shapefile-broken", path=path)
    assert audit_file(path=path).faults


def test_an_index_with_half_an_entry(fuzz: ModuleType, refused: Refused, tmp_path: Path) -> None:
    data = fuzz.shapefile_parts()[".shx"] + b"\x00\x00"
    path = set_of(tmp_path, fuzz, shx=spliced(data, 24, struct.pack(">i", len(data) // 2)))
    assert "after its last whole entry" in str(refused(boundary, "shapefile-incomplete", path=path))


@pytest.mark.parametrize("codec", [b"undefined", b"idna", b"\x00", b"zlib", b"../../x"])
def test_a_code_page_that_is_none(fuzz: ModuleType, tmp_path: Path, codec: bytes) -> None:
    dbf = fuzz.shapefile_parts()[".dbf"].replace("ö".encode(), b"\xf6 ")
    path = set_of(tmp_path, fuzz, cpg=codec, dbf=dbf)
    assert boundary(path)


def test_a_code_page_of_bytes_that_are_no_text_is_audited(fuzz: ModuleType) -> None:
    # The first byte chooses the .cpg; fiona's log of such a name ends in a SystemError.
    fuzz.TARGETS["audit-shapefile"].run(b"\x04U" + b"\xe5" * 99 + b"TF-7")


# --- UTM zones -----------------------------------------------------------------------------------


@pytest.mark.parametrize("zone", ["²", "9" * 5000, "-1", "0", "61", "15S"])
def test_a_zone_that_is_none(
    *, fuzz: ModuleType, refused: Refused, tmp_path: Path, zone: str
) -> None:
    text = f"e;n;zone;K_ppm\n450000;4650000;{zone};150\n"
    refused(read_soil, "soil-zone-unknown", path=put(tmp_path, "a.csv", text.encode()),
            field=fuzz._field(), spec=fuzz._UTM)
