"""Swaths and shared areas against closed forms, geopandas.overlay and random points."""

from __future__ import annotations

import geopandas
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.geo import repeated_ground, shared_areas, swath_polygons

angles = st.floats(-1.4, 1.4)


@settings(max_examples=60, deadline=None)
@given(turns=st.lists(angles, min_size=1, max_size=12), width=st.floats(0.5, 40.0),
       steps=st.lists(st.floats(0.5, 20.0), min_size=13, max_size=13))
def test_a_swath_has_distance_times_width_whatever_the_way(
    turns: list[float], width: float, steps: list[float]
) -> None:
    heading = np.cumsum([0.3, *turns])
    long = np.array(steps[: len(heading)])
    at = np.vstack([[0.0, 0.0], np.cumsum(np.column_stack(
        [np.cos(heading) * long, np.sin(heading) * long]), axis=0)])
    swaths, end = swath_polygons(at_m=at, width_m=np.full(len(at), width),
                                 run=np.zeros(len(at), dtype=np.int64))
    assert end.tolist() == list(range(1, len(at)))
    assert shapely.is_valid(swaths).all()
    assert shapely.area(swaths) == pytest.approx(long * width, rel=1e-9)


def test_gentle_bends_leave_neither_gap_nor_overlap() -> None:
    # A quarter circle of radius 100 m, 20 m wide: the ring between 90 and 110 m (closed form of
    # the polygon with 91 corners: its area is distance x width as well).
    turn = np.linspace(0.0, np.pi / 2, 91)
    at = 100.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    swaths, _ = swath_polygons(at_m=at, width_m=np.full(91, 20.0), run=np.zeros(91, dtype=np.int64))
    whole = shapely.union_all(swaths)
    assert whole.area == pytest.approx(shapely.area(swaths).sum(), rel=1e-12)
    assert len(repeated_ground(swaths).polygons) == 0
    assert whole.area == pytest.approx(np.pi / 4 * (110**2 - 90**2), rel=1e-3)


def test_trips_gaps_and_widths_of_nothing_have_no_ground() -> None:
    at = np.array([[0, 0], [0, 5], [0, 5], [0, 10], [50, 0], [50, 5]], dtype=np.float64)
    width = np.array([10, 10, 10, np.nan, 10, 10], dtype=np.float64)
    swaths, end = swath_polygons(at_m=at, width_m=width, run=np.array([0, 0, 0, 0, 1, 1]))
    assert end.tolist() == [1, 5]
    assert shapely.area(swaths) == pytest.approx([50, 50])


def test_shared_areas_are_those_of_geopandas() -> None:
    rng = np.random.default_rng(5)
    corners = rng.uniform(0, 300, (400, 2))
    small = shapely.box(*corners.T, *(corners + rng.uniform(3, 30, (400, 2))).T)
    cells = shapely.get_parts(shapely.voronoi_polygons(
        shapely.multipoints(rng.uniform(0, 300, (12, 2)))))
    large = shapely.segmentize(shapely.intersection(cells, shapely.box(0, 0, 300, 300)), 1.0)
    hole = shapely.Point(150, 150).buffer(25, quad_segs=40)
    large = shapely.difference(large, hole)
    found = shared_areas(small, large)
    ours = np.zeros((400, 12))
    ours[found.small, found.large] = found.area
    one = geopandas.GeoDataFrame({"i": range(400)}, geometry=small, crs=32615)
    two = geopandas.GeoDataFrame({"k": range(12)}, geometry=large, crs=32615)
    cut = geopandas.overlay(one, two, keep_geom_type=True)
    theirs = np.zeros((400, 12))
    np.add.at(theirs, (cut["i"], cut["k"]), cut.area)
    assert ours.sum(axis=0) == pytest.approx(theirs.sum(axis=0), rel=1e-12)
    assert ours == pytest.approx(theirs, abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), many=st.integers(1, 14))
def test_faces_hold_what_lies_under_two_or_more(seed: int, many: int) -> None:
    rng = np.random.default_rng(seed)
    corners = rng.uniform(0, 60, (many, 2))
    polygons = shapely.box(*corners.T, *(corners + rng.uniform(5, 30, (many, 2))).T)
    found = repeated_ground(polygons)
    depth = np.bincount(found.face, minlength=len(found.polygons))
    face = shapely.area(found.polygons)
    # Sum of areas = union + each face once for every polygon beyond the first (GEOS's own union).
    assert shapely.area(polygons).sum() - ((depth - 1) * face).sum() == pytest.approx(
        shapely.union_all(polygons).area, rel=1e-9)
    # Random places: as many polygons over them as their face says.
    places = shapely.points(rng.uniform(0, 90, (300, 2)))
    over = np.zeros(300, dtype=np.int64)
    np.add.at(over, shapely.STRtree(places).query(polygons, predicate="contains")[1], 1)
    told = np.zeros(300, dtype=np.int64)
    if len(found.polygons):
        of, at = shapely.STRtree(places).query(found.polygons, predicate="contains")
        np.add.at(told, at, depth[of])
    assert (told == np.where(over >= 2, over, 0)).all()
