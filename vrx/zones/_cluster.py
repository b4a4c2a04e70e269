"""Clustering numerics: k-means, fuzzy c-means and how well a number of clusters parts the cells."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from pathlib import Path

import numpy as np

from vrx.model import ClusterScore, FloatArray, IntArray

_ROUNDS = 300
_SETTLED = 1e-4


@lru_cache(maxsize=1)
def _told() -> dict[str, dict[str, object]]:
    with Path(__file__).with_name("clusters.toml").open("rb") as file:
        return tomllib.load(file)


def settings() -> dict[str, float]:
    """Name → value of `clusters.toml`."""
    return {name: float(str(entry["value"])) for name, entry in _told().items()}


def source_of(name: str) -> str:
    """Where a setting comes from, with its evidence."""
    return f"{_told()[name]['locator']}, {_told()[name]['evidence']}"


def kmeans(values: FloatArray, number: int, *, seed: int) -> FloatArray:
    """Centres (number, layers) of the best of ten seeded runs of k-means on (cells, layers)."""
    # scikit-learn costs 0.8 s to import, so only where it is used.
    from sklearn.cluster import KMeans

    found = KMeans(n_clusters=number, n_init=10, random_state=seed).fit(values)
    return np.asarray(found.cluster_centers_, dtype=np.float64)


def nearest(values: FloatArray, centres: FloatArray) -> IntArray:
    """The nearest centre of each cell, (cells,)."""
    return np.asarray(_squares(values, centres).argmin(axis=1), dtype=np.int64)


def memberships(values: FloatArray, centres: FloatArray, fuzziness: float) -> FloatArray:
    """(cells, clusters), rows adding up to 1: 1 / sum over j of (d_i / d_j)^(2 / (m - 1)).

    Source: Bezdek 1981, Pattern Recognition with Fuzzy Objective Function Algorithms, eq. 11.3a.
    """
    # Relative to the nearest centre, so that no power overflows; a cell on a centre is wholly its.
    squares = np.maximum(_squares(values, centres), 1e-24)
    weight = (squares.min(axis=1, keepdims=True) / squares) ** (1.0 / (fuzziness - 1.0))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def fuzzy_c_means(values: FloatArray, start: FloatArray, *, fuzziness: float) -> FloatArray:
    """Centres (clusters, layers) that fuzzy c-means settles on from starting centres.

    Alternates memberships and centres, the means weighted by membership^m (Bezdek 1981, eq. 11.3b),
    until no centre moves by more than 1e-4 of the layers' standard deviation.
    """
    centres = start
    for _ in range(_ROUNDS):
        member = memberships(values, centres, fuzziness)
        # The same power, many times faster.
        weight = member * np.sqrt(member) if fuzziness == 1.5 else member**fuzziness
        moved = (weight.T @ values) / weight.sum(axis=0)[:, None]
        step = float(np.abs(moved - centres).max())
        centres = moved
        if step < _SETTLED:
            break
    return centres


def silhouettes(values: FloatArray, labels: IntArray) -> float:
    """Mean silhouette (Rousseeuw 1987) of cells (n, layers) in clusters (n,); nan for one cluster.

    A cell alone in its cluster counts 0.
    """
    kinds, of = np.unique(labels, return_inverse=True)
    if len(kinds) < 2:
        return float("nan")
    one = np.eye(len(kinds))[of]
    size = one.sum(axis=0)
    total = 0.0
    for start in range(0, len(values), 512):
        part = slice(start, start + 512)
        distance = np.sqrt(_squares(values[part], values))
        away = distance @ one
        own = of[part]
        rows = np.arange(len(own))
        inner = away[rows, own] / np.maximum(size[own] - 1, 1)
        mean = away / size
        mean[rows, own] = np.inf
        outer = mean.min(axis=1)
        most = np.maximum(inner, outer)
        value = np.where((size[own] > 1) & (most > 0), (outer - inner) / np.where(
            most > 0, most, 1.0), 0.0)
        total += float(value.sum())
    return total / len(values)


def score(
    values: FloatArray, sample: IntArray, centres: FloatArray, fuzzy: FloatArray,
    labels: IntArray,
) -> ClusterScore:
    """The four scores of one number of clusters.

    `fuzzy` (cells, clusters) are memberships, `labels` (cells,) the hard clusters of `centres`.
    Fuzziness index 1 - (k F - 1) / (k - 1) with F the mean square membership (Roubens 1982);
    entropy -sum u log u / log k per cell (dividing by log k, not by 1 - k/n, which only grows with
    k); variance reduction 1 - within / total sum of squares.
    """
    number = len(centres)
    square = float((fuzzy**2).sum() / len(fuzzy))
    entropy = float(-(fuzzy * np.log(np.maximum(fuzzy, 1e-300))).sum() / len(fuzzy))
    within = float(((values - _means(values, labels, number)[labels]) ** 2).sum())
    total = float(((values - values.mean(axis=0)) ** 2).sum())
    return ClusterScore(
        number=number, silhouette=silhouettes(values[sample], labels[sample]),
        fuzziness_index=1.0 - (number * square - 1.0) / (number - 1.0),
        entropy=entropy / float(np.log(number)), variance_reduction=1.0 - within / total,
    )


def _means(values: FloatArray, labels: IntArray, number: int) -> FloatArray:
    count = np.maximum(np.bincount(labels, minlength=number), 1)
    return np.stack([
        np.bincount(labels, weights=column, minlength=number) / count for column in values.T
    ], axis=1)


def _squares(values: FloatArray, centres: FloatArray) -> FloatArray:
    """Squared distances (n, m), never below 0."""
    found = (values**2).sum(axis=1)[:, None] - 2.0 * (values @ centres.T) + (
        centres**2).sum(axis=1)
    return np.asarray(np.maximum(found, 0.0))
