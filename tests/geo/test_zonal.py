"""Zonal means against sums done by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from vrx.errors import ComputeError
from vrx.geo import zonal_mean
from vrx.model import Grid

GRID = Grid(west_m=-20.0, north_m=20.0, cell_m=10.0, rows=4, columns=4)
# Row 0 (north): 0 1 2 3, row 1: 4 5 6 7, and so on.
VALUES = np.arange(16.0).reshape(4, 4)


def test_half_cells_by_hand() -> None:
    # One and a half cells of the north row: (0 x 1 + 1 x 0.5) / 1.5.
    mean, low, high = zonal_mean(
        values=VALUES, grid=GRID, polygons=[shapely.box(-20, 10, -5, 20)]
    )
    assert mean == pytest.approx([1 / 3])
    assert low.tolist() == [0.0]
    assert high.tolist() == [1.0]


def test_diagonal_half() -> None:
    # The triangle holds half of cells 0 and 5 and all of 4: (0 / 2 + 4 + 5 / 2) / 2.
    triangle = shapely.Polygon([(-20, 20), (-20, 0), (0, 0)])
    mean, _, _ = zonal_mean(values=VALUES, grid=GRID, polygons=[triangle])
    assert mean == pytest.approx([(0 * 0.5 + 4 * 1 + 5 * 0.5) / 2.0])


def test_polygons_smaller_than_a_cell() -> None:
    inside = shapely.box(1, 1, 1.5, 1.5)  # cell 6
    across = shapely.box(-1, 1, 3, 2)  # a quarter in cell 5, three quarters in cell 6
    speck = shapely.box(1, 1, 1.001, 1.001)
    mean, low, high = zonal_mean(values=VALUES, grid=GRID, polygons=[inside, across, speck])
    assert mean == pytest.approx([6.0, 0.25 * 5 + 0.75 * 6, 6.0])
    assert low.tolist() == [6.0, 5.0, 6.0]
    assert high.tolist() == [6.0, 6.0, 6.0]


def test_edge_on_a_cell_edge_reads_its_own_cells_only() -> None:
    nearly = shapely.box(-10, 0, 1e-9, 10)
    mean, low, high = zonal_mean(values=VALUES, grid=GRID, polygons=[nearly])
    assert mean == pytest.approx([5.0])
    assert (low.tolist(), high.tolist()) == ([5.0], [5.0])


def test_parts_holes_and_closure() -> None:
    hole = shapely.Polygon(
        [(-20, -20), (20, -20), (20, 20), (-20, 20)], [[(-10, -10), (10, -10), (10, 10), (-10, 10)]]
    )
    two = shapely.MultiPolygon([shapely.box(-20, 10, -10, 20), shapely.box(10, -20, 20, -10)])
    core = shapely.box(-10, -10, 10, 10)
    mean, _, _ = zonal_mean(values=VALUES, grid=GRID, polygons=[hole, two, core])
    assert mean == pytest.approx([7.5, (0 + 15) / 2, (5 + 6 + 9 + 10) / 4])
    # Area-weighted zone means add up to the mean of the whole.
    assert (mean[0] * hole.area + mean[2] * core.area) / 1600.0 == pytest.approx(VALUES.mean())


def test_north_is_up() -> None:
    mean, _, _ = zonal_mean(
        values=VALUES, grid=GRID,
        polygons=[shapely.box(-20, 10, 20, 20), shapely.box(-20, -20, 20, -10)],
    )
    assert mean == pytest.approx([1.5, 13.5])


def test_cells_without_value_are_left_out() -> None:
    values = VALUES.copy()
    values[0, 0] = np.nan
    mean, low, high = zonal_mean(
        values=values, grid=GRID,
        polygons=[shapely.box(-20, 10, 0, 20), shapely.box(-20, 10, -10, 20)],
    )
    assert mean[0] == pytest.approx(1.0)
    assert np.isnan([mean[1], low[1], high[1]]).all()


def test_refusals() -> None:
    with pytest.raises(ComputeError, match="beyond the grid"):
        zonal_mean(values=VALUES, grid=GRID, polygons=[shapely.box(0, 0, 30, 10)])
    with pytest.raises(ComputeError, match="rows and columns"):
        zonal_mean(values=VALUES[:2], grid=GRID, polygons=[shapely.box(0, 0, 1, 1)])
    with pytest.raises(ComputeError, match="no area"):
        zonal_mean(values=VALUES, grid=GRID, polygons=[shapely.Polygon()])
    assert [a.shape for a in zonal_mean(values=VALUES, grid=GRID, polygons=[])] == [(0,)] * 3
