"""A short walk through all points: nearest neighbour, then 2-opt and moved stretches."""

from __future__ import annotations

import numpy as np
from scipy.spatial.distance import cdist

from vrx.model import FloatArray, IntArray

_SLIGHT_M = 1e-7
_LONGEST_STRETCH = 3
_ROUNDS = 60


def walk_length(*, start: FloatArray, places: FloatArray, order: IntArray) -> float:
    """Metres of the open path from `start` (2,) through `places` (n, 2) in `order` (n,)."""
    path = np.vstack([start, places[order]])
    return float(np.hypot(*np.diff(path, axis=0).T).sum())


def walk(*, start: FloatArray, places: FloatArray) -> IntArray:
    """An order (n,) of places (n, 2) for an open path that begins at `start` (2,), metres.

    Nearest neighbour and the given order are each bettered by turning stretches round (2-opt) and
    moving short stretches elsewhere (or-opt) until nothing helps; the shorter one is kept, so the
    path is never longer than the given order. Straight lines; fences and ditches are not known.
    Sources: Croes, Operations Research 6 (1958) 791-812; Or (1976) (both from memory).
    """
    if len(places) == 0:
        return np.zeros(0, dtype=np.int64)
    nodes = np.vstack([start, places])
    distance = cdist(nodes, nodes)
    tries = [_nearest_first(distance), np.arange(len(nodes))]
    better = [_bettered(distance, one) for one in tries]
    best = min(better, key=lambda order: _length(distance, order))
    return np.asarray(best[1:] - 1)


def _length(distance: FloatArray, order: IntArray) -> float:
    return float(distance[order[:-1], order[1:]].sum())


def _nearest_first(distance: FloatArray) -> IntArray:
    left = np.ones(len(distance), dtype=bool)
    order = [0]
    left[0] = False
    while left.any():
        reach = np.where(left, distance[order[-1]], np.inf)
        order.append(int(np.argmin(reach)))
        left[order[-1]] = False
    return np.array(order, dtype=np.int64)


def _bettered(distance: FloatArray, order: IntArray) -> IntArray:
    for _ in range(_ROUNDS):
        turned = _turn_stretches(distance, order)
        moved = _move_stretches(distance, turned)
        if _length(distance, order) - _length(distance, moved) <= _SLIGHT_M:
            return moved
        order = moved
    return order


def _turn_stretches(distance: FloatArray, order: IntArray) -> IntArray:
    """2-opt: turn round the stretch that saves most, for every beginning, until none saves."""
    order = order.copy()
    count = len(order)
    improved = True
    while improved:
        improved = False
        for i in range(1, count - 1):
            before, first = order[i - 1], order[i]
            last = order[i + 1:]
            # The path is open: behind its last point there is no way to go on.
            after = order[i + 2:]
            saved = distance[before, first] - distance[before, last]
            saved[:-1] += distance[last[:-1], after] - distance[first, after]
            best = int(np.argmax(saved))
            if saved[best] > _SLIGHT_M:
                order[i:i + best + 2] = order[i:i + best + 2][::-1].copy()
                improved = True
    return order


def _move_stretches(distance: FloatArray, order: IntArray) -> IntArray:
    """Or-opt: take out up to three points in a row and put them in where the way is shortest."""
    for length in range(1, _LONGEST_STRETCH + 1):
        i = 1
        while i + length <= len(order):
            stretch = order[i:i + length]
            rest = np.concatenate([order[:i], order[i + length:]])
            here, first, last = order[i - 1], stretch[0], stretch[-1]
            saved = distance[here, first]
            if i + length < len(order):
                saved += distance[last, order[i + length]] - distance[here, order[i + length]]
            one, other = rest[:-1], rest[1:]
            gap = distance[one, other]
            ways = np.concatenate([
                distance[one, first] + distance[last, other] - gap,
                distance[one, last] + distance[first, other] - gap,
                # At the open end nothing follows.
                [distance[rest[-1], first], distance[rest[-1], last]],
            ])
            best = int(np.argmin(ways))
            if saved - ways[best] > _SLIGHT_M:
                gaps = len(one)
                at, turned = (best % gaps, best >= gaps) if best < 2 * gaps else (
                    gaps, best == 2 * gaps + 1)
                put = stretch[::-1] if turned else stretch
                order = np.concatenate([rest[:at + 1], put, rest[at + 1:]])
            i += 1
    return order
