"""The ground under a machine's way: one four-cornered swath from each place to the next."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from vrx.model import FloatArray, IntArray

Polygons = npt.NDArray[np.object_]
_SHARPEST_COSINE = 0.5
"""Turns of more than 60 degrees get square ends: a mitre would reach far beyond them."""


def swath_polygons(
    *, at_m: FloatArray, width_m: FloatArray, run: IntArray
) -> tuple[Polygons, IntArray]:
    """Swaths (m,) along the way, and for each the place (n,) that it ends at.

    `at_m` (n, 2) are eastings and northings in the order of driving, `width_m` (n,) the width at
    each, `run` (n,) the trip it belongs to; -1 for none. A swath leads from a place to the next of
    the same trip. Where the way bends, neighbours meet on the line that halves the angle, so that
    they share an edge; whatever the bend, a swath's area is distance x width. Steps of no length
    and widths of 0 or NaN have none.
    """
    step = np.diff(at_m, axis=0)
    long = np.hypot(step[:, 0], step[:, 1])
    linked = (run[1:] == run[:-1]) & (run[1:] >= 0) & (long > 0)
    linked &= np.nan_to_num(width_m[1:]) > 0
    ahead = np.divide(step, long[:, None], out=np.zeros_like(step), where=long[:, None] > 0)
    half = np.where(linked, width_m[1:], 0.0) / 2.0
    left = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    mitre, tangent = _mitres(ahead, left, linked)
    # Half turn at the begin and the end of each step; none where the trip begins or ends.
    begin, end = np.append(0.0, tangent), np.append(tangent, 0.0)
    # Sides that would cross each other (a bend tighter than the swath) get square ends.
    square = (half * np.abs(begin + end) >= long)[:, None]
    # Neighbours take the very same corner, or unions of them would go astray.
    back = np.where(square | (begin == 0)[:, None], left, np.vstack([left[:1], mitre]))
    fore = np.where(square | (end == 0)[:, None], left, np.vstack([mitre, left[-1:]]))
    back, fore = back * half[:, None], fore * half[:, None]
    first, last = at_m[:-1], at_m[1:]
    rings = np.stack([first - back, last - fore, last + fore, first + back, first - back], axis=1)
    ends = np.flatnonzero(linked)
    return shapely.polygons(rings[ends]), (ends + 1).astype(np.int64)


def _mitres(
    ahead: FloatArray, left: FloatArray, linked: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Where a step meets the next: the left corner for a half width of 1, (steps - 1, 2), and the
    tangent of half the turn to the left, 0 where the ends are square.
    """
    one, two = ahead[:-1], ahead[1:]
    cosine = (one * two).sum(axis=1)
    sine = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    bends = linked[:-1] & linked[1:] & (cosine > _SHARPEST_COSINE)
    whole = np.where(bends, 1.0 + cosine, 1.0)
    return (left[:-1] + left[1:]) / whole[:, None], np.where(bends, sine / whole, 0.0)
