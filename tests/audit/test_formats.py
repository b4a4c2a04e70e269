"""Every format by itself, also as other programs write it: acres, totals, faults.

Acres come from GeographicLib's own Python port, task data are read beside it by the library
`isoxml` (PyPI), which shares no code with vrx; GeoPackage and GeoParquet are written by GDAL and
geopandas.
"""

from __future__ import annotations

import sqlite3
import warnings
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from audit_builders import K, T, acres, frame, polygons
from geographiclib.geodesic import Geodesic

from vrx.audit import AuditResult, audit_files
from vrx.audit._task_cells import cell_acres
from vrx.errors import InputError
from vrx.units import ACRE_M2, LB_KG

TOTAL_AC = sum(acres(shape) for shape in polygons())


def codes(result: AuditResult) -> set[str]:
    return {fault.code for fault in result.faults}


def figure(result: AuditResult, what: str, where: str = "") -> float:
    found = [row.found for row in result.rows if row.what == what and where in row.where]
    assert len(found) == 1, found
    assert isinstance(found[0], float)
    return found[0]


def parquet(data: gpd.GeoDataFrame, path: Path) -> Path:
    pytest.importorskip("pyarrow", reason="pyarrow (extra parquet) is not installed")
    data.to_parquet(path)
    return path


def package(data: gpd.GeoDataFrame, path: Path, layer: str = "zones") -> Path:
    data.to_file(path, layer=layer, driver="GPKG")
    return path


@pytest.mark.parametrize("epsg", [4326, 32614, 2265, 4269])
@pytest.mark.parametrize(("write", "name"), [(package, "f.gpkg"), (parquet, "f.parquet")])
def test_vector_formats_give_acres_and_totals(
    tmp_path: Path, write: Callable[[gpd.GeoDataFrame, Path], Path], name: str, epsg: int
) -> None:
    data = frame().to_crs(epsg)
    result = audit_files(paths=[write(data, tmp_path / name)])
    assert figure(result, "acres in all") == pytest.approx(TOTAL_AC, rel=2e-6)
    assert figure(result, "total", K) == pytest.approx(
        float((frame()[K] * [acres(one) for one in polygons()]).sum()), rel=2e-6)
    assert ("audit-crs-not-wgs84" in codes(result)) is (epsg != 4326)
    assert result.agrees
    assert result.arithmetic is None


@pytest.mark.parametrize(("write", "name"), [(package, "f.gpkg"), (parquet, "f.parquet")])
def test_planted_faults_are_found_in_vector_formats(
    tmp_path: Path, write: Callable[[gpd.GeoDataFrame, Path], Path], name: str
) -> None:
    data = frame()
    data.loc[1, K] = None
    data.loc[2, K] = -5.0
    data.loc[3, "geometry"] = shapely.union(data.geometry[3], data.geometry[4].buffer(-1e-4))
    result = audit_files(paths=[write(data, tmp_path / name)])
    told = " ".join(fault.what for fault in result.faults if fault.code == "audit-rate-odd")
    assert "null" in told or "NaN" in told
    assert "negative" in told
    assert "audit-overlap" in codes(result)
    assert not result.agrees


def test_no_crs_no_acres(tmp_path: Path) -> None:
    for write, name in ((package, "f.gpkg"), (parquet, "f.parquet")):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # GDAL's writer misses the system as well
            path = write(frame().set_crs(None, allow_override=True), tmp_path / name)
        result = audit_files(paths=[path])
        assert not [row for row in result.rows if row.unit == "ac"], name
        assert codes(result) & {"audit-crs-missing", "audit-crs-wrong"}, name


def test_a_package_of_several_layers_asks_for_one(tmp_path: Path) -> None:
    path = package(frame(), tmp_path / "f.gpkg", "east")
    package(frame(), path, "west")
    with pytest.raises(InputError, match="several layers") as caught:
        audit_files(paths=[path])
    assert "east, west" in caught.value.hint
    assert audit_files(paths=[path], layer="west").agrees
    with pytest.raises(InputError, match="'north'"):
        audit_files(paths=[path], layer="north")


def test_no_view_of_a_stranger_is_run(tmp_path: Path) -> None:
    """A view without end stands where the layer is expected: it is no table, and is not read."""
    path = package(frame(), tmp_path / "f.gpkg", "zones")
    with closing(sqlite3.connect(path)) as base, base:
        base.execute("UPDATE gpkg_geometry_columns SET table_name = 'trap'")
        base.execute("CREATE VIEW trap AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 "
                     "FROM n) SELECT i, NULL AS geom FROM n")
    assert codes(audit_files(paths=[path])) == {"audit-empty"}


def test_newer_rows_in_a_second_file_are_a_doubt(tmp_path: Path) -> None:
    path = package(frame(), tmp_path / "f.gpkg")
    with closing(sqlite3.connect(path)) as base:
        base.execute("PRAGMA journal_mode = WAL")
    before = path.read_bytes()
    assert "audit-wal" in codes(audit_files(paths=[path]))
    assert path.read_bytes() == before
    assert not path.with_name("f.gpkg-shm").exists()


@pytest.mark.parametrize("name", ["f.gpkg", "f.parquet"])
def test_damaged_containers_are_faults_and_no_crash(tmp_path: Path, name: str) -> None:
    path = (parquet if name.endswith("parquet") else package)(frame(), tmp_path / name)
    data = path.read_bytes()
    for cut in (0, 3, 50, len(data) // 3, len(data) // 2, len(data) - 1):
        path.write_bytes(data[:cut])
        result = audit_files(paths=[path])
        assert not result.agrees or any(row.unit == "ac" for row in result.rows)
    generator = np.random.default_rng(7)
    for _ in range(60):
        broken = bytearray(data)
        for at in generator.integers(0, len(data), 40):
            broken[at] = int(generator.integers(0, 256))
        path.write_bytes(bytes(broken))
        with suppress(InputError):
            audit_files(paths=[path])


@pytest.mark.parametrize("south", [-60.0, 0.0, 29.9, 41.2, 55.0, 89.0])
def test_acres_of_cells_against_geographiclib(south: float) -> None:
    """Cells between parallels, whose edges are followed by 200 points each (Karney 2013)."""
    high, wide = 0.01, 0.02
    for row, found in enumerate(cell_acres(south, high, wide, 3)):
        low = south + row * high
        polygon = Geodesic.WGS84.Polygon()
        for k in range(201):
            polygon.AddPoint(low, -96.5 + wide * k / 200)
        for k in range(201):
            polygon.AddPoint(low + high, -96.5 + wide - wide * k / 200)
        assert found == pytest.approx(polygon.Compute(False, True)[2] / ACRE_M2, rel=2e-7)


def test_acres_of_cells_against_figures_worked_elsewhere() -> None:
    """931,486.403 m2 for the authalic cell of latitude 41.20 to 41.21, 0.01 degree wide, and
    93.15558 m2 for one of 0.0001 degree at 41.2 (computed with two other libraries)."""
    assert cell_acres(41.2, 0.01, 0.01, 1)[0] * ACRE_M2 == pytest.approx(931486.403, abs=0.002)
    assert cell_acres(41.2, 0.0001, 0.0001, 1)[0] * ACRE_M2 == pytest.approx(93.15558, abs=1e-4)


SOUTH, WEST, HIGH, WIDE = 41.2, -96.5, 0.0002, 0.00025


def _other_library(folder: Path, kind: str) -> Path:
    """TASKDATA that vrx did not write: zones of 0, 80 and 100 lb/ac, 4 rows of 5 cells."""
    pytest.importorskip("isoxml", reason="isoxml (test extra) is not installed")
    home = folder / "TASKDATA"
    home.mkdir()
    rates = [0, 8967, 11209]
    zones = "".join(
        f'<TZN A="{k}" B="zone {k}"><PDV A="0006" B="{raw}" C="PDT1"/>'
        f'{_polygon(k) if kind == "polygons" and k else ""}</TZN>' for k, raw in enumerate(rates))
    cells = np.array([[1] * 5, [2] * 5, [2] * 5, [0, 1, 2, 1, 0]], dtype=np.uint8)
    grid = ""
    if kind == "grid 1":
        (home / "GRD00001.bin").write_bytes(cells.tobytes())
        grid = _grid(20, 1)
    if kind == "grid 2":
        (home / "GRD00001.bin").write_bytes(
            np.array(rates, dtype="<i4")[cells].astype("<i4").tobytes())
        grid = _grid(80, 2)
    (home / "TASKDATA.XML").write_text(
        '<?xml version="1.0" encoding="UTF-8"?><ISO11783_TaskData VersionMajor="4" VersionMinor="3"'
        ' ManagementSoftwareManufacturer="demo" ManagementSoftwareVersion="1"'
        ' DataTransferOrigin="1"><CTR A="CTR1" B="Demo"/><PFD A="PFD1" C="North" D="0"/>'
        '<PDT A="PDT1" B="potash 0-0-60"/><TSK A="TSK1" B="K" E="PFD1" G="1" H="0" I="0" J="0">'
        f"{zones}{grid}</TSK></ISO11783_TaskData>", encoding="utf-8")
    return home


def _grid(size: int, kind: int) -> str:
    more = ' J="0"' if kind == 2 else ""
    return (f'<GRD A="{SOUTH}" B="{WEST}" C="{HIGH}" D="{WIDE}" E="5" F="4" G="GRD00001" '
            f'H="{size}" I="{kind}"{more}/>')


def _ring(k: int) -> list[tuple[float, float]]:
    west, south = WEST + 0.002 * k, SOUTH
    return [(west, south), (west + 0.002, south), (west + 0.002, south + 0.001),
            (west, south + 0.001), (west, south)]


def _polygon(k: int) -> str:
    points = "".join(f'<PNT A="2" C="{north}" D="{east:.9f}"/>' for east, north in _ring(k))
    return f'<PLN A="2"><LSG A="1">{points}</LSG></PLN>'


def _own_read(home: Path) -> Any:
    """The same folder through the other library: it must be able to read what is judged here."""
    from isoxml.util.isoxml_io import isoxml_from_path

    return isoxml_from_path(home)


def test_task_polygons_of_another_hand(tmp_path: Path) -> None:
    home = _other_library(tmp_path, "polygons")
    assert len(_own_read(home)[0].tasks[0].treatment_zones) == 3
    result = audit_files(paths=[home])
    area = [acres(shapely.Polygon(_ring(k))) for k in (1, 2)]
    assert figure(result, "acres in all") == pytest.approx(sum(area), rel=1e-9)
    rates = [raw / 1e6 / LB_KG * ACRE_M2 for raw in (8967, 11209)]
    assert figure(result, "total", "potash") == pytest.approx(
        sum(a * r for a, r in zip(area, rates, strict=True)), rel=1e-9)
    assert rates[1] == pytest.approx(100.00436, abs=1e-5)
    assert figure(result, "K2O brought", "potash") == pytest.approx(
        0.6 * figure(result, "product total"), rel=1e-12)
    assert result.agrees, result.faults


@pytest.mark.parametrize("kind", ["grid 1", "grid 2"])
def test_task_grids_of_another_hand(tmp_path: Path, kind: str) -> None:
    from isoxml.converter.np_grid import to_numpy_array

    home = _other_library(tmp_path, kind)
    data, bins = _own_read(home)
    there = to_numpy_array(bins["GRD00001"], data.tasks[0].grids[0])
    codes_of = there.reshape(4, 5) if kind == "grid 1" else None
    result = audit_files(paths=[home])
    cell = cell_acres(SOUTH, HIGH, WIDE, 4)
    rates = np.array([0.0, 8967, 11209]) / 1e6 / LB_KG * ACRE_M2
    meant = np.array([[1] * 5, [2] * 5, [2] * 5, [0, 1, 2, 1, 0]])
    if codes_of is not None:
        assert np.array_equal(np.asarray(codes_of), meant)
    assert figure(result, "total", "potash") == pytest.approx(
        float((cell[:, None] * rates[meant]).sum()), rel=1e-9)
    # Without a boundary the out-of-field code counts as no field; a value of 0 does (and is told).
    cells = (meant > 0) if kind == "grid 1" else np.ones_like(meant)
    assert figure(result, "acres in all") == pytest.approx(
        float((cell[:, None] * cells).sum()), rel=1e-9)
    assert ("audit-grid-field" in codes(result)) is (kind == "grid 2")
    assert "audit-gap" not in codes(result)


def test_a_task_folder_in_a_zip_and_one_that_is_broken(tmp_path: Path) -> None:
    import shutil

    home = _other_library(tmp_path, "grid 1")
    zipped = Path(shutil.make_archive(str(tmp_path / "tasks"), "zip", tmp_path, "TASKDATA"))
    assert figure(audit_files(paths=[zipped]), "acres in all") == pytest.approx(
        figure(audit_files(paths=[home]), "acres in all"), rel=1e-12)
    (home / "GRD00001.bin").write_bytes(bytes([1] * 19 + [9]))
    assert not audit_files(paths=[home]).agrees
    (home / "TASKDATA.XML").write_text("<!DOCTYPE x [<!ENTITY a 'b'>]><x>&a;</x>",
                                       encoding="utf-8")
    assert codes(audit_files(paths=[home])) == {"audit-unreadable"}


def test_files_of_one_prescription_are_held_together(tmp_path: Path) -> None:
    """The same zones in two formats agree; a rate changed in one of them does not."""
    from vrx.audit import ColumnStated, Statement

    stated = Statement(columns={K: ColumnStated(product="potash 0-0-60", unit="lb/ac"),
                                T: ColumnStated(product="thio", unit="gal/ac")})
    one = package(frame(), tmp_path / "one.gpkg")
    other = frame()
    frame().to_file(tmp_path / "two.shp")
    assert audit_files(paths=[one, tmp_path / "two.shp"], stated=stated).arithmetic is True
    other.loc[0, K] += 10.0
    package(other, tmp_path / "three.gpkg")
    result = audit_files(paths=[one, tmp_path / "three.gpkg"], stated=stated)
    assert result.arithmetic is False
    assert "audit-totals-differ" in codes(result)
    parts = Statement(columns=stated.columns, add_up=True)
    assert audit_files(paths=[one, tmp_path / "three.gpkg"], stated=parts).arithmetic is None


def test_low_rates_of_task_data_agree_within_the_steps_they_are_written_in(tmp_path: Path) -> None:
    """1 lb/ac is 112 mg/m2, which reads 0.99924 lb/ac: 0.08 % less, and no fault of the folder."""
    from vrx.audit import ColumnStated, Statement

    home = _other_library(tmp_path, "polygons")
    record = home / "TASKDATA.XML"
    record.write_text(record.read_text(encoding="utf-8").replace("8967", "112").replace(
        "11209", "112"), encoding="utf-8")
    path = tmp_path / "zones.geojson"
    gpd.GeoDataFrame({"RATE_LB_AC": [1.0, 1.0]}, geometry=[
        shapely.Polygon(_ring(1)), shapely.Polygon(_ring(2))], crs="EPSG:4326").to_file(path)
    columns = {"RATE_LB_AC": ColumnStated(product="potash 0-0-60")}
    result = audit_files(paths=[path, home], stated=Statement(columns=columns))
    (row,) = [one for one in result.rows if one.what.startswith("product total against")]
    assert row.found == pytest.approx(0.99924 * float(row.expected or 0), rel=1e-5)
    assert row.agrees
    record.write_text(record.read_text(encoding="utf-8").replace('B="112"', 'B="114"'),
                      encoding="utf-8")
    assert audit_files(paths=[path, home], stated=Statement(columns=columns)).arithmetic is False
