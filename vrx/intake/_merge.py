"""Samples at one place become one: mean of the values, all names told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from vrx.intake._raise import listed
from vrx.intake._readings import Readings
from vrx.model import Finding, FloatArray, IntArray, note, warn


def place_of_each(east: FloatArray, north: FloatArray, *, within_m: float) -> IntArray:
    """A group number (n,) for each point, in order of first appearance; chains join."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    n = len(east)
    places = np.column_stack([east, north])
    pairs = cKDTree(places).query_pairs(max(within_m, 1e-6), output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    raw = connected_components(graph, directed=False)[1]
    order: dict[int, int] = {}
    return np.array([order.setdefault(int(k), len(order)) for k in raw], dtype=np.int64)


def group_mean(values: FloatArray, group: IntArray, count: int) -> FloatArray:
    """Mean of the values that are there, (count,), NaN where a group has none."""
    have = np.isfinite(values)
    total = np.bincount(group[have], weights=values[have], minlength=count)
    number = np.bincount(group[have], minlength=count)
    mean: FloatArray = np.full(count, np.nan)
    np.divide(total, number, out=mean, where=number > 0)
    return mean


def group_censoring(readings: Readings, group: IntArray, count: int) -> IntArray:
    """-1 or 1 where every value of a group is censored that way, else 0."""
    have = np.isfinite(readings.values)
    number = np.bincount(group[have], minlength=count)
    out = np.zeros(count, dtype=np.int64)
    for side in (-1, 1):
        same = np.bincount(group[have & (readings.censored == side)], minlength=count)
        out[(number > 0) & (same == number)] = side
    return out


def _far_apart(
    names: Sequence[Sequence[str]], group: IntArray, count: int, columns: Mapping[str, Readings],
    *, where: str,
) -> list[Finding]:
    """Warnings of merged values that no repeat explains: one is twice another, or more."""
    findings = []
    for analyte, readings in columns.items():
        told = []
        for k in range(count):
            values = readings.values[(group == k) & np.isfinite(readings.values)]
            if len(values) > 1 and values.max() >= 2 * values.min() and values.max() > 0:
                shown = ", ".join(f"{value:.4g}" for value in values)
                told.append(f"{' + '.join(names[k])} ({shown}; mean {values.mean():.4g})")
        if told:
            findings.append(warn(
                "soil-merged-far-apart", where,
                f"{analyte} of one place differs twofold or more: {listed(told)}",
                value=str(len(told)), done="the mean is used",
                todo="check them against the laboratory's report; leave a wrong one out",
            ))
    return findings


def merged_names(
    ids: Sequence[str], group: IntArray, count: int, columns: Mapping[str, Readings], *,
    within_m: float, where: str,
) -> tuple[list[str], list[Finding]]:
    """Names of the merged samples ("S06 + S06-RERUN"), and a finding that lists them."""
    names: list[list[str]] = [[] for _ in range(count)]
    for name, k in zip(ids, group, strict=True):
        if name not in names[k]:
            names[k].append(name)
    repeated = np.zeros(count, dtype=bool)
    for readings in columns.values():
        have = np.isfinite(readings.values)
        repeated |= np.bincount(group[have], minlength=count) > 1
    findings = _far_apart(names, group, count, columns, where=where)
    crowded = [each for each in names if len(each) > 2]
    if len(crowded) * 2 >= count and sum(map(len, crowded)) >= 6:
        findings.append(warn(
            "soil-places-few", where, f"{len(set(ids))} differently named samples lie at {count} "
            f"place(s), such as {listed(crowded[0], most=4)}", done="their means are used",
            todo="were positions rounded, copied down or taken at the middle of zones? Give each "
            "its own"))
    if repeated.any():
        told = listed(" + ".join(names[k]) if len(names[k]) > 1 else f"{names[k][0]} (repeated)"
                      for k in np.flatnonzero(repeated))
        findings.append(note("soil-samples-merged", where, f"samples at one place: {told}",
                             value=str(int(repeated.sum())),
                             done=f"merged to their mean (within {within_m:g} m)"))
    return [" + ".join(each) for each in names], findings
