"""What stands beside a need: its bounds by the soil test's error, cell by cell, by other guides."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from vrx.model.arrays import FloatArray, array_value
from vrx.model.field import Grid


@array_value
class Threshold:
    """A level at which a rule turns: `level` (zones,) on the laboratory's scale.

    `below` (zones,) is the probability that the zone's true soil test lies under it.
    """

    words: str
    level: FloatArray
    below: FloatArray


@array_value
class NeedBounds:
    """How far a need moves with the error of its zone's soil test (arrays (zones,), lb/ac).

    The zone's true soil test is taken as normal about its mean with its standard error. `low` and
    `high` are the least and greatest need for soil tests within `times` standard errors either way
    (`level` of the normal distribution), `soil_low` and `soil_high` those soil tests. `refused`
    says why there are none ("" if there are): then the arrays are empty. `no_rate` says why `low`
    and `high` alone are not known (NaN).
    """

    nutrient: str
    analyte: str
    unit: str
    level: float
    times: float
    low: FloatArray
    high: FloatArray
    soil_low: FloatArray
    soil_high: FloatArray
    thresholds: tuple[Threshold, ...] = ()
    refused: str = ""
    no_rate: str = ""


@array_value
class NeedCells:
    """A rule run in every cell of the map, beside the rule run on the mean of each zone.

    `values` (rows, columns) on `grid` are lb/ac, NaN outside the zones; a cell on a border holds
    the mean of its zones, by area. `cell_mean` and `zone_rule` (zones,) are the area-weighted mean
    of the cells and the need of the zone's mean. `differ_share` is from where the two are told as
    different, `used` "zone mean" or "cells". `refused` says why there are no cells, "" if there
    are.
    """

    nutrient: str
    grid: Grid
    values: FloatArray
    cell_mean: FloatArray
    zone_rule: FloatArray
    differ_share: float
    used: str
    refused: str = ""

    @property
    def name(self) -> str:
        """The layer's name with substance and unit."""
        return f"need_{self.nutrient.lower()}_lb_per_ac"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MaterialOf:
    """A material that a guide's need would buy: quantity in its unit (lb or gal), pounds, dollars.

    `usd` is None where it has no price.
    """

    material: str
    unit: str
    quantity: float
    lb: float
    usd: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GuideRate:
    """The same zones under one guide; `refused` says why it cannot read them ("" if it can).

    `need` (zones,) lb/ac, empty where refused. `of_plan` marks the guide of the plan itself.
    `parts` are its terms with their mean over the field by area, lb/ac; they sum to the mean need.
    `ways` are its ways in words by heading (`vrx.rules.HEADINGS`), `why` says where they are others
    than those of the plan's guide. `order` and `usd` are of the whole season with this guide's need
    in the place of the plan's; `order_refused` says why there is none. `evidence` are the labels of
    its lines, `notes` what the guide warns of on these zones.
    """

    book: str
    name: str
    of_plan: bool
    ways: Mapping[str, str]
    why: tuple[str, ...]
    need: tuple[float, ...] = ()
    total_lb: float = math.nan
    parts: tuple[tuple[str, float], ...] = ()
    order: tuple[MaterialOf, ...] = ()
    usd: float | None = None
    evidence: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    refused: str = ""
    refused_code: str = ""
    todo: str = ""
    order_refused: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Several guides for one nutrient on the same zones, the plan's own first where it has one.

    `spread` (zones,) is the greatest need of the guides that read the zones less the least.
    `followed` is whether a pass of the plan follows this need, so that the order can change.
    """

    nutrient: str
    guides: tuple[GuideRate, ...]
    spread: tuple[float, ...]
    followed: bool = True

    @property
    def read(self) -> tuple[GuideRate, ...]:
        """Guides that read the zones."""
        return tuple(one for one in self.guides if not one.refused)

    @property
    def total_span_lb(self) -> tuple[float, float]:
        """Least and greatest field total, NaN where no guide reads the zones."""
        totals = [one.total_lb for one in self.read]
        return (min(totals), max(totals)) if totals else (math.nan, math.nan)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NeedBeside:
    """All that stands beside the needs of a run, by nutrient."""

    bounds: Mapping[str, NeedBounds] = field(default_factory=lambda: MappingProxyType({}))
    cells: Mapping[str, NeedCells] = field(default_factory=lambda: MappingProxyType({}))
    comparisons: tuple[Comparison, ...] = ()


NOTHING_BESIDE = NeedBeside()
