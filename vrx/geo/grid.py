"""The grid over a field, the cell of a place, and cell centres that stand for a polygon."""

from __future__ import annotations

import math

import numpy as np
import shapely

from vrx.model import FloatArray, Grid


def grid_over(boundary: shapely.Geometry, *, cell_m: float) -> Grid:
    """Square cells over the boundary and one cell beyond, aligned to multiples of `cell_m`."""
    west, south, east, north = boundary.bounds
    left = (math.floor(west / cell_m) - 1) * cell_m
    top = (math.ceil(north / cell_m) + 1) * cell_m
    columns = math.ceil((east - left) / cell_m) + 1
    rows = math.ceil((top - south) / cell_m) + 1
    return Grid(west_m=left, north_m=top, cell_m=cell_m, rows=rows, columns=columns)


def cell_at(grid: Grid, *, easting_m: float, northing_m: float) -> tuple[int, int]:
    """Row and column of the cell that holds a place; beyond the grid, of the nearest cell."""
    row = int((grid.north_m - northing_m) // grid.cell_m)
    column = int((easting_m - grid.west_m) // grid.cell_m)
    return min(max(row, 0), grid.rows - 1), min(max(column, 0), grid.columns - 1)


def cells_within(polygon: shapely.Geometry, grid: Grid) -> tuple[FloatArray, FloatArray]:
    """Cell centres inside a polygon, (n, 2) easting and northing, and their cell (row, column).

    A polygon that holds no cell centre gives its representative point and that point's cell.
    """
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    shapely.prepare(polygon)
    inside = shapely.contains_xy(polygon, east.ravel(), north.ravel())
    places = np.column_stack([east.ravel()[inside], north.ravel()[inside]])
    cells = np.argwhere(inside.reshape(grid.shape)).astype(np.float64)
    if len(places) == 0:
        point = polygon.representative_point()
        cell = cell_at(grid, easting_m=point.x, northing_m=point.y)
        return np.array([[point.x, point.y]]), np.array([cell], dtype=np.float64)
    return places, cells
