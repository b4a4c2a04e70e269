"""Kriging from the nearest samples only, for dense points: never an n x n matrix."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.surfaces.covariance import check_model, correlate, stretched
from vrx.surfaces.kriging import SAME_PLACE_M, checked_samples, checked_targets

BATCH = 512


def local_krige(
    *,
    places: FloatArray,
    values: FloatArray,
    variogram: Variogram,
    targets: FloatArray,
    neighbours: int = 16,
    counts: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Ordinary kriging from the `neighbours` nearest samples; values and variances, both (m,).

    places (n, 2), values (n,), targets (m, 2), metres; the same conventions as `point_krige`, and
    the same numbers with `neighbours` = n. counts (n,) says how many samples each value is the mean
    of: its nugget is divided by that, and a target on it counts as a new sample. Raises
    `ComputeError` (surface-singular) where neighbours share a place and there is no nugget.
    """
    places, values = checked_samples(places, values)
    targets = checked_targets(targets)
    check_model(variogram.model)
    if neighbours < 1:
        raise ComputeError(
            f"{neighbours} neighbours give no value", code="surface-neighbours", hint="give 8 to 32"
        )
    k = min(neighbours, len(values))
    origin = places.mean(axis=0)
    places = stretched(variogram=variogram, places=places, origin=origin)
    at = stretched(variogram=variogram, places=targets, origin=origin)
    tree = cKDTree(places, balanced_tree=False, compact_nodes=False)
    level = float(values.mean())
    about = values - level
    own = np.full(len(values), variogram.nugget)
    if counts is not None:
        own /= counts
    estimate, variance = np.empty(len(at)), np.empty(len(at))
    for start in range(0, len(at), BATCH):
        part = slice(start, start + BATCH)
        distance, index = tree.query(at[part], k=list(range(1, k + 1)))
        on_sample = distance <= SAME_PLACE_M
        near = places[index]
        apart = near[:, :, None, :] - near[:, None, :, :]
        between = np.sqrt(np.einsum("bijc,bijc->bij", apart, apart))
        sample_cov = correlate(
            model=variogram.model, distance_m=between, range_m=variogram.range_m
        )
        sample_cov *= variogram.partial_sill
        sample_cov[:, np.arange(k), np.arange(k)] += own[index]
        known = np.ones((len(index), k, 3))
        known[:, :, 1] = about[index]
        known[:, :, 2] = variogram.partial_sill * correlate(
            model=variogram.model, distance_m=distance, range_m=variogram.range_m
        )
        if counts is None:
            known[:, :, 2] += variogram.nugget * on_sample
        try:
            dual = np.linalg.solve(sample_cov, known)
        except np.linalg.LinAlgError as err:
            raise ComputeError(
                "the covariance matrix of neighbouring samples is singular",
                code="surface-singular",
                hint="merge samples at one place, or give a variogram with a nugget",
            ) from err
        inner = np.einsum("bki,bkj->bij", known, dual)
        information, lack = inner[:, 0, 0], 1.0 - inner[:, 0, 2]
        mean = inner[:, 0, 1] / information
        estimate[part] = mean * lack + inner[:, 1, 2]
        variance[part] = lack * lack / information - inner[:, 2, 2]
    variance += variogram.nugget + variogram.partial_sill
    return estimate + level, np.maximum(variance, 0.0)
