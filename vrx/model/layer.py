"""Layers beside the soil test: yield logs as points, and any covariate on the field's grid."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np

from vrx.model.arrays import BoolArray, FloatArray, IntArray, array_value
from vrx.model.field import Grid
from vrx.model.finding import Finding


@array_value
class YieldLog:
    """One harvest's yield readings in the order of the file; nothing is ever taken out of it.

    Arrays are (n,). `tons_per_ac` are short tons per acre, NaN where the file gives none, at
    `moisture_pct` percent (None: the user said that it is not known; such yields are relative
    only). `record` is the row or record in the file. `reason` is 0 for a reading that is kept, else
    1 + the position in `reasons` of the filter that set it aside. Places are metres in the field's
    CRS, NaN without position. Optional arrays are None where the file has no such column;
    `pass_number` counts trips over the field. `mass_based` tells that yields were computed from
    mass, distance and swath, so that a delay also moves the area. `delay_s` is the flow delay that
    places were moved by (0: as logged). `source` says what stood in the file. `machine` are codes
    of the machines, if the file tells them. `coarse_m` is the step to which the file's positions
    are rounded where that is too coarse to follow the track, else 0. `bale_area_ac` is the ground
    of each bale where a reading is one bale (NaN: the bale stands for none), else None.
    """

    file: str
    harvest: str
    source: str
    moisture_pct: float | None
    record: IntArray
    easting_m: FloatArray
    northing_m: FloatArray
    tons_per_ac: FloatArray
    reason: IntArray
    reasons: tuple[str, ...]
    time_s: FloatArray | None = None
    interval_s: FloatArray | None = None
    distance_m: FloatArray | None = None
    speed_m_per_s: FloatArray | None = None
    swath_m: FloatArray | None = None
    pass_number: IntArray | None = None
    working: BoolArray | None = None
    mass_based: bool = False
    delay_s: float = 0.0
    machine: IntArray | None = None
    coarse_m: float = 0.0
    bale_area_ac: FloatArray | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def kept(self) -> BoolArray:
        """True where no filter set the reading aside, (n,)."""
        return np.asarray(self.reason == 0)

    @property
    def counts(self) -> dict[str, int]:
        """Readings set aside by each reason, in the order of `reasons`, 0 included."""
        found = Counter(self.reason.tolist())
        return {name: found[k] for k, name in enumerate(self.reasons, 1)}


@array_value
class LayerGrid:
    """A covariate on the field's grid; `values` (rows, columns), NaN where nothing is known.

    `kind` is "yield", "relative yield", "points" or "raster"; `unit` is what the user stated.
    `count` (rows, columns) are the readings in each cell: 0 where the value was filled from a cell
    nearby or nothing is known; for a raster 1 where it has a value. `covered_share` is the share of
    the cells with their centre in the field that have a value.
    """

    name: str
    kind: str
    unit: str
    source: str
    grid: Grid
    values: FloatArray
    count: IntArray
    covered_share: float
    findings: tuple[Finding, ...] = ()


@array_value
class YieldPattern:
    """Relative yield (field mean 1) over harvests, arrays (rows, columns) on `grid`.

    `relative` is the mean over the harvests that have a value in the cell, equal weight each, NaN
    where none has. `harvests` counts them. `cv_pct` is their coefficient of variation, percent (n
    - 1), NaN below two: small means that the place yields alike every time.
    """

    grid: Grid
    relative: FloatArray
    harvests: IntArray
    cv_pct: FloatArray
    names: tuple[str, ...]
    findings: tuple[Finding, ...] = ()


@array_value
class YieldShares:
    """Relative yield of each zone, (zones,); their area-weighted mean is 1.

    A yield goal for the field times `share` gives each zone's. `low` and `high` are the least and
    greatest cell on the same scale, NaN where a zone has no yield data (its share is then 1).
    """

    share: FloatArray
    low: FloatArray
    high: FloatArray
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How a layer and a soil test go together at the `n` sample points that have both.

    `pearson` and `spearman` are coefficients from -1 to 1, None where there are too few points or
    one of the two does not vary. `same_cell` counts points that share a cell with an earlier one.
    """

    analyte: str
    n: int
    pearson: float | None
    spearman: float | None
    same_cell: int = 0


@array_value
class LayerReading:
    """A layer and what it reads in every zone, arrays (zones,), NaN for a zone without a value.

    `mean` is weighted by area, `low` and `high` are the least and greatest cell; `covered` is the
    share of the zone that has a value. For a layer of classes (`codes` not empty) mean, low and
    high are NaN and `shares` (classes, zones) are shares of the covered part. `for_yield` tells
    that the layer shares the yield goal out.
    """

    layer: LayerGrid
    mean: FloatArray
    low: FloatArray
    high: FloatArray
    covered: FloatArray
    codes: tuple[float, ...] = ()
    shares: FloatArray
    agreements: tuple[Agreement, ...] = ()
    for_yield: bool = False

    @property
    def decimals(self) -> int:
        """Decimals that show the spread over the field in three figures."""
        low, high = (float(v) for v in (np.nanmin(self.layer.values), np.nanmax(self.layer.values)))
        spread = high - low or abs(high)
        return 0 if not spread else min(max(2 - math.floor(math.log10(spread)), 0), 6)
