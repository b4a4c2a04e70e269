"""What a raster reads inside polygons, each cell weighted by the area of it that is covered."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from vrx.errors import ComputeError
from vrx.model import FloatArray, Grid, IntArray

# A polygon edge that lies on a cell edge covers the next cell by rounding alone; do not let that
# cell be the least or greatest.
_LEAST_SHARE = 1e-6
_TOUCH = f"min_coverage_frac={_LEAST_SHARE:.6f}"


def zonal_mean(
    *, values: FloatArray, grid: Grid, polygons: Sequence[shapely.Geometry]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Area-weighted mean, least and greatest cell of each polygon.

    `values` (rows, columns) on `grid`, in any unit; polygons in the field's CRS. Returns three
    arrays (polygons,): the mean over the exact covered share of every cell, and the least and
    greatest value of any cell that the polygon covers in part (more than a millionth of it). A
    polygon smaller than a cell reads the cells that it touches. Cells that are NaN are left out of
    all three; a polygon with only such cells reads NaN.

    Raises:
        ComputeError: the shape is not the grid's, or a polygon reaches beyond the grid or has no
            area.
    """
    if values.shape != grid.shape:
        raise ComputeError(
            f"values have {values.shape} rows and columns, the grid {grid.shape}",
            code="zonal-shape", hint="pass the grid that the values were made on",
        )
    if not polygons:
        return np.empty(0), np.empty(0), np.empty(0)
    rows = _extracted(values, grid, polygons, ["mean", f"low=min({_TOUCH})", f"high=max({_TOUCH})"])
    mean, low, high = (
        np.array([np.nan if row[key] is None else row[key] for row in rows], dtype=np.float64)
        for key in ("mean", "low", "high")
    )
    # A polygon of less than a millionth of a cell has a mean only.
    bare = ~np.isnan(mean) & np.isnan(low)
    low[bare] = high[bare] = mean[bare]
    return mean, low, high


def zone_cells(
    *, grid: Grid, polygons: Sequence[shapely.Geometry]
) -> list[tuple[IntArray, FloatArray]]:
    """Per polygon the cells that it covers, and the exact covered share of each.

    Cells are flat positions (m,), row by row, on `grid`; shares (m,) from 0 to 1. Cells covered by
    a millionth or less are left out, unless there are no others. Raises as `zonal_mean`.
    """
    if not polygons:
        return []
    rows = _extracted(np.zeros(grid.shape), grid, polygons, ["cell_id", "coverage"])
    found = []
    for row in rows:
        cells = np.asarray(row["cell_id"], dtype=np.int64)
        shares = np.asarray(row["coverage"], dtype=np.float64)
        real = shares > _LEAST_SHARE
        found.append((cells[real], shares[real]) if real.any() else (cells, shares))
    return found


def _extracted(
    values: FloatArray, grid: Grid, polygons: Sequence[shapely.Geometry], operations: Sequence[str]
) -> list[dict[str, Any]]:
    """What exactextract finds for each polygon."""
    _require_within(grid, polygons)
    from exactextract import exact_extract
    from exactextract.feature import JSONFeatureSource
    from exactextract.raster import NumPyRasterSource

    raster = NumPyRasterSource(
        np.ascontiguousarray(values, dtype=np.float64),
        xmin=grid.west_m, xmax=grid.east_m, ymin=grid.south_m, ymax=grid.north_m,
    )
    features = JSONFeatureSource([
        {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(polygon)}
        for polygon in polygons
    ])
    return [one["properties"] for one in exact_extract(raster, features, list(operations))]


def _require_within(grid: Grid, polygons: Sequence[shapely.Geometry]) -> None:
    for position, polygon in enumerate(polygons, start=1):
        west, south, east, north = polygon.bounds
        if polygon.is_empty or polygon.area <= 0:
            raise ComputeError(f"polygon {position} has no area", code="zonal-no-area")
        if (
            west < grid.west_m or south < grid.south_m
            or east > grid.east_m or north > grid.north_m
        ):
            raise ComputeError(
                f"polygon {position} reaches beyond the grid (E {grid.west_m:g} to "
                f"{grid.east_m:g}, N {grid.south_m:g} to {grid.north_m:g})",
                code="zonal-beyond-grid", hint="make the grid with vrx.geo.grid_over",
            )
