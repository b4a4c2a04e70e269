"""Applied and target rates in square cells: for the map and for the ground that is short."""

from __future__ import annotations

import numpy as np
import shapely

from vrx import geo
from vrx.model import AppliedCells, AppliedGround, FloatArray, Zones

_OFF_EDGES = (0.0137, 0.0071)
"""Centres are moved by these shares of a cell: swaths often end on round places."""


def rate_cells(
    *, ground: AppliedGround, zones: Zones, target_rate: FloatArray, boundary: shapely.Geometry,
    cell_m: float,
) -> AppliedCells:
    """The rate at every cell's centre, the sum of all swaths over it; NaN outside the zones."""
    grid = geo.grid_over(boundary, cell_m=cell_m)
    east, north = np.meshgrid(grid.easting_m + _OFF_EDGES[0] * cell_m,
                              grid.northing_m + _OFF_EDGES[1] * cell_m)
    tree = shapely.STRtree(shapely.points(east.ravel(), north.ravel()))
    target = np.full(east.size, np.nan)
    for zone, rate in zip(zones.zones, target_rate.tolist(), strict=True):
        target[tree.query(zone.polygon, predicate="intersects")] = rate
    swath, cell = tree.query(ground.polygons, predicate="intersects")
    got = np.bincount(cell, weights=ground.rate[swath], minlength=east.size)
    applied = np.where(np.isnan(target), np.nan, got)
    return AppliedCells(grid=grid, applied_rate=applied.reshape(grid.shape),
                        target_rate=target.reshape(grid.shape))
