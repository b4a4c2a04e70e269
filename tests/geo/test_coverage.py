"""Coverages: what counts as one, shared edges, rounding."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest
import shapely

from vrx.errors import ComputeError
from vrx.geo import (
    coverage_trouble,
    dissolve,
    edges_match,
    grid_over,
    lonlat_area_m2,
    require_coverage,
    round_coverage,
    shared_edges,
    to_lonlat,
    trace_coverage,
)
from vrx.geo.trace import _by_noding, _simplified

_FIELDS = runpy.run_path(str(Path(__file__).resolve().parents[1] / "zones" / "fields.py"))
KINDS, CENTRE = _FIELDS["KINDS"], _FIELDS["CENTRE"]

BOX = shapely.box(0, 0, 20, 10)
LEFT, RIGHT = shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10)


def valid(polygons) -> bool:
    return bool(shapely.coverage_is_valid(np.array(polygons, dtype=object)))


def classes_for(grid, seed: int):
    values = _FIELDS["smooth"](grid.shape, seed)
    return np.digitize(values, (80.0, 110.0, 140.0, 170.0)).astype(np.int64)


def test_trouble_names_each_fault() -> None:
    assert coverage_trouble([LEFT, RIGHT], BOX) == ""
    assert "areas differ" in coverage_trouble([LEFT, shapely.box(10, 0, 19, 10)], BOX)
    overlap = [shapely.box(0, 0, 11, 10), shapely.box(10, 0, 19, 10)]
    assert "vertex by vertex" in coverage_trouble(overlap, BOX)
    # Same area, but the long edge has no vertex where two neighbours meet on it.
    top, bottom = shapely.box(10, 5, 20, 10), shapely.box(10, 0, 20, 5)
    assert "vertex by vertex" in coverage_trouble([LEFT, top, bottom], BOX)
    bow = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    assert "not valid" in coverage_trouble([bow, RIGHT], BOX)
    assert coverage_trouble([], BOX)
    assert "not a polygon" in coverage_trouble([BOX.exterior], BOX)
    with pytest.raises(ComputeError, match="areas differ") as caught:
        require_coverage([LEFT], BOX, where="zones")
    assert caught.value.code == "coverage-invalid"


def test_hole_touching_its_shell_on_the_boundary_is_no_fault() -> None:
    box = shapely.box(0, 0, 10, 10)
    notch = shapely.Polygon([(4, 10), (8, 10), (6, 5)])
    island = shapely.Polygon([(4, 10), (2, 6), (4, 6)])
    rest = box.difference(notch).difference(island)
    assert rest.is_valid
    assert len(rest.interiors) == 1
    assert edges_match([rest, notch, island], box)
    assert coverage_trouble([rest, notch, island], box) == ""
    assert not edges_match([rest, notch], box)


def test_shared_edges_and_dissolve() -> None:
    third = shapely.box(20, 10, 30, 20)  # touches RIGHT in a corner only
    pairs, metres = shared_edges([LEFT, RIGHT, third])
    assert pairs.tolist() == [[0, 1]]
    assert metres.tolist() == [10.0]
    joined = dissolve([LEFT, RIGHT, third], [0, 0, 2])
    assert [piece.area for piece in joined] == [200.0, 100.0]
    assert shared_edges([LEFT, third])[0].shape == (0, 2)
    # The parts of a multipolygon count as it.
    two = shapely.MultiPolygon([LEFT, third])
    pairs, metres = shared_edges([RIGHT, two])
    assert pairs.tolist() == [[0, 1]]
    assert metres.tolist() == [10.0]
    assert edges_match([RIGHT, two], shapely.union_all([BOX, third]))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(3))
def test_traced_classes_cover_the_boundary(kind: str, seed: int) -> None:
    boundary = _FIELDS["random_field"](kind, seed)
    grid = grid_over(boundary, cell_m=8.0)
    kinds, polygons = trace_coverage(classes=classes_for(grid, seed), grid=grid, boundary=boundary)
    assert len(kinds) == len(polygons)
    assert valid(polygons)
    union = shapely.union_all(polygons)
    assert union.symmetric_difference(boundary).area <= 1e-9 * boundary.area
    assert sum(p.area for p in polygons) == pytest.approx(boundary.area, rel=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_second_way_covers_too_and_agrees(kind: str) -> None:
    boundary = _FIELDS["random_field"](kind, 11)
    grid = grid_over(boundary, cell_m=8.0)
    classes = classes_for(grid, 11)
    first_kinds, first = trace_coverage(classes=classes, grid=grid, boundary=boundary)
    kinds, faces = _by_noding(*_simplified(classes, grid, 1.5), boundary)
    assert coverage_trouble(faces, boundary) == ""
    for value in np.unique(classes):
        one = sum(p.area for p, k in zip(first, first_kinds, strict=True) if k == value)
        two = sum(p.area for p, k in zip(faces, kinds, strict=True) if k == value)
        # The first way may have moved shapes by a few centimetres.
        assert two == pytest.approx(one, abs=0.02 * boundary.area**0.5 + 1e-3 * one)


@pytest.mark.parametrize("number", [16, 82])
def test_boundary_along_cell_edges(number: int) -> None:
    # Rough classes up to a boundary on the cell lattice: holes touch their shells on it.
    boundary = _FIELDS["random_field"]("rectangle", 1000 + number)
    grid = grid_over(boundary, cell_m=5.0)
    _, polygons = trace_coverage(
        classes=classes_for(grid, number), grid=grid, boundary=boundary
    )
    assert valid(polygons)
    assert coverage_trouble(polygons, boundary) == ""


def test_diagonal_cells_give_valid_polygons() -> None:
    classes = np.array([[0, 0, 1, 1], [0, 1, 0, 1], [1, 0, 0, 1], [1, 1, 1, 0]])
    boundary = shapely.box(0, 0, 4, 4)
    grid = grid_over(boundary, cell_m=1.0)
    padded = np.pad(classes, ((1, grid.rows - 5), (1, grid.columns - 5)), mode="edge")
    kinds, polygons = trace_coverage(
        classes=padded, grid=grid, boundary=boundary, simplify_cells=0.0
    )
    assert all(polygon.is_valid for polygon in polygons)
    area = [sum(p.area for p, k in zip(polygons, kinds, strict=True) if k == v) for v in (0, 1)]
    # 7 and 9 cells, counted by hand; shapes may have moved by 0.02 cell.
    assert area == pytest.approx([7.0, 9.0], abs=0.2)


def test_grid_must_reach_around() -> None:
    grid = grid_over(shapely.box(0, 0, 50, 50), cell_m=5.0)
    with pytest.raises(ComputeError, match="does not reach") as caught:
        trace_coverage(
            classes=np.zeros(grid.shape, dtype=np.int64), grid=grid,
            boundary=shapely.box(0, 0, 90, 50),
        )
    assert caught.value.code == "trace-grid-short"


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "tiny"])
@pytest.mark.parametrize("decimals", [9, 8, 7])
def test_rounded_coverage_stays_one(kind: str, decimals: int) -> None:
    boundary = _FIELDS["random_field"](kind, 3)
    grid = grid_over(boundary, cell_m=10.0)
    _, polygons = trace_coverage(classes=classes_for(grid, 3) // 2, grid=grid, boundary=boundary)
    lonlat = [to_lonlat(polygon, CENTRE) for polygon in polygons if polygon.area > 50]
    rounded = round_coverage(lonlat, decimals)
    for before, after in zip(lonlat, rounded, strict=True):
        coordinates = shapely.get_coordinates(after)
        assert np.array_equal(np.round(coordinates, decimals), coordinates)
        if decimals == 9:
            # Tolerances of the export: 0.02 % of a zone, here of pieces from 50 m2 up.
            assert lonlat_area_m2(after) == pytest.approx(lonlat_area_m2(before), rel=2e-4)


def test_rounding_drops_spikes_and_empty_rings() -> None:
    spike = shapely.Polygon([(0, 0), (4, 0), (4, 2), (4.001, 3), (3.999, 3), (3.998, 2), (0, 4)])
    hole = shapely.Polygon(
        [(0, 0), (9, 0), (9, 9), (0, 9)], [[(3, 3), (3.01, 3), (3.01, 3.01)]]
    )
    (kept,) = round_coverage([spike], 1)
    assert kept.is_valid
    assert shapely.get_coordinates(kept).max() == 4.0
    (whole,) = round_coverage([hole], 1)
    assert len(whole.interiors) == 0


def test_rounding_that_breaks_is_refused() -> None:
    speck = shapely.box(0.01, 0.01, 0.02, 0.02)
    with pytest.raises(ComputeError, match="polygon 2 has no area left"):
        round_coverage([LEFT, speck], 1)
    with pytest.raises(ComputeError, match="edges cross"):
        round_coverage([LEFT, shapely.box(9, 0, 20, 10)], 3)
    # A neck of 0.04 closes onto itself.
    neck = shapely.Polygon(
        [(0, 0), (10, 0), (10, 4), (5, 1.96), (0, 4), (0, 2.5), (5, 1.94), (4, 1.90), (0, 2)]
    )
    assert neck.is_valid
    with pytest.raises(ComputeError, match="polygons 1 cross themselves"):
        round_coverage([neck], 0)
