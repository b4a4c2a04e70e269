"""Kriging of points with a constant mean or a drift, and its exact leave-one-out.

Convention: exact point kriging. The nugget adds to the covariance at distance 0 only, so a target
on a sample returns that sample with variance 0, and elsewhere the variance is that of a new
measurement (nugget included). Filtered, the error variance is taken out: the estimate is that of
the soil itself, on a sample too, and the variance is without that error. Blocks are in `blocks`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import blas, lapack
from scipy.spatial.distance import cdist

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.surfaces.covariance import check_variogram, correlate, stretched
from vrx.surfaces.drift import DriftFrame, drift_frame

CHUNK_CELLS = 512
CHUNK_SAMPLES = 100
SAME_PLACE_M = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KrigingSystem:
    """The factorised system of n samples and p drift columns; make it with `kriging_system`.

    `places` (n, 2) are stretched where the variogram is anisotropic, from `origin`. `lower` (n, n)
    is the Cholesky factor of the sample covariance K = L L'. F (n, p + 1) holds ones and the scaled
    drift; with L^-1 F = Q R, `trend_root` = R^-1 and `trend` (p + 1,) are the coefficients of F
    R^-1. `duals` (p + 2, n) are K^-1 (z - `level` - trend), then the columns of K^-1 F R^-1;
    `level` is the samples' mean, taken out against rounding.
    """

    variogram: Variogram
    origin: FloatArray
    places: FloatArray
    lower: FloatArray
    duals: FloatArray
    frame: DriftFrame
    trend_root: FloatArray
    trend: FloatArray
    level: float

    @property
    def coefficients(self) -> FloatArray:
        """The trend as intercept and one slope per drift column, in their own units; (p + 1,)."""
        scaled = self.trend_root @ self.trend
        slopes = scaled[1:] / self.frame.scale
        intercept = self.level + scaled[0] - float(slopes @ self.frame.centre)
        return np.concatenate([[intercept], slopes])


def kriging_system(
    *,
    places: FloatArray,
    values: FloatArray,
    variogram: Variogram,
    drift: FloatArray | None = None,
    drift_names: Sequence[str] = (),
) -> KrigingSystem:
    """Factorise the kriging system: ordinary, or universal with drift columns.

    places (n, 2) easting and northing in metres, all different; values (n,); drift (n, p) the
    trend's columns beside the constant, in any units. Raises `ComputeError`: surface-singular where
    the covariance matrix is not positive definite, surface-drift-collinear for a drift column that
    says nothing of its own, surface-shape and surface-not-finite for what is no data.
    """
    places, values = checked_samples(places, values)
    check_variogram(variogram)
    n = len(values)
    frame = drift_frame(drift=drift, count=n, names=drift_names)
    basis = frame.basis(drift, n, "samples")
    origin = places.mean(axis=0)
    places = stretched(variogram=variogram, places=places, origin=origin)
    lower = _factor(places, variogram)
    level = float(values.mean())
    white = blas.dtrsm(1.0, lower, np.column_stack([basis, values - level]), lower=1)
    white_basis, triangle = np.linalg.qr(white[:, :-1])
    trend = white_basis.T @ white[:, -1]
    residual = white[:, -1] - white_basis @ trend
    duals = blas.dtrsm(
        1.0, lower, np.column_stack([residual, white_basis]), lower=1, trans_a=1
    )
    return KrigingSystem(
        variogram=variogram, origin=origin, places=places, lower=lower,
        duals=np.ascontiguousarray(duals.T), frame=frame, trend=trend, level=level,
        trend_root=blas.dtrsm(1.0, triangle, np.eye(len(triangle))),
    )


def checked_samples(
    places: FloatArray, values: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Places (n, 2) and values (n,) as finite floats, n >= 1, else `ComputeError`."""
    places = np.ascontiguousarray(places, dtype=np.float64)
    values = np.asarray(values, dtype=np.float64)
    n = len(values) if values.ndim == 1 else 0
    if n < 1 or places.shape != (n, 2):
        raise ComputeError(
            f"places have shape {places.shape} and values {values.shape}",
            code="surface-shape", hint="give places (n, 2) and values (n,) of at least one sample",
        )
    bad = np.flatnonzero(~(np.isfinite(values) & np.isfinite(places).all(axis=1)))
    if len(bad):
        raise ComputeError(
            f"{len(bad)} of {len(values)} samples have a value or place that is not a finite "
            f"number, the first is no. {bad[0] + 1}",
            code="surface-not-finite", hint="leave these samples out or correct them",
        )
    return places, values


def _factor(places: FloatArray, variogram: Variogram) -> FloatArray:
    """Lower Cholesky factor of the samples' covariance, in Fortran order."""
    sample_cov = correlate(
        model=variogram.model, distance_m=cdist(places, places), range_m=variogram.range_m
    )
    sample_cov *= variogram.partial_sill
    sample_cov[np.diag_indices_from(sample_cov)] += variogram.nugget
    lower, info = lapack.dpotrf(sample_cov.T, lower=1, clean=1, overwrite_a=1)
    pivots = np.diagonal(lower)
    sill = variogram.nugget + variogram.partial_sill
    # A pivot at the level of rounding: the factor exists, but what it says is noise.
    if info != 0 or not pivots.min() ** 2 > 4.0 * len(places) * np.finfo(float).eps * sill:
        raise ComputeError(
            f"the covariance matrix of {len(places)} samples is not positive definite",
            code="surface-singular",
            hint="merge samples at one place, or give a variogram with a nugget",
        )
    return np.asarray(lower)


def solve_chunk(
    system: KrigingSystem, to_sample: FloatArray, basis: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Estimates (m,) and how far their variance lies below the prior one (m,).

    to_sample (n, m) covariances, C-ordered, is overwritten; basis (m, p + 1) from the frame.
    """
    own = basis @ system.trend_root
    weighed = system.duals @ to_sample
    estimate = own @ system.trend + weighed[0]
    lack = own.T - weighed[1:]
    # The transpose of a C-ordered buffer is Fortran-ordered: solved in place, without a copy.
    white = blas.dtrsm(
        1.0, system.lower, to_sample.T, side=1, lower=1, trans_a=1, overwrite_b=1
    )
    fall = np.einsum("ij,ij->i", white, white)
    fall -= np.einsum("ij,ij->j", lack, lack)
    return estimate + system.level, fall


def checked_targets(targets: FloatArray) -> FloatArray:
    """Targets as (m, 2) finite floats, else `ComputeError`."""
    targets = np.ascontiguousarray(targets, dtype=np.float64)
    if targets.ndim != 2 or targets.shape[1] != 2 or not np.isfinite(targets).all():
        raise ComputeError(
            f"targets of shape {targets.shape} are not (m, 2) finite metres",
            code="surface-targets", hint="give easting and northing of every target in metres",
        )
    return targets


CLOSE = 1e-6
"""Share of the largest square from the centre below which a squared distance is taken anew."""


def _samples_side(places: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The samples' middle (2,), and their factor (n, 4) of squared distances about it."""
    middle = places.mean(axis=0)
    own = places - middle
    return middle, np.column_stack([-2.0 * own, (own * own).sum(axis=1), np.ones(len(own))])


def _fill_covariances(
    system: KrigingSystem, side: tuple[FloatArray, FloatArray], at: FloatArray, nugget: float,
    out: FloatArray,
) -> None:
    """Covariances of the samples to stretched targets (m, 2) into (n, m); nugget at no distance.

    Squared distances come from one matrix product, |a|^2 - 2 a.b + |b|^2 about the samples' middle
    (`side`, of `_samples_side`), which is a fifth faster than pair after pair. What that leaves of
    a short distance is rounding, so short ones are taken anew from the differences.
    """
    variogram, places = system.variogram, system.places
    middle, left = side
    other = at - middle
    square = (other * other).sum(axis=1)
    right = np.vstack([other.T, np.ones(len(other)), square])
    close = CLOSE * max(float(left[:, 2].max()), float(square.max()))
    # Some rows at a time, which stay near the processor from distance to covariance.
    for start in range(0, len(out), CHUNK_SAMPLES):
        rows = out[start : start + CHUNK_SAMPLES]
        np.matmul(left[start : start + CHUNK_SAMPLES], right, out=rows)
        met = False
        if rows.min() <= close:
            i, j = np.nonzero(rows <= close)
            rows[i, j] = short = ((places[start + i] - at[j]) ** 2).sum(axis=1)
            met = nugget > 0.0 and float(short.min()) <= SAME_PLACE_M**2
        np.sqrt(rows, out=rows)
        on_sample = rows <= SAME_PLACE_M if met else None
        correlate(model=variogram.model, distance_m=rows, range_m=variogram.range_m)
        rows *= variogram.partial_sill
        if on_sample is not None:
            rows[on_sample] += nugget


def point_krige(
    *,
    system: KrigingSystem,
    targets: FloatArray,
    drift: FloatArray | None = None,
    filtered: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Kriged values and kriging variances at `targets` (m, 2) metres; both (m,).

    drift (m, p) holds the system's columns at the targets. `filtered` takes the error variance out
    of values and variances. The values come from dual weights, the variances from the whitened
    covariances, in chunks, so that no array grows beyond n x 512. Source: Cressie, Statistics for
    Spatial Data (1993), sections 3.2 and 3.4 (from memory).
    """
    targets = checked_targets(targets)
    basis = system.frame.basis(drift, len(targets), "targets")
    variogram = system.variogram
    nugget = variogram.nugget - (variogram.error_variance if filtered else 0.0)
    at = stretched(variogram=variogram, places=targets, origin=system.origin)
    side = _samples_side(system.places)
    estimate, fall = np.empty(len(at)), np.empty(len(at))
    buffer = np.empty(len(system.places) * min(CHUNK_CELLS, len(at)))
    for start in range(0, len(at), CHUNK_CELLS):
        part = slice(start, start + CHUNK_CELLS)
        to_sample = buffer[: len(system.places) * len(at[part])].reshape(len(system.places), -1)
        _fill_covariances(system, side, at[part], nugget, to_sample)
        estimate[part], fall[part] = solve_chunk(system, to_sample, basis[part])
    # Rounding alone can leave -1e-16 of the sill on a sample.
    return estimate, np.maximum(nugget + variogram.partial_sill - fall, 0.0)


def kriging_leave_one_out(*, system: KrigingSystem) -> tuple[FloatArray, FloatArray]:
    """Leave-one-out residuals (measured - estimated) and variances, both (n,), in closed form.

    With Q = K^-1 - K^-1 F (F' K^-1 F)^-1 F' K^-1: residual = (Q z)_i / Q_ii, variance = 1 / Q_ii.
    The covariance parameters are kept. Raises `ComputeError` (surface-drift-one-sample) where a
    drift column says nothing without one of the samples. Source: Dubrule, Cross validation of
    kriging in a unique neighborhood, Mathematical Geology 15 (1983) 687-699.
    """
    inverse, _ = lapack.dtrtri(system.lower, lower=1)
    inverse_diagonal = np.einsum("ij,ij->j", inverse, inverse)
    residual, trend_duals = system.duals[0], system.duals[1:]
    q_diagonal = inverse_diagonal - np.einsum("ij,ij->j", trend_duals, trend_duals)
    hung = np.flatnonzero(q_diagonal <= 1e-9 * inverse_diagonal)
    if len(hung):
        raise ComputeError(
            f"without sample no. {hung[0] + 1} a drift column of "
            f"{', '.join(system.frame.names) or 'the mean'} cannot be fitted",
            code="surface-drift-one-sample",
            hint="leave out the column that differs at this sample only",
        )
    return residual / q_diagonal, 1.0 / q_diagonal
