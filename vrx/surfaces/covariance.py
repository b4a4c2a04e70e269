"""The one covariance convention of `vrx.model.Variogram`: range_m is the length scale.

exponential: exp(-h / range_m); spherical: 1 - 1.5 h/range_m + 0.5 (h/range_m)^3 up to range_m.
A package that takes the practical range instead wants 3 * range_m for the exponential model.
"""

from __future__ import annotations

from difflib import get_close_matches

import numpy as np

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram

MODELS = ("exponential", "spherical")


def check_model(model: str) -> None:
    """Raise `ComputeError` for a covariance model that is not known."""
    if model not in MODELS:
        near = get_close_matches(model, MODELS, n=1, cutoff=0.0)[0]
        raise ComputeError(
            f"covariance model {model!r} is not known",
            code="surface-model-unknown",
            hint=f'the nearest name is "{near}"; known are {", ".join(MODELS)}',
        )


def correlation(*, model: str, distance_m: FloatArray, range_m: float) -> FloatArray:
    """Correlation of the structured part at `distance_m` (any shape, >= 0); same shape, 0 to 1.

    Raises `ComputeError` for an unknown model. Source: Webster and Oliver, Geostatistics for
    Environmental Scientists (2nd ed. 2007), models of chapter 5 (formulas from memory).
    """
    check_model(model)
    scaled = distance_m / range_m
    if model == "exponential":
        np.negative(scaled, out=scaled)
        return np.asarray(np.exp(scaled, out=scaled))
    np.minimum(scaled, 1.0, out=scaled)
    return np.asarray(1.0 + scaled * (0.5 * scaled * scaled - 1.5))


def correlation_log_range_slope(
    *, model: str, distance_m: FloatArray, range_m: float
) -> FloatArray:
    """Derivative of `correlation` by log(range_m); same shape as `distance_m`."""
    scaled = distance_m / range_m
    if model == "exponential":
        return np.asarray(scaled * np.exp(-scaled))
    np.minimum(scaled, 1.0, out=scaled)
    return np.asarray(1.5 * scaled * (1.0 - scaled * scaled))


def covariance(*, variogram: Variogram, distance_m: FloatArray) -> FloatArray:
    """Covariance of the structured part (no nugget), (unit of the analyte)^2."""
    shape = correlation(
        model=variogram.model, distance_m=distance_m, range_m=variogram.range_m
    )
    shape *= variogram.partial_sill
    return shape


def semivariance(*, variogram: Variogram, distance_m: FloatArray) -> FloatArray:
    """Semivariance at `distance_m`: 0 at 0, nugget + partial_sill * (1 - correlation) beyond."""
    structured = variogram.partial_sill - covariance(variogram=variogram, distance_m=distance_m)
    return np.where(distance_m > 0.0, variogram.nugget + structured, 0.0)
