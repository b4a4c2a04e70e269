"""Variograms by restricted maximum likelihood, and the likelihood-ratio test for structure."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import lapack
from scipy.optimize import minimize
from scipy.spatial.distance import pdist, squareform

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.surfaces.covariance import check_model, correlation, correlation_log_range_slope
from vrx.surfaces.variogram import diagonal_m

START_RANGES = 9
START_SHARES = (0.02, 0.25, 0.5, 0.75, 0.95)
NOT_DEFINITE = 1e12


@dataclass(frozen=True, slots=True, kw_only=True)
class VariogramFit:
    """A fitted variogram and how much better than pure nugget it is.

    `likelihood_ratio` is 2 * (restricted log likelihood - that of a pure nugget), never negative;
    `at_bound` says that the range stopped at the longest one allowed (twice the diagonal).
    """

    variogram: Variogram
    likelihood_ratio: float
    at_bound: bool


class _Profile:
    """-2 * restricted log likelihood by (log range, nugget share); sill and mean are profiled."""

    def __init__(self, model: str, places: FloatArray, values: FloatArray) -> None:
        self.model = model
        self.distance = squareform(pdist(places))
        self.values = values
        self.n = len(values)
        self.pure_nugget = (self.n - 1) * math.log(float(values @ values)) + math.log(self.n)

    def _solve(
        self, range_m: float, share: float
    ) -> tuple[FloatArray, FloatArray, FloatArray, float, float] | None:
        shape = correlation(model=self.model, distance_m=self.distance, range_m=range_m)
        mixed = (1.0 - share) * shape
        np.fill_diagonal(mixed, 1.0)
        lower, info = lapack.dpotrf(mixed, lower=True, overwrite_a=False)
        if info != 0:
            return None
        duals, _ = lapack.dpotrs(
            lower, np.column_stack([np.ones(self.n), self.values]), lower=True
        )
        unit = duals[:, 0]
        information = float(unit.sum())
        contrast = duals[:, 1] - unit * (float(unit @ self.values) / information)
        log_det = 2.0 * float(np.log(np.diagonal(lower)).sum())
        log_det += math.log(information)
        return lower, unit, contrast, information, log_det

    def value(self, range_m: float, share: float) -> tuple[float, float]:
        """(-2 log likelihood, total sill)."""
        solved = self._solve(range_m, share)
        if solved is None:
            return NOT_DEFINITE, 1.0
        _, _, contrast, _, log_det = solved
        quadratic = float(self.values @ contrast)
        return (self.n - 1) * math.log(quadratic) + log_det, quadratic / (self.n - 1)

    def with_slope(self, parameters: FloatArray) -> tuple[float, FloatArray]:
        """-2 log likelihood and its gradient by (log range, nugget share)."""
        range_m, share = math.exp(float(parameters[0])), float(parameters[1])
        solved = self._solve(range_m, share)
        if solved is None:
            return NOT_DEFINITE, np.zeros(2)
        lower, unit, contrast, information, log_det = solved
        inverse, _ = lapack.dpotri(lower, lower=True)
        inverse = np.tril(inverse) + np.tril(inverse, -1).T
        projector = inverse - np.outer(unit, unit) / information
        quadratic = float(self.values @ contrast)
        by_range = (1.0 - share) * correlation_log_range_slope(
            model=self.model, distance_m=self.distance, range_m=range_m
        )
        by_share = -correlation(model=self.model, distance_m=self.distance, range_m=range_m)
        np.fill_diagonal(by_share, 0.0)
        # Elementwise, because threaded BLAS is many times slower on products of this size.
        projector -= np.outer(contrast, contrast) * ((self.n - 1) / quadratic)
        slope = [float((projector * change).sum()) for change in (by_range, by_share)]
        return (self.n - 1) * math.log(quadratic) + log_det, np.array(slope)


def _range_bounds(places: FloatArray, distance: FloatArray) -> tuple[float, float]:
    """Shortest and longest range looked at: a quarter of the median gap, twice the diagonal."""
    gaps = np.where(distance > 0.0, distance, np.inf).min(axis=1)
    return float(np.median(gaps)) / 4.0, 2.0 * diagonal_m(places)


def _scaled(values: FloatArray) -> tuple[FloatArray, float]:
    """Values about their mean in units of their standard deviation, and that deviation."""
    spread = float(values.std(ddof=1)) if len(values) > 1 else 0.0
    if not spread > 0.0:
        raise ComputeError(
            "all values are equal: no variogram", code="surface-constant",
            hint="a field without variation needs no map",
        )
    return (values - values.mean()) / spread, spread


def fit_reml(
    *, places: FloatArray, values: FloatArray, model: str = "exponential"
) -> VariogramFit:
    """Fit nugget, partial sill and range by restricted maximum likelihood.

    places (n, 2) metres, all different, n >= 3; values (n,) not all equal, else `ComputeError`.
    Sill and mean are profiled; a grid of 9 ranges x 5 nugget shares starts L-BFGS-B over (log
    range, nugget share). Cost grows with n^3: meant for up to about 400 samples. Source: Patterson
    and Thompson, Biometrika 58 (1971) 545-554; Kitanidis, Water Resources Research 19 (1983)
    909-921 (both from memory).
    """
    check_model(model)
    z, spread = _scaled(values)
    profile = _Profile(model, places, z)
    low, high = _range_bounds(places, profile.distance)
    ranges = np.geomspace(low * 2.0, high / 2.0, START_RANGES)
    starts = [
        (profile.value(float(r), g)[0], math.log(float(r)), g) for r in ranges for g in START_SHARES
    ]
    _, log_range, share = min(starts)
    found = minimize(
        profile.with_slope, np.array([log_range, share]), jac=True, method="L-BFGS-B",
        bounds=[(math.log(low), math.log(high)), (0.0, 1.0)],
        options={"ftol": 1e-13, "gtol": 1e-7, "maxiter": 100},
    )
    range_m, share = math.exp(float(found.x[0])), float(found.x[1])
    deviance, sill = profile.value(range_m, share)
    if deviance > min(starts)[0]:
        range_m, share = math.exp(log_range), min(starts)[2]
        deviance, sill = profile.value(range_m, share)
    ratio = profile.pure_nugget - deviance
    if ratio <= 0.0:
        share, sill, ratio = 1.0, float(z @ z) / (len(z) - 1), 0.0
    sill *= spread**2
    return VariogramFit(
        variogram=Variogram(
            model=model, nugget=share * sill, partial_sill=(1.0 - share) * sill, range_m=range_m
        ),
        likelihood_ratio=ratio, at_bound=range_m >= 0.99 * high,
    )


def likelihood_ratio(
    *, places: FloatArray, values: FloatArray, variogram: Variogram
) -> float:
    """2 * (restricted log likelihood of `variogram`, sill profiled, - that of a pure nugget).

    places (n, 2), values (n,) not all equal. Never below 0.
    """
    z, _ = _scaled(values)
    total = variogram.nugget + variogram.partial_sill
    if not total > 0.0:
        return 0.0
    profile = _Profile(variogram.model, places, z)
    deviance, _ = profile.value(variogram.range_m, variogram.nugget / total)
    return max(profile.pure_nugget - deviance, 0.0)
