"""Kriging from the nearest samples only, for dense points: never an n x n matrix."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from vrx.errors import ComputeError
from vrx.model import FloatArray, IntArray, Variogram
from vrx.surfaces.covariance import check_variogram, correlate, stretched
from vrx.surfaces.kriging import SAME_PLACE_M, checked_samples, checked_targets

NEIGHBOURS = 16
LARGEST_BATCH, SMALLEST_BATCH, BATCH_ENTRIES = 1024, 64, 1_000_000
"""Targets solved at once: as many as keep their matrices near the processor."""
BLOCK_SHARE = 0.1
"""Sides of blocks of samples by the shortest range: within them the soil hardly differs."""


def local_krige(
    *,
    places: FloatArray,
    values: FloatArray,
    variogram: Variogram,
    targets: FloatArray,
    neighbours: int = NEIGHBOURS,
    counts: FloatArray | None = None,
    filtered: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Ordinary kriging from the `neighbours` nearest samples; values and variances, both (m,).

    places (n, 2), values (n,), targets (m, 2), metres; the same conventions as `point_krige`, and
    the same numbers with `neighbours` = n. counts (n,) says how many samples each value is the mean
    of: its nugget is divided by that, and a target on it counts as a new sample. Raises
    `ComputeError` (surface-singular) where neighbours share a place and there is no nugget.
    """
    places, values = checked_samples(places, values)
    targets = checked_targets(targets)
    check_variogram(variogram)
    if neighbours < 1:
        raise ComputeError(
            f"{neighbours} neighbours give no value", code="surface-neighbours", hint="give 8 to 32"
        )
    k = min(neighbours, len(values))
    origin = places.mean(axis=0)
    places = stretched(variogram=variogram, places=places, origin=origin)
    at = stretched(variogram=variogram, places=targets, origin=origin)
    # A tree is built faster than balanced and shrunk, and asked as fast.
    tree = cKDTree(places, balanced_tree=False, compact_nodes=False)
    level = float(values.mean())
    about = values - level
    own = np.full(len(values), variogram.nugget)
    meeting = variogram.nugget - (variogram.error_variance if filtered else 0.0)
    sill = meeting + variogram.partial_sill
    if counts is not None:
        own /= checked_counts(counts, len(values))
        meeting = 0.0
    batch = max(SMALLEST_BATCH, min(LARGEST_BATCH, BATCH_ENTRIES // k**2))
    estimate, variance = np.empty(len(at)), np.empty(len(at))
    for start in range(0, len(at), batch):
        part = slice(start, start + batch)
        distance, index = tree.query(at[part], k=list(range(1, k + 1)))
        table = np.empty((k, k + 3, len(index)))
        _fill(table, variogram, places, np.ascontiguousarray(index.T))
        diagonal = np.arange(k)
        table[diagonal, diagonal] = variogram.partial_sill + own[index.T]
        table[:, k] = 1.0
        table[:, k + 1] = about[index.T]
        table[:, k + 2] = variogram.partial_sill * correlate(
            model=variogram.model, distance_m=distance.T.copy(), range_m=variogram.range_m
        )
        if meeting > 0.0:
            table[:, k + 2] += meeting * (distance.T <= SAME_PLACE_M)
        information, total, lack, product, fall = _eliminate(table, variogram)
        estimate[part] = total / information * (1.0 - lack) + product
        variance[part] = (1.0 - lack) ** 2 / information - fall
    return estimate + level, np.maximum(variance + sill, 0.0)


def checked_counts(counts: FloatArray, n: int) -> FloatArray:
    """Counts as (n,) floats of at least 1, else `ComputeError`."""
    counts = np.asarray(counts, dtype=np.float64)
    if counts.shape != (n,) or not (counts >= 1.0).all():
        raise ComputeError(
            f"counts of shape {counts.shape} do not say of how many samples {n} values are means",
            code="surface-shape", hint="give one count of at least 1 per value",
        )
    return counts


def _fill(
    table: FloatArray, variogram: Variogram, places: FloatArray, index: IntArray
) -> None:
    """Covariances between the neighbours index (k, b) into the upper triangle of (k, k + 3, b)."""
    first, second = np.triu_indices(len(index), 1)
    apart = np.zeros((len(first), index.shape[1]))
    for axis in (0, 1):
        near = places[:, axis][index]
        leg = near[first] - near[second]
        leg *= leg
        apart += leg
    between = correlate(
        model=variogram.model, distance_m=np.sqrt(apart, out=apart), range_m=variogram.range_m
    )
    between *= variogram.partial_sill
    table[first, second] = between


def _eliminate(
    table: FloatArray, variogram: Variogram
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Gauss elimination of all systems side by side, for the products of three right sides.

    table (k, k + 3, b): upper triangles of K, then 1, z and c. With K = L D L' the products are
    those of L^-1 1, L^-1 z and L^-1 c over D, so nothing is substituted back. Returns 1'K^-1 1,
    1'K^-1 z, 1'K^-1 c, z'K^-1 c and c'K^-1 c, (b,) each.
    """
    k = len(table)
    with np.errstate(divide="ignore", invalid="ignore"):  # a pivot of 0 is refused below
        for j in range(k):
            row = table[j, j:]
            for i in range(j + 1, k):
                table[i, i:] -= row[i - j :] * (row[i - j] / row[0])
    pivots = table[np.arange(k), np.arange(k)]
    sill = variogram.partial_sill + variogram.nugget
    if not (pivots > 4.0 * k * np.finfo(float).eps * sill).all():
        raise ComputeError(
            "the covariance matrix of neighbouring samples is not positive definite",
            code="surface-singular",
            hint="merge samples at one place, or give a variogram with a nugget",
        )
    ones, values, covs = (table[:, k + side] for side in range(3))
    shared, own = ones / pivots, covs / pivots
    return (
        np.einsum("kb,kb->b", ones, shared), np.einsum("kb,kb->b", values, shared),
        np.einsum("kb,kb->b", covs, shared), np.einsum("kb,kb->b", values, own),
        np.einsum("kb,kb->b", covs, own),
    )


def block_means(
    *, places: FloatArray, values: FloatArray, side_m: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean place (b, 2), mean value and count (b,) of the samples in every square of a side.

    Squares are counted from the south-west corner of the samples. A block that holds one sample
    gives it back.
    """
    cell = np.floor((places - places.min(axis=0)) / side_m).astype(np.int64)
    wide = int(cell[:, 0].max()) + 1
    key = cell[:, 1] * wide + cell[:, 0]
    if wide * (int(cell[:, 1].max()) + 1) > 8 * len(values) + 1_000_000:
        # Counting into mostly empty squares would cost more memory than sorting.
        key = np.unique(key, return_inverse=True)[1]
    count = np.bincount(key)
    filled = np.flatnonzero(count)
    size = count[filled].astype(np.float64)
    means = [np.bincount(key, weights=part)[filled] / size for part in (*places.T, values)]
    return np.column_stack(means[:2]), means[2], size


def dense_krige(
    *,
    places: FloatArray,
    values: FloatArray,
    variogram: Variogram,
    targets: FloatArray,
    cell_m: float,
    neighbours: int = NEIGHBOURS,
    filtered: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Kriging of many thousand samples (n, 2) at `targets` (m, 2): block means, then the nearest.

    Samples are averaged in squares of `cell_m`, or of a tenth of the shortest range if that is
    less, and `local_krige` goes on from these means and their counts. On known fields this is
    nearer to the truth than the nearest samples themselves, which reach less far the denser they
    lie. A mean is taken for a point at its samples' mean place: with `filtered` and many samples
    per block the standard errors come out about a tenth too small.
    """
    places, values = checked_samples(places, values)
    side_m = min(cell_m, BLOCK_SHARE * variogram.range_m / variogram.anisotropy_ratio)
    if not 0.0 < side_m < np.inf:
        raise ComputeError(
            f"blocks of {side_m} m cannot be averaged", code="surface-targets",
            hint="give cells and a range above 0 m",
        )
    blocks, means, counts = block_means(places=places, values=values, side_m=side_m)
    return local_krige(
        places=blocks, values=means, counts=counts, variogram=variogram, targets=targets,
        neighbours=neighbours, filtered=filtered,
    )
