"""Class rasters made fit for a machine: narrow parts opened, small pieces merged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vrx.model import BoolArray, IntArray
from vrx.zones._regions import merge_small
from vrx.zones._width import field_narrow, reached

_ROUNDS = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cleaned:
    """Classes (rows, columns) after the clean-up and what it took; sizes in cells.

    `narrow_moved` are the pieces of cells that changed class for being narrow, `small_moved` those
    merged for being small, `field_narrow` (rows, columns) is where the field itself is narrower
    than the limit. `still_narrow` are pieces that are nowhere as wide as the limit after all.
    `stable` is False when the rounds ran out first. `forced` is the size of the largest piece
    merged only to get down to the most zones, or 0.
    """

    classes: IntArray
    narrow_moved: tuple[float, ...]
    small_moved: tuple[float, ...]
    field_narrow: BoolArray
    still_narrow: tuple[float, ...]
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
    driving_deg: float | None = None,
) -> Cleaned:
    """Open narrow parts and merge small pieces, in turn, until neither changes a cell.

    Narrow: a cell that no circle of diameter `width_cells` inside its own class (and inside the
    field) can reach; with `driving_deg` (compass) a cell whose straight run across that direction,
    in its own class, is shorter. Such cells go, from their rim inwards, to the class that they
    touch with most sides among cells that stay; equal: the nearest class, then the lower. Where
    the field itself is narrower than the limit (without a direction: farther than the limit from
    every place where the circle fits, so that plain corners do not count), cells keep their class.

    Small: see `merge_small`, on 4-connected pieces of cells inside the field. `classes` outside
    the field are not looked at and not changed.
    """
    frozen = field_narrow(inside, width_cells, driving_deg)
    narrow_moved: list[float] = []
    small_moved: list[float] = []
    forced = 0.0
    current, stable = classes, False
    for _ in range(_ROUNDS):
        wide = reached(np.where(inside, current, -1), width_cells, driving_deg)
        opened = current if width_cells <= 1 else _grow(
            current, inside & (wide | frozen), inside, distance)
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
        field_narrow=_large_only(frozen, width_cells) if driving_deg is not None else frozen,
        still_narrow=_never_wide(current, inside, wide | frozen), stable=stable, forced=forced,
    )


def _never_wide(classes: IntArray, inside: BoolArray, wide: BoolArray) -> tuple[float, ...]:
    """Sizes of the pieces without any wide cell."""
    if wide[inside].all():
        return ()
    labels, count = _label(classes, inside)
    has = np.zeros(count, dtype=bool)
    has[labels[inside & wide]] = True
    sizes = np.bincount(labels[inside], minlength=count)
    return tuple(float(size) for size in sizes[~has])


def _large_only(mask: BoolArray, width_cells: float) -> BoolArray:
    """Without pieces smaller than a square of the width, such as the tips of a round field."""
    from scipy.ndimage import label

    labels, _ = label(mask)
    large = np.bincount(labels.ravel()) >= width_cells**2
    large[0] = False
    return np.asarray(large[labels], dtype=bool)


def fill_outside(classes: IntArray, inside: BoolArray) -> IntArray:
    """Give every cell outside the field the class of the nearest cell inside."""
    from scipy.ndimage import distance_transform_edt

    rows, columns = distance_transform_edt(~inside, return_distances=False, return_indices=True)
    return np.asarray(classes[rows, columns], dtype=np.int64)


def smooth(classes: IntArray, inside: BoolArray, sigma_cells: float) -> IntArray:
    """Each cell inside the class whose cells, blurred by a Gaussian, weigh most there."""
    from scipy.ndimage import gaussian_filter

    kinds = np.unique(classes[inside])
    best, most = classes, np.full(classes.shape, -1.0)
    for kind in kinds.tolist():
        weight = gaussian_filter(
            (inside & (classes == kind)).astype(np.float64), sigma_cells, mode="constant"
        )
        better = weight > most
        best, most = np.where(better, kind, best), np.where(better, weight, most)
    return np.where(inside, best, classes)


def _pieces(mask: BoolArray) -> list[float]:
    """Sizes of the 4-connected pieces of a mask."""
    from scipy.ndimage import label

    if not mask.any():
        return []
    labels, _ = label(mask)
    return [float(size) for size in np.bincount(labels.ravel())[1:]]


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

    # Runs along rows are the nodes: far fewer than cells.
    masked = np.where(inside, classes, -1)
    starts = np.ones(masked.shape, dtype=bool)
    starts[:, 1:] = masked[:, 1:] != masked[:, :-1]
    run = (np.cumsum(starts.ravel()) - 1).reshape(masked.shape)
    total = int(run[-1, -1]) + 1
    # Two runs of one class that touch begin to do so where one of them begins.
    touch = (masked[1:] == masked[:-1]) & (masked[1:] >= 0) & (starts[1:] | starts[:-1])
    upper, lower = run[:-1][touch], run[1:][touch]
    links = coo_array((np.ones(len(upper), dtype=np.int8), (upper, lower)), shape=(total, total))
    _, component = connected_components(links, directed=False)
    held = np.zeros(total, dtype=bool)
    held[run[inside]] = True
    number = np.full(total, -1, dtype=np.int64)
    kept, first = np.unique(component[held], return_index=True)
    rank = np.empty(len(kept), dtype=np.int64)
    rank[np.argsort(first, kind="stable")] = np.arange(len(kept))
    number[held] = rank[np.searchsorted(kept, component[held])]
    return number[run], len(kept)
