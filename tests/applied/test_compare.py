"""By zone: amounts and ground against closed forms, laws by hypothesis, a marked corner."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from applied_builders import AC_M2, ground_of, to_and_fro, zones_of
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.applied import compare_applied, left_rates, rate_cells
from vrx.errors import ComputeError
from vrx.geo import swath_polygons

WEST, EAST = shapely.box(0, 0, 100, 200), shapely.box(100, 0, 200, 200)


def test_by_hand() -> None:
    # West all at its target; east: 40 m skipped, 20 m at double (two swaths of 60), 40 m at 30.
    ground = ground_of(
        [WEST, shapely.box(140, 0, 160, 200), shapely.box(140, 0, 160, 200),
         shapely.box(160, 0, 200, 200)], [100.0, 60.0, 60.0, 30.0])
    zones = zones_of(WEST, EAST)
    done = compare_applied(ground=ground, zones=zones, target_rate=np.array([100.0, 60.0]),
                           tolerance_pct=5)
    strip = 20 * 200 / AC_M2
    one = done.zones
    assert one.applied == pytest.approx([100 * 5 * strip, (60 + 60) * strip + 30 * 2 * strip],
                                        rel=1e-5)
    assert one.skipped_ac == pytest.approx([0, 2 * strip], abs=1e-5)
    assert one.repeated_ac == pytest.approx([0, strip], rel=1e-5)
    assert one.over_ac == pytest.approx([0, strip], rel=1e-5)
    assert one.under_ac == pytest.approx([0, 2 * strip], rel=1e-5)
    assert one.within_ac == pytest.approx([5 * strip, 0], abs=1e-5)
    # Mean of the east: (0 x 40 + 120 x 20 + 30 x 40) / 100 = 36, so 24 are left.
    assert left_rates(zones=one, tolerance_pct=5) == pytest.approx([0, 24], rel=1e-5)


def test_ground_that_was_to_get_nothing_is_not_missed() -> None:
    zones = zones_of(WEST, EAST)
    done = compare_applied(ground=ground_of([shapely.box(0, 0, 80, 200)], [100.0]), zones=zones,
                           target_rate=np.array([100.0, 0.0]), tolerance_pct=5).zones
    strip = 20 * 200 / AC_M2
    assert done.missed_ac == pytest.approx([strip, 0], rel=1e-5)
    assert done.as_planned_ac == pytest.approx([4 * strip, 5 * strip], rel=1e-5)
    parts = done.as_planned_ac + done.over_ac + done.under_ac + done.missed_ac
    assert parts == pytest.approx(done.area_ac, rel=1e-9)


def test_a_log_that_is_the_prescription_differs_by_nothing() -> None:
    zones = zones_of(WEST, EAST)
    at, run = to_and_fro(passes=10, length_m=200, apart_m=20, step_m=4)
    swaths, _ = swath_polygons(at_m=at, width_m=np.full(len(at), 20.0), run=run)
    rate = np.where(shapely.get_x(shapely.centroid(swaths)) < 100, 180.0, 90.0)
    done = compare_applied(ground=ground_of(swaths, rate), zones=zones,
                           target_rate=np.array([180.0, 90.0]), tolerance_pct=0)
    assert done.zones.difference == pytest.approx([0, 0], abs=1e-6)
    assert done.zones.skipped_ac == pytest.approx([0, 0], abs=1e-9)
    assert done.zones.within_ac == pytest.approx(done.zones.area_ac, rel=1e-9)
    assert (left_rates(zones=done.zones, tolerance_pct=0.001) == 0).all()


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), many=st.integers(1, 30), tolerance=st.floats(0, 50))
def test_laws(seed: int, many: int, tolerance: float) -> None:
    rng = np.random.default_rng(seed)
    corners = rng.uniform(-30, 220, (many, 2))
    shapes = shapely.box(*corners.T, *(corners + rng.uniform(5, 80, (many, 2))).T)
    rate = rng.choice([0.0, 20.0, 55.5, 100.0], many)
    zones = zones_of(WEST, EAST)
    target = rng.choice([0.0, 40.0, 100.0], 2)
    done = compare_applied(ground=ground_of(shapes, rate), zones=zones, target_rate=target,
                           tolerance_pct=tolerance)
    one = done.zones
    # Product is rate x area, and zones and beyond are the whole.
    assert done.logged == pytest.approx(float(rate @ shapely.area(shapes)) / AC_M2, rel=1e-5)
    assert one.applied.sum() + done.outside == pytest.approx(done.logged, rel=1e-9)
    for k, zone in enumerate((WEST, EAST)):
        mass = sum(r * shape.intersection(zone).area for r, shape in zip(rate, shapes, strict=True))
        scale = one.area_ac[k] / (zone.area / AC_M2)
        assert one.applied[k] == pytest.approx(mass / AC_M2 * scale, rel=1e-9, abs=1e-9)
        # GEOS's union of what brings product is another way to the skipped ground.
        bare = zone.difference(shapely.union_all(shapes[rate > 0])).area / AC_M2
        assert one.skipped_ac[k] == pytest.approx(bare, rel=1e-5, abs=1e-7)
    assert (one.once_ac + one.repeated_ac + one.skipped_ac) == pytest.approx(one.area_ac, rel=1e-12)
    assert (one.within_ac + one.over_ac + one.under_ac) == pytest.approx(
        one.once_ac + one.repeated_ac, rel=1e-9, abs=1e-9)
    for array in (one.once_ac, one.repeated_ac, one.skipped_ac, one.within_ac):
        assert (array >= -1e-9).all()
    left = left_rates(zones=one, tolerance_pct=tolerance)
    assert ((left >= 0) & (left <= target)).all()


def test_a_marked_corner_stays_in_its_corner() -> None:
    whole = shapely.box(0, 0, 200, 200)
    done = rate_cells(ground=ground_of([shapely.box(0, 160, 40, 200)], 50.0), zones=zones_of(whole),
                      target_rate=np.array([50.0]), boundary=whole, cell_m=10)
    row, column = np.nonzero(np.nan_to_num(done.applied_rate))
    grid = done.grid
    # North-west: northings above 160, eastings below 40.
    assert grid.northing_m[row].min() > 160
    assert grid.easting_m[column].max() < 40
    assert len(row) == 16
    assert np.isfinite(done.applied_rate).sum() == 400


@pytest.mark.parametrize(("target", "tolerance", "code"), [
    ([1.0], 5, "applied-target"), ([1.0, np.nan], 5, "applied-target"),
    ([1.0, -1.0], 5, "applied-target"), ([1.0, 1.0], 100, "applied-tolerance"),
    ([1.0, 1.0], -1, "applied-tolerance"), ([1.0, 1.0], float("nan"), "applied-tolerance")])
def test_what_does_not_fit_is_refused(target: list[float], tolerance: float, code: str) -> None:
    with pytest.raises(ComputeError) as caught:
        compare_applied(ground=ground_of([WEST], 1.0), zones=zones_of(WEST, EAST),
                        target_rate=np.array(target), tolerance_pct=tolerance)
    assert caught.value.code == code


def test_nothing_applied_at_all() -> None:
    done = compare_applied(ground=ground_of([WEST], 0.0), zones=zones_of(WEST, EAST),
                           target_rate=np.array([10.0, 0.0]), tolerance_pct=5)
    assert done.logged == 0
    assert done.zones.skipped_ac == pytest.approx(done.zones.area_ac)
