"""Seeded samples of a field whose covariance is known, for the tests of maps and their errors."""

from __future__ import annotations

import numpy as np

from vrx.model import FloatArray


def simulated(n: int = 60, seed: int = 1) -> tuple[FloatArray, FloatArray]:
    """Places (n, 2) in 800 m x 800 m and values (n,) about 150 ppm.

    Exponential covariance: nugget 120, partial sill 400, length scale 150 m.
    """
    rng = np.random.default_rng(seed)
    places = rng.uniform(0.0, 800.0, (n, 2))
    distance = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    root = np.linalg.cholesky(np.exp(-distance / 150.0) + 0.3 * np.eye(n))
    return places, 150.0 + 20.0 * (root @ rng.normal(size=n))
