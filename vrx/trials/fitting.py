"""A response function from a trial's plots, and whether the trial shows a response at all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.stats import f as f_distribution

from vrx.errors import ComputeError
from vrx.model import FloatArray, Response
from vrx.trials.response import FORMS, check_response

LEVEL = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A least-squares fit: `response` is None where it says nothing, with `why` in words.

    `sse` is the residual sum of squares, `terms` the coefficients found, `f` and `p` test the
    curve against the plain mean (F with the form's terms - 1 and n - terms degrees of freedom; for
    plateaus and Mitscherlich, whose bend is found too, only about true).
    """

    response: Response | None
    form: str
    terms: MappingProxyType[str, float]
    sse: float
    plots: int
    f: float
    p: float
    why: str


def fit_response(
    rate_lb_per_ac: FloatArray, tons_per_ac: FloatArray, *, form: str, nutrient: str, source: str,
    where: str = "trial",
) -> Fit:
    """Fit `form` by least squares to plots (n,) of one trial.

    No response comes back where the trial shows none (p above 0.05), where the curve bends
    upwards, or where its plateau lies beyond the rates tried: a fitter must not invent a response.
    `ComputeError` for an unknown form, fewer plots than terms + 1, or fewer rates than terms.
    """
    if form not in FORMS:
        raise ComputeError(f"no form {form!r}", code="response-form", where=where,
                           hint=f"the forms are {', '.join(FORMS)}")
    x, y = _plots(rate_lb_per_ac, tons_per_ac, form=form, where=where)
    terms, sse = _SOLVE[form](x, y)
    total = float(((y - y.mean()) ** 2).sum())
    k = len(FORMS[form])
    free = x.size - k
    f = _ratio((total - sse) / (k - 1), sse / free)
    p = float(f_distribution.sf(f, k - 1, free))
    found = Response(nutrient=nutrient, form=form, terms=MappingProxyType(terms),
                     least=float(x.min()), most=float(x.max()), source=source, evidence="computed")
    why = _says_nothing(found, p=p, where=where)
    return Fit(response=None if why else found, form=form, terms=MappingProxyType(terms), sse=sse,
               plots=int(x.size), f=f, p=p, why=why)


def _ratio(explained: float, noise: float) -> float:
    if noise > 0:
        return max(explained, 0.0) / noise
    return float("inf") if explained > 0 else 0.0


def _plots(
    rate: FloatArray, tons: FloatArray, *, form: str, where: str
) -> tuple[FloatArray, FloatArray]:
    x, y = np.asarray(rate, dtype=np.float64), np.asarray(tons, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1:
        raise ComputeError(f"{x.shape} rates for {y.shape} yields", code="response-shape",
                           where=where, hint="one rate and one yield per plot")
    bad = ~np.isfinite(x) | ~np.isfinite(y) | (x < 0) | (y < 0)
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        raise ComputeError(f"plot {at + 1}: rate {x[at]:g}, yield {y[at]:g}",
                           code="response-plot", where=where,
                           hint="rates and yields are numbers of 0 or more; leave lost plots out")
    k = len(FORMS[form])
    if np.unique(x).size < k or x.size < k + 1:
        raise ComputeError(
            f"{x.size} plots of {np.unique(x).size} rates", code="response-few", where=where,
            hint=f"{form} needs {k} rates and {k + 1} plots, check plots without the nutrient "
                 "among them")
    return x, y


def _says_nothing(response: Response, *, p: float, where: str) -> str:
    if p > LEVEL:
        return f"the trial shows no response: p = {p:.2g}, more than {LEVEL:g}"
    try:
        check_response(response, where=where)
    except ComputeError as error:
        return error.message
    terms = response.terms
    joins = {"linear-plateau": terms.get("join", 0.0),
             "quadratic-plateau": -terms["b"] / (2 * terms["c"]) if "c" in terms else 0.0}
    join = joins.get(response.form, 0.0)
    if join >= response.most:
        return (f"no plateau within the rates tried: it would begin at {join:.0f} lb/ac, the "
                f"highest rate was {response.most:g}")
    return ""


def _linear(x: FloatArray, y: FloatArray, *columns: FloatArray) -> tuple[FloatArray, float]:
    design = np.column_stack([np.ones_like(x), *columns])
    found, *_ = np.linalg.lstsq(design, y, rcond=None)
    return np.asarray(found), float(((y - design @ found) ** 2).sum())


def _quadratic(x: FloatArray, y: FloatArray) -> tuple[dict[str, float], float]:
    (a, b, c), sse = _linear(x, y, x, x**2)
    return {"a": float(a), "b": float(b), "c": float(c)}, sse


def _square_root(x: FloatArray, y: FloatArray) -> tuple[dict[str, float], float]:
    (a, b, c), sse = _linear(x, y, x, np.sqrt(x))
    return {"a": float(a), "b": float(b), "c": float(c)}, sse


def _searched(
    cost: Callable[[float], float], low: float, high: float, *, steps: int = 400
) -> float:
    """Least of a cost with several dips: a grid, then the best dip to full precision."""
    marks = np.linspace(low, high, steps + 1)
    values = [cost(float(mark)) for mark in marks]
    at = int(np.argmin(values))
    found = minimize_scalar(
        cost, bounds=(float(marks[max(at - 1, 0)]), float(marks[min(at + 1, steps)])),
        method="bounded", options={"xatol": 1e-10 * (high - low)})
    return float(found.x) if found.fun < values[at] else float(marks[at])


def _linear_plateau(x: FloatArray, y: FloatArray) -> tuple[dict[str, float], float]:
    def held(join: float) -> tuple[FloatArray, float]:
        return _linear(x, y, np.minimum(x, join))

    positive = np.unique(x[x > 0])
    join = _searched(lambda one: held(one)[1], float(positive[0]) * 0.5, float(x.max()))
    (a, b), sse = held(join)
    return {"a": float(a), "b": float(b), "join": join}, sse


def _quadratic_plateau(x: FloatArray, y: FloatArray) -> tuple[dict[str, float], float]:
    # y = a + b (x - x²/2x0) up to x0: two terms are linear once the join x0 is held.
    def held(join: float) -> tuple[FloatArray, float]:
        up = np.minimum(x, join)
        return _linear(x, y, up - up**2 / (2.0 * join))

    positive = np.unique(x[x > 0])
    # Joins up to four times the highest rate, so that "no plateau within the trial" is found out.
    join = _searched(lambda one: held(one)[1], float(positive[0]) * 0.5, 4.0 * float(x.max()))
    (a, b), sse = held(join)
    return {"a": float(a), "b": float(b), "c": float(-b / (2.0 * join))}, sse


def _mitscherlich(x: FloatArray, y: FloatArray) -> tuple[dict[str, float], float]:
    def held(log_c: float) -> tuple[FloatArray, float]:
        return _linear(x, y, -np.exp(-np.exp(log_c) * x))

    top = float(x.max())
    low, high = np.log(0.01 / top), np.log(50.0 / float(np.unique(x[x > 0])[0]))
    log_c = _searched(lambda one: held(one)[1], float(low), float(high))
    (a, b), sse = held(log_c)
    return {"a": float(a), "b": float(b), "c": float(np.exp(log_c))}, sse


_SOLVE: dict[str, Callable[[FloatArray, FloatArray], tuple[dict[str, float], float]]] = {
    "quadratic": _quadratic,
    "quadratic-plateau": _quadratic_plateau,
    "linear-plateau": _linear_plateau,
    "mitscherlich": _mitscherlich,
    "square-root": _square_root,
}
