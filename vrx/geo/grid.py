"""The grid over a field, zonal means, and points that stand for a polygon."""

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
        row = min(max(int((grid.north_m - point.y) / grid.cell_m), 0), grid.rows - 1)
        column = min(max(int((point.x - grid.west_m) / grid.cell_m), 0), grid.columns - 1)
        return np.array([[point.x, point.y]]), np.array([[row, column]], dtype=np.float64)
    return places, cells
