"""Yield logs on the field's grid; relative yield over harvests, and shares of zones."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from vrx.errors import InputError
from vrx.geo import zonal_mean
from vrx.intake._blocks import LITTLE_COVERED, block_means, covered_share, field_cells, filled
from vrx.intake._raise import listed
from vrx.intake.yields.bales import bale_surface
from vrx.model import (
    BoolArray,
    Field,
    Finding,
    FloatArray,
    Grid,
    LayerGrid,
    YieldLog,
    YieldPattern,
    YieldShares,
    note,
    warn,
)


def grid_yield(
    *, log: YieldLog, grid: Grid, field: Field, fill_within_m: float = 0.0
) -> LayerGrid:
    """Mean of the kept readings in each cell, short tons per acre.

    Every reading counts the same; bales count by their ground, see `bale_surface`. Cells without
    one take the value of the nearest cell whose centre lies within `fill_within_m` metres (0: none
    do); `count` stays 0 there. Raises `InputError` where no kept reading lies on the grid.
    """
    kept = log.kept & np.isfinite(log.tons_per_ac)
    values, count = bale_surface(log, grid) if log.bale_area_ac is not None else block_means(
        log.easting_m[kept], log.northing_m[kept], log.tons_per_ac[kept], grid)
    where = f"{log.file}, harvest {log.harvest}" if log.harvest else log.file
    if not count.any():
        raise InputError("no reading lies on the field's grid", code="yield-off-grid", where=where,
                         hint="check that log and field belong together")
    full, new = filled(values, grid, within_m=fill_within_m)
    inside = field_cells(field, grid)
    share = covered_share(full, inside)
    taken = int((new & inside).sum())
    things = "readings" if log.bale_area_ac is None else "bales"
    what = (f"{int(count.sum())} {things} in {int((count > 0).sum())} cells of {grid.cell_m:g} m, "
            f"{100 * share:.1f} % of the field has a value")
    say = note if share >= LITTLE_COVERED else warn
    findings = [say("yield-gridded", where, what, value=f"{share:.4f}",
                    done=f"{taken} empty cells filled from the nearest within {fill_within_m:g} m"
                    if taken else "")]
    return LayerGrid(
        name=log.harvest or log.file, kind="yield", unit="short ton/ac", source=log.source,
        grid=grid, values=full, count=count, covered_share=share, findings=tuple(findings))


def normalise_yields(*, layers: Sequence[LayerGrid], field: Field) -> YieldPattern:
    """Relative yield over cuttings and years: each layer by its own mean, equal weight each.

    The mean is over the field's cells that have a value. In each cell the layers that have a value
    are averaged, so that a harvest of 1 ton counts as much as one of 2; then the field's mean is
    set to 1. (Division by the mean; Blackmore 2000, Computers and Electronics in Agriculture
    26:37-51, from memory.) A harvest that covers little of the field is not divided by its own mean
    but by what makes it agree, over its cells, with the mean of those that cover the field; else
    one that covers the best half would read as if that half were average.

    Raises:
        InputError: no layer, different grids, or a layer whose mean is not above 0.
    """
    if not layers:
        raise InputError("there is no gridded harvest", code="yield-no-layers",
                         hint="give at least one")
    grid, names = layers[0].grid, tuple(layer.name for layer in layers)
    inside = field_cells(field, grid)
    relative = np.empty((len(layers), *grid.shape))
    findings: list[Finding] = []
    for k, layer in enumerate(layers):
        if layer.grid != grid:
            raise InputError("is on another grid than the first layer", code="yield-grid-differs",
                             where=layer.name, hint="grid all harvests on the field's grid")
        mean = _field_mean(layer.values, inside)
        if not mean > 0:
            raise InputError(f"its mean over the field is {mean:g}", code="yield-mean", where=(
                layer.name), hint="check the yields of this harvest")
        relative[k] = layer.values / mean
    findings += _fit_partial(relative, layers, inside)
    have = np.isfinite(relative)
    count = have.sum(axis=0)
    total = np.where(have, relative, 0.0).sum(axis=0)
    mean_of = np.divide(total, count, out=np.full(grid.shape, np.nan), where=count > 0)
    squares = np.where(have, (relative - mean_of) ** 2, 0.0).sum(axis=0)
    sd = np.sqrt(np.divide(squares, count - 1, out=np.full(grid.shape, np.nan), where=count > 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        cv = np.where(mean_of > 0, 100.0 * sd / mean_of, np.nan)
    scaled = mean_of / _field_mean(mean_of, inside)
    findings.insert(0, note(
        "yield-pattern", "relative yield",
        f"{len(layers)} harvest{'s' if len(layers) > 1 else ''} ({listed(names)}), each divided by "
        "its own mean over the field", done="averaged with equal weight; field mean set to 1"))
    return YieldPattern(grid=grid, relative=scaled, harvests=count.astype(np.int64), cv_pct=cv,
                        names=names, findings=tuple(findings))


def _fit_partial(
    relative: FloatArray, layers: Sequence[LayerGrid], inside: BoolArray
) -> list[Finding]:
    """Scale partial layers of `relative` (in place) to the pattern of the whole ones."""
    findings: list[Finding] = []
    whole = np.array([layer.covered_share >= LITTLE_COVERED for layer in layers])
    known = np.isfinite(relative[whole])
    count = known.sum(axis=0)
    pattern = np.divide(np.where(known, relative[whole], 0.0).sum(axis=0), count,
                        out=np.full(inside.shape, np.nan), where=count > 0)
    for k in np.flatnonzero(~whole).tolist():
        shared = np.isfinite(relative[k]) & np.isfinite(pattern) & inside
        scaled = bool(shared.any()) and float(relative[k][shared].mean()) > 0
        if scaled:
            relative[k] *= float(pattern[shared].mean()) / float(relative[k][shared].mean())
        findings.append(warn(
            "yield-harvest-partial", layers[k].name,
            f"covers {100 * layers[k].covered_share:.0f} % of the field"
            + ("" if scaled else "; its mean is that of the part it covers"),
            done="scaled to the other harvests' pattern over its part, equal weight"
            if scaled else "used with equal weight"))
    return findings


def _field_mean(values: FloatArray, inside: BoolArray) -> float:
    use = np.isfinite(values) & inside
    if not use.any():
        use = np.isfinite(values)
    return float(values[use].mean()) if use.any() else 0.0


def zone_yield_shares(
    *, relative: FloatArray, grid: Grid, polygons: Sequence[shapely.Geometry],
    zone_ids: Sequence[int] | None = None,
) -> YieldShares:
    """Relative yield of each zone (polygon in the field's CRS), area-weighted mean 1.

    `relative` (rows, columns) is any positive yield on `grid`. A zone without yield data gets 1,
    the field's mean, with a warning. Weights are the polygons' areas. Raises `InputError` where no
    zone has data or a zone's yield is not above 0.
    """
    mean, low, high = zonal_mean(values=relative, grid=grid, polygons=polygons)
    ids = list(zone_ids) if zone_ids is not None else list(range(1, len(polygons) + 1))
    have = np.isfinite(mean)
    if not have.any():
        raise InputError("no zone has yield data", code="yield-zones-empty",
                         where="relative yield", hint="check that log and zones belong together")
    if (mean[have] <= 0).any():
        zone = ids[int(np.flatnonzero(have & ~(mean > 0))[0])]
        raise InputError("its relative yield is not above 0", code="yield-mean",
                         where=f"zone {zone}", hint="clean the log, or fill gaps less far")
    area = shapely.area(np.array(list(polygons), dtype=object))
    scale = float((mean[have] * area[have]).sum() / area[have].sum())
    share = np.where(have, mean / scale, 1.0)
    findings: list[Finding] = []
    if not have.all():
        bare = listed(str(ids[int(k)]) for k in np.flatnonzero(~have))
        findings.append(warn("yield-zone-without-data", f"zone {bare}", "holds no yield data",
                             done="its share is 1, the field's mean",
                             todo="set its goal yourself if you know better"))
    said = ", ".join(f"{i}: {s:.3f}" for i, s in zip(ids, share, strict=True))
    findings.append(note("yield-shares", "zones", f"share of the field's yield by zone {said}",
                         done="area-weighted mean 1"))
    return YieldShares(share=share, low=low / scale, high=high / scale, findings=tuple(findings))
