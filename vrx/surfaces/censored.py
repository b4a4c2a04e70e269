"""Results below or above a laboratory's limit, as bounds and not as numbers.

Data augmentation: given a covariance model and the measured samples, the censored ones are jointly
normal, each cut to its bounds. A Gibbs sampler draws them; their mean completes the samples, and
their covariance adds to the variance of every map made from them (multiple imputation: variance
within + variance between). The model's own parameters come from stochastic EM: draw, fit the
completed samples, draw again; the parameters are averaged over the later rounds. Below a limit a
value lies between 0 and the limit. Sources: Geman and Geman 1984 (Gibbs sampling); Celeux and
Diebolt 1985 (stochastic EM); Rubin, Multiple Imputation (1987); De Oliveira, Journal of
Computational and Graphical Statistics 14 (2005) 95-115, for censored spatial data (all from
memory).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import lapack
from scipy.spatial.distance import cdist
from scipy.special import log_ndtr, ndtri_exp

from vrx.model import FloatArray, IntArray, Variogram
from vrx.surfaces.covariance import correlate, stretched
from vrx.surfaces.kriging import (
    CHUNK_CELLS,
    SAME_PLACE_M,
    KrigingSystem,
    kriging_system,
)
from vrx.surfaces.reml import VariogramFit

CHAINS = 64
WARM_SWEEPS = 30
KEPT_SWEEPS = 50
ROUND_SWEEPS = 6
WARM_ROUNDS = 4
KEPT_ROUNDS = 8
MANY = 150
LEAST_MEASURED = 3
MOST_SHARE = 0.30
"""Share of censored samples beyond which the map is a bound rather than an estimate (own rule)."""

Fit = Callable[[FloatArray], VariogramFit]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bounds:
    """Which samples (c,) are censored, and the least and greatest value each can have."""

    index: IntArray
    low: FloatArray
    high: FloatArray

    def __len__(self) -> int:
        return len(self.index)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Imputed:
    """Censored samples as known from the others and their bounds.

    `values` (n,) with the censored ones at their mean, `spread` (c, c) their covariance, `error`
    (c,) the Monte-Carlo standard error of those means.
    """

    bounds: Bounds
    values: FloatArray
    spread: FloatArray
    error: FloatArray


def bounds_of(
    values: FloatArray, censored: IntArray, places: FloatArray
) -> Bounds | None:
    """Bounds from values as intake keeps them: half the limit below one, the limit above one.

    values (n,), censored (n,) -1, 0 or 1, places (n, 2). None where nothing is censored, or where
    fewer than 3 samples are measured (then no distribution can be told). In an order that neither
    rows nor the map's frame decide, so that the draws do not depend on them either.
    """
    index = np.flatnonzero(censored)
    if len(index) == 0 or len(values) - len(index) < LEAST_MEASURED:
        return None
    away = np.hypot(*(places - places.mean(axis=0)).T)
    away = np.round(away[index] / (away.max() or 1.0), 9)
    index = index[np.lexsort((away, values[index], censored[index]))]
    below = censored[index] < 0
    own = values[index]
    return Bounds(
        index=index, low=np.where(below, 0.0, own), high=np.where(below, 2.0 * own, np.inf)
    )


def seed_of(values: FloatArray) -> int:
    """A seed given by the values alone, whatever their order, place and unit."""
    size = float(np.abs(values).max()) or 1.0
    text = ",".join(f"{value:.6e}" for value in np.sort(values / size))
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest(), "little")


def _cut(low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log of the normal probability below `low` and below `high`, and of that between."""
    below, above = log_ndtr(low), log_ndtr(high)
    return below, above, above + np.log1p(-np.exp(np.minimum(below - above, -1e-300)))


def _flipped(
    mean: FloatArray, deviation: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Standardised bounds, turned over where they lie above the mean: tails keep their digits."""
    a, b = (low - mean) / deviation, (high - mean) / deviation
    sign = np.where(a + b > 0.0, -1.0, 1.0)
    return np.where(sign < 0, -b, a), np.where(sign < 0, -a, b), sign


def truncated_mean(
    *, mean: FloatArray, deviation: FloatArray, low: FloatArray, high: FloatArray
) -> FloatArray:
    """Mean of a normal variate cut to `low`...`high`, any shapes that fit together."""
    a, b, sign = _flipped(mean, deviation, low, high)
    _, _, between = _cut(a, b)
    root = 0.5 * np.log(2.0 * np.pi)
    at_a, at_b = np.exp(-0.5 * a * a - root - between), np.exp(-0.5 * b * b - root - between)
    # Narrow bounds far out: where rounding has eaten the difference, the middle is as good.
    found = np.where(np.isfinite(at_a - at_b), at_a - at_b, 0.5 * (a + b))
    return np.asarray(mean + deviation * sign * np.clip(found, a, b))


def truncated_draw(
    *, mean: FloatArray, deviation: FloatArray, low: FloatArray, high: FloatArray,
    uniform: FloatArray,
) -> FloatArray:
    """Draws of a normal variate cut to `low`...`high` from `uniform` numbers in (0, 1)."""
    a, b, sign = _flipped(mean, deviation, low, high)
    below, above, _ = _cut(a, b)
    ratio = np.exp(below - above)
    found = ndtri_exp(above + np.log(ratio + uniform * (1.0 - ratio)))
    return np.asarray(mean + deviation * sign * np.clip(found, a, b))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Conditional:
    """The censored samples given the measured: precision (c, c), mean (c,), before the bounds."""

    precision: FloatArray
    mean: FloatArray


def _conditional(system: KrigingSystem, values: FloatArray, index: IntArray) -> _Conditional:
    inverse, _ = lapack.dtrtri(system.lower, lower=1)
    trend = system.duals[1:]
    q = inverse.T @ inverse[:, index] - trend.T @ trend[:, index]
    precision = q[index]
    known = values - system.level
    known[index] = 0.0
    return _Conditional(
        precision=precision, mean=system.level - np.linalg.solve(precision, q.T @ known)
    )


def _sweep(
    state: FloatArray, known: _Conditional, bounds: Bounds, rng: np.random.Generator
) -> FloatArray:
    """One Gibbs sweep over `state` (chains, c), in place; the means drawn about, cut, same shape.

    Each value in turn from its own conditional, all chains at once.
    """
    deviation = 1.0 / np.sqrt(np.diagonal(known.precision))
    cut_means = np.empty_like(state)
    for j in range(len(bounds)):
        about = state - known.mean
        about[:, j] = 0.0
        centre = known.mean[j] - (about @ known.precision[j]) * deviation[j] ** 2
        cut = {"mean": centre, "deviation": deviation[j], "low": bounds.low[j],
               "high": bounds.high[j]}
        cut_means[:, j] = truncated_mean(**cut)
        uniform = rng.uniform(1e-12, 1.0 - 1e-12, len(state))
        state[:, j] = truncated_draw(**cut, uniform=uniform)
    return cut_means


def _start(values: FloatArray, bounds: Bounds, chains: int) -> FloatArray:
    inside = np.clip(values[bounds.index], bounds.low, bounds.high)
    return np.tile(inside, (chains, 1))


def impute(*, system: KrigingSystem, values: FloatArray, bounds: Bounds, seed: int) -> Imputed:
    """Means and covariance of the censored samples under `system`'s covariance and drift.

    values (n,): those of censored samples only start the sampler. 64 chains, 30 sweeps to forget
    the start, 50 kept; means from the conditional means (Rao-Blackwell), so that one bound alone
    has its mean without noise.
    """
    known = _conditional(system, values, bounds.index)
    rng = np.random.default_rng(seed)
    state = _start(values, bounds, CHAINS)
    for _ in range(WARM_SWEEPS):
        _sweep(state, known, bounds, rng)
    means = np.zeros_like(state)
    kept = np.empty((KEPT_SWEEPS, *state.shape))
    for k in range(KEPT_SWEEPS):
        means += _sweep(state, known, bounds, rng)
        kept[k] = state
    means /= KEPT_SWEEPS
    draws = kept.reshape(-1, len(bounds))
    about = draws - draws.mean(axis=0)
    completed = values.copy()
    completed[bounds.index] = means.mean(axis=0)
    return Imputed(
        bounds=bounds, values=completed, spread=about.T @ about / len(about),
        error=means.std(axis=0, ddof=1) / np.sqrt(CHAINS),
    )


def fit_with_bounds(
    *, places: FloatArray, values: FloatArray, bounds: Bounds, fit: Fit, seed: int,
    drift: FloatArray | None = None,
) -> VariogramFit:
    """A variogram by stochastic EM: 4 rounds to forget the start, 8 averaged; above 150 samples 2
    and 4, because each draws fewer doubts.

    `fit` fits completed values (n,). Averaged are the logarithms of sill and range, the nugget's
    share and the likelihood ratio, over the rounds with the model of the last.
    """
    warm, kept = (WARM_ROUNDS, KEPT_ROUNDS) if len(values) <= MANY else (2, 4)
    rng = np.random.default_rng(seed)
    current = values.copy()
    found: list[VariogramFit] = []
    for _ in range(warm + kept):
        fitted = fit(current)
        found.append(fitted)
        system = kriging_system(
            places=places, values=current, variogram=fitted.variogram, drift=drift
        )
        known = _conditional(system, current, bounds.index)
        # It starts where the last round ended, so a few sweeps forget enough.
        state = _start(current, bounds, 1)
        for _ in range(ROUND_SWEEPS):
            _sweep(state, known, bounds, rng)
        current = current.copy()
        current[bounds.index] = state[0]
    return _average([one for one in found[warm:]
                     if one.variogram.model == found[-1].variogram.model])


def _average(found: list[VariogramFit]) -> VariogramFit:
    models = [one.variogram for one in found]
    sill = float(np.exp(np.mean([np.log(v.nugget + v.partial_sill) for v in models])))
    share = float(np.mean([v.nugget / (v.nugget + v.partial_sill) for v in models]))
    range_m = float(np.exp(np.mean([np.log(v.range_m) for v in models])))
    last = found[-1]
    return replace(
        last,
        variogram=replace(
            last.variogram, nugget=share * sill, partial_sill=(1.0 - share) * sill,
            range_m=range_m,
        ),
        likelihood_ratio=float(np.mean([one.likelihood_ratio for one in found])),
    )


def pure_nugget(values: FloatArray) -> VariogramFit:
    """No structure at all: what is fitted where the samples carry no variogram."""
    return VariogramFit(
        variogram=Variogram(
            model="exponential", nugget=float(values.var(ddof=1)), partial_sill=0.0, range_m=1.0
        ),
        likelihood_ratio=0.0, at_bound=False,
    )


def between_variance(
    *, system: KrigingSystem, imputed: Imputed, targets: FloatArray,
    drift: FloatArray | None = None,
) -> FloatArray:
    """Variance of the kriged values that comes from not knowing the censored samples; (m,).

    w' S w with w (c,) the kriging weights of the censored samples at a target (m, 2) and S their
    covariance.
    """
    index = imputed.bounds.index
    inverse, _ = lapack.dtrtri(system.lower, lower=1)
    trend = system.duals[1:]
    q = inverse.T @ inverse[:, index] - trend.T @ trend[:, index]
    basis = system.frame.basis(drift, len(targets), "targets")
    variogram = system.variogram
    at = stretched(variogram=variogram, places=targets, origin=system.origin)
    found = np.empty(len(at))
    for start in range(0, len(at), CHUNK_CELLS):
        part = slice(start, start + CHUNK_CELLS)
        distance = cdist(at[part], system.places)
        same = distance <= SAME_PLACE_M
        to_sample = correlate(
            model=variogram.model, distance_m=distance, range_m=variogram.range_m
        )
        to_sample *= variogram.partial_sill
        to_sample[same] += variogram.nugget
        weight = to_sample @ q + basis[part] @ system.trend_root @ trend[:, index]
        found[part] = np.einsum("ij,jk,ik->i", weight, imputed.spread, weight)
    return np.maximum(found, 0.0)
