"""A variogram in plain sentences, for people who never saw one."""

from __future__ import annotations

import math

from vrx.model import Variogram
from vrx.surfaces.reml import VariogramFit
from vrx.surfaces.structure import StructureTest, TrendTest
from vrx.units import FT_M

WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
METHODS = {
    "REML": "by restricted maximum likelihood", "ML": "by maximum likelihood",
    "WLS": "by weighted least squares on the points", "stated": "as the plan states it",
}


def _two_figures(value: float) -> str:
    if not value > 0.0:
        return "0"
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return f"{round(value / unit) * unit:,.10g}"


def _length(metres: float) -> str:
    """A length on the ground, feet first."""
    return f"{_two_figures(metres / FT_M)} ft ({_two_figures(metres)} m)"


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def _wind(degrees: float) -> str:
    return WINDS[round(degrees / 45.0) % 8]


def structure_words(test: StructureTest) -> str:
    """What the test of structure says."""
    in_hundred = 100.0 * test.p_value
    chance = "fewer than 1 in 100" if in_hundred < 1.0 else f"about {in_hundred:.0f} in 100"
    exchanges = (
        f"of {test.shuffles} random exchanges of the values among the places, {chance} make near "
        f"samples as much alike; {100.0 * test.limit:.0f} in 100 is the limit"
    )
    if test.shown:
        return f"Structure is shown: {exchanges}."
    return (
        f"Structure is not shown: {exchanges}. One rate for the field loses nothing that is known."
    )


def reach_words(variogram: Variogram, *, unit: str, seen_m: float | None = None) -> str:
    """How far samples tell of each other, and how much is noise at one spot."""
    total = variogram.nugget + variogram.partial_sill
    share = variogram.nugget / total if total > 0.0 else 1.0
    if share >= 0.999:
        return (
            "Samples tell nothing of each other: all of the variance is there between neighbours "
            "already (pure nugget)."
        )
    reach = variogram.practical_range_m
    spread = _two_figures(math.sqrt(variogram.nugget))
    noise = f"noise at one spot (nugget), about ± {spread} {unit}"
    if seen_m is not None and reach > 2.0 * seen_m:
        return (
            "Samples grow less alike over the whole distance seen, without an end to it: a pattern "
            f"as wide as the field, and {noise}."
        )
    if variogram.anisotropy_ratio > 1.05:
        along, across = variogram.anisotropy_deg, variogram.anisotropy_deg + 90.0
        text = (
            f"Samples closer than about {_length(reach)} tell of each other along "
            f"{_wind(along)} to {_wind(along + 180.0)}, but only to "
            f"{_length(reach / variogram.anisotropy_ratio)} along {_wind(across)} to "
            f"{_wind(across + 180.0)}."
        )
    else:
        text = f"Samples closer than about {_length(reach)} tell of each other."
    if share < 0.005:
        return f"{text} No noise at one spot is found, so the map goes through the samples."
    return (
        f"{text} {_percent(share)} of the variance is {noise}: laboratory, sampling, and change "
        "within a few feet."
    )


def trend_words(test: TrendTest, unit: str) -> str:
    """What the test of a trend says."""
    against = f"likelihood ratio {test.likelihood_ratio:.1f} against {test.limit:.2f}"
    if not test.shown:
        return f"No straight trend across the field is shown ({against})."
    rise = test.slope_per_100m * 1000.0 * FT_M / 100.0
    return (
        f"A straight trend across the field is shown ({against}): values rise by about "
        f"{_two_figures(rise)} {unit} per 1,000 ft towards the {_wind(test.direction_deg)}."
    )


def describe(
    *,
    fit: VariogramFit,
    n: int,
    unit: str,
    structure: StructureTest | None = None,
    trend: TrendTest | None = None,
    seen_m: float | None = None,
) -> tuple[str, ...]:
    """A fitted or stated variogram of n samples in plain sentences, the plainest first.

    `unit` is that of the values; `seen_m` the longest distance of the experimental variogram, so
    that a range far beyond it is told as a trend.
    """
    words = [] if structure is None else [structure_words(structure)]
    words.append(reach_words(fit.variogram, unit=unit, seen_m=seen_m))
    if trend is not None:
        words.append(trend_words(trend, unit))
    one = fit.variogram
    direction = ""
    if one.anisotropy_ratio > 1.0:
        across = one.range_m / one.anisotropy_ratio
        direction = f" along {one.anisotropy_deg:.0f}° and {across:.4g} m across"
    words.append(
        f"Model: {one.model}, nugget {one.nugget:.4g}, partial sill {one.partial_sill:.4g} "
        f"({unit})², length scale {one.range_m:.4g} m{direction}; "
        f"{METHODS.get(fit.method, fit.method)}, {n} samples."
    )
    raised = math.sqrt(fit.variance_factor) - 1.0
    if raised >= 0.005:
        words.append(
            f"Standard errors are {_percent(raised)} larger than the model alone gives, because "
            "it is estimated from these samples too."
        )
    return tuple(words)
