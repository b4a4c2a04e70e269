"""Experimental variograms (Matheron) and their weighted least-squares models."""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.spatial.distance import pdist

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.surfaces.covariance import check_model, correlation

LAGS = 15
RANGE_STEPS = 60


def diagonal_m(places: FloatArray) -> float:
    """Diagonal of the samples' bounding box, metres."""
    return float(np.hypot(*np.ptp(places, axis=0)))


def experimental_variogram(
    *, places: FloatArray, values: FloatArray, lags: int = LAGS, cutoff_m: float | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Matheron's estimator: mean distance (m), semivariance and number of pairs per lag class.

    places (n, 2) metres, values (n,). Classes are equal and closed on the right, up to `cutoff_m`
    (default: a third of the bounding box's diagonal); empty classes are left out, so the three
    arrays have at most `lags` entries. Holds n (n-1) / 2 pairs in memory.
    """
    cutoff = diagonal_m(places) / 3.0 if cutoff_m is None else cutoff_m
    distance = pdist(places)
    half_square = pdist(values[:, None], metric="sqeuclidean")
    half_square *= 0.5
    if not cutoff > 0.0:
        return np.empty(0), np.empty(0), np.empty(0)
    kept = (distance > 0.0) & (distance <= cutoff)
    distance, half_square = distance[kept], half_square[kept]
    lag = np.clip(np.ceil(distance / (cutoff / lags)).astype(np.int64) - 1, 0, lags - 1)
    pairs = np.bincount(lag, minlength=lags).astype(np.float64)
    filled = pairs > 0
    lag_m = np.bincount(lag, weights=distance, minlength=lags)[filled] / pairs[filled]
    gamma = np.bincount(lag, weights=half_square, minlength=lags)[filled] / pairs[filled]
    return lag_m, gamma, pairs[filled]


def _sills(
    rise: FloatArray, gamma: FloatArray, weight: FloatArray
) -> tuple[float, float, float]:
    """Best nugget and partial sill, neither negative, for a given rise 1 - correlation; misfit."""
    sw, sr, srr = (float(weight @ part) for part in (np.ones_like(rise), rise, rise * rise))
    sg, srg = float(weight @ gamma), float(weight @ (rise * gamma))
    choices = [(max(sg / sw, 0.0), 0.0), (0.0, max(srg / srr, 0.0) if srr > 0.0 else 0.0)]
    determinant = sw * srr - sr * sr
    if determinant > 1e-14 * sw * srr:
        nugget = (srr * sg - sr * srg) / determinant
        sill = (sw * srg - sr * sg) / determinant
        if nugget >= 0.0 and sill >= 0.0:
            choices = [(nugget, sill)]
    misfits = [float(weight @ (gamma - n - s * rise) ** 2) for n, s in choices]
    best = int(np.argmin(misfits))
    return *choices[best], misfits[best]


def fit_wls(
    *,
    lag_m: FloatArray,
    lag_semivariance: FloatArray,
    lag_pairs: FloatArray,
    model: str = "exponential",
) -> Variogram:
    """Weighted least squares on an experimental variogram, weights pairs / lag^2.

    Arrays as from `experimental_variogram`. The sills are linear and never negative; the range is
    searched from a quarter of the shortest to 6 times the longest lag. Raises `ComputeError`
    (surface-few-lags) below 3 filled lag classes. Source: the weights of Zhang, van Eijkeren and
    Heemink (1995) (from memory).
    """
    check_model(model)
    if len(lag_m) < 3:
        raise ComputeError(
            f"{len(lag_m)} filled lag classes are too few for a variogram model",
            code="surface-few-lags", hint="3 is the least; take more samples or fewer classes",
        )
    # Scaled, so that the sums stay near 1 whatever the analyte's unit.
    scale = float(lag_semivariance.max()) or 1.0
    gamma = lag_semivariance / scale
    weight = lag_pairs / lag_m**2
    weight = weight / weight.sum()

    def misfit(log_range: float) -> float:
        rise = 1.0 - correlation(model=model, distance_m=lag_m, range_m=float(np.exp(log_range)))
        return _sills(rise, gamma, weight)[2]

    low, high = np.log(float(lag_m.min()) / 4.0), np.log(6.0 * float(lag_m.max()))
    steps = np.linspace(low, high, RANGE_STEPS)
    best = int(np.argmin([misfit(step) for step in steps]))
    around = (steps[max(best - 1, 0)], steps[min(best + 1, RANGE_STEPS - 1)])
    found = minimize_scalar(misfit, bounds=around, method="bounded", options={"xatol": 1e-10})
    log_range = float(found.x) if found.fun <= misfit(steps[best]) else float(steps[best])
    range_m = float(np.exp(log_range))
    rise = 1.0 - correlation(model=model, distance_m=lag_m, range_m=range_m)
    nugget, sill, _ = _sills(rise, gamma, weight)
    return Variogram(
        model=model, nugget=nugget * scale, partial_sill=sill * scale, range_m=range_m
    )
