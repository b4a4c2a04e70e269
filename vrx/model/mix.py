"""Which materials a jointly planned season carries, why, and what the choice costs."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class MixChoice:
    """One planned pass: what it could carry and what it does.

    `material` is "" for a pass that is left out. `k2o_lb` and `s_lb` (S that serves this season)
    are pounds over the field before rounding to machine steps, `usd` the product's money, None
    where a price is missing.
    """

    pass_id: str
    number: int
    timing: str
    candidates: tuple[str, ...]
    material: str
    k2o_lb: float
    s_lb: float
    usd: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MixLimit:
    """A limit that holds the plan back, with the zones where it does.

    `usd_per_unit` is what one more unit of room would save on the whole field while the choice of
    materials stays (a marginal price, about right for small changes); None without prices.
    """

    words: str
    key: str
    unit: str
    zones: tuple[str, ...]
    usd_per_unit: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MixShort:
    """A need that the plan does not meet: pounds short over the field, and where (lb/ac)."""

    nutrient: str
    lb: float
    zones: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MixRival:
    """The next best plan, which does without at least one material of the plan taken."""

    without: tuple[str, ...]
    materials: tuple[str, ...]
    more: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonMix:
    """The joint plan of a season before rounding to machine steps.

    `aim` is "least cost", "fewest passes" or "least deviation". `usd_product` and `usd_passes` are
    the money of all products and of the planned passes, None where prices are missing. `gap` is the
    share by which the aim may still be above the best possible (0 where the optimum is proved), and
    `steps_inside` says whether machine steps were part of the search. `must_give` are the smallest
    sets of limits of which one would have to give way to meet the needs as far as these materials
    can. `loads` are (material, whole loads, units in a load, units left over).
    """

    aim: str
    choices: tuple[MixChoice, ...]
    usd_product: float | None
    usd_passes: float | None
    passes_used: int
    limits: tuple[MixLimit, ...]
    shortfalls: tuple[MixShort, ...]
    must_give: tuple[tuple[str, ...], ...]
    rival: MixRival | None
    gap: float
    steps_inside: bool
    loads: tuple[tuple[str, int, float, float], ...] = ()
