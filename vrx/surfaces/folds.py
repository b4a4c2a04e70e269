"""Compact blocks of samples that are left out together."""

from __future__ import annotations

import numpy as np

from vrx.model import FloatArray, IntArray

LEAST_FOR_BLOCKS = 12
BLOCKS = 8
LEAST_IN_A_BLOCK = 3


def spatial_blocks(places: FloatArray) -> IntArray | None:
    """The block (n,) of each of `places` (n, 2) metres: 8, or 4 below 24; None below 12 places.

    The places are halved across their longest extent (the first principal axis), and each half
    again: blocks of equal counts, compact, given by the places alone and turning with them.
    """
    n = len(places)
    if n < LEAST_FOR_BLOCKS:
        return None
    depth = 3 if n >= BLOCKS * LEAST_IN_A_BLOCK else 2
    block = np.zeros(n, dtype=np.int64)
    for _ in range(depth):
        block *= 2
        for one in np.unique(block):
            inside = np.flatnonzero(block == one)
            block[inside[_further_half(places[inside])]] += 1
    return block


def _further_half(places: FloatArray) -> IntArray:
    about = places - places.mean(axis=0)
    spread = about.T @ about
    gap = np.hypot(spread[0, 0] - spread[1, 1], 2.0 * spread[0, 1])
    if gap <= 1e-6 * np.trace(spread):
        axis = np.array([1.0, 0.0])
    else:
        axis = np.linalg.eigh(spread)[1][:, 1]
        # An eigenvector has no sign of its own: it points where the places reach farther.
        if ((about @ axis) ** 3).sum() < 0.0:
            axis = -axis
    # Rounded, so that places level with each other fall by their fixed order, not by rounding.
    along = np.round(about @ axis / (np.sqrt(np.trace(spread)) or 1.0), 9)
    return np.asarray(np.argsort(along, kind="stable")[len(places) // 2 :])
