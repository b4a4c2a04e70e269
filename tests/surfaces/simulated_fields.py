"""Seeded fields of 65 ha with known covariance: for studies of variograms and of intervals."""

from __future__ import annotations

import numpy as np

from vrx.model import FloatArray

SIDE_M = 806.0
"""Side of a square of 65 ha (160 ac), metres."""


def layout(kind: str, n: int, rng: np.random.Generator) -> FloatArray:
    """Places (n, 2): "random", or a "grid" filled row by row."""
    if kind == "random":
        return rng.uniform(0.0, SIDE_M, (n, 2))
    across = int(np.ceil(np.sqrt(n)))
    down = int(np.ceil(n / across))
    east, north = np.meshgrid(
        (np.arange(across) + 0.5) * SIDE_M / across, (np.arange(down) + 0.5) * SIDE_M / down
    )
    return np.column_stack([east.ravel(), north.ravel()])[:n]


def shape(truth: str, distance: FloatArray, range_m: float | None = None) -> FloatArray:
    """Correlation of the truth; all have a practical range of about 400 m unless one is given.

    "gaussian" (very smooth) and "two scales" are none of the models that are fitted.
    """
    if truth == "exponential":
        return np.exp(-distance / (range_m or 150.0))
    if truth == "spherical":
        h = np.minimum(distance / (range_m or 400.0), 1.0)
        return 1.0 - 1.5 * h + 0.5 * h**3
    if truth == "matern-3/2":
        h = distance / (range_m or 90.0)
        return (1.0 + h) * np.exp(-h)
    if truth == "gaussian":
        return np.exp(-((distance / (range_m or 230.0)) ** 2))
    if truth == "two scales":
        return 0.5 * np.exp(-distance / 40.0) + 0.5 * np.exp(-((distance / 350.0) ** 2))
    raise ValueError(truth)


def field(
    *, truth: str, kind: str, n: int, nugget_share: float, rng: np.random.Generator,
    targets: int = 0, range_m: float | None = None, slope_per_100m: float = 0.0,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Sample places (n, 2) and values (n,) of total sill 1, target places and new samples there.

    `slope_per_100m` adds a linear trend to the east, in standard deviations.
    """
    places = layout(kind, n, rng)
    everywhere = np.vstack([places, rng.uniform(0.0, SIDE_M, (targets, 2))])
    distance = np.hypot(*(everywhere[:, None] - everywhere[None]).transpose(2, 0, 1))
    cov = (1.0 - nugget_share) * shape(truth, distance, range_m)
    cov[np.diag_indices_from(cov)] += nugget_share + 1e-10
    values = np.linalg.cholesky(cov) @ rng.normal(size=len(everywhere))
    values += slope_per_100m * everywhere[:, 0] / 100.0
    return places, values[:n], everywhere[n:], values[n:]
