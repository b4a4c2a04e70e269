"""Files of other hands: metric rates, records twice, a boundary that is one feature or geometry."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
import shapefile
from click.testing import CliRunner
from pyproj import Geod

from vrx.audit import audit_file
from vrx.cli import cli

SOUTH, NORTH = 42.0, 42.0036
EDGES = (-85.0, -84.9976, -84.9952)
ACRE_M2, LB_KG = 4046.8564224, 0.45359237  # international acre and avoirdupois pound, exact
PRJ = ('GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,298.257223563]],'
       'PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]]')


def ring(west: float, east: float) -> list[list[float]]:
    """Counter-clockwise and closed."""
    return [[west, SOUTH], [east, SOUTH], [east, NORTH], [west, NORTH], [west, SOUTH]]


def hectares(west: float, east: float) -> float:
    longitudes, latitudes = zip(*ring(west, east)[:-1], strict=True)
    return abs(Geod(ellps="WGS84").polygon_area_perimeter(longitudes, latitudes)[0]) / 1e4


def written(folder: Path, column: str, rows: list[tuple[float, float, float]]) -> Path:
    """A shapefile by pyshp: west, east and rate of each record."""
    with shapefile.Writer(folder / "made", shapeType=shapefile.POLYGON) as out:
        out.field("NO", "N", 9, 0)
        out.field(column, "N", 10, 2)
        for number, (west, east, rate) in enumerate(rows, start=1):
            out.poly([ring(west, east)[::-1]])
            out.record(number, rate)
    (folder / "made.prj").write_text(PRJ)
    return folder / "made.shp"


def said(*arguments: object) -> str:
    return CliRunner().invoke(cli, [str(one) for one in arguments]).stdout


def test_a_total_in_kilograms_stands_among_the_first_figures(tmp_path: Path) -> None:
    path = written(tmp_path, "KGHA", [(*EDGES[:2], 150.0), (*EDGES[1:], 200.0)])
    wanted = 150 * hectares(*EDGES[:2]) + 200 * hectares(*EDGES[1:])
    (row,) = [one for one in audit_file(path=path).rows if one.what == "total"]
    assert (row.unit, row.found) == ("kg", pytest.approx(wanted, rel=1e-9))


def test_ground_of_a_record_that_stands_twice_lies_in_two_zones(tmp_path: Path) -> None:
    path = written(tmp_path, "RATE_LB_AC", [
        (*EDGES[:2], 150.0), (*EDGES[:2], 150.0), (*EDGES[1:], 200.0)])
    result = audit_file(path=path)
    assert "audit-duplicate-zone" in {one.code for one in result.faults}
    assert "audit-overlap" not in {one.code for one in result.faults}
    (row,) = [one for one in result.rows if one.what == "ground in two zones"]
    assert row.found == pytest.approx(hectares(*EDGES[:2]) * 1e4 / ACRE_M2, rel=1e-9)
    assert not row.agrees


@pytest.mark.parametrize("wrap", ["geometry", "feature", "collection"])
def test_a_boundary_is_a_geometry_a_feature_or_a_collection(tmp_path: Path, wrap: str) -> None:
    # RFC 7946, section 2: a GeoJSON text is any of the three.
    path = written(tmp_path, "RATE_LB_AC", [(*EDGES[:2], 150.0)])
    made: dict[str, object] = {
        "type": "Polygon", "coordinates": [ring(EDGES[0], EDGES[2])]}
    if wrap != "geometry":
        made = {"type": "Feature", "properties": {}, "geometry": made}
    if wrap == "collection":
        made = {"type": "FeatureCollection", "features": [made]}
    edge = tmp_path / "edge.geojson"
    edge.write_text(json.dumps(made))
    result = audit_file(path=path, boundary=edge)
    assert {one.code for one in result.faults if one.severity == "stop"} == {"audit-gap"}
    (row,) = [one for one in result.rows if one.what == "field in no zone"]
    assert isinstance(row.found, float)
    assert math.isclose(row.found, hectares(*EDGES[1:]) * 1e4 / ACRE_M2, rel_tol=1e-6)


def test_the_terminal_shows_totals_in_any_unit_and_no_line_for_each_record(
    tmp_path: Path
) -> None:
    metric = said("audit", written(tmp_path, "KGHA", [(*EDGES[:2], 150.0)]))
    lines = [line.split() for line in metric.splitlines() if line.strip().startswith("total")]
    assert [line[4] for line in lines] == ["kg"]
    assert "record 1" not in metric
    unknown = said("audit", written(tmp_path, "TARGET", [(*EDGES[:2], 150.0)]))
    assert [line.split()[4] for line in unknown.splitlines()
            if line.strip().startswith("total")] == ["unknown"]
