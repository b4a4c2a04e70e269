"""Ordinary kriging of points and blocks, and its exact leave-one-out.

Convention: exact point kriging. The nugget adds to the covariance at distance 0 only, so a target
on a sample returns that sample with variance 0, and elsewhere the variance is that of a new
measurement (nugget included). For a block the nugget enters the sample matrix only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import blas, cholesky, lapack
from scipy.spatial.distance import cdist

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.surfaces.covariance import covariance

CHUNK_CELLS = 1024
SAME_PLACE_M = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KrigingSystem:
    """The factorised system of n samples; make it with `kriging_system`.

    `whitener` (n, n) is the inverse of K's lower Cholesky factor, K the sample covariance; `dual` =
    K^-1 (z - mean); `unit_dual` = K^-1 1; `information` = 1' K^-1 1, the inverse variance of the
    estimated mean.
    """

    places: FloatArray
    variogram: Variogram
    whitener: FloatArray
    dual: FloatArray
    unit_dual: FloatArray
    mean: float
    information: float


def kriging_system(
    *, places: FloatArray, values: FloatArray, variogram: Variogram
) -> KrigingSystem:
    """Factorise the ordinary-kriging system.

    places (n, 2) easting and northing in metres, all different; values (n,). Raises `ComputeError`
    (surface-singular) where the covariance matrix is not positive definite.
    """
    sample_cov = covariance(variogram=variogram, distance_m=cdist(places, places))
    sample_cov[np.diag_indices_from(sample_cov)] += variogram.nugget
    try:
        lower = cholesky(sample_cov, lower=True, overwrite_a=True, check_finite=True)
    except (np.linalg.LinAlgError, ValueError) as err:
        raise ComputeError(
            f"the covariance matrix of {len(places)} samples is not positive definite",
            code="surface-singular",
            hint="merge samples at one place, or give a variogram with a nugget",
        ) from err
    # Inverting the triangle once is as accurate as solving with it, and a triangular product per
    # chunk takes a third to half of the time of a triangular solve.
    whitener, _ = lapack.dtrtri(lower, lower=True)
    unit_dual = whitener.T @ (whitener @ np.ones(len(places)))
    information = float(unit_dual.sum())
    mean = float(unit_dual @ values) / information
    dual = whitener.T @ (whitener @ (values - mean))
    return KrigingSystem(
        places=places, variogram=variogram, whitener=whitener, dual=dual, unit_dual=unit_dual,
        mean=mean, information=information,
    )


def point_krige(*, system: KrigingSystem, targets: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Kriged values and kriging variances at `targets` (m, 2) metres; both (m,).

    The values come from dual weights, the variances from the whitened covariances, in chunks, so
    that no array grows beyond n x 1024. Source: Cressie, Statistics for Spatial Data (1993),
    section 3.2 (from memory).
    """
    estimate = np.empty(len(targets))
    variance = np.empty(len(targets))
    variogram = system.variogram
    sill = variogram.nugget + variogram.partial_sill
    for start in range(0, len(targets), CHUNK_CELLS):
        part = slice(start, start + CHUNK_CELLS)
        distance = cdist(targets[part], system.places)
        on_sample = distance <= SAME_PLACE_M if distance.min() <= SAME_PLACE_M else None
        to_sample = covariance(variogram=variogram, distance_m=distance)
        if on_sample is not None:
            to_sample[on_sample] += variogram.nugget
        estimate[part] = to_sample @ system.dual
        lack = 1.0 - to_sample @ system.unit_dual
        # The transpose of a C-ordered chunk is Fortran-ordered: the product is made in place.
        white = blas.dtrmm(1.0, system.whitener, to_sample.T, lower=True, overwrite_b=True)
        explained = np.einsum("ij,ij->j", white, white)
        variance[part] = sill - explained + lack * lack / system.information
    estimate += system.mean
    # Rounding alone can leave -1e-16 of the sill on a sample.
    np.maximum(variance, 0.0, out=variance)
    return estimate, variance


def block_krige(
    *, system: KrigingSystem, points: FloatArray, weights: FloatArray | None = None
) -> tuple[float, float]:
    """Kriged mean of a block and its variance; the block is `points` (m, 2) with `weights` (m,).

    The nugget enters the sample matrix but no covariance to or within the block, because distinct
    points of a block share no nugget and their mean over an area averages it out.
    """
    share = np.full(len(points), 1.0 / len(points)) if weights is None else weights / weights.sum()
    to_sample = share @ covariance(
        variogram=system.variogram, distance_m=cdist(points, system.places)
    )
    within = share @ covariance(
        variogram=system.variogram, distance_m=cdist(points, points)
    ) @ share
    white = system.whitener @ to_sample
    lack = 1.0 - float(system.unit_dual @ to_sample)
    variance = float(within) - float(white @ white) + lack * lack / system.information
    return system.mean + float(system.dual @ to_sample), max(variance, 0.0)


def kriging_leave_one_out(*, system: KrigingSystem) -> tuple[FloatArray, FloatArray]:
    """Leave-one-out residuals (measured - estimated) and variances, both (n,), in closed form.

    With Q = K^-1 - K^-1 1 1' K^-1 / (1' K^-1 1): residual = (Q z)_i / Q_ii, variance = 1 / Q_ii.
    The covariance parameters are kept. Source: Dubrule, Cross validation of kriging in a unique
    neighborhood, Mathematical Geology 15 (1983) 687-699.
    """
    inverse_diagonal = np.einsum("ij,ij->j", system.whitener, system.whitener)
    q_diagonal = inverse_diagonal - system.unit_dual**2 / system.information
    return system.dual / q_diagonal, 1.0 / q_diagonal
