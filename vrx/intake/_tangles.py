"""Rings drawn by a receiver that shook or stood still: many crossings within half a metre."""

from __future__ import annotations

import numpy as np
import shapely

from vrx.intake._spikes import metres_around
from vrx.model import FloatArray

REST_M = (0.5, 1.0, 2.0)
"""Vertices nearer than one of these to the one before are one place, where a ring crosses itself
without them no more."""
MOST_CROSSINGS = 20_000
"""Beyond this many crossings a ring is not taken apart: it would take minutes and gigabytes."""
FEW_CROSSINGS = 10
"""Up to this many crossings a ring is taken apart as it is: they are loops, no shaking."""
_CHUNK = 512


def _rested(ring: FloatArray, metres: FloatArray, rest_m: float) -> FloatArray | None:
    """A closed ring without vertices within `rest_m` of the last one kept, None if none goes."""
    kept = [0]
    last_e, last_n = metres[0]
    for k, (e, n) in enumerate(metres.tolist()):
        if (e - last_e) ** 2 + (n - last_n) ** 2 >= rest_m**2:
            kept.append(k)
            last_e, last_n = e, n
    while len(kept) > 3 and np.hypot(*(metres[kept[-1]] - metres[0])) < rest_m:
        kept.pop()
    if not 3 <= len(kept) < len(metres):
        return None
    return np.vstack([ring[kept], ring[:1]])


def rested_ring(ring: FloatArray) -> tuple[FloatArray, float] | None:
    """A closed longitude-latitude ring (n, 2) that crosses itself, without the vertices of a
    receiver at rest; and the metres within which they lay. None where it goes on crossing.
    """
    metres = metres_around(ring[:-1]) if len(ring) > 4 else None
    if metres is None:
        return None
    for rest_m in REST_M:
        rested = _rested(ring, metres, rest_m)
        if rested is not None and shapely.Polygon(rested).is_valid:
            return rested, rest_m
    return None


def crossings(ring: FloatArray) -> int:
    """How often edges of a ring cross each other, counted to a little over `MOST_CROSSINGS`."""
    edges = shapely.linestrings(np.stack([ring[:-1], ring[1:]], axis=1))
    tree = shapely.STRtree(edges)
    found = 0
    for begin in range(0, len(edges), _CHUNK):
        found += tree.query(edges[begin : begin + _CHUNK], predicate="crosses").shape[1]
        if found > 2 * MOST_CROSSINGS:
            break
    return found // 2
