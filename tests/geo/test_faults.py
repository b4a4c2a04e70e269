"""Polygons that a user drew: faults found, slivers closed, the rest refused."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest
import shapely

from vrx.errors import InputError
from vrx.formats import layer as facts
from vrx.geo import (
    coverage_faults,
    coverage_from_polygons,
    grid_over,
    mend,
    round_coverage,
    to_lonlat,
    trace_coverage,
    valid_polygon,
    width_m,
)
from vrx.units import ACRE_M2

_FIELDS = runpy.run_path(str(Path(__file__).resolve().parents[1] / "zones" / "fields.py"))
CENTRE = (-93.59, 41.01)
BOX = shapely.MultiPolygon([shapely.box(0, 0, 800, 800)])


def make(polygons, names=None, **more):
    names = names or [f"Z{n}" for n in range(1, len(polygons) + 1)]
    return coverage_from_polygons(polygons, BOX, crs_centre=CENTRE, names=names, **more)


def valid(polygons) -> bool:
    return bool(shapely.coverage_is_valid(np.array(polygons, dtype=object)))


def test_faults_are_measured_where_they_are() -> None:
    west, east = shapely.box(0, 0, 400, 800), shapely.box(410, 0, 820, 800)
    north = shapely.box(0, 700, 400, 800)
    found = coverage_faults([west, east, north], BOX)
    assert found.gap_ac == pytest.approx(10 * 800 / ACRE_M2)
    assert found.overlap_ac == pytest.approx(400 * 100 / ACRE_M2)
    assert found.outside_ac == pytest.approx(20 * 800 / ACRE_M2)
    (gap,) = found.gaps
    assert 400 < gap.easting_m < 410
    assert gap.wider_than(9.9)
    assert not gap.wider_than(10.1)
    assert gap.polygons[:2] == (0, 1)
    assert found.overlaps[0].polygons == (0, 2)


def test_an_area_in_three_polygons_counts_once() -> None:
    found = coverage_faults([shapely.box(0, 0, 800, 800)] * 3, BOX)
    assert found.overlap_ac == pytest.approx(640_000 / ACRE_M2)
    assert found.gaps == found.outside == ()


@pytest.mark.parametrize("shift", [0.3, -0.3])
def test_slivers_are_closed(shift: float) -> None:
    west, east = shapely.box(0, 0, 400, 800), shapely.box(400 + shift, 0, 800, 800)
    made = make([west, east])
    assert valid(made.polygons)
    assert sum(p.area for p in made.polygons) == pytest.approx(640_000, rel=1e-12)
    total = made.faults.gap_ac + made.faults.overlap_ac
    assert total == pytest.approx(0.3 * 800 / ACRE_M2)


@pytest.mark.parametrize(("shift", "word"), [(0.8, "gaps"), (-0.8, "overlaps")])
def test_wider_is_refused_with_acres_and_place(shift: float, word: str) -> None:
    west, east = shapely.box(0, 0, 400, 800), shapely.box(400 + shift, 0, 800, 800)
    with pytest.raises(InputError, match=word) as caught:
        make([west, east], ["West", "East"])
    assert caught.value.code == "zones-gaps-overlaps"
    assert f"{0.8 * 800 / ACRE_M2:.3f} ac" in caught.value.message
    assert "longitude -93.58" in caught.value.message
    assert "'West' and 'East'" in caught.value.message
    assert make([west, east], close_m=1.0).polygons


def test_edges_without_common_vertices_get_them() -> None:
    west = shapely.box(0, 0, 400, 800)
    pieces = [shapely.box(400, north, 800, north + 200) for north in range(0, 800, 200)]
    assert not valid([west, *pieces])
    made = make([west, *pieces])
    assert valid(made.polygons)
    assert made.polygons[0].area == pytest.approx(west.area)


def test_noise_of_rounded_degrees_is_closed() -> None:
    # Each polygon moved by up to 0.1 mm for itself, as nine decimals of a degree do.
    rng = np.random.default_rng(4)
    edge = np.column_stack([400 + 30 * np.sin(np.arange(41) / 3), np.linspace(0, 800, 41)])
    west = shapely.Polygon([(0, 800), (0, 0), *edge])
    east = shapely.Polygon([(800, 800), (800, 0), *edge])
    moved = []
    for polygon in (west, east):
        points = shapely.get_coordinates(polygon)[:-1]
        moved.append(shapely.Polygon(points + rng.uniform(-1e-4, 1e-4, points.shape)))
    made = make(moved)
    assert valid(made.polygons)
    for before, after in zip((west, east), made.polygons, strict=True):
        assert after.area == pytest.approx(before.area, rel=1e-6)


@pytest.mark.parametrize("noise_m", [1e-9, 1e-6, 1e-4, 0.02])
@pytest.mark.parametrize("kind", ["wavy", "holes", "pivot"])
def test_many_zones_with_noise_keep_their_areas(kind: str, noise_m: float) -> None:
    # Edges that run side by side within rounding: no zone may be swallowed by its neighbour.
    boundary = _FIELDS["random_field"](kind, 102)
    grid = grid_over(boundary, cell_m=20.0)
    classes = np.digitize(_FIELDS["smooth"](grid.shape, 5, rough=0.0), (100.0, 150.0))
    _, traced = trace_coverage(
        classes=classes.astype(np.int64), grid=grid, boundary=boundary
    )
    traced = [polygon for polygon in traced if polygon.area > 100]
    rng = np.random.default_rng(1)

    def shake(points: np.ndarray) -> np.ndarray:
        # Equal vertices of one polygon alike, so that it stays valid.
        places, which = np.unique(points, axis=0, return_inverse=True)
        return (places + rng.uniform(-noise_m, noise_m, places.shape))[which.ravel()]

    moved = [shapely.transform(polygon, shake) for polygon in traced]
    assert all(polygon.is_valid for polygon in moved)
    whole = shapely.union_all(traced)
    made = coverage_from_polygons(
        moved, whole, crs_centre=_FIELDS["CENTRE"], names=[str(n) for n in range(len(moved))]
    )
    assert len(moved) >= 4
    assert valid(made.polygons)
    for before, after in zip(traced, made.polygons, strict=True):
        change = after.symmetric_difference(before).area
        assert change <= (noise_m + 5e-3) * before.length * 2
    lonlat = [to_lonlat(polygon, _FIELDS["CENTRE"]) for polygon in made.polygons]
    assert valid(round_coverage(lonlat, 9))


def test_mended_zones_are_tried_at_the_decimals_that_files_have() -> None:
    assert mend._EXPORT_DECIMALS == facts.COORDINATE_DECIMALS


def test_a_coverage_comes_back_as_it_is() -> None:
    given = [shapely.box(0, 0, 400, 800), shapely.box(400, 0, 800, 800)]
    made = make(given)
    assert all(a is b for a, b in zip(made.polygons, given, strict=True))
    assert made.faults.gaps == ()


def test_outside_is_cut_and_nothing_inside_is_refused() -> None:
    made = make([shapely.box(-50, -50, 400, 850), shapely.box(400, -50, 850, 850)])
    assert sum(p.area for p in made.polygons) == pytest.approx(640_000)
    with pytest.raises(InputError, match="'Z2' has no area") as caught:
        make([shapely.box(0, 0, 800, 800), shapely.box(900, 0, 950, 10)])
    assert caught.value.code == "zone-outside"


def test_zone_in_a_zone() -> None:
    hole = shapely.box(300, 300, 500, 500)
    made = make([shapely.box(0, 0, 800, 800).difference(hole), hole])
    assert [p.area for p in made.polygons] == [600_000.0, 40_000.0]
    assert valid(made.polygons)


def test_ring_that_touches_itself_is_two_parts() -> None:
    ring = shapely.Polygon(
        [(0, 0), (800, 0), (800, 400), (400, 400), (600, 700), (200, 700), (400, 400), (0, 400)]
    )
    assert not ring.is_valid
    made = valid_polygon(ring, where="zone 'A'")
    assert len(shapely.get_parts(made)) == 2
    # 800 x 400 and a triangle of base 400 and height 300.
    assert made.area == pytest.approx(320_000 + 60_000)


def test_crossing_rings_and_other_shapes_are_refused() -> None:
    bow = shapely.Polygon([(0, 0), (400, 400), (400, 0), (0, 400)])
    for shape, code in (
        (bow, "zone-invalid"), (bow.exterior, "zone-not-polygon"),
        (shapely.Polygon(), "zone-not-polygon"),
    ):
        with pytest.raises(InputError) as caught:
            valid_polygon(shape, where="zone 'A'")
        assert caught.value.code == code
    # One loop crosses and is much smaller than the rest: still not ours to repair.
    loop = shapely.Polygon([(0, 0), (800, 0), (800, 800), (0, 800), (0, -1), (-1, -1)])
    with pytest.raises(InputError, match="not a valid polygon"):
        valid_polygon(loop, where="zone 'A'")


def test_width() -> None:
    assert width_m(shapely.box(0, 0, 9, 200)) == pytest.approx(9.0, rel=0.01)
    assert width_m(shapely.box(0, 0, 12, 12)) == pytest.approx(12.0, rel=0.01)
    assert width_m(shapely.Point(0, 0).buffer(50)) == pytest.approx(100.0, rel=0.01)
    sliver = shapely.box(0, 0, 1e-5, 500)
    assert width_m(sliver) == pytest.approx(2e-5, rel=0.01)
