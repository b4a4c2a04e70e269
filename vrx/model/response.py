"""What hay yields at a rate of a nutrient, as a function with its source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """Tons of hay per acre against lb/ac of a nutrient ("K2O" or "S").

    `form` names the equation (see `vrx.trials.response`), `terms` its coefficients. `least` and
    `most` are the lowest and highest rate that were tried, lb/ac; nothing is said beyond them.
    `source` says where the function comes from, `evidence` how well that is known.
    """

    nutrient: str
    form: str
    terms: Mapping[str, float]
    least: float
    most: float
    source: str
    evidence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BestRate:
    """The rate that pays most by a response, lb/ac, and what it gains over no nutrient.

    `edge` is "" where the rate lies within what was tried, else "least" or "most": the best of the
    function lies there or beyond, where nothing was tried.
    """

    rate_lb_per_ac: float
    gain_tons_per_ac: float
    edge: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseZone:
    """One zone: lb/ac that the plan brings, the rate that pays most, tons/ac at the plan's rate.

    `tons_short` is what the function gives at the rate that pays most less what it gives at the
    plan's rate; below 0 where the plan's rate yields more than pays. `usd_per_ac_apart` is what the
    plan earns less.
    """

    zone_id: int
    letter: str
    brought_lb_per_ac: float
    best_lb_per_ac: float
    tons_per_ac: float
    tons_short: float
    usd_per_ac_apart: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseSaid:
    """What a yield function says beside the plan. `response` is None where a trial shows nothing.

    `usd_per_lb` is the price of a lb of the nutrient, `price_words` where it comes from;
    `usd_per_ton` is hay's at the function's moisture. `best` and `least_sensible` (lb/ac) are None
    without a response. `curve` holds (lb/ac, tons/ac) pairs over what was tried, for drawing.
    """

    nutrient: str
    response: Response | None
    why: str
    equation: str
    usd_per_lb: float
    price_words: str
    usd_per_ton: float
    moisture_pct: float
    trip_usd_per_ac: float
    best: BestRate | None
    least_sensible: float | None
    curve: tuple[tuple[float, float], ...]
    zones: tuple[ResponseZone, ...]
