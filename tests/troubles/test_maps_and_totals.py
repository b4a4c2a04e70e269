"""S31 to S40: maps, zones, machines, totals and task files, each in a small copy of our own.

Conversions: lb = 0.45359237 kg, gallon = 231 in3, acre = 4046.8564224 m2 (NIST SP 811, appendix B).
Row order and DDI: ISO 11783-10 and -11 as two open-source readers repeat them.
"""

from __future__ import annotations

import math
import struct
from pathlib import Path

import numpy as np
import pytest
import shapely
import trouble_builders as make

from vrx.audit import audit_file
from vrx.errors import InputError
from vrx.formats.iso11783 import rate_from_raw, raw_value, rounding_pct
from vrx.geo import from_lonlat, grid_over, trace_coverage
from vrx.intake import (
    AppliedSpec,
    LogColumn,
    PlaceColumns,
    PointSpec,
    applied_totals,
    read_boundary,
    read_point_layer,
    read_task_grids,
)
from vrx.model import Field, Grid, Surface
from vrx.products import PassRequest, load_materials, plan_passes
from vrx.surfaces import map_analyte
from vrx.surfaces.samples import MOST_SAMPLES
from vrx.zones import zones_from_polygons

GRID = Grid(west_m=-20.0, north_m=820.0, cell_m=20.0, rows=42, columns=42)


def mapped(places, values, **more) -> Surface:
    surface = map_analyte(analyte="potassium", unit="ppm", places=np.asarray(places, dtype=float),
                          values=np.asarray(values, dtype=float), grid=GRID, **more)
    assert np.isfinite(surface.values).all()
    assert min(values) - 1e-6 <= surface.values.min() <= surface.values.max() <= max(values) + 1e-6
    return surface


def test_s31_degenerate_samples() -> None:
    flat = mapped(make.places(), [163.0] * 16)
    assert flat.values == pytest.approx(np.full(GRID.shape, 163.0), abs=1e-6)
    assert "no variation" in make.told(flat)["surface-constant"]
    one = mapped([(300, 500)], [151.0])
    assert (one.values == 151.0).all()
    assert "surface-one-sample" in make.told(one)
    corners = [make.places()[k] for k in (0, 3, 12, 15)]
    four = mapped(corners, [120.0, 180.0, 210.0, 170.0], method="kriging")
    assert four.variogram is None
    assert "4 samples: too few for a variogram (at least 8)" in make.told(four)["surface-too-few"]
    line = mapped([(40 + 80 * k, 300) for k in range(10)], [130.0 + 7 * k for k in range(10)])
    assert "no information across it" in make.told(line)["surface-collinear"]


def test_s32_an_outlier_and_a_hot_spot() -> None:
    values = [float(k) for k in make.K]
    values[6] *= 10
    names = tuple(row[0] for row in make.rows())
    typo = mapped(make.places(), values, sample_id=names)
    assert "S07 (1280; robust z" in make.told(typo)["surface-outlier"]
    rng = np.random.default_rng(7)
    places = [(50 + 100 * c, 50 + 100 * r) for r in range(8) for c in range(8)]
    spot = rng.uniform(3.0, 5.0, 64)
    spot[[27, 28, 35]], spot[36] = (190.0, 205.0, 198.0), 4.0
    hot = mapped(places, spot, method="kriging")
    assert hot.values.min() >= spot.min() > 0
    assert int(next(f.value for f in hot.findings if f.code == "surface-limited")) > 0


def _wave(east: float, step: float) -> list[tuple[float, float]]:
    return [(east + 25 * math.sin(north / 40), north) for north in np.arange(0, 800.1, step)]


def test_s33_coverage_after_simplifying(field: Field) -> None:
    edge = _wave(400, 10)
    coarse = list(shapely.LineString(edge).simplify(12.0).coords)
    west = shapely.Polygon(make.ring((0, 800), (0, 0), *edge))
    east = shapely.Polygon(make.ring((800, 800), (800, 0), *coarse))
    drawn = [from_lonlat(one, field.crs_centre) for one in (west, east)]
    with pytest.raises(InputError, match=r"ac of gaps.*ac of overlaps"):
        zones_from_polygons(boundary=field.boundary, crs_centre=field.crs_centre, polygons=drawn,
                            labels=["west", "east"])
    same = from_lonlat(shapely.Polygon(make.ring((800, 800), (800, 0), *edge)), field.crs_centre)
    zones = zones_from_polygons(boundary=field.boundary, crs_centre=field.crs_centre,
                                polygons=[drawn[0], same], labels=["west", "east"])
    assert zones.area_ac == pytest.approx(field.area_ac, rel=1e-9)
    # Cells of one class that touch at a corner: 7 and 9 cells of 100 m.
    classes = np.array([[1, 0, 0, 1], [0, 1, 1, 0], [0, 1, 0, 0], [1, 1, 0, 0]])
    square = shapely.box(0, 0, 400, 400)
    grid = Grid(west_m=-100.0, north_m=500.0, cell_m=100.0, rows=6, columns=6)
    found, shapes = trace_coverage(classes=np.pad(classes, 1, mode="edge"), grid=grid,
                                   boundary=square, simplify_cells=0.0)
    assert all(one.is_valid for one in shapes)
    for which, cells in ((1, 7), (0, 9)):
        area = sum(one.area for one, k in zip(shapes, found, strict=True) if k == which)
        assert area == pytest.approx(cells * 1e4, rel=1e-6)


def test_s33_a_ring_that_touches_itself(tmp_path: Path) -> None:
    path = make.geojson(tmp_path / "f.geojson", make.polygon(make.ring(
        (0, 0), (600, 0), (600, 300), (300, 300), (300, 600), (0, 600), (300, 300), (0, 300))))
    field = read_boundary(path=path, name="F")
    want = make.karney_ac(shapely.MultiPolygon([
        shapely.Polygon(make.ring((0, 0), (600, 0), (600, 300), (300, 300), (0, 300))),
        shapely.Polygon(make.ring((300, 300), (300, 600), (0, 600)))]))
    assert len(field.boundary.geoms) == 2
    assert field.area_ac == pytest.approx(want, rel=1e-6)


def test_s34_rates_that_the_machine_cannot_reach(field: Field) -> None:
    acres, rates = [70.0, 60.0, 20.0, 8.0], [41.0, 388.0, 150.0, 0.0]

    def planned(**limits):
        request = PassRequest(
            pass_id="potash", number=1, timing="after cutting 1", method="broadcast",
            material="muriate of potash 0-0-60", kind="variable", serves="K2O", **limits)
        (one,) = plan_passes(
            zone_ids=range(1, 5), zone_area_ac=np.array(acres), requests=(request,),
            needs={"K2O": np.array(rates) * 0.6}, materials=load_materials(), s_most_lb_per_ac=None)
        return one

    assert planned(step=1.0).planned == pytest.approx(rates)
    held = planned(least=60.0, most=300.0, step=5.0, below_least="raise")
    assert held.planned.tolist() == pytest.approx([60, 300, 150, 0])
    told = make.told(held)
    assert "2,870 lb -> 4,200 lb there" in told["pass-below-least"]  # 70 ac x 41 and x 60
    assert "23,280 lb -> 18,000 lb there" in told["pass-above-most"]  # 60 ac x 388 and x 300
    west, south, east, north = field.boundary.bounds
    strip = shapely.box(west - 50, south - 50, west + 15, north + 50)
    rest = shapely.box(west + 15, south - 50, east + 50, north + 50)
    zones = zones_from_polygons(
        boundary=field.boundary, crs_centre=field.crs_centre, labels=["strip", "rest"],
        polygons=[strip.intersection(field.boundary), rest.intersection(field.boundary)],
        narrowest_m=24.0)
    assert "zone 'strip'" in make.told(zones)["zones-narrow"]


def test_s35_which_acres(field: Field, tmp_path: Path) -> None:
    want = make.karney_ac(shapely.Polygon(make.box()))
    assert want == pytest.approx(make.BASE_AC, abs=5e-4)
    assert field.area_ac == pytest.approx(want, rel=1e-9)
    path = make.geojson(tmp_path / "f.geojson", make.polygon(make.box()),
                        properties=[{"rate_lb_ac": 200}])
    rows = {row.what: row.found for row in audit_file(path=path).rows}
    assert rows["acres in all"] == pytest.approx(want, rel=1e-7)
    assert rows["total"] == pytest.approx(200 * want, rel=1e-7)
    assert rows["total"] == pytest.approx(31_653, abs=1)


def test_s36_totals_of_rounded_rates() -> None:
    acres, rates = [14.21, 38.67, 7.93, 25.58], [141.7, 186.2, 92.8, 128.4]
    exact = math.fsum(a * r for a, r in zip(acres, rates, strict=True))
    fine, coarse = (make.prescribed(None, rates, step=step, acres=acres) for step in (0.1, 5.0))
    assert fine.order[0].short_tons == pytest.approx(exact / 2000, rel=1e-12)
    assert fine.passes[0].prescription_total / sum(acres) == pytest.approx(
        np.average(rates, weights=acres), rel=1e-12)
    fives = math.fsum(a * r for a, r in zip(acres, (140, 185, 95, 130), strict=True))
    assert coarse.passes[0].prescription_total == pytest.approx(fives, rel=1e-12)
    said = " ".join(f.what for one in coarse.passes for f in one.findings)
    assert f"{exact:,.1f} lb planned -> {fives:,.1f} lb" in said


def test_s37_an_applied_log(field: Field, tmp_path: Path) -> None:
    # Three passes of 600 m, 24 m wide, 20 m apart, 5 m a second; product follows by 3 s.
    body: list[list[str]] = []

    def reading(east: float, north: float, *, speed: float, rate: float, lane: int) -> None:
        lon, lat = make.at(east, north)
        body.append([str(len(body)), f"{lat:.8f}", f"{lon:.8f}", str(speed), "24", str(lane),
                     f"{rate:.1f}", str(int(lane > 0))])

    product = 0.0
    for lane in range(3):
        for k in range(121):
            north = 100 + (5 * k if lane % 2 == 0 else 600 - 5 * k)
            behind = north - (15 if lane % 2 == 0 else -15)
            rate = 160.0 if behind < 400 else 220.0
            reading(200 + 20 * lane, north, speed=5.0, rate=rate, lane=lane + 1)
            product += rate * 5 * 24 * (k > 0)
            if lane == 1 and k == 100:
                for _ in range(40):
                    reading(220, north, speed=0.0, rate=rate, lane=lane + 1)
        for k in range(10):
            reading(210 + 20 * lane, 720 + k, speed=3.0, rate=0.0, lane=0)
    path = make.table(tmp_path / "log.csv", body, head=(
        "t", "lat", "lon", "speed", "width", "pass", "applied", "master"))
    done = applied_totals(path=path, field=field, spec=AppliedSpec(
        applied=LogColumn(column="applied", unit="lb/ac"),
        places=PlaceColumns(longitude_column="lon", latitude_column="lat"),
        width=LogColumn(column="width", unit="m"), speed=LogColumn(column="speed", unit="m/s"),
        time=LogColumn(column="t", unit="s"), master_column="master", pass_column="pass"))
    assert done.product == pytest.approx(product / make.ACRE_M2, rel=0.01)
    assert done.worked_ac == pytest.approx(3 * 600 * 24 / make.ACRE_M2, rel=2e-3)
    # 64 m across are covered: 40 m between the outer passes and 12 m on either side.
    assert done.covered_ac == pytest.approx(600 * 64 / make.ACRE_M2, rel=5e-3)
    assert done.overlap_ac == pytest.approx(600 * 8 / make.ACRE_M2, abs=0.05)
    assert {k: n for k, n in done.left_out.items() if n} == {"master off": 30, "standing": 40}
    assert done.delay_s == pytest.approx(3, abs=1)
    assert "3 rows begin a pass" in make.told(done)["applied-starts"]
    assert "30 master off, 40 standing" in make.told(done)["applied-rows-left-out"]


def _task(folder: Path, grid: str, zones: str, cells: bytes, name: str = "GRD00007.BIN") -> Path:
    folder.mkdir(parents=True)
    (folder / "TASKDATA.XML").write_text(
        '<ISO11783_TaskData VersionMajor="4" VersionMinor="3" DataTransferOrigin="1">'
        f'<TSK A="TSK3" G="1">{zones}<GRD A="41.02" B="-93.6" C="0.001" D="0.002" {grid}/></TSK>'
        "</ISO11783_TaskData>")
    (folder / name).write_bytes(cells)
    return folder


def test_s38_grids_are_read_from_the_south_west(tmp_path: Path) -> None:
    south_first = [[90, 95, 100], [110, 115, 120], [130, 135, 140], [150, 155, 170]]
    raw = [raw_value(rate, "lb/ac", "0006") for row in south_first for rate in row]
    values = '<TZN A="9"><PDV A="0006" B="0"/></TZN>'
    folder = _task(tmp_path / "a" / "TASKDATA", 'E="3" F="4" G="GRD00007" H="48" I="2" J="9"',
                   values, struct.pack("<12i", *raw), name="grd00007.bin")
    for path in (folder, folder.parent):
        (grid,) = read_task_grids(path=path)
        assert grid.raw[0].tolist() == np.reshape(raw, (4, 3))[::-1].tolist()
        assert grid.rates("lb/ac")[::-1] == pytest.approx(np.array(south_first), abs=0.005)
        lat, lon = grid.centres_deg()
        assert lat == pytest.approx([41.0235, 41.0225, 41.0215, 41.0205])
        assert lon == pytest.approx([-93.599, -93.597, -93.595])
    codes = '<TZN A="0"><PDV A="0001" B="0"/></TZN><TZN A="4"><PDV A="0001" B="935396"/></TZN>'
    shape = 'E="3" F="2" G="GRD00007" H="6" I="1"'
    (one,) = read_task_grids(path=_task(tmp_path / "b", shape, codes, bytes([4, 0, 0, 0, 4, 4])))
    assert one.rates("gal/ac") == pytest.approx(np.array([[0, 10, 10], [10, 0, 0]]), abs=1e-5)
    two = '<TZN A="9"><PDV A="0006" B="0"/><PDV A="0001" B="0"/></TZN>'
    (both,) = read_task_grids(path=_task(
        tmp_path / "c", 'E="2" F="1" G="GRD00007" I="2" J="9"', two,
        struct.pack("<4i", 1, 2, 3, 4)))
    assert both.ddis == ("0006", "0001")
    assert both.raw.tolist() == [[[1, 3]], [[2, 4]]]  # values of a cell stand together


@pytest.mark.parametrize(("grid", "zones", "cells", "code"), [
    ('E="3" F="2" G="GRD00007" I="1"', '<TZN A="1"><PDV A="0006" B="5"/></TZN>', bytes(5),
     "task-grid-size"),
    ('E="1" F="1" G="GRD00007" I="1"', '<TZN A="1"><PDV A="0006" B="5"/></TZN>', b"\x02",
     "task-zone-unknown"),
    ('E="1" F="1" G="GRD00007" I="1"', '<TZN A="2"/>', b"\x02", "task-zone-empty"),
    ('E="1" F="1" G="GRD00009" I="1"', "", b"\x02", "task-file-missing"),
    ('E="1" F="1" G="GRD00007" I="3"', "", b"\x02", "task-grid-kind"),
    ('E="1" F="1" G="GRD00007" I="2" J="8"', "", bytes(4), "task-zone-unknown"),
    ('E="x" F="1" G="GRD00007" I="1"', "", b"\x02", "task-attribute"),
    ('E="1.5" F="1" G="GRD00007" I="1"', "", b"\x02", "task-attribute"),
    ('E="1" F="1" G="GRD00007" I="1"', '<TZN A="2"/><TZN A="2"/>', b"\x02", "task-zone-twice"),
])
def test_s38_damaged_tasks_stop(
    *, tmp_path: Path, grid: str, zones: str, cells: bytes, code: str
) -> None:
    folder = _task(tmp_path / "t", grid, zones, cells)
    with pytest.raises(InputError) as caught:
        read_task_grids(path=folder)
    assert caught.value.code == code
    assert caught.value.where


def test_s38_task_files_that_are_refused(tmp_path: Path) -> None:
    cases = {'<!DOCTYPE a [<!ENTITY e "x">]><a/>': "xml-doctype", "<a/>": "task-no-grid",
             '<a><XFR A="TSK00001" B="1"/></a>': "task-outside", "<a": "xml-broken"}
    for text, code in cases.items():
        (tmp_path / "TASKDATA.XML").write_text(text)
        with pytest.raises(InputError) as caught:
            read_task_grids(path=tmp_path)
        assert caught.value.code == code


@pytest.mark.parametrize(("rate", "unit", "ddi", "exact"), [
    (80, "lb/ac", "0006", 80 * 453_592.37 / 4046.8564224),
    (112.5, "kg/ha", "0006", 11_250),
    (12.5, "gal/ac", "0001", 12.5 * 3_785_411.784 / 4046.8564224 * 100),
    (140.5, "L/ha", "0001", 1_405_000),
    (30_000, "seeds/ac", "000B", 30_000 / 4046.8564224 * 1000),
    (1.5, "short ton/ac", "0006", 3000 * 453_592.37 / 4046.8564224),
    (4, "t/ha", "0006", 400_000), (0, "lb/ac", "0006", 0),
])
def test_s39_rates_as_integers(rate: float, unit: str, ddi: str, exact: float) -> None:
    raw = raw_value(rate, unit, ddi)
    assert abs(raw - exact) <= 0.5 + 1e-6
    assert rate_from_raw(raw, unit, ddi) == pytest.approx(rate, rel=1e-4)
    assert abs(rounding_pct(rate, unit, ddi)) < 0.01


def test_s39_what_is_refused() -> None:
    assert raw_value(0.25, "lb/ac", "0006") == 28
    assert rounding_pct(0.25, "lb/ac", "0006") == pytest.approx(-0.08, abs=0.005)
    assert raw_value(1.0, "kg/ha", "000a") == 100  # either case of the digits
    for call, code in (
        (lambda: raw_value(12_000, "short ton/ac", "0006"), "task-rate-range"),
        (lambda: rate_from_raw(2**31, "lb/ac", "0006"), "task-rate-range"),
        (lambda: raw_value(5, "gal/ac", "0006"), "task-unit"),
        (lambda: raw_value(5, "lb/ac", "6"), "task-ddi-form"),
        (lambda: raw_value(5, "lb/ac", "0043"), "task-ddi-unknown"),
        (lambda: raw_value(-5, "lb/ac", "0006"), "task-rate"),
        (lambda: raw_value(math.nan, "lb/ac", "0006"), "task-rate"),
    ):
        with pytest.raises(InputError) as caught:
            call()
        assert caught.value.code == code
    with pytest.raises(InputError, match="above 2147483647"):
        raw_value(12_000, "short ton/ac", "0006")


def test_s40_many_points_are_thinned_never_all_against_all(field: Field, tmp_path: Path) -> None:
    rng = np.random.default_rng(40)
    east, north = rng.uniform(5, 795, (2, 100_000))
    values = 150 + 40 * np.sin(north / 150) + rng.normal(0, 6, len(east))
    surface = mapped(np.column_stack([east, north]), values)
    assert f"more than {MOST_SAMPLES}" in make.told(surface)["surface-many-samples"]
    assert surface.scores[0].n <= MOST_SAMPLES
    # The same ground: cells from 20 m to 780 m either way.
    inner = (east > 20) & (east < 780) & (north > 20) & (north < 780)
    assert surface.values[2:-2, 2:-2].mean() == pytest.approx(values[inner].mean(), rel=2e-3)
    some = slice(0, 20_000)
    degrees = np.column_stack([-93.5946 + east[some] / 84_500, 41.00975 + north[some] / 111_200])
    table = make.table(tmp_path / "log.csv", [
        [f"{lon:.7f}", f"{lat:.7f}", f"{v:.2f}"] for (lon, lat), v in
        zip(degrees.tolist(), values[some].tolist(), strict=True)], head=("lon", "lat", "v"))
    layer = read_point_layer(
        path=table, field=field, grid=grid_over(field.boundary, cell_m=20.0),
        spec=PointSpec(name="conductivity", value=LogColumn(column="v", unit="mS/m"),
                       places=PlaceColumns(longitude_column="lon", latitude_column="lat")))
    weighted = np.nansum(layer.values * layer.count) / layer.count.sum()
    assert weighted == pytest.approx(values[some].mean(), rel=5e-3)
