"""One reading per bale: each bale's hay comes from the ground nearer to it than to any other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from vrx.errors import InputError
from vrx.model import Field, FloatArray, Grid, IntArray, YieldLog, note, warn
from vrx.units import ACRE_M2, SHORT_TON_LB

FEWEST_BALES = 10
NEAREST = 8
"""Bales that share a place's yield: the ground of a single one is known too badly (own rule)."""
_REACH_TIMES = 2.0
_STACKED_SHARE = 0.15
_LITTLE = 0.9


def with_areas(log: YieldLog, field: Field) -> YieldLog:
    """A bale log with the ground of each bale and yields in short tons per acre; others unchanged.

    `tons_per_ac` comes in as pounds a bale. The ground is the bale's Thiessen polygon in the field,
    cut off at twice the side of the median ground, so that what was not baled is no bale's.
    A bale without a weight keeps its ground (it stood there); of several at one place the first
    does. (Own rule; conserves every pound.)

    Raises:
        InputError: fewer than 10 bales in the field, or bales logged at the stack.
    """
    if log.bale_area_ac is None:
        return log
    where = f"{log.file}, harvest {log.harvest}" if log.harvest else log.file
    own = np.flatnonzero(log.kept)
    at = np.column_stack([log.easting_m, log.northing_m])[own]
    _, first = np.unique(np.round(at, 2), axis=0, return_index=True)
    own, at = own[np.sort(first)], at[np.sort(first)]
    if len(own) < FEWEST_BALES:
        raise InputError(f"holds {len(own)} bales in the field; a pattern needs {FEWEST_BALES}",
                         code="yield-bales-few", where=where,
                         hint="leave the log out and state the field's yield")
    _require_spread(at, field, where)
    ground = _ground(at, field)
    area = np.full(len(log.record), np.nan)
    area[own] = ground / ACRE_M2
    tons = np.asarray(log.tons_per_ac) / SHORT_TON_LB
    with np.errstate(divide="ignore", invalid="ignore"):
        per_ac = np.where(area > 0, tons / area, np.nan)
    share = float(ground.sum()) / field.boundary.area
    say = note if share >= _LITTLE else warn
    total, acres = float(np.nansum(tons[own])), float(ground.sum()) / ACRE_M2
    said = say("yield-bales", where,
               f"{len(own)} bales, {total:.2f} short tons on {acres:.2f} ac, {total / acres:.2f} "
               f"ton/ac; median ground of a bale {np.median(ground) / ACRE_M2:.3f} ac; "
               f"{100 * share:.0f} % of the field lies near a bale",
               done="each bale's hay on the ground nearer to it than to any other bale",
               todo="bales carried together before they were logged would show a false pattern")
    return replace(log, tons_per_ac=per_ac, bale_area_ac=area, findings=(*log.findings, said))


def _require_spread(at: FloatArray, field: Field, where: str) -> None:
    from scipy.spatial import cKDTree

    near = cKDTree(at).query(at, k=2)[0][:, 1]
    side = float(np.sqrt(field.boundary.area / len(at)))
    if float(np.median(near)) < _STACKED_SHARE * side:
        raise InputError(
            f"half of its {len(at)} bales lie within {np.median(near):.1f} m of another, where "
            f"{side:.0f} m are usual: they were logged at a stack or on the wagon",
            code="yield-bales-stacked", where=where,
            hint="use places logged by the baler as each bale was dropped")


def _ground(at: FloatArray, field: Field) -> FloatArray:
    """Square metres (n,) of the field that belong to each place."""
    cells = shapely.get_parts(shapely.voronoi_polygons(
        shapely.multipoints(at), extend_to=shapely.box(*field.boundary.bounds), ordered=True))
    whole = shapely.area(shapely.intersection(cells, field.boundary))
    reach = _REACH_TIMES * float(np.sqrt(np.median(whole)))
    near = shapely.buffer(shapely.points(at), reach)
    return np.asarray(shapely.area(
        shapely.intersection(shapely.intersection(cells, near), field.boundary)))


def bale_surface(log: YieldLog, grid: Grid) -> tuple[FloatArray, IntArray]:
    """Yield (rows, columns) in short tons per acre, and bales in each cell.

    A cell reads the hay of the 8 nearest kept bales over their ground; NaN farther from any bale
    than twice the side of the median ground.
    """
    from scipy.spatial import cKDTree

    kept = log.kept & np.isfinite(log.tons_per_ac)
    at = np.column_stack([log.easting_m, log.northing_m])[kept]
    area = np.asarray(log.bale_area_ac)[kept]
    tons = log.tons_per_ac[kept] * area
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    away, near = cKDTree(at).query(np.column_stack([east.ravel(), north.ravel()]),
                                   k=min(NEAREST, len(at)))
    away, near = away.reshape(east.size, -1), near.reshape(east.size, -1)
    values = tons[near].sum(axis=1) / area[near].sum(axis=1)
    reach = _REACH_TIMES * float(np.sqrt(np.median(area) * ACRE_M2))
    values[away[:, 0] > reach] = np.nan
    column = np.floor((at[:, 0] - grid.west_m) / grid.cell_m).astype(np.int64)
    row = np.floor((grid.north_m - at[:, 1]) / grid.cell_m).astype(np.int64)
    on = (column >= 0) & (column < grid.columns) & (row >= 0) & (row < grid.rows)
    count = np.bincount(row[on] * grid.columns + column[on], minlength=grid.rows * grid.columns)
    return values.reshape(grid.shape), count.reshape(grid.shape).astype(np.int64)
