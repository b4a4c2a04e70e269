"""Thin-plate splines whose smoothing is chosen from the samples, with exact left-out residuals.

The spline of values z at places x is a linear surface plus a sum of r^2 log r about every sample,
smoothed by adding `smoothing` to the diagonal of the system. All that depends on the smoothing is
diagonal once the matrix, restricted to what no linear surface explains, is decomposed into its
eigenvectors: one decomposition serves every smoothing, every left-out sample and every left-out
block. Sources: Duchon 1977; Wahba, Spline Models for Observational Data (1990), chapters 2 and 4
(both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr
from scipy.optimize import minimize_scalar
from scipy.spatial.distance import cdist
from scipy.special import xlogy

from vrx.errors import ComputeError
from vrx.model import FloatArray, IntArray
from vrx.surfaces.simple import by_block

LEAST = 8
MOST = 1000
"""Above so many samples the decomposition (n^3) takes seconds: the spline is not tried."""
STEPS = 40
CHUNK_CELLS = 1024


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spline:
    """A fitted spline. `smoothing` is in m^2 (scipy's meaning); make it with `fit_spline`.

    `freedom` is the trace of the influence matrix: 3 for a plane, n where every sample is met.
    `weights` (n,) and `plane` (3,) belong to places moved by `centre` and divided by `scale_m`.
    """

    places: FloatArray
    centre: FloatArray
    scale_m: float
    weights: FloatArray
    plane: FloatArray
    smoothing: float
    freedom: float
    basis: FloatArray
    roots: FloatArray
    along: FloatArray


def _kernel(one: FloatArray, other: FloatArray) -> FloatArray:
    square = cdist(one, other, "sqeuclidean")
    return np.asarray(0.5 * xlogy(square, square))


def _linear(places: FloatArray) -> FloatArray:
    return np.column_stack([np.ones(len(places)), places])


def fit_spline(
    *, places: FloatArray, values: FloatArray, smoothing: float | None = None
) -> Spline:
    """Fit a spline; its smoothing by generalised cross-validation unless it is given (m^2).

    places (n, 2) metres, all different and not on one line, n >= 4; values (n,). Raises
    `ComputeError` (surface-spline) where a plane through the places cannot be told.
    """
    n = len(values)
    centre = places.mean(axis=0)
    scale_m = float(np.sqrt(((places - centre) ** 2).sum(axis=1).mean())) or 1.0
    unit = (places - centre) / scale_m
    turn, triangle = qr(_linear(unit))
    if n < 4 or np.abs(np.diagonal(triangle)).min() <= 1e-6 * np.sqrt(n):
        raise ComputeError(
            f"a plane cannot be told from {n} samples that lie as these do",
            code="surface-spline", hint="sample beside the line, or choose another method",
        )
    rest = turn[:, 3:]
    matrix = _kernel(unit, unit)
    inner = rest.T @ matrix @ rest
    roots, vectors = np.linalg.eigh(0.5 * (inner + inner.T))
    # The kernel is positive definite on this space; rounding may leave -1e-16.
    roots = np.maximum(roots, 1e-14 * float(roots[-1]))
    basis = rest @ vectors
    along = basis.T @ values
    ridge = _chosen(roots, along) if smoothing is None else smoothing / scale_m**2
    weights = basis @ (along / (roots + ridge))
    plane = np.linalg.solve(triangle[:3], turn[:, :3].T @ (values - matrix @ weights
                                                           - ridge * weights))
    freedom = 3.0 + float((roots / (roots + ridge)).sum())
    return Spline(
        places=places, centre=centre, scale_m=scale_m, weights=weights, plane=plane,
        smoothing=ridge * scale_m**2, freedom=freedom, basis=basis, roots=roots + ridge,
        along=along,
    )


def _chosen(roots: FloatArray, along: FloatArray) -> float:
    """The ridge of least generalised cross-validation, from near interpolation to a plane.

    Source: Craven and Wahba, Numerische Mathematik 31 (1979) 377-403 (from memory).
    """
    def criterion(log_ridge: float) -> float:
        share = 1.0 / (1.0 + roots / np.exp(log_ridge))
        return float(((share * along) ** 2).sum() / share.sum() ** 2)

    low, high = np.log(1e-6 * float(roots[0])), np.log(1e4 * float(roots[-1]))
    steps = np.linspace(low, high, STEPS)
    best = int(np.argmin([criterion(step) for step in steps]))
    around = (steps[max(best - 1, 0)], steps[min(best + 1, STEPS - 1)])
    found = minimize_scalar(criterion, bounds=around, method="bounded", options={"xatol": 1e-6})
    return float(np.exp(found.x if found.fun <= criterion(steps[best]) else steps[best]))


def spline_at(*, spline: Spline, targets: FloatArray) -> FloatArray:
    """The spline's values at `targets` (m, 2) metres; (m,)."""
    unit = (spline.places - spline.centre) / spline.scale_m
    estimate = np.empty(len(targets))
    for start in range(0, len(targets), CHUNK_CELLS):
        part = slice(start, start + CHUNK_CELLS)
        moved = (targets[part] - spline.centre) / spline.scale_m
        estimate[part] = _kernel(moved, unit) @ spline.weights + _linear(moved) @ spline.plane
    return estimate


def spline_leave_one_out(*, spline: Spline) -> FloatArray:
    """Leave-one-out residuals (measured - estimated), exact for the smoothing kept; (n,).

    The residual over 1 - its own influence; both carry the ridge as a factor, which cancels, so
    that an interpolating spline has them too.
    """
    return np.asarray(spline.weights / (spline.basis**2 @ (1.0 / spline.roots)))


def spline_leave_block_out(*, spline: Spline, block: IntArray) -> FloatArray:
    """Residuals with each sample's whole `block` (n,) left out, the smoothing kept; (n,)."""
    def precision(inside: IntArray) -> FloatArray:
        own = spline.basis[inside]
        return np.asarray((own / spline.roots) @ own.T)

    return by_block(precision=precision, dual=spline.weights, block=block)
