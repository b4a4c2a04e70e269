"""The one covariance convention of `vrx.model.Variogram`: range_m is the length scale.

exponential: exp(-h / range_m); spherical: 1 - 1.5 h/range_m + 0.5 (h/range_m)^3 up to range_m;
matern-3/2: (1 + h/range_m) exp(-h/range_m). A package that takes the practical range instead wants
3 * range_m for the exponential model; one that writes sqrt(3) h into the Matern model wants
sqrt(3) * range_m. h is the plain distance between `stretched` places.
"""

from __future__ import annotations

import math
from difflib import get_close_matches

import numpy as np

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram

MODELS = ("exponential", "spherical", "matern-3/2")


def check_model(model: str) -> None:
    """Raise `ComputeError` for a covariance model that is not known."""
    if model not in MODELS:
        near = get_close_matches(model, MODELS, n=1, cutoff=0.0)[0]
        raise ComputeError(
            f"covariance model {model!r} is not known",
            code="surface-model-unknown",
            hint=f'the nearest name is "{near}"; known are {", ".join(MODELS)}',
        )


def check_variogram(variogram: Variogram) -> None:
    """Raise `ComputeError` for an unknown model and for numbers that no covariance has."""
    check_model(variogram.model)
    numbers = {
        "nugget": (variogram.nugget, 0.0, math.inf),
        "partial_sill": (variogram.partial_sill, 0.0, math.inf),
        "range_m": (variogram.range_m, math.ulp(0.0), math.inf),
        "error_variance": (variogram.error_variance, 0.0, variogram.nugget * (1.0 + 1e-12)),
        "anisotropy_ratio": (variogram.anisotropy_ratio, 1.0, math.inf),
        "anisotropy_deg": (variogram.anisotropy_deg, -math.inf, math.inf),
    }
    for name, (number, least, most) in numbers.items():
        if not (math.isfinite(number) and least <= number <= most):
            raise ComputeError(
                f"a variogram with {name} = {number!r} is none", code="surface-variogram-invalid",
                hint="nugget and partial_sill are 0 or more, range_m above 0, error_variance at "
                "most the nugget, anisotropy_ratio 1 or more, anisotropy_deg finite",
            )


def stretched(
    *, variogram: Variogram, places: FloatArray, origin: FloatArray | None = None
) -> FloatArray:
    """Places (n, 2) in a frame where the model is isotropic; `places` itself where it is anyway.

    First column along the longest range, second across it, times the anisotropy ratio; metres
    from `origin` (2,), default the frame's zero.
    """
    if variogram.anisotropy_ratio == 1.0:
        return places
    angle = math.radians(variogram.anisotropy_deg)
    sine, cosine = math.sin(angle), math.cos(angle)
    east, north = (places if origin is None else places - origin).T
    # Elementwise, so that one place always gives the same numbers, whatever it comes with.
    along = east * sine + north * cosine
    across = (east * cosine - north * sine) * variogram.anisotropy_ratio
    return np.column_stack([along, across])


def correlate(*, model: str, distance_m: FloatArray, range_m: float) -> FloatArray:
    """`correlation`, written over `distance_m`, which is returned; the model must be known."""
    if model == "spherical":
        distance_m *= 1.0 / range_m
        np.minimum(distance_m, 1.0, out=distance_m)
        cubic = distance_m * distance_m
        cubic *= 0.5
        cubic -= 1.5
        distance_m *= cubic
        distance_m += 1.0
        return distance_m
    distance_m *= -1.0 / range_m
    if model == "exponential":
        return np.exp(distance_m, out=distance_m)
    fall = np.exp(distance_m)
    np.subtract(1.0, distance_m, out=distance_m)
    distance_m *= fall
    return distance_m


def correlation(*, model: str, distance_m: FloatArray, range_m: float) -> FloatArray:
    """Correlation of the structured part at `distance_m` (any shape, >= 0); same shape, 0 to 1.

    Raises `ComputeError` for an unknown model. Source: Webster and Oliver, Geostatistics for
    Environmental Scientists (2nd ed. 2007), models of chapter 5 (formulas from memory).
    """
    check_model(model)
    return correlate(
        model=model, distance_m=np.array(distance_m, dtype=np.float64), range_m=range_m
    )


def correlation_log_range_slope(
    *, model: str, distance_m: FloatArray, range_m: float
) -> FloatArray:
    """Derivative of `correlation` by log(range_m); same shape as `distance_m`."""
    scaled = distance_m / range_m
    if model == "spherical":
        np.minimum(scaled, 1.0, out=scaled)
        return np.asarray(1.5 * scaled * (1.0 - scaled * scaled))
    fall = scaled * np.exp(-scaled)
    if model == "matern-3/2":
        fall *= scaled
    return np.asarray(fall)


def covariance(*, variogram: Variogram, distance_m: FloatArray) -> FloatArray:
    """Covariance of the structured part (no nugget), (unit of the analyte)^2.

    `distance_m` between `stretched` places, any shape.
    """
    shape = correlation(
        model=variogram.model, distance_m=distance_m, range_m=variogram.range_m
    )
    shape *= variogram.partial_sill
    return shape


def semivariance(*, variogram: Variogram, distance_m: FloatArray) -> FloatArray:
    """Semivariance at `distance_m`: 0 at 0, nugget + partial_sill * (1 - correlation) beyond."""
    structured = variogram.partial_sill - covariance(variogram=variogram, distance_m=distance_m)
    return np.where(distance_m > 0.0, variogram.nugget + structured, 0.0)
