"""Candidates for a map: each method fitted and scored by leave-one-out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vrx.errors import ComputeError
from vrx.model import FloatArray, MethodScore
from vrx.surfaces.kriging import KrigingSystem, kriging_leave_one_out, kriging_system
from vrx.surfaces.reml import VariogramFit, fit_reml, likelihood_ratio
from vrx.surfaces.samples import Samples
from vrx.surfaces.simple import inverse_distance_leave_one_out, mean_leave_one_out
from vrx.surfaces.variogram import diagonal_m, fit_wls

MOST_REML = 400
"""The most samples for restricted maximum likelihood; beyond, weighted least squares."""
SPHERICAL_GAIN = 2.0
"""Deviance by which the spherical model must be better than the exponential one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kriging:
    """The fitted kriging of some samples, its score and its standardised residuals (n,)."""

    fit: VariogramFit
    system: KrigingSystem
    score: MethodScore
    standardised: FloatArray


def score(
    method: str, residual: FloatArray, variance: FloatArray | float | None, mean_rmse: float
) -> MethodScore:
    """The leave-one-out score of residuals (measured - estimated), (n,)."""
    rmse = float(np.sqrt(np.mean(residual * residual)))
    msdr: float | None = None
    if variance is not None and np.all(np.asarray(variance) > 0.0):
        msdr = float(np.mean(residual * residual / variance))
    return MethodScore(
        method=method, n=len(residual), mean_error=float(residual.mean()), rmse=rmse,
        skill=1.0 - (rmse / mean_rmse) ** 2 if mean_rmse > 0.0 else 0.0, msdr=msdr,
    )


def mean_score(samples: Samples) -> MethodScore:
    """The score of the field mean; n >= 2."""
    residual, variance = mean_leave_one_out(values=samples.values)
    return score("field mean", residual, variance, float(np.sqrt(np.mean(residual**2))))


def inverse_distance_score(samples: Samples, mean_rmse: float) -> MethodScore:
    """The score of inverse distance; n >= 2, all places different."""
    residual = inverse_distance_leave_one_out(places=samples.places, values=samples.values)
    return score("inverse distance", residual, None, mean_rmse)


def _fit(
    samples: Samples, model: str, lags: tuple[FloatArray, FloatArray, FloatArray]
) -> VariogramFit:
    if len(samples) <= MOST_REML:
        return fit_reml(places=samples.places, values=samples.values, model=model)
    variogram = fit_wls(
        lag_m=lags[0], lag_semivariance=lags[1], lag_pairs=lags[2], model=model
    )
    ratio = likelihood_ratio(places=samples.places, values=samples.values, variogram=variogram)
    return VariogramFit(
        variogram=variogram, likelihood_ratio=ratio,
        at_bound=variogram.range_m >= 1.98 * diagonal_m(samples.places),
    )


def fit_kriging(
    samples: Samples, lags: tuple[FloatArray, FloatArray, FloatArray], mean_rmse: float
) -> Kriging:
    """Fit the exponential model, and the spherical one if it is clearly likelier; score it.

    Up to 400 samples by REML, beyond by WLS. Raises `ComputeError` where neither can be solved.
    """
    best = _fit(samples, "exponential", lags)
    other = _fit(samples, "spherical", lags)
    if other.likelihood_ratio > best.likelihood_ratio + SPHERICAL_GAIN:
        best = other
    if best.variogram.nugget + best.variogram.partial_sill <= 0.0:
        raise ComputeError(
            "the fitted variogram has no variance", code="surface-singular",
            where=samples.analyte, hint="check the values for rounding",
        )
    system = kriging_system(
        places=samples.places, values=samples.values, variogram=best.variogram
    )
    residual, variance = kriging_leave_one_out(system=system)
    return Kriging(
        fit=best, system=system, score=score("kriging", residual, variance, mean_rmse),
        standardised=residual / np.sqrt(variance),
    )
