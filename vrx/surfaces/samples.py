"""Samples made ready: checked, put in a fixed order, merged, thinned; and doubts about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from scipy.special import ndtri

from vrx.errors import ComputeError
from vrx.model import Finding, FloatArray, IntArray, note, warn

MERGE_M = 0.01
"""Samples closer than this are one place: intake merges at its own, larger distance first."""
MOST_SAMPLES = 3000
"""The most samples for which an n x n matrix is made (72 MB)."""
PICKED = 1500
"""Of more samples than that, so many are taken for the variogram and the scores."""
MOST_VALUE = 1e50
"""Greatest value that squares and sums can carry; far beyond any soil test."""
_MOST_PAIRS_EACH = 50
LINE_RATIO = 0.01
"""Spread across / spread along below which samples lie on one line."""
OUTLIER_Z = 3.5
LEAST_FOR_OUTLIERS = 5
NAMED = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Samples:
    """Samples of one analyte: places (n, 2) metres, values (n,), a name each, what was found.

    `censored` (n,) is -1 below a limit (`values` then holds half of it), 1 above one, 0 measured.
    `beside` (n, p) are covariates, NaN where they have no value. Where there are more samples than
    one system holds, these are some of them and `many` is all.
    """

    analyte: str
    unit: str
    places: FloatArray
    values: FloatArray
    names: tuple[str, ...]
    censored: IntArray
    beside: FloatArray
    findings: tuple[Finding, ...] = field(default=())
    many: Samples | None = None

    def __len__(self) -> int:
        return len(self.values)


def listed(names: Sequence[str]) -> str:
    """Names for a sentence, the first 8 of them."""
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return ", ".join(names[:NAMED]) + more


def _check(
    analyte: str, places: FloatArray, values: FloatArray, names: tuple[str, ...]
) -> None:
    if places.ndim != 2 or places.shape[1] != 2 or values.shape != (len(places),):
        raise ComputeError(
            f"places have shape {places.shape} and values {values.shape}",
            code="surface-shape", where=analyte, hint="give places (n, 2) and values (n,)",
        )
    if len(names) != len(values):
        raise ComputeError(
            f"{len(names)} sample ids for {len(values)} samples",
            code="surface-shape", where=analyte, hint="give one id per sample",
        )
    if len(values) == 0:
        raise ComputeError(
            "there is no sample", code="surface-no-samples", where=analyte,
            hint="check that the column is mapped and that samples lie in the field",
        )
    # NaN compares false, so that it counts as beyond.
    bad = np.flatnonzero(~((np.abs(values) <= MOST_VALUE) & np.isfinite(places).all(axis=1)))
    if len(bad):
        raise ComputeError(
            f"{len(bad)} of {len(values)} samples have a value or place that is not a finite "
            f"number (or beyond {MOST_VALUE:g}): {listed([names[i] for i in bad])}",
            code="surface-not-finite", where=analyte,
            hint="leave these samples out or correct them",
        )


def _together(places: FloatArray) -> IntArray | None:
    """Which places (n,) are one, numbered; None where all lie apart.

    Of a logger that stood, thousands lie within a centimetre: all their pairs would fill the
    memory. They are gathered in cells first whose places all lie closer than that.
    """
    # Equal places first: a tree of many equal points takes very long to build.
    apart, start = np.unique(places, axis=0, return_inverse=True)
    start = start.reshape(-1)
    tree = cKDTree(apart)
    if tree.count_neighbors(tree, MERGE_M) > (1 + _MOST_PAIRS_EACH) * len(apart):
        cell = np.floor((apart - apart.min(axis=0)) / (MERGE_M / np.sqrt(2.0)))
        within = np.unique(cell, axis=0, return_inverse=True)[1].reshape(-1)
        count = np.bincount(within)
        tree = cKDTree(np.column_stack(
            [np.bincount(within, weights=apart[:, axis]) / count for axis in (0, 1)]))
        start = within[start]
    pairs = tree.query_pairs(MERGE_M, output_type="ndarray")
    if len(pairs) == 0 and tree.n == len(places):
        return None
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(tree.n, tree.n))
    return np.asarray(connected_components(links, directed=False)[1][start])


def _joined(names: Sequence[str]) -> str:
    more = f" + {len(names) - NAMED} more" if len(names) > NAMED else ""
    return " + ".join(names[:NAMED]) + more


def merge_places(samples: Samples) -> Samples:
    """Samples at one place (closer than 1 cm) as one, with mean place and mean value."""
    group = _together(samples.places)
    if group is None:
        return samples
    # Number groups by first member, so that the fixed order stays.
    first, group = np.unique(group, return_index=True, return_inverse=True)[1:]
    group = np.argsort(np.argsort(first))[group]
    count = np.bincount(group).astype(np.float64)
    places = np.column_stack(
        [np.bincount(group, weights=samples.places[:, axis]) / count for axis in (0, 1)]
    )
    members: list[list[str]] = [[] for _ in count]
    for name, index in zip(samples.names, group, strict=True):
        members[index].append(name)
    names = tuple(_joined(sorted(part)) for part in members)
    values = np.bincount(group, weights=samples.values) / count
    told = [
        f"{name} = {value:g}"
        for name, value, k in zip(names, values, count, strict=True)
        if k > 1
    ]
    merged = note(
        "surface-merged", samples.analyte,
        f"{int(count[count > 1].sum())} samples lie at {len(told)} places: {listed(told)}",
        done="samples at one place were averaged",
    )
    # A bound only where every sample of the place is one, on the same side.
    censored = np.zeros(len(count), dtype=np.int64)
    for side in (-1, 1):
        censored[np.bincount(group, weights=samples.censored == side) == count] = side
    return replace(
        samples, places=places, values=values, names=names, censored=censored,
        beside=_means(samples.beside, group, count), findings=(*samples.findings, merged),
    )


def _means(columns: FloatArray, group: IntArray, count: FloatArray) -> FloatArray:
    """Means by group of columns (n, p), NaN where one of the group has none."""
    found = np.empty((len(count), columns.shape[1]))
    for j, column in enumerate(columns.T):
        found[:, j] = np.bincount(group, weights=column, minlength=len(count)) / count
    return found


def block_average(
    *, places: FloatArray, values: FloatArray, most: int
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Mean place, mean value and count of square blocks, at most `most`, and the block's side, m.

    The smallest side of a rising series is taken that gives few enough blocks.
    """
    block, count, side = _square_blocks(places, most)
    means = _means(np.column_stack([places, values]), block, count)
    return means[:, :2], means[:, 2], count, side


def _square_blocks(places: FloatArray, most: int) -> tuple[IntArray, FloatArray, float]:
    """The square block of each place, the counts of all, and their side, m."""
    corner = places.min(axis=0)
    width, height = np.ptp(places, axis=0)
    side = max(float(np.sqrt(width * height / most)), float(max(width, height)) / most, MERGE_M)
    while True:
        cell = np.floor((places - corner) / side).astype(np.int64)
        key = cell[:, 1] * (int(cell[:, 0].max()) + 1) + cell[:, 0]
        _, block = np.unique(key, return_inverse=True)
        count = np.bincount(block).astype(np.float64)
        if len(count) <= most:
            return np.asarray(block), count, side
        side *= 1.1


def _thin(samples: Samples) -> Samples:
    """Some of too many samples, always the same ones of as many, with all of them beside."""
    n = len(samples)
    if n <= MOST_SAMPLES:
        return samples
    # Seeded, and from a fixed order; not every so many-th, which could follow a machine's passes.
    pick = np.sort(np.random.default_rng(n).permutation(n)[:PICKED])
    limited = int(np.count_nonzero(samples.censored))
    picked = note(
        "surface-many-samples", samples.analyte,
        f"{n} samples are more than {MOST_SAMPLES}, the most that one system holds",
        done=f"variogram and scores from {PICKED} of them, drawn by lot; the map from all, kriged "
        "from the means of small squares, the nearest to each cell"
        + (f"; {limited} results beyond a limit count as half of it, or as it" if limited else ""),
    )
    values = samples.values
    return replace(
        samples, places=samples.places[pick], values=values[pick], beside=samples.beside[pick],
        names=tuple(samples.names[i] for i in pick), censored=np.zeros(PICKED, dtype=np.int64),
        findings=(*samples.findings, picked), many=samples,
    )


def robust_z(values: FloatArray) -> FloatArray:
    """Modified z-scores 0.6745 (z - median) / MAD, (n,); all 0 below 5 values and where
    more than half are equal.

    Source: Iglewicz and Hoaglin, How to Detect and Handle Outliers (1993), with their limit of 3.5
    (from memory).
    """
    if len(values) < LEAST_FOR_OUTLIERS:
        return np.zeros_like(values)
    distance = values - np.median(values)
    mad = float(np.median(np.abs(distance)))
    return np.asarray(0.6745 * distance / mad) if mad > 0.0 else np.zeros_like(values)


def outlier_limit(n: int) -> float:
    """|z| beyond which one of n values is doubted: 3.5, and more where chance alone gives 3.5.

    Above 107 values it is the normal deviate that n good values exceed once in 20 fields.
    """
    return max(OUTLIER_Z, -float(ndtri(0.025 / n)))


def outlier_finding(
    samples: Samples, scores: FloatArray, kind: str
) -> tuple[Finding, ...]:
    """A finding that names every sample beyond `outlier_limit`, largest first; or nothing."""
    limit = outlier_limit(len(scores))
    far = [int(i) for i in np.argsort(-np.abs(scores)) if abs(scores[i]) > limit]
    if not far:
        return ()
    rest = np.delete(samples.values, far)
    means = f"kept: the mean is {samples.values.mean():.4g} {samples.unit}"
    if len(rest):
        means += f", without them {rest.mean():.4g}"
    told = [f"{samples.names[i]} ({samples.values[i]:g}; {kind} {scores[i]:.1f})" for i in far]
    return (
        warn(
            "surface-outlier", samples.analyte,
            f"{len(far)} of {len(samples)} values lie far from the others: {listed(told)}",
            value=f"{samples.values[far[0]]:g}", done=means,
            todo="check them against the lab report before ordering, since they move the map; "
            f"leave a wrong one out: [soil] leave_out = [{samples.names[far[0]]!r}]",
        ),
    )


def on_one_line(places: FloatArray) -> bool:
    """Whether three or more places lie on one line, within 1 % of their spread along it."""
    if len(places) < 3:
        return False
    along, across = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
    return bool(across <= LINE_RATIO * along)


def prepare(
    *,
    analyte: str,
    unit: str,
    places: FloatArray,
    values: FloatArray,
    sample_id: tuple[str, ...] | None = None,
    censored: IntArray | None = None,
    beside: FloatArray | None = None,
) -> Samples:
    """Checked samples in an order that does not depend on the rows' order, merged and thinned.

    `censored` (n,) and `beside` (n, p) as in `Samples`; without them nothing is. Raises
    `ComputeError` for no sample, wrong shapes and values that are not finite.
    """
    places = np.asarray(places, dtype=np.float64)
    values = np.asarray(values, dtype=np.float64)
    names = sample_id
    if names is None:
        names = tuple(f"sample no. {i + 1}" for i in range(len(values)))
    _check(analyte, places, values, names)
    n = len(values)
    censored = np.zeros(n, dtype=np.int64) if censored is None else np.asarray(censored)
    beside = np.empty((n, 0)) if beside is None else np.asarray(beside, dtype=np.float64)
    if censored.shape != (n,) or beside.shape != (n, *beside.shape[1:2]):
        raise ComputeError(
            f"censored has shape {censored.shape} and covariates {beside.shape} for {n} samples",
            code="surface-shape", where=analyte, hint="give one row per sample",
        )
    order = np.lexsort((values, places[:, 1], places[:, 0]))
    ordered = Samples(
        analyte=analyte, unit=unit, places=places[order], values=values[order],
        names=tuple(names[i] for i in order), censored=censored[order].astype(np.int64),
        beside=beside[order],
    )
    merged = merge_places(ordered)
    measured = np.where(merged.censored == 0, robust_z(merged.values), 0.0)
    found = outlier_finding(merged, measured, "robust z")
    return _thin(replace(merged, findings=(*merged.findings, *found)))
