"""Archives, XML, databases and files of 2 GiB made to do harm, against every reader of their kind.

CWE-776, CWE-611 (XML), CWE-22 (paths out of an archive), CWE-409 (bombs): numbers from memory.
"""

from __future__ import annotations

import base64
import io
import os
import resource
import sqlite3
import stat
import struct
import time
import zipfile
import zlib
from collections.abc import Callable
from contextlib import closing
from functools import cache
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import wholes
from layer_targets import geometry, with_geometry
from readers import POINTS, READERS, the_field, the_grid

from vrx.audit import AuditResult
from vrx.errors import InputError, VrxError
from vrx.intake import input_files, read_boundary, read_raster_layer, read_soil
from vrx.intake._places import moved
from vrx.model import Field

BOMB = b'<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
LIMIT_S = 20.0  # no hang; a loaded machine is several times slower than an idle one


def of_kind(*kinds: str) -> list[tuple[str, str]]:
    return [(name, suffix) for name, reader in READERS.items() for suffix in reader.wholes()
            if suffix in kinds]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("home")


@pytest.fixture
def stopped(home: Path, tmp_path: Path) -> Callable[[str, str, bytes], str]:
    """All codes and words with which a reader refuses these bytes, within 5 s and 100 MiB."""

    def call(name: str, suffix: str, data: bytes) -> str:
        path = READERS[name].place(tmp_path, "a", data, suffix)
        beside = sorted(tmp_path.iterdir())
        the_grid(home)
        begun, before = time.monotonic(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        try:
            got = READERS[name].read(path, home, suffix)
        except VrxError as err:
            said = f"{err.code} {err} {err.findings}"
        else:
            assert isinstance(got, AuditResult), got
            said = str(got.faults)
        assert time.monotonic() - begun < LIMIT_S
        assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000  # KiB
        assert sorted(tmp_path.iterdir()) == beside
        return said

    return call


@cache
def bomb(member: str, *, says: int = 0) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        with archive.open(member, "w") as out:
            for _ in range(300):
                out.write(bytes(1 << 20))
        if says:
            archive.infolist()[0].file_size = says
    return stream.getvalue()


def inner(name: str, suffix: str) -> tuple[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(READERS[name].wholes()[suffix])) as archive:
        first = next((one for one in archive.namelist() if one.endswith((".shp", ".xml"))),
                     archive.namelist()[0])
        return first, archive.read(first)


@pytest.mark.parametrize(("name", "suffix"), of_kind(".zip", ".kmz"))
def test_archives(name: str, suffix: str, stopped: Callable[[str, str, bytes], str]) -> None:
    member, data = inner(name, suffix)
    for slip in (f"../{member}", f"/{member}", f"C:/{member}", f"..\\{member}"):
        assert "leaves the archive" in stopped(name, suffix, wholes.zipped({slip: data}))
    info = zipfile.ZipInfo(member)
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr(info, "/etc/hostname")
    assert "link to another place" in stopped(name, suffix, stream.getvalue())
    assert "bomb" in stopped(name, suffix, bomb(member)) or suffix == ".kmz"
    hidden = stopped(name, suffix, bomb(member, says=100))
    assert "file-unreadable" in hidden or "no whole zip" in hidden
    packed = stopped(name, suffix, wholes.zipped({member: data}, zipfile.ZIP_LZMA))
    assert "deflate" in packed
    nest = wholes.zipped({member: data})
    for _ in range(3):
        nest = wholes.zipped({f"a{suffix}": nest})
    assert stopped(name, suffix, nest)


@pytest.mark.parametrize(("name", "suffix"), of_kind(".xlsx"))
def test_workbooks(name: str, suffix: str, stopped: Callable[[str, str, bytes], str]) -> None:
    whole = READERS[name].wholes()[suffix]
    with zipfile.ZipFile(io.BytesIO(whole)) as archive:
        parts = {one: archive.read(one) for one in archive.namelist()}
    sheet = next(one for one in parts if "sheet1" in one)
    assert "xml-doctype" in stopped(name, suffix,
                                    wholes.zipped({**parts, sheet: BOMB + parts[sheet]}))
    assert "workbook-too-large" in stopped(name, suffix, bomb("xl/a.xml"))
    assert "workbook-broken" in stopped(name, suffix, bomb("xl/media/a.png", says=100))
    # One cell far away: a table of 1 048 576 x 16 384 cells.
    far = parts[sheet].replace(b"</sheetData>", b'<row r="1048576"><c r="XFD1048576"><v>1</v></c>'
                               b"</row></sheetData>")
    far = far.replace(b'<dimension ref="', b'<dimension ref="A1:XFD1048576" x="')
    assert "workbook" in stopped(name, suffix, wholes.zipped({**parts, sheet: far}))


@pytest.mark.parametrize(("name", "suffix"), of_kind(".kml", ".xml", ".XML"))
def test_xml(name: str, suffix: str, stopped: Callable[[str, str, bytes], str]) -> None:
    whole = READERS[name].wholes()[suffix]
    outside = b'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]>'
    dtd = b'<!DOCTYPE x SYSTEM "http://127.0.0.1:9/x.dtd">'
    # The audit tells faults of a file as its own, with the words of the cause.
    doctype, large = (("which is refused", "holds more than") if name.startswith("audit_")
                      else ("xml-doctype", "xml-too-large"))
    for head in (BOMB, outside, dtd):
        assert doctype in stopped(name, suffix, head + whole)
        assert doctype in stopped(name, suffix, (head + whole).decode().encode("utf-16"))
    assert large in stopped(name, suffix, b"<kml>" + b"<Folder>" * 100_000)


@pytest.mark.parametrize(("name", "suffix"), [
    (name, suffix) for name, reader in READERS.items() for suffix in reader.wholes()])
def test_more_than_2_gib(name: str, suffix: str, home: Path, tmp_path: Path) -> None:
    path = READERS[name].place(tmp_path, "a", b"", suffix)
    target = {".BIN": path / "GRD00007.BIN", ".XML": path / "TASKDATA.XML",
              ".TLX": path / "TLG00001.xml", ".TLB": path / "TLG00001.bin"}.get(suffix, path)
    with target.open("r+b") as stream:
        os.truncate(stream.fileno(), (2 << 30) + 1)
    the_grid(home)
    begun = time.monotonic()
    with pytest.raises(VrxError) as caught:
        READERS[name].read(path, home, suffix)
    assert time.monotonic() - begun < 1.0
    assert "too-large" in caught.value.code or "more than" in str(caught.value)


def test_a_formula_is_never_a_number(home: Path, tmp_path: Path) -> None:
    table = wholes.machine_log().decode().splitlines()
    row = table[5].split(",")
    row[-1], row[6] = "=1+1", "=cmd|' /C calc'!A0"
    table[5] = ",".join(row)
    path = tmp_path / "a.csv"
    path.write_text("\n".join(table))
    for name in ("read_yield_logs", "applied_totals", "read_point_layer"):
        with pytest.raises(InputError) as caught:
            READERS[name].read(path, home, ".csv")
        assert "=" in str(caught.value)


# --- databases -----------------------------------------------------------------------------------


def test_a_database_that_others_have_open_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    path.write_bytes(wholes.geopackage())
    with closing(sqlite3.connect(path)) as base:
        base.execute("pragma journal_mode = wal")
    before = {one.name: one.read_bytes() for one in tmp_path.iterdir()}
    assert read_boundary(path=path, name="F").area_ac == pytest.approx(145.526216)
    assert {one.name: one.read_bytes() for one in tmp_path.iterdir()} == before


def blob(wkb: bytes) -> bytes:
    """A GeoPackage geometry without an envelope (OGC 12-128r18, 2.1.3)."""
    return b"GP\x00\x01" + struct.pack("<i", 4326) + wkb


@pytest.mark.parametrize("data", [
    b"", b"GP", b"XX" + geometry()[2:], geometry()[:-9],
    blob(b"\x01\x03\x00\x00\x00\xff\xff\xff\xff"),
    blob(struct.pack("<BII", 1, 3, 1) + struct.pack("<I", 2**31)),
    blob(struct.pack("<BIII", 1, 3, 1, 4) + struct.pack("<8d", *[np.nan] * 8)),
    blob(struct.pack("<BII", 1, 7, 1) * 2000), blob(struct.pack("<BII", 1, 3, 0)),
    geometry() + bytes(50),
], ids=["empty", "short", "magic", "cut", "rings", "points", "nan", "nested", "no ring", "more"])
def test_geometries_of_a_database(data: bytes, fuzz: ModuleType, tmp_path: Path) -> None:
    assert fuzz.TARGETS["geopackage"]
    path = tmp_path / "a.gpkg"
    path.write_bytes(with_geometry(data))
    try:
        field = read_boundary(path=path, name="F")
    except InputError as err:
        assert err.code  # noqa: PT017 - both outcomes are right
    else:
        assert field.area_ac == pytest.approx(145.526216)


def test_text_of_a_database_that_is_no_utf8(home: Path, tmp_path: Path) -> None:
    # Found by fuzzing: a name with a byte of Windows-1252.
    path = tmp_path / "a.gpkg"
    whole = wholes.geopackage("points")
    path.write_bytes(whole.replace(b"K_ppm", b"K_pp\xe9"))
    with pytest.raises(InputError):
        read_soil(path=path, field=the_field(home), spec=POINTS)


# --- found by fuzzing: rasters and systems -------------------------------------------------------


def raster(tmp_path: Path, home: Path, data: bytes) -> InputError:
    path = tmp_path / "a.tif"
    path.write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_raster_layer(path=path, field=the_field(home), grid=the_grid(home), name="z", unit="m")
    return caught.value


def test_a_raster_of_another_planet(home: Path, tmp_path: Path) -> None:
    # The semi-major axis of the ellipsoid (GeoKey 2057, a double) as that of the Moon.
    import rasterio

    path = tmp_path / "moon.tif"
    path.write_bytes(wholes.raster())
    with rasterio.open(path, "r+") as out:
        out.crs = rasterio.CRS.from_string("+proj=longlat +R=1737400 +no_defs")
    err = raster(tmp_path, home, path.read_bytes())
    assert err.code == "crs-no-such-place"


@pytest.mark.parametrize("value", [np.nan, np.inf, 1e-320])
def test_a_raster_without_a_finite_place(value: float, home: Path, tmp_path: Path) -> None:
    whole = wholes.raster()
    step = struct.pack("<d", 0.0005)
    assert step in whole
    err = raster(tmp_path, home, whole.replace(step, struct.pack("<d", value), 1))
    assert err.code in {"raster-turned", "raster-unreadable", "layer-outside-field"}


# 378 bytes, minimised and packed: a GeoTIFF whose names of the system are no UTF-8.
NO_TEXT = (
    b"c-r&y)MDUZU|<krU|?isU<9%xfS3`9%>-pDFyID)j0^;UI1y_2nt2$Qv52p4X9nA^1T<qqI}ZaBRD5GQ"
    b"6WH}dM3_w(U<cd7h=dtnY>tiX>_~i&3mH&oR4@-p0|1rN3g7")


def test_a_raster_whose_system_is_no_text(home: Path, tmp_path: Path) -> None:
    err = raster(tmp_path, home, zlib.decompress(base64.b85decode(NO_TEXT)))
    assert err.code == "raster-unreadable"


def test_a_wide_text_that_is_none(home: Path, tmp_path: Path) -> None:
    # Found by fuzzing: every other byte is NUL and a half pair stands among them.
    path = tmp_path / "a.csv"
    path.write_bytes(wholes.machine_log().decode().encode("utf-16-le")[:-2] + b"\x00\xd8")
    with pytest.raises(InputError) as caught:
        READERS["read_yield_logs"].read(path, home, ".csv")
    assert caught.value.code == "table-encoding"


def test_a_million_points_from_nowhere_take_no_time(home: Path) -> None:
    import pyproj

    field: Field = the_field(home)
    east = np.linspace(0.0, 90.0, 1_000_000)
    begun = time.monotonic()
    out = moved(east, east, pyproj.CRS("+proj=longlat +R=1737400 +no_defs"), field)
    assert not np.isfinite(out).any()
    some = moved(np.where(east > 45, np.inf, east), east, pyproj.CRS("EPSG:4326"), field)
    assert np.isfinite(some[0]).sum() == (east <= 45).sum()
    assert time.monotonic() - begun < LIMIT_S


# --- twins ---------------------------------------------------------------------------------------


def test_files_that_differ_in_case_only(tmp_path: Path) -> None:
    for suffix, data in wholes.shapefile_parts().items():
        (tmp_path / f"a{suffix}").write_bytes(data)
    path = tmp_path / "a.shp"
    assert len(input_files(path)) == 5
    acres = read_boundary(path=path, name="F").area_ac
    # A stranger of nearly the same name takes no part: only names that agree to the letter do.
    (tmp_path / "A.DBF").write_bytes(b"no table")
    assert read_boundary(path=path, name="F").area_ac == acres
    (tmp_path / "a.DBF").write_bytes(wholes.shapefile_parts()[".dbf"])
    with pytest.raises(InputError, match="differ in the case of their names only") as caught:
        read_boundary(path=path, name="F")
    assert caught.value.code == "shapefile-same-name"
