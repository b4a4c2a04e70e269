"""Inverse distance and the field mean: the methods that need no variogram."""

from __future__ import annotations

import numpy as np
from scipy.spatial.distance import cdist, pdist, squareform

from vrx.model import FloatArray
from vrx.surfaces.kriging import CHUNK_CELLS, SAME_PLACE_M


def inverse_distance(
    *, places: FloatArray, values: FloatArray, targets: FloatArray
) -> FloatArray:
    """Inverse-distance values (power 2, all samples) at `targets` (m, 2) metres; (m,).

    A target on a sample takes that sample's value. Source: Shepard, Proc. 23rd ACM National
    Conference (1968) 517-524 (from memory).
    """
    estimate = np.empty(len(targets))
    for start in range(0, len(targets), CHUNK_CELLS):
        part = slice(start, start + CHUNK_CELLS)
        square = cdist(targets[part], places, "sqeuclidean")
        # No division by zero; on a sample its own weight then swamps all others.
        np.maximum(square, SAME_PLACE_M**2, out=square)
        weight = np.divide(1.0, square, out=square)
        estimate[part] = (weight @ values) / weight.sum(axis=1)
    return estimate


def inverse_distance_leave_one_out(*, places: FloatArray, values: FloatArray) -> FloatArray:
    """Leave-one-out residuals (measured - estimated) of inverse distance, exact; (n,), n >= 2."""
    square = squareform(pdist(places, "sqeuclidean"))
    np.fill_diagonal(square, np.inf)
    weight = np.divide(1.0, square, out=square)
    return np.asarray(values - (weight @ values) / weight.sum(axis=1))


def mean_leave_one_out(*, values: FloatArray) -> tuple[FloatArray, float]:
    """Leave-one-out residuals of the field mean (n,) and their variance, n >= 2.

    The closed form of kriging with a pure nugget: residual n / (n-1) (z - mean), variance
    s^2 n / (n-1).
    """
    n = len(values)
    residual = (values - values.mean()) * (n / (n - 1))
    return residual, float(values.var(ddof=1)) * n / (n - 1)
