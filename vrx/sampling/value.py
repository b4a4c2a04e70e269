"""Where the next samples would pay most: the fall in expected misapplied product.

A cell's true soil test T is normal about the map with the kriging variance s2. The rate put on is
the rule's rate at the map's value M. Before the next samples are taken, the map that they will lead
to is itself uncertain: M is normal about today's value with variance s2 - v, and T about M with
variance v, the kriging variance that is left. v depends on places only, never on readings, so the
expected misapplied amount after any set of samples is known before one of them is taken.

With a rate that only falls (or only rises) with the soil test, the misapplied amount |r(T) - r(M)|
is the sum of the rate's steps that lie between T and M, and the chance that a step at u does has a
closed form: with h = (u - mean) / s and q = v / s2,

    P(T and M on two sides of u) = 2 * T_Owen(h, sqrt(q / (1 - q)))

from Owen's expression of the bivariate normal integral with correlation sqrt(1 - q). So the sum is
exact but for the width of the intervals in which the rate is read off (1/40 of s). Where a rate
rises and falls, the sum is an upper bound.

Sources: Owen, Tables for computing bivariate normal probabilities, Annals of Mathematical
Statistics 27 (1956) 1075-1090; preposterior analysis: Raiffa and Schlaifer, Applied Statistical
Decision Theory (1961) (both from memory). The variogram is taken as known.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import ndtr, owens_t

from vrx.errors import ComputeError
from vrx.model import FloatArray, array_value

RateFunction = Callable[[FloatArray], FloatArray]
"""Soil tests (cells, k) → lb/ac (cells, k); row i is cell i."""

REACH = 5.0
STEPS = 400
NODES = 65
"""Nodes in asin(sqrt(q)), in which a step at the mean is a straight line."""
SLIGHT = 1e-12


@array_value
class Ranking:
    """Candidates in the order in which they pay.

    `chosen` (k,) indexes the candidates. `loss_before` and `loss_after` (k,) are expected
    misapplied amounts over the field (lb, or USD where losses were priced), after each sample in
    turn; `gain` (k,) their falls. `first_gain` (candidates,) is what each would bring alone.
    `variance_after` (cells,). `monotone`: the rate only falls or only rises in every cell, so that
    the figures are exact and not upper bounds.
    """

    chosen: tuple[int, ...]
    loss_before: float
    loss_after: FloatArray
    gain: FloatArray
    first_gain: FloatArray
    variance_after: FloatArray
    monotone: bool


def disagreement(
    standardised: FloatArray, left: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Chances that a limit u lies between the truth T and the map M that is still to be made.

    standardised = (u - mean) / s; left = q, share of the variance that is left, 0 to 1; both
    broadcast. Gives (P(M < u < T), P(T < u < M)), whose sum is 2 * Owen's T.
    """
    h, q = np.broadcast_arrays(standardised, left)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.sqrt(q / (1.0 - q))
        of_map = ndtr(h / np.sqrt(1.0 - q))
    certain = q >= 1.0
    slope = np.where(certain, np.inf, slope)
    # Without any sample to come, M is today's value: above or below the limit for certain.
    of_map = np.where(certain, np.where(h > 0, 1.0, np.where(h < 0, 0.0, 0.5)), of_map)
    half = 0.5 * (of_map - ndtr(h))
    owen = owens_t(h, slope)
    return np.maximum(half + owen, 0.0), np.maximum(owen - half, 0.0)


def _loss_table(
    mean: FloatArray, deviation: FloatArray, rates: RateFunction, over: float, short: float
) -> tuple[FloatArray, bool]:
    """Expected loss per acre of each cell at each node of asin(sqrt(q)), and whether it is exact.

    over and short: what a pound too much and a pound too little cost (1 and 1: pounds).
    """
    edges = np.linspace(-REACH, REACH, STEPS + 1)
    tests = np.maximum(mean[:, None] + deviation[:, None] * edges, 0.0)
    rate = np.asarray(rates(tests), dtype=np.float64)
    if rate.shape != tests.shape or not np.isfinite(rate).all():
        raise ComputeError(
            "the rate function does not give one finite rate for every soil test",
            code="sampling-rate", hint="give a function from an array to an array of its shape",
        )
    steps = np.diff(rate, axis=1)
    fall, rise = np.maximum(-steps, 0.0), np.maximum(steps, 0.0)
    monotone = not bool(((fall > SLIGHT).any(axis=1) & (rise > SLIGHT).any(axis=1)).any())
    q = np.sin(np.linspace(0.0, np.pi / 2, NODES)) ** 2
    middle = 0.5 * (edges[1:] + edges[:-1])
    map_below, truth_below = disagreement(middle[:, None], q[None, :])
    # Where the rate falls with the test, a map below the limit and a truth above it is too much.
    table = fall @ (over * map_below + short * truth_below)
    if rise.any():
        table += rise @ (over * truth_below + short * map_below)
    return table, monotone


def _read_off(table: FloatArray, q: FloatArray) -> FloatArray:
    """Loss per acre at shares q (..., cells) of the variance."""
    at = np.arcsin(np.sqrt(np.clip(q, 0.0, 1.0))) * ((NODES - 1) / (np.pi / 2))
    below = np.minimum(at.astype(np.int64), NODES - 2)
    part = at - below
    cell = np.arange(table.shape[0])
    flat = table.ravel()
    index = cell * NODES + below
    return np.asarray(flat[index] * (1.0 - part) + flat[index + 1] * part)


def expected_misapplied(
    *, mean: FloatArray, variance: FloatArray, left: FloatArray, rates: RateFunction,
    usd_per_lb_over: float = 1.0, usd_per_lb_short: float = 1.0,
) -> FloatArray:
    """E|r(T) - r(M)| of each cell, lb/ac (or USD/ac), once the variance has fallen to `left`.

    mean, variance, left (cells,), 0 <= left <= variance. `left` = `variance`: as things stand.
    """
    table, _ = _loss_table(mean, np.sqrt(variance), rates, usd_per_lb_over, usd_per_lb_short)
    share = np.divide(left, variance, out=np.zeros_like(variance), where=variance > 0)
    return _read_off(table, share)


def _checked(
    mean: FloatArray, variance: FloatArray, cross: FloatArray, between: FloatArray,
    acres: FloatArray,
) -> None:
    cells, candidates = len(mean), len(between)
    fits = (
        variance.shape == (cells,) and acres.shape == (cells,)
        and cross.shape == (candidates, cells) and between.shape == (candidates, candidates)
    )
    finite = all(np.isfinite(one).all() for one in (mean, variance, cross, between, acres))
    if not fits or not finite or cells == 0 or candidates == 0 or (variance < 0).any():
        raise ComputeError(
            f"{candidates} candidates and {cells} cells with covariances {cross.shape} and "
            f"{between.shape} cannot be ranked", code="sampling-shapes",
            hint="give finite arrays that fit each other, at least one candidate and one cell",
        )


def rank_samples(
    *, mean: FloatArray, variance: FloatArray, cross: FloatArray, between: FloatArray,
    noise: float, acres: FloatArray, rates: RateFunction, count: int,
    usd_per_lb_over: float = 1.0, usd_per_lb_short: float = 1.0, least_gain: float = 0.0,
) -> Ranking:
    """Pick up to `count` candidates, one after another, each the one that pays most then.

    mean, variance, acres (cells,): the map, its kriging variance and the acres of each cell.
    cross (candidates, cells), between (candidates, candidates): kriging covariances of the true
    soil test given today's samples. noise: variance of a new reading about the truth (the nugget).
    After each pick every covariance falls by its rank-one update, as if the sample were in. Stops
    early where no candidate brings more than `least_gain` (lb or USD over the field). Greedy picks
    need not be the best set, only near it. Raises `ComputeError`.
    """
    _checked(mean, variance, cross, between, acres)
    table, monotone = _loss_table(
        mean, np.sqrt(variance), rates, usd_per_lb_over, usd_per_lb_short
    )
    known = np.divide(1.0, variance, out=np.zeros_like(variance), where=variance > 0)
    cross, between, left = cross.copy(), between.copy(), variance.copy()
    weighted = table * acres[:, None]
    before = now = float(_read_off(weighted, left * known).sum())
    slight = 1e-9 * max(float(variance.max()), 1e-300)
    chosen: list[int] = []
    after: list[float] = []
    first: FloatArray = np.zeros(len(between))
    while len(chosen) < min(count, len(between)):
        own = np.diagonal(between) + noise
        fall = np.divide(1.0, own, out=np.zeros_like(own), where=own > slight)
        loss = _losses(weighted, left, known, cross, fall)
        if not chosen:
            first = now - loss
        best = int(np.argmin(np.where(fall > 0, loss, np.inf)))
        if now - loss[best] <= max(least_gain, 1e-9 * max(before, 1e-300)):
            break
        left = np.clip(left - fall[best] * cross[best] ** 2, 0.0, None)
        column = between[:, best].copy()
        cross -= np.outer(column * fall[best], cross[best])
        between -= np.outer(column * fall[best], column)
        now = float(_read_off(weighted, left * known).sum())
        chosen.append(best)
        after.append(now)
    falls = -np.diff(np.array([before, *after]))
    return Ranking(
        chosen=tuple(chosen), loss_before=before, loss_after=np.array(after, dtype=np.float64),
        gain=falls, first_gain=first, variance_after=left, monotone=monotone,
    )


def _losses(
    weighted: FloatArray, left: FloatArray, known: FloatArray, cross: FloatArray, fall: FloatArray
) -> FloatArray:
    """Loss over the field if each candidate were sampled next, in chunks of candidates."""
    found = np.empty(len(cross))
    chunk = max(1, 400_000 // max(len(left), 1))
    for start in range(0, len(cross), chunk):
        part = slice(start, start + chunk)
        q = (left - fall[part, None] * cross[part] ** 2) * known
        found[part] = _read_off(weighted, q).sum(axis=-1)
    return found
