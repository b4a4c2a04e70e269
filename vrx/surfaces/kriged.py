"""Kriging as a candidate: its variogram fitted, its drift tested, its left-out residuals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import lapack
from scipy.special import fdtrc

from vrx.errors import ComputeError
from vrx.model import BoolArray, FloatArray, IntArray, Variogram
from vrx.surfaces.allowance import with_allowance
from vrx.surfaces.censored import (
    Bounds,
    Imputed,
    between_variance,
    fit_with_bounds,
    impute,
    seed_of,
)
from vrx.surfaces.covariance import stretched
from vrx.surfaces.drift import drift_frame
from vrx.surfaces.fitting import MOST_REML, assess, fit_variogram
from vrx.surfaces.kriging import (
    KrigingSystem,
    kriging_leave_one_out,
    kriging_system,
    point_krige,
)
from vrx.surfaces.reml import VariogramFit, fit_reml
from vrx.surfaces.simple import by_block

DRIFT_LEVEL, TREND_LEVEL = 0.05, 0.01
"""Levels of the F test that layers and a linear trend must pass. A trend is always at hand, a layer
is one that the user names."""


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
        residual, variance = kriging_leave_one_out(system=self.system)
        return residual, variance * self.fit.variance_factor

    def block_left_out(self, block: IntArray) -> FloatArray:
        """Residuals of the samples in the system with each one's block (n,) left out."""
        inverse, _ = lapack.dtrtri(self.system.lower, lower=1)
        trend = self.system.duals[1:].T

        def precision(inside: IntArray) -> FloatArray:
            own = inverse[:, inside]
            return np.asarray(own.T @ own - trend[inside] @ trend[inside].T)

        return by_block(
            precision=precision, dual=self.system.duals[0], block=block[self.covered]
        )

    def at(
        self, targets: FloatArray, drift: FloatArray | None
    ) -> tuple[FloatArray, FloatArray, FloatArray | None]:
        """Values, variances and the variance in them that comes from censored samples; (m,)."""
        values, variance = point_krige(system=self.system, targets=targets, drift=drift)
        variance *= self.fit.variance_factor
        if self.imputed is None:
            return values, variance, None
        between = between_variance(
            system=self.system, imputed=self.imputed, targets=targets, drift=drift
        )
        return values, variance + between, between


def _like(
    first: VariogramFit, places: FloatArray, drift: FloatArray | None
) -> Callable[[FloatArray], VariogramFit]:
    """A quick fit of completed values: model and anisotropy as in `first`, the rest anew."""
    model = first.variogram
    at = stretched(variogram=model, places=places)

    def fit(values: FloatArray) -> VariogramFit:
        if len(values) > MOST_REML:
            return fit_variogram(places=at, values=values, drift=drift)
        found = fit_reml(places=at, values=values, model=model.model, drift=drift)
        return replace(found, variogram=replace(
            found.variogram, anisotropy_ratio=model.anisotropy_ratio,
            anisotropy_deg=model.anisotropy_deg,
        ))

    return fit


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
    known: VariogramFit | None = None,
) -> Kriging:
    """Fit kriging to samples; with a drift (n, p), to those that it has a value for.

    Censored samples within `bounds` are imputed under the model, whose parameters are found by
    stochastic EM; without a drift's value they stay at their value in `values`. `variogram` is
    taken as it is; `known` spares the fit. Raises `ComputeError` where the model cannot be fitted
    or solved.
    """
    covered: BoolArray = np.ones(len(values), dtype=np.bool_)
    if drift is not None:
        covered = np.asarray(np.isfinite(drift).all(axis=1))
        drift = drift[covered]
    inside, own, part = places[covered], values[covered], _part(bounds, covered)
    # Before any fit, so that a layer that says nothing of its own is refused by its name.
    drift_frame(drift=drift, count=len(own), names=names)

    if variogram is not None:
        fitted = assess(places=inside, values=own, variogram=variogram, drift=drift)
    else:
        fitted = known or fit_variogram(places=inside, values=own, drift=drift)
        if part is not None:
            fitted = fit_with_bounds(
                places=inside, values=own, bounds=part, fit=_like(fitted, inside, drift),
                seed=seed_of(own), drift=drift,
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
    if drift is None:
        fitted = with_allowance(places=inside, values=own, fit=fitted)
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
    rest = float(system.duals[0] @ (values - system.level))
    freedom = len(values) - p - 1
    if not rest > 0.0:
        return 0.0
    ratio = float(system.trend[1:] @ system.trend[1:]) / p / (rest / freedom)
    return float(fdtrc(p, freedom, ratio))
