"""Kriging of blocks: zones, plots and whole grid cells.

The nugget enters the sample matrix but no covariance to or within a block, because distinct points
of a block share no nugget and their mean over an area averages it out.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial.distance import cdist

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.surfaces.covariance import correlate, covariance, stretched
from vrx.surfaces.kriging import CHUNK_CELLS, KrigingSystem, checked_targets, solve_chunk

NEAR_CELLS = 3.0
"""A sample within so many sides of a cell's centre gets the finer of the two Gauss rules."""
FAR_POINTS, NEAR_POINTS, WITHIN_POINTS = 2, 8, 32


def block_krige(
    *,
    system: KrigingSystem,
    points: FloatArray,
    weights: FloatArray | None = None,
    drift: FloatArray | None = None,
) -> tuple[float, float]:
    """Kriged mean of a block and its variance; the block is `points` (m, 2) with `weights` (m,).

    drift (m, p) holds the system's columns at the points. Raises `ComputeError` for a block without
    points or weight. Source: Webster and Oliver (2007), chapter 8 (from memory).
    """
    points = checked_targets(points)
    share = np.ones(len(points)) if weights is None else np.asarray(weights, dtype=np.float64)
    total = float(share.sum()) if share.shape == (len(points),) else 0.0
    if not 0.0 < total < np.inf:
        raise ComputeError(
            f"a block of {len(points)} points has weights of shape {share.shape} and sum {total:g}",
            code="surface-targets", hint="give at least one point and a positive weight",
        )
    share = share / total
    basis = share @ system.frame.basis(drift, len(points), "block points")
    at = stretched(variogram=system.variogram, places=points, origin=system.origin)
    to_sample = share @ covariance(variogram=system.variogram, distance_m=cdist(at, system.places))
    within = share @ covariance(variogram=system.variogram, distance_m=cdist(at, at)) @ share
    mean, fall = solve_chunk(system, np.ascontiguousarray(to_sample[:, None]), basis[None, :])
    return float(mean[0]), max(float(within) - float(fall[0]), 0.0)


def _gauss(points: int) -> tuple[FloatArray, FloatArray]:
    """Places (points^2, 2) in a square of side 1 about zero and weights of the Gauss rule."""
    knots, weights = np.polynomial.legendre.leggauss(points)
    east, north = np.meshgrid(knots / 2.0, knots / 2.0)
    return np.column_stack([east.ravel(), north.ravel()]), np.outer(weights, weights).ravel() / 4.0


def cell_variance(*, variogram: Variogram, cell_m: float) -> float:
    """Mean covariance between two points of a square cell, its prior variance; nugget left out.

    Over all pairs the difference vector has a triangular density in each coordinate, so that two
    quarter squares are integrated; the kink of the model at zero lies in their corner.
    """
    square, weight = _gauss(WITHIN_POINTS)
    step = square + 0.5
    weight = 4.0 * weight * (1.0 - step[:, 0]) * (1.0 - step[:, 1])
    mean = 0.0
    for mirror in (1.0, -1.0):
        apart = stretched(variogram=variogram, places=step * [cell_m * mirror, cell_m])
        mean += 0.5 * float(
            weight @ covariance(variogram=variogram, distance_m=np.hypot(*apart.T))
        )
    return mean


def cell_block_krige(
    *,
    system: KrigingSystem,
    centres: FloatArray,
    cell_m: float,
    drift: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Kriged means of square cells and the variances of these means, both (m,).

    centres (m, 2) metres, sides of `cell_m` along easting and northing; drift (m, p) the cells'
    mean drift. The covariance of a sample to a cell is averaged by 2 x 2 Gauss points, and 8 x 8
    within three sides of the centre.
    """
    if not 0.0 < cell_m < np.inf:
        raise ComputeError(
            f"cells of {cell_m} m have no area", code="surface-targets", hint="give metres above 0"
        )
    variogram, n = system.variogram, len(system.places)
    centres = checked_targets(centres)
    basis = system.frame.basis(drift, len(centres), "cells")
    at = stretched(variogram=variogram, places=centres, origin=system.origin)
    coarse, fine = _gauss(FAR_POINTS), _gauss(NEAR_POINTS)
    far = stretched(variogram=variogram, places=coarse[0] * cell_m)
    near = stretched(variogram=variogram, places=fine[0] * cell_m)
    reach_m = NEAR_CELLS * cell_m * variogram.anisotropy_ratio
    mean, fall = np.empty(len(at)), np.empty(len(at))
    for start in range(0, len(at), CHUNK_CELLS):
        part = slice(start, start + CHUNK_CELLS)
        distance = np.empty((n, len(at[part])))
        to_sample = np.zeros_like(distance)
        sample, cell = np.nonzero(cdist(system.places, at[part], out=distance) < reach_m)
        for offset in far:
            cdist(system.places, at[part] + offset, out=distance)
            to_sample += correlate(
                model=variogram.model, distance_m=distance, range_m=variogram.range_m
            )
        to_sample *= variogram.partial_sill / len(far)
        if len(sample):
            apart = at[part][cell] - system.places[sample]
            close = np.hypot(*(apart[:, None, :] + near).transpose(2, 0, 1))
            to_sample[sample, cell] = fine[1] @ covariance(
                variogram=variogram, distance_m=close
            ).T
        mean[part], fall[part] = solve_chunk(system, to_sample, basis[part])
    prior = cell_variance(variogram=variogram, cell_m=cell_m)
    return mean, np.maximum(prior - fall, 0.0)
