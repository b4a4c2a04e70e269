"""The automatic variogram: how it is fitted, which model, and whether directions differ."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.surfaces.covariance import MODELS
from vrx.surfaces.kriging import checked_samples
from vrx.surfaces.likelihood import trend_basis
from vrx.surfaces.reml import (
    VariogramFit,
    fit_reml,
    likelihood_ratio,
    log_likelihood,
    variance_factor,
)
from vrx.surfaces.samples import on_one_line
from vrx.surfaces.variogram import diagonal_m, experimental_variogram, fit_wls

LEAST_FOR_A_VARIOGRAM = 8
LEAST_DISTINCT = 4
MOST_REML = 400
"""The most samples for restricted maximum likelihood; beyond, weighted least squares."""
MODEL_GAIN = 2.0
"""Deviance by which another model must be better than the exponential one."""
ANISOTROPY_GAIN = 6.0
"""Deviance by which two ranges must be better than one (5 % point of chi-square with 2 degrees of
freedom). `scripts/bench/variograms.py` counts how often isotropic fields pass it."""
LEAST_FOR_ANISOTROPY = 100


def check_enough(places: FloatArray, values: FloatArray, columns: int = 1) -> None:
    """Raise `ComputeError` where samples cannot carry a variogram beside `columns` of trend.

    places (n, 2), values (n,), finite.
    """
    least = LEAST_FOR_A_VARIOGRAM + columns - 1
    if len(values) < least:
        raise ComputeError(
            f"{len(values)} samples are too few for a variogram", code="surface-few-for-variogram",
            hint=f"{least} are the least",
        )
    if not diagonal_m(places) > 0.0:
        raise ComputeError(
            f"all {len(values)} samples lie at one place: no variogram",
            code="surface-few-for-variogram", hint="check the columns of the places",
        )
    distinct = len(np.unique(values))
    if distinct < LEAST_DISTINCT:
        raise ComputeError(
            f"{len(values)} samples have only {distinct} distinct value"
            f"{'s' if distinct > 1 else ''}: too few for a variogram",
            code="surface-few-for-variogram", hint="ask the lab for unrounded results",
        )


def fit_variogram(
    *, places: FloatArray, values: FloatArray, drift: FloatArray | None = None
) -> VariogramFit:
    """The variogram of samples by an automatic choice that is never worse than its parts.

    places (n, 2) metres, all different; values (n,) with 4 distinct ones at least; n >= 8 (one more
    for each column of drift (n, p)), else `ComputeError`. Up to 400 samples by REML, beyond by
    weighted least squares on what ordinary least squares leaves. Exponential, unless another model
    is likelier by a deviance of 2. From 100 samples on, two ranges at right angles are tried and
    taken where the deviance falls by more than 6.
    """
    places, values = checked_samples(places, values)
    columns = 1 if drift is None else 1 + drift.shape[1]
    check_enough(places, values, columns)
    if len(values) <= MOST_REML:
        fits = [fit_reml(places=places, values=values, model=m, drift=drift) for m in MODELS]
    else:
        fits = _least_squares(places, values, drift, columns)
    best = max(fits[1:], key=lambda one: one.likelihood_ratio)
    if best.likelihood_ratio <= fits[0].likelihood_ratio + MODEL_GAIN:
        best = fits[0]
    if not best.variogram.nugget + best.variogram.partial_sill > 0.0:
        raise ComputeError(
            "the fitted variogram has no variance", code="surface-singular",
            hint="check the values for rounding",
        )
    if LEAST_FOR_ANISOTROPY <= len(values) <= MOST_REML and not on_one_line(places):
        both = fit_reml(
            places=places, values=values, model=best.variogram.model, drift=drift, anisotropic=True
        )
        if both.likelihood_ratio > best.likelihood_ratio + ANISOTROPY_GAIN:
            return both
    return best


def _least_squares(
    places: FloatArray, values: FloatArray, drift: FloatArray | None, columns: int
) -> list[VariogramFit]:
    basis = trend_basis(drift, len(values))
    rest = values if drift is None else values - basis @ (basis.T @ values)
    lag_m, gamma, pairs = experimental_variogram(places=places, values=rest)
    fits = []
    for model in MODELS:
        variogram = fit_wls(lag_m=lag_m, lag_semivariance=gamma, lag_pairs=pairs, model=model)
        fits.append(replace(
            assess(places=places, values=values, variogram=variogram, drift=drift), method="WLS",
            variance_factor=variance_factor(n=len(values), columns=columns),
        ))
    return fits


def assess(
    *,
    places: FloatArray,
    values: FloatArray,
    variogram: Variogram,
    drift: FloatArray | None = None,
) -> VariogramFit:
    """A stated variogram as if it had been fitted: its likelihood and ratio, nothing changed."""
    return VariogramFit(
        variogram=variogram,
        likelihood_ratio=likelihood_ratio(
            places=places, values=values, variogram=variogram, drift=drift
        ),
        log_likelihood=log_likelihood(
            places=places, values=values, variogram=variogram, drift=drift
        ),
        at_bound=variogram.range_m >= 1.98 * diagonal_m(places), method="stated",
    )
