"""Points and cells of a field's grid: block means, gaps filled from nearby, share covered."""

from __future__ import annotations

import numpy as np
import shapely

from vrx.model import BoolArray, Field, FloatArray, Grid, IntArray

LITTLE_COVERED = 0.9
"""Below this share of the field's cells a layer is warned of (own rule)."""


def block_means(
    east: FloatArray, north: FloatArray, values: FloatArray, grid: Grid
) -> tuple[FloatArray, IntArray]:
    """Mean of the points in each cell, NaN where there is none, and how many; (rows, columns).

    A point on an edge belongs to the cell east and south of it; points off the grid are left out.
    """
    column = np.floor((east - grid.west_m) / grid.cell_m)
    row = np.floor((grid.north_m - north) / grid.cell_m)
    on = (column >= 0) & (column < grid.columns) & (row >= 0) & (row < grid.rows)
    cell = (row[on] * grid.columns + column[on]).astype(np.int64)
    size = grid.rows * grid.columns
    count = np.bincount(cell, minlength=size)
    total = np.bincount(cell, weights=values[on], minlength=size)
    mean = np.divide(total, count, out=np.full(size, np.nan), where=count > 0)
    return mean.reshape(grid.shape), count.reshape(grid.shape).astype(np.int64)


def filled(values: FloatArray, grid: Grid, *, within_m: float) -> tuple[FloatArray, BoolArray]:
    """Empty cells take the nearest cell's value if its centre lies within `within_m`; and which."""
    empty = np.isnan(values)
    if within_m <= 0 or not empty.any() or empty.all():
        return values, np.zeros(values.shape, dtype=bool)
    # scipy costs 0.1 s to import, so only where it is used.
    from scipy.ndimage import distance_transform_edt

    away, (row, column) = distance_transform_edt(
        empty, sampling=grid.cell_m, return_distances=True, return_indices=True)
    near = empty & (away <= within_m)
    return np.where(near, values[row, column], values), np.asarray(near)


def field_cells(field: Field, grid: Grid) -> BoolArray:
    """Which cells have their centre in the field, (rows, columns)."""
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    shapely.prepare(field.boundary)
    return np.asarray(shapely.contains_xy(field.boundary, east, north))


def covered_share(values: FloatArray, inside: BoolArray) -> float:
    """Share of the field's cells that have a value; of all cells where the field has none."""
    which = inside if inside.any() else np.ones(values.shape, dtype=bool)
    return float(np.isfinite(values[which]).mean())
