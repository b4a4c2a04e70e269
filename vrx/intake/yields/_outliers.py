"""Yields far from the harvest's mean, or from their neighbours."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from vrx.model import BoolArray, FloatArray

_PIECE = 100_000
ROBUST_SD = 1.4826
WILD_SD = 10.0


def far_from_mean(
    values: FloatArray, *, most_sd: float, within_share: float = 0.0
) -> tuple[BoolArray, float, float]:
    """Which values (n,) lie more than `most_sd` standard deviations (n - 1) from the mean.

    One pass, not repeated; values within `within_share` of the mean never do. Values beyond ten
    robust standard deviations (1.4826 median absolute deviations) of the median take no part in
    mean and standard deviation, so that one value of 1e30 hides no others. Returns the mask and the
    two limits.
    """
    if len(values) < 3:
        return np.zeros(len(values), dtype=bool), -np.inf, np.inf
    away = np.abs(values - (middle := float(np.median(values))))
    usual = ROBUST_SD * float(np.median(away))
    core = values[away <= WILD_SD * usual] if usual > 0 else values[away <= WILD_SD * abs(middle)]
    core = core if len(core) >= 3 else values
    mean, sd = float(core.mean()), float(core.std(ddof=1))
    # The mean of equal numbers is not always that number.
    reach = max(most_sd * sd, within_share * abs(mean), 1e-9 * abs(mean))
    low, high = mean - reach, mean + reach
    return (values < low) | (values > high), low, high


def beyond_quantiles(
    values: FloatArray, quantiles: tuple[float, float]
) -> tuple[BoolArray, float, float]:
    """Which values (n,) lie below the lower or above the upper quantile, and the limits."""
    if not len(values):
        return np.zeros(0, dtype=bool), -np.inf, np.inf
    low, high = (float(q) for q in np.quantile(values, quantiles))
    return (values < low) | (values > high), low, high


def far_from_neighbours(
    places: FloatArray, values: FloatArray, *, neighbours: int, most_sd: float,
    within_share: float, progress: Callable[[float], None] | None = None,
) -> BoolArray:
    """Which values (n,) stand out from their nearest neighbours.

    The mean and standard deviation (n - 1) are those of the `neighbours` nearest readings without
    the reading itself; it stands out beyond `most_sd` of them, but never within `within_share` of
    the mean of all. `places` is (n, 2). Memory is bounded: pieces of 100,000 readings.
    """
    from scipy.spatial import cKDTree

    out = np.zeros(len(values), dtype=bool)
    if len(values) <= neighbours + 1:
        return out
    least = within_share * abs(float(values.mean()))
    # Splitting at the middle, not the median, builds and asks faster on evenly spread readings.
    tree = cKDTree(places, balanced_tree=False, compact_nodes=False)
    for start in range(0, len(values), _PIECE):
        part = slice(start, start + _PIECE)
        own = np.arange(len(values))[part]
        _, near = tree.query(places[part], k=neighbours + 1, workers=-1)
        # At one place with others the reading itself need not come first.
        itself = near == own[:, None]
        itself[~itself.any(axis=1), -1] = True
        around = values[near[~itself].reshape(len(own), neighbours)]
        away = np.abs(values[part] - around.mean(axis=1))
        out[part] = away > np.maximum(most_sd * around.std(axis=1, ddof=1), least)
        if progress is not None:
            progress(min(1.0, (start + _PIECE) / len(values)))
    return out
