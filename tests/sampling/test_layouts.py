"""Layouts: density, spacing, distances kept, the same again; grid sizes as guides print them."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from vrx.errors import ComputeError
from vrx.sampling import (
    candidate_places,
    fill_gaps,
    grid_layout,
    long_axis_layout,
    usable_ground,
    zone_layout,
)
from vrx.units import ACRE_M2, FT_M

SQUARE = shapely.MultiPolygon([shapely.box(0, 0, 805, 805)])


def nearest(places: np.ndarray) -> np.ndarray:
    return cKDTree(places).query(places, k=2)[0][:, 1]


@pytest.mark.parametrize(("acres", "feet"), [(1.0, 208.7), (2.5, 330.0), (5.0, 466.7)])
def test_a_square_grid_has_the_spacing_that_extension_tables_print(
    acres: float, feet: float
) -> None:
    # 1 ac = 208.7 ft, 2.5 ac = 330 ft, 5 ac = 466.7 ft: extension tables, and arithmetic.
    made = grid_layout(boundary=SQUARE, ground=SQUARE, ac_per_sample=acres)
    assert made.spacing_m / FT_M == pytest.approx(feet, abs=0.05)
    inner = nearest(made.places)
    assert np.median(inner) == pytest.approx(made.spacing_m, rel=1e-9)
    assert len(made.places) == pytest.approx(SQUARE.area / ACRE_M2 / acres, rel=0.15)


def test_in_an_offset_grid_all_six_neighbours_are_equally_far() -> None:
    # A triangular lattice has the area d^2 sqrt(3)/2 a point: geometry.
    made = grid_layout(boundary=SQUARE, ground=SQUARE, ac_per_sample=2.5, offset=True)
    area = made.spacing_m**2 * np.sqrt(3) / 2
    assert area == pytest.approx(2.5 * ACRE_M2)
    middle = made.places[np.argmin(((made.places - 402.5) ** 2).sum(axis=1))]
    away = np.sort(np.hypot(*(made.places - middle).T))[1:7]
    assert away == pytest.approx(np.full(6, made.spacing_m), rel=1e-9)


def test_points_keep_away_from_edges_holes_and_named_ground() -> None:
    hole = shapely.Point(300, 300).buffer(90)
    boundary = shapely.MultiPolygon([shapely.box(0, 0, 805, 805) - hole])
    fence = shapely.box(0, 560, 805, 566)
    ground = usable_ground(boundary=boundary, edge_m=20.0, away=[fence], away_m=15.0)
    for offset in (False, True):
        made = grid_layout(boundary=boundary, ground=ground, ac_per_sample=2.5, offset=offset)
        points = shapely.points(made.places)
        assert shapely.distance(points, boundary.boundary).min() >= 20.0 - 1e-6
        assert shapely.distance(points, fence).min() >= 15.0 - 1e-6
        assert shapely.contains(shapely.buffer(ground, 1e-6), points).all()
        assert len(made.places) >= 0.85 * boundary.area / ACRE_M2 / 2.5


def test_the_same_field_gives_the_same_points_and_a_seed_others() -> None:
    def layout(seed: int | None) -> np.ndarray:
        return grid_layout(
            boundary=SQUARE, ground=SQUARE, ac_per_sample=4.0, seed=seed).places

    assert np.array_equal(layout(None), layout(None))
    assert np.array_equal(layout(7), layout(7))
    assert not np.array_equal(layout(7), layout(8))
    assert "seed 7" in grid_layout(
        boundary=SQUARE, ground=SQUARE, ac_per_sample=4.0, seed=7).words


def test_a_narrow_strip_gets_one_row_along_its_axis_whichever_way_it_lies() -> None:
    strip = shapely.box(0, 0, 900, 40)
    for degrees in (0, 30, 90, 137):
        turned = shapely.MultiPolygon([shapely.affinity.rotate(strip, degrees, origin=(0, 0))])
        ground = usable_ground(boundary=turned, edge_m=10.0)
        made = long_axis_layout(boundary=turned, ground=ground, ac_per_sample=2.5)
        assert made.words.startswith("one row")
        assert len(made.places) == 4
        back = shapely.get_coordinates(shapely.affinity.rotate(
            shapely.multipoints(made.places), -degrees, origin=(0, 0)))
        assert np.sort(back[:, 0]) == pytest.approx([112.5, 337.5, 562.5, 787.5], abs=1e-6)
        assert back[:, 1] == pytest.approx(np.full(4, 20.0), abs=1e-6)


def test_a_strip_narrower_than_half_a_cell_still_gets_its_points_in_a_grid() -> None:
    strip = shapely.MultiPolygon([shapely.box(0, 0, 900, 30)])
    made = grid_layout(boundary=strip, ground=strip, ac_per_sample=2.5)
    assert len(made.places) >= round(strip.area / ACRE_M2 / 2.5)


def test_points_by_zones_follow_acres_with_a_least_number() -> None:
    zones = [shapely.box(0, 0, 600, 805), shapely.box(600, 0, 805, 805),
             shapely.box(0, 805, 60, 860)]
    ground = shapely.union_all(zones)
    made = zone_layout(
        zones=zones, letters=["A", "B", "C"], ground=ground, ac_per_sample=5.0, least_points=3,
        border_m=15.0)
    counts = np.bincount(made.zone)
    wanted = [max(3, round(zone.area / ACRE_M2 / 5.0)) for zone in zones]
    assert counts.tolist() == wanted
    for place, zone in zip(made.places, made.zone, strict=True):
        assert shapely.Point(place).within(zones[zone])
    big = made.places[np.array(made.zone) == 0]
    assert shapely.distance(shapely.points(big), zones[0].boundary).min() >= 15.0 - 1e-6
    # Spread evenly: no point nearer to another than half the spacing of a triangular lattice.
    assert nearest(big).min() > 0.5 * np.sqrt(zones[0].area / len(big))


def test_a_zone_too_narrow_for_its_border_is_told_and_still_sampled() -> None:
    zones = [shapely.box(0, 0, 400, 400), shapely.box(400, 0, 420, 400)]
    made = zone_layout(
        zones=zones, letters=["A", "B"], ground=shapely.union_all(zones), ac_per_sample=5.0,
        least_points=2, border_m=30.0)
    assert [one.code for one in made.findings] == ["sampling-zone-narrow"]
    assert made.zone.count(1) == 2


def test_a_zone_without_usable_ground_is_told() -> None:
    zones = [shapely.box(0, 0, 400, 400), shapely.box(400, 0, 410, 400)]
    made = zone_layout(
        zones=zones, letters=["A", "B"], ground=shapely.box(15, 15, 385, 385), ac_per_sample=5.0,
        least_points=2, border_m=10.0)
    assert [one.code for one in made.findings] == ["sampling-zone-no-room"]
    assert set(made.zone) == {0}


def test_gaps_are_filled_farthest_first() -> None:
    candidates, _ = candidate_places(SQUARE, spacing_m=20.0, most=5000)
    taken = np.array([[100.0, 100.0], [700.0, 100.0], [100.0, 700.0]])
    made = fill_gaps(candidates=candidates, taken=taken, count=4)
    first = made.places[0]
    gap = cKDTree(taken).query(candidates)[0]
    assert cKDTree(taken).query(first)[0] == pytest.approx(gap.max())
    assert len({tuple(p) for p in made.places.tolist()}) == 4
    assert len(fill_gaps(candidates=candidates, taken=candidates, count=4).places) == 0


def test_no_room_names_the_widest_distance_that_leaves_some() -> None:
    strip = shapely.MultiPolygon([shapely.box(0, 0, 900, 20)])
    with pytest.raises(ComputeError) as err:
        usable_ground(boundary=strip, edge_m=15.0)
    assert err.value.code == "sampling-no-room"
    assert "edge_ft below 32" in err.value.hint
    assert not usable_ground(boundary=strip, edge_m=32 * FT_M).is_empty


@pytest.mark.parametrize(("acres", "code"), [(0.0, "sampling-density"), (-2.0, "sampling-density"),
                                             (float("nan"), "sampling-density"),
                                             (1e-6, "sampling-too-many")])
def test_a_density_that_cannot_be_is_refused(acres: float, code: str) -> None:
    with pytest.raises(ComputeError) as err:
        grid_layout(boundary=SQUARE, ground=SQUARE, ac_per_sample=acres)
    assert err.value.code == code


def test_a_part_without_a_point_is_told() -> None:
    boundary = shapely.MultiPolygon([shapely.box(0, 0, 500, 500), shapely.box(900, 0, 925, 25)])
    made = grid_layout(boundary=boundary, ground=boundary, ac_per_sample=2.5)
    assert [one.code for one in made.findings] == ["sampling-part-without-point"]


def test_a_field_of_a_thousand_parts_is_laid_out() -> None:
    parts = [shapely.box(x * 30.0, y * 30.0, x * 30.0 + 22, y * 30.0 + 22)
             for x in range(40) for y in range(25)]
    boundary = shapely.MultiPolygon(parts)
    made = grid_layout(
        boundary=boundary, ground=usable_ground(boundary=boundary, edge_m=3.0), ac_per_sample=2.5)
    assert shapely.distance(shapely.points(made.places), boundary).max() == 0.0
    assert len(made.places) >= round(boundary.area / ACRE_M2 / 2.5)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), acres=st.floats(0.5, 12.0), offset=st.booleans())
def test_every_point_of_every_layout_lies_on_usable_ground(
    seed: int, acres: float, offset: bool
) -> None:
    generator = np.random.default_rng(seed)
    angle = np.sort(generator.uniform(0, 2 * np.pi, 9))
    reach = generator.uniform(120.0, 420.0, 9)
    ring = shapely.Polygon(np.column_stack([np.cos(angle) * reach, np.sin(angle) * reach]))
    boundary = shapely.MultiPolygon([ring]) if ring.is_valid else SQUARE
    try:
        ground = usable_ground(boundary=boundary, edge_m=12.0)
    except ComputeError:
        return
    grown = shapely.buffer(ground, 1e-6)
    for made in (
        grid_layout(boundary=boundary, ground=ground, ac_per_sample=acres, offset=offset),
        long_axis_layout(boundary=boundary, ground=ground, ac_per_sample=acres, seed=seed),
    ):
        assert len(made.places) >= 1
        assert shapely.intersects_xy(grown, made.places[:, 0], made.places[:, 1]).all()
        assert len({tuple(p) for p in made.places.round(3).tolist()}) == len(made.places)
