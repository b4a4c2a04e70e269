"""Zones from clusters of several layers: soil maps and what else is known of the field."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import shapely

from vrx.errors import ComputeError
from vrx.model import (
    BoolArray,
    ClusterScore,
    ClusterTable,
    Finding,
    FloatArray,
    Grid,
    IntArray,
    Zones,
    array_value,
    note,
    warn,
)
from vrx.units import ACRE_M2, FT_M
from vrx.zones import _cluster
from vrx.zones._cut import cut_zones, inside_of
from vrx.zones.rules import MachineRules

Way = Literal["k-means", "fuzzy c-means"]
MOST_GAP_SHARE = 0.5
"""Layers with values in less than this share of the field together are refused."""


@array_value
class ClusterLayer:
    """A layer to cluster by: `values` (rows, columns) on the field's grid, NaN where unknown."""

    name: str
    unit: str
    values: FloatArray


def zones_from_clusters(
    *,
    boundary: shapely.MultiPolygon,
    crs_centre: tuple[float, float],
    grid: Grid,
    layers: Sequence[ClusterLayer],
    rules: MachineRules,
    number: int | None = None,
    way: Way = "fuzzy c-means",
    fewest: int = 2,
    most: int = 7,
    blur_m: float = 10.0,
    seed: int = 0,
) -> Zones:
    """Cells alike in all layers form clusters; each connected piece of one becomes a zone.

    Layers are standardised (mean 0, standard deviation 1), so each weighs alike. Centres come from
    the best of ten runs of k-means, which fuzzy c-means then moves. Memberships (of k-means: 1 in
    the own cluster) are blurred over `blur_m` and each cell goes to the greatest, so that clusters
    hang together; then the rules of `MachineRules` hold as for classes. Cells without a value in
    every layer take the cluster of the nearest cell that has them.

    Every number from `fewest` to `most` is scored; proposed is what most of three scores point at
    (greatest silhouette, least fuzziness index, least entropy), in a draw the smaller number.
    `number` set by the user wins.

    Findings: `zones-cluster-constant` (warn), `zones-cluster-gaps` (warn), `zones-cluster-number`
    (note), `zones-cluster-weak` (warn), and those of `cut_zones`.

    Raises:
        ComputeError: no layer, none that varies, one that is not on the grid or covers too little,
            a number below 2 or above the count of different cells.
    """
    _require(layers, grid, number=number, fewest=fewest, most=most, blur_m=blur_m)
    inside = inside_of(boundary, grid)
    used, constant = _varying(layers, inside)
    known, gaps = _known(used, inside, grid)
    values = np.stack([layer.values[known] for layer in used], axis=1)
    middle, spread = values.mean(axis=0), values.std(axis=0)
    standard = (values - middle) / spread
    numbers = _numbers(standard, number, fewest, most)
    from threadpoolctl import threadpool_limits

    found = _Scan(standard, seed)
    # One thread: sums in another order would be other centres.
    with threadpool_limits(limits=1):
        scores = [found.score(one) for one in numbers]
    table = _table(used, way, scores, number)
    fuzzy = found.memberships(table.used, way)
    order = _order(fuzzy, standard)
    fuzzy = fuzzy[:, order]
    classes = _blurred(fuzzy, known, inside, blur_m / grid.cell_m)
    labels, distance = _described(used, values, standard, classes[known], table.used)
    names = ", ".join(layer.name for layer in used)
    return cut_zones(
        boundary=boundary, crs_centre=crs_centre, grid=grid, inside=inside, classes=classes,
        labels=labels, distance=distance, rules=rules, clusters=table,
        findings=[*constant, *gaps, *_findings(table)],
        basis=f"{table.used} clusters of {names} ({way}, blurred over {blur_m / FT_M:.0f} ft)",
    )


def _require(
    layers: Sequence[ClusterLayer], grid: Grid, *, number: int | None, fewest: int, most: int,
    blur_m: float,
) -> None:
    if not layers:
        raise ComputeError("no layer to cluster by", code="zones-no-layer",
                           hint="name soil tests or layers in [zones]")
    for layer in layers:
        if layer.values.shape != grid.shape:
            raise ComputeError(
                f"values have {layer.values.shape} rows and columns, the grid {grid.shape}",
                code="zones-shape", where=layer.name, hint="read every layer on the field's grid")
    if not 2 <= fewest <= most or (number is not None and number < 2):
        said = f"number = {number}" if number is not None and number < 2 else (
            f"fewest = {fewest}, most = {most}")
        raise ComputeError(f"{said}: clusters are counted from 2 up", code="zones-cluster-count",
                           hint='for one zone take from = "whole field"')
    if not np.isfinite(blur_m) or blur_m < 0:
        raise ComputeError(f"blur_m is {blur_m}, it must be 0 or more", code="zones-limit",
                           hint="set it to 0 to do without it")


def _varying(
    layers: Sequence[ClusterLayer], inside: BoolArray
) -> tuple[list[ClusterLayer], list[Finding]]:
    used, told = [], []
    for layer in layers:
        held = layer.values[inside & np.isfinite(layer.values)]
        if len(held) and np.ptp(held) > 1e-9 * max(1.0, float(np.abs(held).max())):
            used.append(layer)
            continue
        what = f"is {held[0]:g} {layer.unit} everywhere" if len(held) else "has no value here"
        told.append(warn("zones-cluster-constant", layer.name, f"the layer {what}",
                         done="left out of the clusters", todo="take it out of [zones]"))
    if not used:
        raise ComputeError(
            "no layer varies over the field, so there are no clusters", code="zones-cluster-flat",
            where=", ".join(layer.name for layer in layers),
            hint='take from = "whole field", or other layers')
    return used, told


def _known(
    layers: Sequence[ClusterLayer], inside: BoolArray, grid: Grid
) -> tuple[BoolArray, list[Finding]]:
    """Cells inside with a value in every layer, and what was told of the others."""
    known, told = inside.copy(), []
    cell_ac, cells = grid.cell_m**2 / ACRE_M2, int(inside.sum())
    for layer in layers:
        gap = inside & ~np.isfinite(layer.values)
        known &= ~gap
        if gap.any():
            acres = float(gap.sum()) * cell_ac
            told.append(warn(
                "zones-cluster-gaps", layer.name,
                f"no value in {acres:.2f} ac ({100 * float(gap.sum()) / cells:.0f} % of the field)",
                value=f"{acres:.3f}",
                done="these cells take the cluster of the nearest cell with all layers",
                todo="fill the layer, or leave it out"))
    if known.sum() < MOST_GAP_SHARE * cells:
        raise ComputeError(
            f"only {100 * float(known.sum()) / cells:.0f} % of the field has a value in every "
            "layer", code="zones-cluster-cover",
            where=", ".join(finding.where for finding in told),
            hint="leave out the layer with the gaps, or fill it (fill_within_m)")
    return known, told


def _numbers(standard: FloatArray, number: int | None, fewest: int, most: int) -> list[int]:
    different = len(np.unique(standard, axis=0))
    asked = number if number is not None else fewest
    if different < asked:
        raise ComputeError(
            f"{asked} clusters asked for, but the layers have {different} different cells",
            code="zones-cluster-many", where="[zones.clusters]",
            hint=f"ask for at most {different}, or use smaller cells")
    scan = {one for one in range(fewest, most + 1) if one <= different}
    return sorted(scan | ({number} if number is not None else set()))


class _Scan:
    """Centres of each number of clusters, found once."""

    def __init__(self, standard: FloatArray, seed: int) -> None:
        told = _cluster.settings()
        rng = np.random.default_rng(seed)
        self.standard, self.seed, self.fuzziness = standard, seed, told["fuzziness"]
        count = len(standard)
        few, some = int(told["silhouette_sample"]), int(told["fit_cells"])
        self.fit = standard if count <= some else standard[
            np.sort(rng.choice(count, some, replace=False))]
        self.sample: IntArray = np.arange(count) if count <= few else np.sort(
            rng.choice(count, few, replace=False))
        self.hard: dict[int, FloatArray] = {}
        self.soft: dict[int, FloatArray] = {}

    def score(self, number: int) -> ClusterScore:
        hard = _cluster.kmeans(self.fit, number, seed=self.seed)
        soft = _cluster.fuzzy_c_means(self.fit, hard, fuzziness=self.fuzziness)
        self.hard[number], self.soft[number] = hard, soft
        return _cluster.score(
            self.standard, self.sample, hard,
            _cluster.memberships(self.standard, soft, self.fuzziness),
            _cluster.nearest(self.standard, hard))

    def memberships(self, number: int, way: Way) -> FloatArray:
        if way == "k-means":
            return np.eye(number)[_cluster.nearest(self.standard, self.hard[number])]
        return _cluster.memberships(self.standard, self.soft[number], self.fuzziness)


def _table(
    layers: Sequence[ClusterLayer], way: Way, scores: Sequence[ClusterScore], number: int | None
) -> ClusterTable:
    votes = (
        ("silhouette", max(scores, key=lambda one: (one.silhouette, -one.number)).number),
        ("fuzziness index", min(scores, key=lambda one: (one.fuzziness_index, one.number)).number),
        ("entropy", min(scores, key=lambda one: (one.entropy, one.number)).number),
    )
    counts = [vote for _, vote in votes]
    proposed = min(set(counts), key=lambda one: (-counts.count(one), one))
    said = ", ".join(f"{name} {vote}" for name, vote in votes)
    return ClusterTable(
        layers=tuple(layer.name for layer in layers), way=way, scores=tuple(scores),
        proposed=proposed, used=proposed if number is None else number,
        reason=f"the scores point at: {said}",
        weak_silhouette=_cluster.settings()["weak_silhouette"],
        weak_source=_cluster.source_of("weak_silhouette"),
    )


def _order(fuzzy: FloatArray, standard: FloatArray) -> IntArray:
    """Clusters from the lowest to the highest mean of the first layer, then of the others."""
    means = (fuzzy.T @ standard) / fuzzy.sum(axis=0)[:, None]
    return np.asarray(np.lexsort(np.round(means.T[::-1], 9)), dtype=np.int64)


def _blurred(
    fuzzy: FloatArray, known: BoolArray, inside: BoolArray, sigma_cells: float
) -> IntArray:
    """The cluster (rows, columns) with the greatest blurred membership; nearest where unknown."""
    from scipy.ndimage import distance_transform_edt, gaussian_filter

    best, most = np.zeros(known.shape, dtype=np.int64), np.full(known.shape, -1.0)
    for kind in range(fuzzy.shape[1]):
        weight = np.zeros(known.shape)
        weight[known] = fuzzy[:, kind]
        if sigma_cells > 0:
            weight = gaussian_filter(weight, sigma_cells, mode="constant")
        better = weight > most
        best, most = np.where(better, kind, best), np.where(better, weight, most)
    if not known[inside].all():
        rows, columns = distance_transform_edt(
            ~known, return_distances=False, return_indices=True)
        best = best[rows, columns]
    return best


def _described(
    layers: Sequence[ClusterLayer], values: FloatArray, standard: FloatArray, labels: IntArray,
    number: int,
) -> tuple[list[str], IntArray]:
    """What each cluster reads, and the rank of the distance between each two."""
    centres = np.zeros((number, standard.shape[1]))
    texts = []
    for kind in range(number):
        own = labels == kind
        if own.any():
            centres[kind] = standard[own].mean(axis=0)
        texts.append(f"cluster {kind + 1}: " + ", ".join(
            f"{layer.name} {mean:.3g} {layer.unit}" for layer, mean in
            zip(layers, values[own].mean(axis=0), strict=True)) if own.any()
            else f"cluster {kind + 1}")
    away = np.sqrt(((centres[:, None] - centres[None]) ** 2).sum(axis=2)).round(9)
    _, rank = np.unique(away, return_inverse=True)
    return texts, rank.reshape(away.shape).astype(np.int64)


def _findings(table: ClusterTable) -> list[Finding]:
    told = []
    if table.used != table.proposed:
        told.append(note(
            "zones-cluster-number", "[zones.clusters]",
            f"{table.used} clusters, as the plan says; {table.reason}",
            value=str(table.used), done=f"kept, {table.proposed} would be proposed"))
    best = max(one.silhouette for one in table.scores)
    if best < table.weak_silhouette:
        told.append(warn(
            "zones-cluster-weak", "zones",
            f"the greatest silhouette of any number is {best:.2f}, under "
            f"{table.weak_silhouette:g}: the cells form no clear groups",
            value=f"{best:.3f}", done="cut all the same",
            todo="take other layers, classes of one soil test, or one rate"))
    return told
