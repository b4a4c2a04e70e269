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
