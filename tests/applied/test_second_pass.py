"""What is left on awkward fields: a hole with an island, parts, one zone, 200 zones."""

from __future__ import annotations

from types import SimpleNamespace

import applied_builders as make
import numpy as np
import pytest
import shapely

from vrx import geo
from vrx.applied import compare_applied, rate_cells
from vrx.model import AppliedGround, Field, Zones
from vrx.pipeline.second_pass import SecondPass, second_pass
from vrx.products import PassRequest, load_materials

POTASH = "muriate of potash 0-0-60"
PLAN = SimpleNamespace(prices={}, zones=SimpleNamespace(
    narrowest_ft=60.0, driving_deg=None, smallest_ac=0.5))
STEP = 5.0


def logged(shapes: list[shapely.Geometry], target: list[float], until_m: float) -> AppliedGround:
    """Swaths of 18 m over everything west of a line, each with the target of its ground."""
    whole = shapely.union_all(shapes)
    west, south, east, north = whole.bounds
    at, run = [], []
    for k, across in enumerate(np.arange(west + 9, min(east + 9, until_m), 18.0)):
        along = np.arange(south - 6, north + 8, 4.0)[:: 1 if k % 2 == 0 else -1]
        at.append(np.column_stack([np.full(len(along), across), along]))
        run.append(np.full(len(along), k))
    places = np.vstack(at)
    swaths, _ = geo.swath_polygons(
        at_m=places, width_m=np.full(len(places), 18.0), run=np.concatenate(run))
    middle = shapely.centroid(swaths)
    swaths, middle = (one[shapely.intersects(whole, middle)] for one in (swaths, middle))
    rate = np.zeros(len(swaths))
    for shape, value in zip(shapes, target, strict=True):
        rate[shapely.intersects(shape, middle)] = value
    return make.ground_of(swaths, rate)


def trip(
    shapes: list[shapely.Geometry], target: list[float], until_m: float, *, least_ac: float = 0.5,
    **more: object,
) -> tuple[SecondPass, Zones, float]:
    """The second trip, the first one's zones, and pounds short by shapely's own difference."""
    made = make.zones_of(*shapes)
    ground = logged(shapes, target, until_m)
    boundary = shapely.MultiPolygon(
        [one for shape in shapes for one in shapely.get_parts(shape)]
        if len(shapes) < 5 else [shapely.coverage_union_all(shapes)]
        if not hasattr(shapely.coverage_union_all(shapes), "geoms")
        else list(shapely.coverage_union_all(shapes).geoms))
    field = Field(name="Größe <b>", crs_centre=make.CENTRE, boundary=boundary,
                  area_ac=made.area_ac)
    rates = np.array(target, dtype=np.float64)
    cells = rate_cells(ground=ground, zones=made, target_rate=rates, boundary=boundary, cell_m=3.0)
    done = second_pass(
        field=field, made=made, target=rates, ground=ground, cells=cells, plan=PLAN,
        request=PassRequest(pass_id="first", number=3, timing="stubble of cutting 1",
                            method="broadcast", material=POTASH, kind="variable", serves="K2O",
                            step=STEP, **more),
        material=load_materials([])[POTASH], tolerance_pct=5.0, least_ac=least_ac, swath_m=18.0)
    short = -compare_applied(ground=ground, zones=made, target_rate=rates,
                             tolerance_pct=5).zones.difference.sum()
    return done, made, float(short)


SQUARE = shapely.box(0, 0, 400, 400)
ISLAND = SQUARE.difference(shapely.Point(200, 200).buffer(60)).union(
    shapely.Point(200, 200).buffer(20))
PARTS = shapely.MultiPolygon([shapely.box(0, 0, 150, 200), shapely.box(250, 0, 400, 200)])
CELLS = list(shapely.intersection(shapely.get_parts(shapely.voronoi_polygons(shapely.multipoints(
    np.random.default_rng(0).uniform(0, 800, (200, 2))))), shapely.box(0, 0, 800, 800)))


@pytest.mark.parametrize(("shapes", "target", "until_m"), [
    ([ISLAND], [150.0], 250.0), ([PARTS, shapely.box(0, 260, 400, 400)], [150.0, 80.0], 300.0),
    ([SQUARE], [150.0], 120.0), ([SQUARE], [150.0], 20.0),
    (CELLS, [float(10 * k) for k in np.random.default_rng(1).integers(10, 30, 200)], 500.0)],
    ids=["island", "parts", "one zone", "hardly begun", "200 zones"])
def test_what_is_left_is_what_is_short(
    shapes: list[shapely.Geometry], target: list[float], until_m: float
) -> None:
    done, made, short = trip(shapes, target, until_m)
    assert done.zones is not None
    assert done.prescription is not None
    left = done.prescription.passes[0]
    # Ends of trips, within a step of the boundary, are short as well and too small for a trip.
    assert left.prescription_total == pytest.approx(short, rel=0.08)
    assert done.left_by_zone.sum() == pytest.approx(left.prescription_total, rel=1e-9)
    assert (left.rates >= 0).all()
    assert left.rates.max() <= max(target)
    assert (left.steps * STEP == left.rates).all()
    # A true coverage of the same ground: whole, and no more than what it was.
    assert done.zones.area_ac == pytest.approx(made.area_ac, rel=1e-6)
    assert shapely.coverage_is_valid([zone.polygon for zone in done.zones.zones])


def test_limits_of_label_and_machine_hold_on_the_second_trip() -> None:
    done, _, short = trip([SQUARE], [150.0], 120.0, most=100.0, least=20.0)
    assert done.prescription is not None
    assert done.prescription.passes[0].rates.max() == 100
    assert done.prescription.passes[0].prescription_total < short
    assert "pass-above-most" in {one.code for one in done.findings}


def test_little_ground_is_told_and_left() -> None:
    done, _, short = trip([SQUARE], [150.0], 385.0, least_ac=10.0)
    assert short > 0
    assert done.prescription is None
    codes = {one.code for one in done.findings}
    assert codes == {"applied-short-small", "applied-nothing-left"}
    assert not done.left_by_zone.any()
