"""Yield as a function of a rate, and the rate that pays most.

Forms, x the rate in lb/ac of the nutrient, y tons/ac; all are used only where they bend downwards:

    quadratic           y = a + b x + c x²                       c < 0
    quadratic-plateau   the same up to its top, level beyond     b > 0, c < 0
    linear-plateau      y = a + b x up to the join, level beyond b > 0, join > 0
    mitscherlich        y = a - b exp(-c x)                      b > 0, c > 0
    square-root         y = a + b x + c √x                       c > 0

With r = price of a lb of nutrient / price of a ton of hay the profit y - r x is greatest at
(r - b) / 2c (quadratic and quadratic-plateau), the join where b > r (linear-plateau),
ln(b c / r) / c (mitscherlich), and (c / 2(r - b))² (square-root): marginal yield equals r. With a
fixed cost of going to the field there is also a least sensible rate, where profit per dollar is
greatest (Pesek and Heady 1958, Soil Science Society of America Proceedings 22:419).
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
from scipy.optimize import minimize_scalar

from vrx.errors import ComputeError
from vrx.model import BestRate, FloatArray, Response

FORMS: Mapping[str, tuple[str, ...]] = {
    "quadratic": ("a", "b", "c"),
    "quadratic-plateau": ("a", "b", "c"),
    "linear-plateau": ("a", "b", "join"),
    "mitscherlich": ("a", "b", "c"),
    "square-root": ("a", "b", "c"),
}
EQUATIONS: Mapping[str, str] = {
    "quadratic": "y = a + b x + c x²",
    "quadratic-plateau": "y = a + b x + c x² up to its top, level beyond",
    "linear-plateau": "y = a + b x up to the join, level beyond",
    "mitscherlich": "y = a - b exp(-c x)",
    "square-root": "y = a + b x + c √x",
}


def check_response(response: Response, *, where: str) -> None:
    """Refuse a function that cannot say which rate pays most.

    Raises `ComputeError` for an unknown form, missing, strange or endless terms, rates tried that
    are no span, and for curves that do not bend downwards.
    """
    names = FORMS.get(response.form)
    if names is None:
        raise ComputeError(f"no form {response.form!r}", code="response-form", where=where,
                           hint=f"the forms are {', '.join(FORMS)}")
    terms = response.terms
    missing = sorted(set(names) - set(terms))
    strange = sorted(set(terms) - set(names))
    if missing or strange:
        said = [f"{name} is missing" for name in missing]
        said += [f"{name} does not belong to it" for name in strange]
        raise ComputeError(f"{response.form}: {', '.join(said)}", code="response-terms",
                           where=where, hint=f"{EQUATIONS[response.form]}: give "
                           f"{', '.join(names)}")
    bad = [name for name in names if not np.isfinite(terms[name])]
    if bad:
        raise ComputeError(f"{bad[0]} is {terms[bad[0]]}", code="response-terms", where=where,
                           hint="give a number")
    if not 0 <= response.least < response.most < np.inf:
        raise ComputeError(
            f"rates tried from {response.least:g} to {response.most:g} lb/ac are no span",
            code="response-span", where=where,
            hint="give the least and the greatest rate of the trial, lb/ac of the nutrient")
    wrong = _bends_wrongly(response.form, terms)
    if wrong:
        raise ComputeError(
            f"{response.form} with {wrong} has no rate that pays most", code="response-bend",
            where=where, hint="check the signs: more nutrient must bring less and less hay per lb")


def _bends_wrongly(form: str, terms: Mapping[str, float]) -> str:
    asked: Mapping[str, tuple[tuple[str, int], ...]] = {
        "quadratic": (("c", -1),),
        "quadratic-plateau": (("b", 1), ("c", -1)),
        "linear-plateau": (("b", 1), ("join", 1)),
        "mitscherlich": (("b", 1), ("c", 1)),
        "square-root": (("c", 1),),
    }
    wrong = [f"{name} = {terms[name]:g}" for name, sign in asked[form]
             if not terms[name] * sign > 0]
    return ", ".join(wrong)


def yield_at(response: Response, rate_lb_per_ac: FloatArray | float) -> FloatArray:
    """Tons/ac at rates in lb/ac (any shape), held at the edges of what was tried."""
    x = np.clip(np.asarray(rate_lb_per_ac, dtype=np.float64), response.least, response.most)
    terms = response.terms
    a, b = terms["a"], terms["b"]
    if response.form == "linear-plateau":
        return np.asarray(a + b * np.minimum(x, terms["join"]), dtype=np.float64)
    c = terms["c"]
    if response.form == "mitscherlich":
        return np.asarray(a - b * np.exp(-c * x), dtype=np.float64)
    if response.form == "square-root":
        return np.asarray(a + b * x + c * np.sqrt(x), dtype=np.float64)
    if response.form == "quadratic-plateau":
        x = np.minimum(x, -b / (2 * c))
    return np.asarray(a + b * x + c * x**2, dtype=np.float64)


def best_rate(response: Response, *, tons_per_lb: float) -> BestRate:
    """The rate that pays most where a lb of nutrient costs `tons_per_lb` tons of hay.

    Held within the rates that were tried, with the edge named. `ComputeError` for a price ratio
    below 0.
    """
    if not 0 <= tons_per_lb < np.inf:
        raise ComputeError(f"a lb of nutrient for {tons_per_lb:g} tons of hay",
                           code="response-price", where="prices",
                           hint="both prices are 0 or more, and hay is worth something")
    free = _where_margin_is(response, tons_per_lb)
    rate = float(np.clip(free, response.least, response.most))
    edge = ""
    if free < response.least or (free == response.least and response.least > 0):
        edge = "least"
    elif free > response.most:
        edge = "most"
    base = yield_at(response, response.least)
    return BestRate(rate_lb_per_ac=rate, edge=edge,
                    gain_tons_per_ac=float(yield_at(response, rate) - base))


def _where_margin_is(response: Response, ratio: float) -> float:
    """The rate, unbounded above, at which one lb more brings `ratio` tons; 0 or more."""
    terms = response.terms
    b = terms["b"]
    if response.form == "linear-plateau":
        return terms["join"] if b > ratio else 0.0
    c = terms["c"]
    if response.form == "mitscherlich":
        if ratio == 0:
            return float("inf")
        return max(0.0, float(np.log(b * c / ratio)) / c)
    if response.form == "square-root":
        return float("inf") if b >= ratio else (c / (2.0 * (ratio - b))) ** 2
    return max(0.0, (ratio - b) / (2.0 * c))


def least_sensible_rate(
    response: Response, *, usd_per_lb: float, usd_per_ton: float, fixed_usd_per_ac: float
) -> float | None:
    """The rate with the greatest gain per dollar, going to the field included, lb/ac.

    Less than this is never worth the trip: every dollar earns less. None where nothing gains. For
    a quadratic s x + t x² with fixed cost m it is the root of s m + 2 t m x + t r x² = 0 (Pesek
    and Heady 1958). Without a fixed cost it is the least rate tried.
    """
    if fixed_usd_per_ac < 0 or usd_per_lb < 0 or usd_per_ton <= 0:
        raise ComputeError("a cost below 0, or hay worth nothing", code="response-price",
                           where="prices", hint="costs are 0 or more, the price of hay above 0")
    if fixed_usd_per_ac == 0:
        return response.least
    base = float(yield_at(response, response.least))

    def per_dollar(rate: float) -> float:
        gain = (float(yield_at(response, rate)) - base) * usd_per_ton
        return gain / (fixed_usd_per_ac + usd_per_lb * rate)

    # Concave gain over a straight cost has one top; two brackets keep a join from hiding it.
    marks = [response.least, response.most]
    if response.form == "linear-plateau":
        marks.insert(1, min(max(response.terms["join"], response.least), response.most))
    tops = []
    for low, high in pairwise(marks):
        if high <= low:
            continue
        found = minimize_scalar(lambda x: -per_dollar(x), bounds=(low, high), method="bounded",
                                options={"xatol": 1e-8 * (high - low)})
        tops += [float(found.x), high]
    best = max(tops, key=per_dollar)
    return best if per_dollar(best) > 0 else None
