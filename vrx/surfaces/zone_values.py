"""What a map says of zones beside their mean: spread, classes, and how much zones explain."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr

from vrx.errors import ComputeError
from vrx.model import FloatArray, IntArray, Surface

PERCENTILES = (10.0, 50.0, 90.0)
_PIECEWISE = frozenset({"surface-many-samples", "surface-drift-gaps"})
Cells = Sequence[tuple[IntArray, FloatArray]]
"""Per zone the flat positions (m,) of its cells and the covered share of each, as `geo.zone_cells`
gives them."""


def mean_is(surface: Surface) -> str:
    """What the area-weighted mean of a map over a zone is: "block kriging" or "mean of the map".

    Kriging is linear in the covariances to its target, so the mean of cells kriged with one
    variogram and all samples is the kriged mean of the block that they make. It differs only where
    a cell's centre is a sample (that cell returns the sample, the block does not) and where values
    were held within those measured. Cells kriged from their neighbours only, or in part without a
    layer that has gaps, are no one block.
    """
    whole = not any(one.code in _PIECEWISE for one in surface.findings)
    kriged = surface.method.startswith("kriging") and whole
    return "block kriging" if kriged else "mean of the map"


def zone_percentiles(
    *, values: FloatArray, cells: Cells, percentiles: Sequence[float] = PERCENTILES
) -> FloatArray:
    """Percentiles of a map over the area of each zone, (percentiles, zones).

    The p-th is the least value that p % of the zone's area does not exceed, every cell counting by
    its covered share (the inverse of the distribution function, without interpolation).
    """
    flat = values.ravel()
    found = np.empty((len(percentiles), len(cells)))
    for zone, (position, share) in enumerate(cells):
        order = np.argsort(flat[position], kind="stable")
        ordered, upto = flat[position][order], np.cumsum(share[order])
        # A hair below, so that a share that should be exactly p is not passed over by rounding.
        wanted = np.asarray(percentiles) / 100.0 * upto[-1] * (1.0 - 1e-12)
        at = np.minimum(np.searchsorted(upto, wanted), len(ordered) - 1)
        found[:, zone] = ordered[at]
    return found


def _limits(breaks: Sequence[float], means: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lower and upper limit (zones,) of the class of each mean; a break belongs to the upper."""
    edges = np.array([-np.inf, *breaks, np.inf])
    if (np.diff(edges) <= 0).any() or np.isnan(edges).any():
        raise ComputeError(
            f"class breaks {list(breaks)} do not ascend", code="surface-zone-breaks",
            hint="give each break once, lowest first",
        )
    at = np.searchsorted(edges[1:-1], means, side="right")
    return edges[at], edges[at + 1]


def share_outside(
    *, values: FloatArray, cells: Cells, means: FloatArray, breaks: Sequence[float]
) -> FloatArray:
    """Share of each zone's area that the map has in another class than the zone's mean; (zones,).

    `means` (zones,) tell the class that a zone is treated as, `breaks` ascend, a value equal to one
    belongs to the class above it. Raises `ComputeError` for breaks that do not ascend.
    """
    low, high = _limits(breaks, means)
    flat = values.ravel()
    return np.array([
        float(share[(flat[at] < low[k]) | (flat[at] >= high[k])].sum() / share.sum())
        for k, (at, share) in enumerate(cells)
    ])


def chance_outside(
    *, values: FloatArray, standard_error: FloatArray, cells: Cells, means: FloatArray,
    breaks: Sequence[float],
) -> FloatArray:
    """Share of each zone's area expected in another class than the zone's mean; (zones,).

    Each cell is normal about the map with its `standard_error` (rows, columns); the share is the
    mean of the cells' chances. With the standard error of a new sample it is the share of new
    samples that would be of another class. Otherwise as `share_outside`.
    """
    low, high = _limits(breaks, means)
    value, error = values.ravel(), standard_error.ravel()
    found = np.empty(len(cells))
    for k, (at, share) in enumerate(cells):
        own = (value[at] >= low[k]) & (value[at] < high[k])
        spread = np.where(error[at] > 0.0, error[at], 1.0)
        normal = ndtr((high[k] - value[at]) / spread) - ndtr((low[k] - value[at]) / spread)
        inside = np.where(error[at] > 0.0, normal, own.astype(np.float64))
        found[k] = 1.0 - float(share @ inside / share.sum())
    return np.clip(found, 0.0, 1.0)


def explained_of_map(*, values: FloatArray, cells: Cells) -> float:
    """Share of the map's variance over all zones that lies between their means; NaN if it has none.

    1 - (area-weighted variance within zones) / (variance over all), cells by their covered share.
    """
    flat = values.ravel()
    weight = np.array([share.sum() for _, share in cells])
    means = np.array([share @ flat[at] / share.sum() for at, share in cells])
    whole = float(weight @ means / weight.sum())
    total = sum(float(share @ (flat[at] - whole) ** 2) for at, share in cells)
    between = float(weight @ (means - whole) ** 2)
    level = max(abs(whole), float(np.abs(means).max()))
    if total <= (1e-12 * level) ** 2 * float(weight.sum()):
        return float("nan")
    return between / total


def explained_of_samples(*, values: FloatArray, zone: IntArray) -> float:
    """How much better the zones tell a sample left out than the field mean does; at most 1.

    1 - sum (value - mean of the others of its zone)^2 / sum (value - mean of all others)^2, over
    `values` (n,) in the zones `zone` (n,). A sample alone in its zone is told by the mean of all
    others. Zones that were made from these very samples look a little better than they are. NaN
    below three samples and where all are equal.
    """
    n = len(values)
    if n < 3:
        return float("nan")
    centred = values - values.mean()
    by_mean = centred * n / (n - 1)
    total = float(by_mean @ by_mean)
    if total <= n * (1e-12 * max(abs(float(values.mean())), 1e-300)) ** 2:
        return float("nan")
    _, index, count = np.unique(zone, return_inverse=True, return_counts=True)
    own = np.bincount(index, weights=centred) / count
    size = count[index].astype(np.float64)
    by_zone = np.where(
        size > 1, (centred - own[index]) * size / np.maximum(size - 1.0, 1.0), by_mean)
    return 1.0 - float(by_zone @ by_zone) / total
