"""Inverse distance, nearest sample, field mean: methods without a fit, and what they miss by.

A left-out sample of any method may take its whole block with it (`block`, the block of each).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.spatial.distance import cdist, pdist, squareform

from vrx.errors import ComputeError
from vrx.model import FloatArray, IntArray
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


def nearest_sample(
    *, places: FloatArray, values: FloatArray, targets: FloatArray
) -> FloatArray:
    """Value of the nearest sample at `targets` (m, 2) metres, the mean of those equally near; (m,).

    Equal means within 1e-9 of the distance.
    """
    estimate = np.empty(len(targets))
    for start in range(0, len(targets), CHUNK_CELLS):
        part = slice(start, start + CHUNK_CELLS)
        estimate[part] = _of_nearest(cdist(targets[part], places), values)
    return estimate


def _of_nearest(distance: FloatArray, values: FloatArray) -> FloatArray:
    limit = distance.min(axis=1, keepdims=True) * (1.0 + 1e-9) + SAME_PLACE_M
    near = (distance <= limit).astype(np.float64)
    return np.asarray((near @ values) / near.sum(axis=1))


def _left_out(metric: str, places: FloatArray, block: IntArray | None) -> FloatArray:
    """Distances (n, n) between samples, infinite to those that are left out with a sample."""
    distance: FloatArray = squareform(pdist(places, metric))
    np.fill_diagonal(distance, np.inf)
    if block is not None:
        distance[block[:, None] == block[None]] = np.inf
    return distance


def nearest_leave_out(
    *, places: FloatArray, values: FloatArray, block: IntArray | None = None
) -> FloatArray:
    """Residuals (measured - estimated) of the nearest sample outside each one's block; (n,)."""
    return np.asarray(values - _of_nearest(_left_out("euclidean", places, block), values))


def inverse_distance_leave_one_out(
    *, places: FloatArray, values: FloatArray, block: IntArray | None = None
) -> FloatArray:
    """Leave-one-out residuals (measured - estimated) of inverse distance, exact; (n,), n >= 2."""
    square = _left_out("sqeuclidean", places, block)
    weight = np.divide(1.0, square, out=square)
    return np.asarray(values - (weight @ values) / weight.sum(axis=1))


def mean_leave_block_out(*, values: FloatArray, block: IntArray) -> FloatArray:
    """Residuals of the mean of all other blocks, (n,)."""
    count = np.bincount(block)[block]
    total = np.bincount(block, weights=values)[block]
    return np.asarray(values - (values.sum() - total) / (len(values) - count))


def by_block(
    *, precision: Callable[[IntArray], FloatArray], dual: FloatArray, block: IntArray
) -> FloatArray:
    """Residuals (n,) of a linear predictor with each sample's whole block left out.

    With Qz = `dual` (n,) and Q_BB = `precision`(B), Q as for leave-one-out: the residuals of a
    block B are (Q_BB)^-1 (Qz)_B. Parameters in Q are kept; mean and drift are found anew. Raises
    `ComputeError` (surface-drift-one-block) where they cannot be found without a block. Source:
    Dubrule (1983), as `kriging_leave_one_out`, for several points at once.
    """
    residual = np.empty_like(dual)
    for one in np.unique(block):
        inside = np.flatnonzero(block == one)
        own = precision(inside)
        roots, vectors = np.linalg.eigh(0.5 * (own + own.T))
        if not roots[0] > 1e-11 * roots[-1]:
            raise ComputeError(
                f"the trend cannot be fitted without one block of {len(inside)} samples",
                code="surface-drift-one-block", hint="sample more evenly, or take the drift out",
            )
        residual[inside] = vectors @ ((vectors.T @ dual[inside]) / roots)
    return residual


def mean_leave_one_out(*, values: FloatArray) -> tuple[FloatArray, float]:
    """Leave-one-out residuals of the field mean (n,) and their variance, n >= 2.

    The closed form of kriging with a pure nugget: residual n / (n-1) (z - mean), variance
    s^2 n / (n-1).
    """
    n = len(values)
    residual = (values - values.mean()) * (n / (n - 1))
    return residual, float(values.var(ddof=1)) * n / (n - 1)
