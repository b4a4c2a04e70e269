"""Class rasters made fit for a machine: narrow parts opened, small pieces merged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vrx.model import BoolArray, FloatArray, IntArray
from vrx.zones._regions import merge_small

_ROUNDS = 8
_SLACK = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cleaned:
    """Classes (rows, columns) after the clean-up and what it took; sizes in cells.

    `narrow_moved` are the pieces of cells that changed class for being narrow, `small_moved` those
    merged for being small, `field_narrow` (rows, columns) is where the field itself is narrower
    than the limit. `stable` is False when the rounds ran out first. `forced` is the size of the
    largest piece merged only to get down to the most zones, or 0.
    """

    classes: IntArray
    narrow_moved: tuple[float, ...]
    small_moved: tuple[float, ...]
    field_narrow: BoolArray
    stable: bool
    forced: float


def clean(
    *,
    classes: IntArray,
    inside: BoolArray,
    distance: IntArray,
    width_cells: float,
    smallest_cells: float,
    most: int | None = None,
) -> Cleaned:
    """Open narrow parts and merge small pieces, in turn, until neither changes a cell.

    Narrow: a cell that no circle of diameter `width_cells` inside its own class (and inside the
    field) can reach. Such cells go, from their rim inwards, to the class that they touch with most
    sides among cells that stay; equal: the nearest class, then the lower. Where the field itself
    is narrower than the limit (farther than the limit from every place where the circle fits, so
    that plain corners do not count), cells keep their class.

    Small: see `merge_small`, on 4-connected pieces of cells inside the field. `classes` outside
    the field are not looked at and not changed.
    """
    frozen = _field_narrow(inside, width_cells)
    narrow_moved: list[float] = []
    small_moved: list[float] = []
    forced = 0.0
    current, stable = classes, False
    for _ in range(_ROUNDS):
        opened = _open_narrow(current, inside, frozen, distance, width_cells)
        narrow_moved += _pieces(opened != current)
        merged, moved, largest = _merge(opened, inside, distance, smallest_cells, most)
        small_moved += moved
        forced = max(forced, largest)
        stable = bool(np.array_equal(merged, current))
        current = merged
        if stable:
            break
    return Cleaned(
        classes=current, narrow_moved=tuple(narrow_moved), small_moved=tuple(small_moved),
        field_narrow=frozen, stable=stable, forced=forced,
    )


def fill_outside(classes: IntArray, inside: BoolArray) -> IntArray:
    """Give every cell outside the field the class of the nearest cell inside."""
    from scipy.ndimage import distance_transform_edt

    rows, columns = distance_transform_edt(~inside, return_distances=False, return_indices=True)
    return np.asarray(classes[rows, columns], dtype=np.int64)


def _pieces(mask: BoolArray) -> list[float]:
    """Sizes of the 4-connected pieces of a mask."""
    from scipy.ndimage import label

    if not mask.any():
        return []
    labels, _ = label(mask)
    return [float(size) for size in np.bincount(labels.ravel())[1:]]


def _nodes(classes: IntArray) -> IntArray:
    """Classes on a grid of half steps (2 rows + 1, 2 columns + 1); -1 outside, -2 on an edge.

    Cell centres lie at odd places. With edges as places of their own a strip of n cells measures
    n half steps from its middle to its edge, be n odd or even.
    """
    rows, columns = classes.shape
    padded = np.full((rows + 2, columns + 2), -1, dtype=np.int64)
    padded[1:-1, 1:-1] = classes
    nodes = np.full((2 * rows + 1, 2 * columns + 1), -2, dtype=np.int64)
    nodes[1::2, 1::2] = classes
    west, east = padded[1:-1, :-1], padded[1:-1, 1:]
    nodes[1::2, 0::2] = np.where(west == east, west, -2)
    north, south = padded[:-1, 1:-1], padded[1:, 1:-1]
    nodes[0::2, 1::2] = np.where(north == south, north, -2)
    one, two = padded[:-1, :-1], padded[:-1, 1:]
    three, four = padded[1:, :-1], padded[1:, 1:]
    nodes[0::2, 0::2] = np.where((one == two) & (two == three) & (three == four), one, -2)
    return nodes


def _reached(classes: IntArray, width_cells: float) -> tuple[BoolArray, FloatArray]:
    """Cells that a circle of the width reaches within its class, and half steps to its centres."""
    from scipy.ndimage import distance_transform_edt

    nodes = _nodes(classes)
    deep = (distance_transform_edt(nodes != -2) >= width_cells - _SLACK) & (nodes >= 0)
    if not deep.any():
        return np.zeros(classes.shape, dtype=bool), np.full(classes.shape, np.inf)
    away = distance_transform_edt(~deep)[1::2, 1::2]
    return (away < width_cells) & (classes >= 0), np.asarray(away, dtype=np.float64)


def _field_narrow(inside: BoolArray, width_cells: float) -> BoolArray:
    from scipy.ndimage import label

    if width_cells <= 1:
        return np.zeros(inside.shape, dtype=bool)
    reached, away = _reached(np.where(inside, 0, -1).astype(np.int64), width_cells)
    labels, count = label(inside & ~reached)
    # `away` is in half steps from where the circle's centre fits: its radius is width_cells, and
    # a further full width is two of them.
    far = np.zeros(count + 1, dtype=bool)
    far[np.unique(labels[away > 3 * width_cells])] = True
    far[0] = False
    return np.asarray(far[labels], dtype=bool)


def _open_narrow(
    classes: IntArray, inside: BoolArray, frozen: BoolArray, distance: IntArray, width_cells: float
) -> IntArray:
    if width_cells <= 1:
        return classes
    reached, _ = _reached(np.where(inside, classes, -1), width_cells)
    return _grow(classes, inside & (reached | frozen), inside, distance)


def _grow(
    classes: IntArray, kept: BoolArray, inside: BoolArray, distance: IntArray
) -> IntArray:
    """Give cells inside that are not kept the class they touch most, rim by rim."""
    rows, columns = classes.shape
    known = np.full((rows + 2, columns + 2), -1, dtype=np.int64)
    known[1:-1, 1:-1] = np.where(kept, classes, -1)
    flat, stride = known.ravel(), columns + 2
    row, column = np.nonzero(inside & ~kept)
    open_cells = (row + 1) * stride + column + 1
    own = classes[row, column]
    kinds = len(distance)
    while len(open_cells):
        around = np.stack([
            flat[open_cells - stride], flat[open_cells - 1],
            flat[open_cells + 1], flat[open_cells + stride],
        ], axis=1)
        touch = (around >= 0).any(axis=1)
        if not touch.any():
            break
        near, mine = around[touch], own[touch]
        sides = (near[:, :, None] == near[:, None, :]).sum(axis=2)
        steps = distance[mine[:, None], np.maximum(near, 0)]
        score = (sides * (int(distance.max()) + 1) - steps) * kinds - near
        score[near < 0] = np.iinfo(np.int64).min
        best = near[np.arange(len(near)), score.argmax(axis=1)]
        flat[open_cells[touch]] = best
        open_cells, own = open_cells[~touch], own[~touch]
    found = known[1:-1, 1:-1]
    # A piece without any kept cell has nobody to go to and stays.
    return np.where(inside & (found >= 0), found, classes)


def _merge(
    classes: IntArray, inside: BoolArray, distance: IntArray, smallest: float, most: int | None
) -> tuple[IntArray, list[float], float]:
    labels, count = _label(classes, inside)
    if count < 2:
        return classes, [], 0.0
    cells = labels[inside]
    sizes = np.bincount(cells, minlength=count).astype(np.float64)
    kinds = np.zeros(count, dtype=np.int64)
    kinds[cells] = classes[inside]
    codes = []
    for one, two in (
        (labels[:, :-1], labels[:, 1:]), (labels[:-1], labels[1:]),
    ):
        edge = (one != two) & (one >= 0) & (two >= 0)
        low, high = np.minimum(one[edge], two[edge]), np.maximum(one[edge], two[edge])
        codes.append(low * count + high)
    code, length = np.unique(np.concatenate(codes), return_counts=True)
    found = merge_small(
        sizes=sizes, kinds=kinds, pairs=np.column_stack([code // count, code % count]),
        lengths=length.astype(np.float64), smallest=smallest, distance=distance, most=most,
    )
    merged = classes.copy()
    merged[inside] = kinds[found.owner[cells]]
    return merged, list(found.moved_sizes), found.largest_forced


def _label(classes: IntArray, inside: BoolArray) -> tuple[IntArray, int]:
    """4-connected pieces of equal class inside, numbered from 0 in row order; -1 outside."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    number = np.full(classes.shape, -1, dtype=np.int64)
    total = int(inside.sum())
    number[inside] = np.arange(total)
    masked = np.where(inside, classes, -1)
    starts, ends = [], []
    for one, two in (
        (np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1, :], np.s_[1:, :]),
    ):
        same = (masked[one] == masked[two]) & (masked[one] >= 0)
        starts.append(number[one][same])
        ends.append(number[two][same])
    start, end = np.concatenate(starts), np.concatenate(ends)
    links = coo_array((np.ones(len(start), dtype=np.int8), (start, end)), shape=(total, total))
    count, component = connected_components(links, directed=False)
    labels = np.full(classes.shape, -1, dtype=np.int64)
    labels[inside] = component
    return labels, int(count)
