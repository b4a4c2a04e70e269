"""Kriging as a candidate: its variogram fitted, its drift tested, its left-out residuals."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import lapack
from scipy.special import fdtrc

from vrx.errors import ComputeError
from vrx.model import BoolArray, FloatArray, IntArray, Variogram
from vrx.surfaces.censored import (
    Bounds,
    Imputed,
    between_variance,
    fit_with_bounds,
    impute,
    seed_of,
)
from vrx.surfaces.kriging import (
    KrigingSystem,
    kriging_leave_one_out,
    kriging_system,
    point_krige,
)
from vrx.surfaces.reml import VariogramFit, fit_reml, likelihood_ratio
from vrx.surfaces.simple import by_block
from vrx.surfaces.variogram import diagonal_m, experimental_variogram, fit_wls

MOST_REML = 400
"""The most samples for restricted maximum likelihood; beyond, weighted least squares."""
SPHERICAL_GAIN = 2.0
"""Deviance by which the spherical model must be better than the exponential one."""
DRIFT_LEVEL = 0.05
"""Level of the F test that a drift must pass."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kriging:
    """The fitted kriging of some samples.

    `values` (n,) are all samples, censored ones at their mean; `covered` (n,) are those that the
    drift has a value for, and only they are in `system`. `drift_p` is the p value of the drift's F
    test, None without a drift.
    """

    method: str
    fit: VariogramFit
    system: KrigingSystem
    values: FloatArray
    covered: BoolArray
    drift: FloatArray | None
    names: tuple[str, ...]
    imputed: Imputed | None
    drift_p: float | None

    def left_out(self) -> tuple[FloatArray, FloatArray]:
        """Leave-one-out residuals and variances of the samples in the system."""
        return kriging_leave_one_out(system=self.system)

    def block_left_out(self, block: IntArray) -> FloatArray:
        """Residuals of the samples in the system with each one's block (n,) left out."""
        inverse, _ = lapack.dtrtri(self.system.lower, lower=1)
        trend = self.system.trend_dual

        def precision(inside: IntArray) -> FloatArray:
            own = inverse[:, inside]
            return np.asarray(own.T @ own - trend[inside] @ trend[inside].T)

        return by_block(
            precision=precision, dual=self.system.dual, block=block[self.covered]
        )

    def at(
        self, targets: FloatArray, drift: FloatArray | None
    ) -> tuple[FloatArray, FloatArray, FloatArray | None]:
        """Values, variances and the variance in them that comes from censored samples; (m,)."""
        values, variance = point_krige(system=self.system, targets=targets, drift=drift)
        if self.imputed is None:
            return values, variance, None
        between = between_variance(
            system=self.system, imputed=self.imputed, targets=targets, drift=drift
        )
        return values, variance + between, between


def _without_trend(values: FloatArray, drift: FloatArray | None) -> FloatArray:
    if drift is None:
        return values
    basis = np.column_stack([np.ones(len(values)), drift - drift.mean(axis=0)])
    return np.asarray(values - basis @ np.linalg.lstsq(basis, values, rcond=None)[0])


def _fit(
    places: FloatArray, values: FloatArray, drift: FloatArray | None, model: str
) -> VariogramFit:
    if len(values) <= MOST_REML:
        return fit_reml(places=places, values=values, model=model, drift=drift)
    lags = experimental_variogram(places=places, values=_without_trend(values, drift))
    variogram = fit_wls(lag_m=lags[0], lag_semivariance=lags[1], lag_pairs=lags[2], model=model)
    ratio = likelihood_ratio(places=places, values=values, variogram=variogram, drift=drift)
    return VariogramFit(
        variogram=variogram, likelihood_ratio=ratio, method="WLS",
        at_bound=variogram.range_m >= 1.98 * diagonal_m(places),
    )


def fit_automatic(
    places: FloatArray, values: FloatArray, drift: FloatArray | None
) -> VariogramFit:
    """The exponential model, or the spherical one if it is clearly likelier.

    Up to 400 samples by REML, beyond by WLS.
    """
    best = _fit(places, values, drift, "exponential")
    other = _fit(places, values, drift, "spherical")
    return other if other.likelihood_ratio > best.likelihood_ratio + SPHERICAL_GAIN else best


def _stated(
    places: FloatArray, values: FloatArray, drift: FloatArray | None, variogram: Variogram
) -> VariogramFit:
    ratio = likelihood_ratio(places=places, values=values, variogram=variogram, drift=drift)
    return VariogramFit(
        variogram=variogram, likelihood_ratio=ratio, at_bound=False, method="stated"
    )


def _part(bounds: Bounds | None, covered: BoolArray) -> Bounds | None:
    """The bounds of the covered samples, counted among them."""
    if bounds is None or covered.all():
        return bounds
    kept = covered[bounds.index]
    if not kept.any():
        return None
    return replace(
        bounds, index=(np.cumsum(covered) - 1)[bounds.index[kept]], low=bounds.low[kept],
        high=bounds.high[kept],
    )


def fit_kriging(
    *,
    method: str,
    places: FloatArray,
    values: FloatArray,
    drift: FloatArray | None = None,
    names: tuple[str, ...] = (),
    bounds: Bounds | None = None,
    variogram: Variogram | None = None,
) -> Kriging:
    """Fit kriging to samples; with a drift (n, p), to those that it has a value for.

    Censored samples within `bounds` are imputed under the model, whose parameters are found by
    stochastic EM; without a drift's value they stay at their value in `values`. `variogram` is
    taken as it is. Raises `ComputeError` where the model cannot be fitted or solved.
    """
    covered = np.ones(len(values), dtype=bool)
    if drift is not None:
        covered = np.isfinite(drift).all(axis=1)
        drift = drift[covered]
    inside, own, part = places[covered], values[covered], _part(bounds, covered)

    def fit(completed: FloatArray) -> VariogramFit:
        if variogram is not None:
            return _stated(inside, completed, drift, variogram)
        return fit_automatic(inside, completed, drift)

    if part is None:
        fitted = fit(own)
    else:
        fitted = fit_with_bounds(
            places=inside, values=own, bounds=part, fit=fit, seed=seed_of(own), drift=drift
        )
    model = fitted.variogram
    if model.nugget + model.partial_sill <= 0.0:
        raise ComputeError(
            "the fitted variogram has no variance", code="surface-singular",
            hint="check the values for rounding",
        )

    def system_of(completed: FloatArray) -> KrigingSystem:
        return kriging_system(
            places=inside, values=completed, variogram=model, drift=drift, drift_names=names
        )

    system, imputed = system_of(own), None
    if part is not None:
        imputed = impute(system=system, values=own, bounds=part, seed=seed_of(own) + 1)
        own = imputed.values
        system = system_of(own)
    completed = values.copy()
    completed[covered] = own
    return Kriging(
        method=method, fit=fitted, system=system, values=completed, covered=covered, drift=drift,
        names=names, imputed=imputed, drift_p=_drift_p(system, own) if names else None,
    )


def _drift_p(system: KrigingSystem, values: FloatArray) -> float:
    """p value of the F test that the drift's coefficients are all 0, generalised least squares.

    The trend's functions are orthogonal in the metric of the inverse covariance, the constant
    first, so the squares of the other coefficients are the drift's share of the sum of squares.
    """
    p = len(system.trend) - 1
    rest = float(system.dual @ (values - system.level))
    freedom = len(values) - p - 1
    if not rest > 0.0:
        return 0.0
    ratio = float(system.trend[1:] @ system.trend[1:]) / p / (rest / freedom)
    return float(fdtrc(p, freedom, ratio))
