"""Variograms by (restricted) maximum likelihood, and the likelihood-ratio test for structure."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from vrx.model import FloatArray, Variogram
from vrx.surfaces.covariance import check_model
from vrx.surfaces.likelihood import Likelihood, Shape, shape_of
from vrx.surfaces.variogram import diagonal_m

START_RANGES = 9
START_SHARES = (0.02, 0.25, 0.5, 0.75, 0.95)
START_RATIO = 2.0
LONGEST_RATIO = 6.0
"""Bound of each stretch, so that the ratio of ranges stays below about 12.6."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VariogramFit:
    """A fitted variogram and how much better than pure nugget it is.

    `log_likelihood` is the log density of the n - p contrasts of the data that are free of the
    trend (p columns, the constant among them), in the data's unit, all constants included; where
    `restricted` is false, that of the n values themselves. `likelihood_ratio` is 2 * (it - that of
    a pure nugget), never negative; `at_bound` says that the range stopped at the longest one
    allowed (twice the diagonal). `method` is "REML", "ML", "WLS" or "stated".
    `variance_factor`: kriging variances times this allow for the parameters being estimates.
    """

    variogram: Variogram
    likelihood_ratio: float
    at_bound: bool
    log_likelihood: float = math.nan
    method: str = "REML"
    variance_factor: float = 1.0


def variance_factor(*, n: int, columns: int = 1) -> float:
    """By how much kriging variances rise because the variogram was fitted to the same n samples.

    (n - p) / (n - p - 5), p trend `columns`: the sill from three degrees of freedom fewer (sill,
    range and nugget share are fitted), and the variance of Student's t, d / (d - 2), with the d =
    n - p - 3 that are left; at most (n - p) / 2. Own rule, after what `scripts/bench/coverage.py`
    measures: without it nine in ten intervals hold 82 to 87 % at 12 to 30 samples, with it 89 to
    93 %.
    """
    left = n - columns
    return left / max(left - 5.0, 2.0) if left > 2 else 1.0


def range_bounds(places: FloatArray, distance: FloatArray) -> tuple[float, float]:
    """Shortest and longest range looked at: a quarter of the median gap, twice the diagonal."""
    gaps = np.where(distance > 0.0, distance, np.inf).min(axis=1)
    return float(np.median(gaps)) / 4.0, 2.0 * diagonal_m(places)


def _best_start(likelihood: Likelihood, low: float, high: float) -> tuple[float, FloatArray]:
    """The best of 9 ranges x 5 nugget shares: (-2 log likelihood, parameters)."""
    best = math.inf, np.zeros(2)
    for range_m in np.geomspace(low * 2.0, high / 2.0, START_RANGES):
        # One correlation matrix serves all shares.
        structured = likelihood.structured(Shape(range_m=float(range_m), share=0.0))
        for share in START_SHARES:
            found, _ = likelihood.value(Shape(range_m=float(range_m), share=share), structured)
            if found < best[0]:
                best = found, np.array([math.log(range_m), share])
    return best


def _descend(
    likelihood: Likelihood, start: tuple[float, FloatArray], low: float, high: float
) -> tuple[float, FloatArray]:
    """From a start to the nearest least deviance, never worse than the start."""
    stretch = math.log(LONGEST_RATIO)
    bounds = [(math.log(low), math.log(high)), (0.0, 1.0), *[(-stretch, stretch)] * 2]
    found = minimize(
        likelihood.with_slope, start[1], jac=True, method="L-BFGS-B",
        bounds=bounds[: len(start[1])], options={"ftol": 1e-13, "gtol": 1e-7, "maxiter": 100},
    )
    return (float(found.fun), found.x) if found.fun <= start[0] else start


def _stretched(
    likelihood: Likelihood, isotropic: tuple[float, FloatArray], low: float, high: float
) -> tuple[float, FloatArray]:
    """The best anisotropic shape, begun from the isotropic one stretched in eight directions."""
    starts = [isotropic]
    size = math.log(START_RATIO)
    for angle in np.arange(8) * math.pi / 4.0:
        stretch = size * math.cos(angle), size * math.sin(angle)
        parameters = np.array([*isotropic[1], *stretch])
        starts.append((likelihood.value(shape_of(parameters))[0], parameters))
    start = min(starts[1:], key=lambda one: one[0])
    return _descend(likelihood, start, low, high)


def fit_reml(
    *,
    places: FloatArray,
    values: FloatArray,
    model: str = "exponential",
    drift: FloatArray | None = None,
    anisotropic: bool = False,
    restricted: bool = True,
) -> VariogramFit:
    """Fit nugget, partial sill and range by restricted maximum likelihood.

    places (n, 2) metres, all different, n >= 3; values (n,) not all equal, else `ComputeError`;
    drift (n, p): columns of a trend beside the constant, or none. Sill and trend are profiled; a
    grid of 9 ranges x 5 nugget shares starts L-BFGS-B over (log range, nugget share).
    `anisotropic` goes on from there with two more parameters, ratio and direction of the ranges.
    `restricted=False` is plain maximum likelihood, which alone can compare trends. Cost grows with
    n^3: meant for up to about 400 samples. Sources: Patterson and Thompson, Biometrika 58 (1971)
    545-554; Kitanidis, Water Resources Research 19 (1983) 909-921 (both from memory).
    """
    check_model(model)
    likelihood = Likelihood(
        model=model, places=places, values=values, drift=drift, restricted=restricted
    )
    low, high = range_bounds(places, likelihood.distance)
    best = _descend(likelihood, _best_start(likelihood, low, high), low, high)
    if anisotropic:
        best = min(best, _stretched(likelihood, best, low, high), key=lambda one: one[0])
    return _told(likelihood, model, shape_of(best[1]), high)


def _told(likelihood: Likelihood, model: str, shape: Shape, high: float) -> VariogramFit:
    """The fit of a shape, or pure nugget where that is likelier."""
    deviance, sill = likelihood.value(shape)
    ratio, share = likelihood.pure_nugget - deviance, shape.share
    if ratio <= 0.0:
        share, sill, ratio = 1.0, likelihood.unit**2, 0.0
        shape = Shape(range_m=shape.range_m, share=1.0)
    return VariogramFit(
        variogram=Variogram(
            model=model, nugget=share * sill, partial_sill=(1.0 - share) * sill,
            range_m=shape.longest_range_m, anisotropy_ratio=shape.ratio,
            anisotropy_deg=shape.direction_deg if shape.ratio > 1.0 else 0.0,
        ),
        likelihood_ratio=ratio, at_bound=shape.range_m >= 0.99 * high,
        log_likelihood=-0.5 * (likelihood.pure_nugget - ratio),
        method="REML" if likelihood.restricted else "ML",
        variance_factor=variance_factor(n=likelihood.n, columns=likelihood.basis.shape[1]),
    )


def shape_like(variogram: Variogram) -> Shape:
    """The shape of a variogram, its total sill left out."""
    total = variogram.nugget + variogram.partial_sill
    size = math.log(variogram.anisotropy_ratio)
    twice = 2.0 * math.radians(variogram.anisotropy_deg)
    return Shape(
        range_m=variogram.range_m / math.sqrt(variogram.anisotropy_ratio),
        share=variogram.nugget / total if total > 0.0 else 1.0,
        stretch_north=size * math.cos(twice), stretch_diagonal=size * math.sin(twice),
    )


def likelihood_ratio(
    *,
    places: FloatArray,
    values: FloatArray,
    variogram: Variogram,
    drift: FloatArray | None = None,
) -> float:
    """2 * (restricted log likelihood of `variogram`, sill profiled, - that of a pure nugget).

    places (n, 2), values (n,) not all equal, drift (n, p) or none. Never below 0.
    """
    likelihood = Likelihood(
        model=variogram.model, places=places, values=values, drift=drift
    )
    if not variogram.nugget + variogram.partial_sill > 0.0:
        return 0.0
    return max(likelihood.pure_nugget - likelihood.value(shape_like(variogram))[0], 0.0)


def log_likelihood(
    *,
    places: FloatArray,
    values: FloatArray,
    variogram: Variogram,
    drift: FloatArray | None = None,
    restricted: bool = True,
) -> float:
    """Log density of the data under `variogram` as it stands, sill and all; trend profiled.

    As `VariogramFit.log_likelihood`, constants included. -inf where the covariance matrix is not
    positive definite.
    """
    likelihood = Likelihood(
        model=variogram.model, places=places, values=values, drift=drift, restricted=restricted
    )
    total = variogram.nugget + variogram.partial_sill
    deviance, best = likelihood.value(shape_like(variogram))
    if not total > 0.0 or deviance >= 1e12:
        return -math.inf
    # Off the profiled sill: d (log total + best / total) in place of d (log best + 1).
    change = math.log(total / best) + best / total - 1.0
    return -0.5 * (deviance + likelihood.degrees * change)
