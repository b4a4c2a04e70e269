"""S25 to S30: names, empty rates, types of tables, missing and cut files, zips: our own copies."""

from __future__ import annotations

import json
import re
import struct
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
import shapefile
import trouble_builders as make

from vrx.audit import audit_file
from vrx.errors import ExportError, InputError
from vrx.export import build_set, write_formats
from vrx.intake import peek_boundary, read_boundary, read_polygons
from vrx.model import Field
from vrx.prescription import column_names


def odd(path: Path, code: str) -> list[str]:
    return [fault.where for fault in audit_file(path=path).faults if fault.code == code]


def test_s25_names_of_columns_and_accents(field: Field, tmp_path: Path) -> None:
    # dBASE III: at most 10 characters, A to Z, 0 to 9 and _, beginning with a letter.
    (name,) = column_names([make.dry_pass([1.0])])
    assert re.fullmatch(r"[A-Z][A-Z0-9_]{0,9}", name)
    assert name == "P1_KCL_LB"  # pass, material and unit can be told
    zones = make.strips_of(field, 2)
    layer = build_set(field=field, zones=zones, prescription=make.prescribed(zones, [140.0, 110.0]))
    write_formats(meant=layer, formats=["shapefile"], folder=tmp_path / "out")
    with shapefile.Reader(str(next((tmp_path / "out").rglob("*.shp")))) as reader:
        names = [one[0] for one in reader.fields if one[0] != "DeletionFlag"]
        assert len({one.upper() for one in names}) == len(names)
        assert [record[name] for record in reader.records()] == [140.0, 110.0]
    assert name in (tmp_path / "out" / "prescription_columns.txt").read_text()
    words = ("Bächle Nord", "Größe Ñu")
    for encoding, cpg in (("utf-8", "1252"), ("cp1252", "")):
        folder = tmp_path / encoding
        folder.mkdir()
        path = make.shp(folder / "z", *(
            (word, 1.0, [make.utm_box(400 * k, 0, 400 * k + 400, 800)])
            for k, word in enumerate(words)))
        data = path.with_suffix(".dbf").read_bytes()
        for word in words:
            data = data.replace(word.encode().ljust(40), word.encode(encoding).ljust(40))
        path.with_suffix(".dbf").write_bytes(data[:29] + b"\x00" + data[30:])
        path.with_suffix(".cpg").unlink(missing_ok=True)
        if cpg:
            path.with_suffix(".cpg").write_text(cpg)
        _, labels, findings = read_polygons(path=path, field=field, label_column="NAME")
        assert labels == words
        assert "shapefile-encoding" in [f.code for f in findings]


def test_s26_zones_without_a_rate(field: Field, tmp_path: Path) -> None:
    strip = [make.polygon(make.box(160 * k, 0, 160 * (k + 1), 800)) for k in range(5)]
    given = {"A": 90, "B": 0, "C": None, "D": float("nan"), "G": -7}
    path = make.geojson(
        tmp_path / "z.geojson", *strip, None, {"type": "Polygon", "coordinates": []},
        properties=[{"zone": zone, "rate_lb_ac": rate} for zone, rate in
                    (*given.items(), ("E", 120), ("F", 80))])
    assert "NaN" in path.read_text()
    _, labels, findings = read_polygons(path=path, field=field, label_column="zone")
    assert labels == tuple(given)
    said = {f.code: f.what for f in findings}
    assert said["polygons-no-area"] == "no area: E, F"
    assert "geojson-nan" in said
    places = " ".join(odd(path, "audit-rate-odd"))
    assert [zone for zone in "ABCDG" if f"zone {zone}" in places] == ["C", "D", "G"]
    rates = {f.code for f in audit_file(path=path).faults}
    assert {"audit-json-number", "audit-no-area"} <= rates
    table = make.shp(tmp_path / "t", *(
        (zone, rate, [make.utm_box(400 * k, 0, 400 * k + 400, 800)])
        for k, (zone, rate) in enumerate((("A", 0.0), ("B", None)))))
    assert len(odd(table, "audit-rate-odd")) == 1  # a stated 0 is a rate, an empty field is none
    zones = make.strips_of(field, 2)
    layer = build_set(field=field, zones=zones, prescription=make.prescribed(zones, [100.0, 0.0]))
    write_formats(meant=layer, formats=["shapefile"], folder=tmp_path / "out")
    with shapefile.Reader(str(next((tmp_path / "out").rglob("*.shp")))) as reader:
        assert [r["P1_KCL_LB"] for r in reader.records()] == [100.0, 0.0]


def test_s27_long_numbers_stay_text(field: Field, tmp_path: Path) -> None:
    # 2**53 + 1 is the first integer that a double cannot hold (IEEE 754).
    ids = (2**53 + 1, "98765432109876543210", None)
    path = make.geojson(tmp_path / "z.geojson", *(
        make.polygon(make.box(260 * k, 0, 260 * (k + 1), 800)) for k in range(2)),
        properties=[{"job": one} for one in ids[:2]])
    _, labels, _ = read_polygons(path=path, field=field, label_column="job")
    assert labels == ("9007199254740993", "98765432109876543210")
    # What we write has no exponent and reads back equal.
    zones = make.strips_of(field, 2)
    layer = build_set(field=field, zones=zones,
                      prescription=make.prescribed(zones, [1234.5, 0.1], step=0.1))
    write_formats(meant=layer, formats=["shapefile"], folder=tmp_path / "out")
    dbf = next((tmp_path / "out").rglob("*.dbf"))
    size = struct.unpack("<H", dbf.read_bytes()[8:10])[0]
    assert not re.search(rb"\d[eE][+-]?\d|\*", dbf.read_bytes()[size:])
    with shapefile.Reader(str(dbf.with_suffix(".shp"))) as reader:
        assert [r["P1_KCL_LB"] for r in reader.records()] == pytest.approx([1234.5, 0.1], rel=1e-12)


def test_s28_missing_parts(tmp_path: Path) -> None:
    path = make.five_strips(tmp_path / "z")
    path.with_suffix(".shx").unlink()
    field = read_boundary(path=path, name="F", several="join")
    assert field.area_ac == pytest.approx(make.BASE_AC, rel=2e-4)
    assert "shapefile-no-shx" in make.told(field)
    assert not path.with_suffix(".shx").exists()
    path.with_suffix(".dbf").unlink()
    with pytest.raises(InputError, match=r"strips\.dbf is missing") as caught:
        read_boundary(path=path, name="F")
    assert caught.value.code == "shapefile-no-dbf"


WRITES = """
import resource, runpy, signal, sys
from pathlib import Path
make = runpy.run_path({builders!r})
from vrx.errors import ExportError
from vrx.export import build_set, write_formats
folder = Path(sys.argv[1])
field = make["square_field"](folder)
zones = make["strips_of"](field, 12)
layer = build_set(field=field, zones=zones, prescription=make["prescribed"](zones, [120.0] * 12))
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (1024, 1024))
try:
    write_formats(meant=layer, formats=["shapefile", "geojson"], folder=folder / "out")
except ExportError as err:
    print(err.code, err)
"""


def test_s29_interrupted_writes(field: Field, tmp_path: Path) -> None:
    for suffix, keep, said in ((".shp", 300, "file has 300"), (".shp", 0, "0 bytes"),
                               (".dbf", 150, "header says 5 records")):
        folder = tmp_path / f"cut{suffix}{keep}"
        path = make.five_strips(folder)
        part = path.with_suffix(suffix)
        part.write_bytes(part.read_bytes()[:keep])
        with pytest.raises(InputError, match=said) as caught:
            read_boundary(path=path, name="F")
        assert caught.value.code == "shapefile-incomplete"
    none = make.five_strips(tmp_path / "none").with_suffix(".dbf")
    data = none.read_bytes()
    none.write_bytes(data[:4] + struct.pack("<I", 0) + data[8:])
    with pytest.raises(InputError, match="0 records"):
        read_boundary(path=none.with_suffix(".shp"), name="F")
    # Writing: every write past 1 KiB fails, as on a full disk; an older set stays byte for byte.
    builders = str(Path(__file__).with_name("builders.py"))
    done = subprocess.run(
        [sys.executable, "-B", "-c", WRITES.format(builders=builders), str(tmp_path)],
        capture_output=True, text=True, check=False)
    assert done.stdout.startswith("export-"), done.stderr[-2000:]
    assert not list((tmp_path / "out").glob("*"))
    zones = make.strips_of(field, 3)
    old, new = (build_set(field=field, zones=zones, prescription=make.prescribed(zones, rates))
                for rates in ([50.0] * 3, [60.0] * 3))
    write_formats(meant=old, formats=["shapefile"], folder=tmp_path / "kept")
    before = {p: p.read_bytes() for p in (tmp_path / "kept").rglob("*") if p.is_file()}
    with pytest.raises(ExportError) as refused:
        write_formats(meant=new, formats=["shapefile"], folder=tmp_path / "kept")
    assert refused.value.code == "export-exists"
    assert {p: p.read_bytes() for p in (tmp_path / "kept").rglob("*") if p.is_file()} == before


def test_s30_a_zip_with_a_folder_and_two_layers(tmp_path: Path) -> None:
    outline = make.shp(tmp_path / "outline", ("Field 7", 1.0, [make.utm_box(0, 0, 800, 800)]))
    with shapefile.Writer(str(tmp_path / "cores"), shapeType=shapefile.POINT) as writer:
        writer.field("ID", "C", 8)
        for n, (east, north) in enumerate(make.places()):
            writer.point(make.WEST + east, make.SOUTH + north)
            writer.record(f"S{n}")
    (tmp_path / "cores.prj").write_text(outline.with_suffix(".prj").read_text())
    packed = tmp_path / "sent.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        for stem in ("outline", "cores"):
            for part in sorted(tmp_path.glob(f"{stem}.*")):
                archive.write(part, f"sent 2026/Field 7/{part.name}")
                archive.writestr(f"__MACOSX/sent 2026/Field 7/._{part.name}", "x")
        archive.writestr("sent 2026/notes.txt", "hello")
    look = peek_boundary(packed)
    assert sorted((one.name, one.kind, one.features) for one in look.layers) == [
        ("cores", "point", 16), ("outline", "polygon", 1)]
    field = read_boundary(path=packed, name="F")
    assert field.area_ac == pytest.approx(make.BASE_AC, rel=2e-4)
    with zipfile.ZipFile(tmp_path / "slip.zip", "w") as archive:
        archive.writestr("../field.geojson", json.dumps({}))
    with pytest.raises(InputError) as caught:
        read_boundary(path=tmp_path / "slip.zip", name="F")
    assert caught.value.code == "zip-unsafe-path"
