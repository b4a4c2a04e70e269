"""Ground that a swath covers again: swaths as rectangles on a fine grid, the first one owns it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vrx.intake.yields._track import Track
from vrx.model import FloatArray, IntArray, YieldLog
from vrx.units import ACRE_M2

_CELLS_A_SWATH = 48.0
_FINEST_M = 0.25
_MOST_CELLS = 40_000_000
_MOST_TESTS = 40_000_000
_PIECE_TESTS = 3_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Overlap:
    """`share` (n,): how much of a reading's swath lay on ground covered before, NaN if unknown.

    `worked_ac` is the sum of all swaths, `covered_ac` the ground under them counted once.
    """

    share: FloatArray
    worked_ac: float
    covered_ac: float
    cell_m: float


def _rectangles(
    log: YieldLog, track: Track, use: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Centres (m, 2), unit headings (m, 2), lengths (m,) and widths (m,) of the readings `use`."""
    places = np.column_stack([log.easting_m, log.northing_m])[use]
    same = np.flatnonzero(track.passes[use][1:] == track.passes[use][:-1])
    way = np.zeros_like(places)
    way[same + 1] = places[same + 1] - places[same]
    length = np.hypot(way[:, 0], way[:, 1])
    if log.distance_m is not None:
        # The first reading of a pass goes the way of the next one; without a logged distance
        # nobody knows how far.
        bare = np.flatnonzero(length[:-1] == 0)
        bare = bare[track.passes[use][bare + 1] == track.passes[use][bare]]
        way[bare], length[bare] = way[bare + 1], length[bare + 1]
    heading = way / np.where(length > 0, length, 1.0)[:, None]
    if log.distance_m is not None:
        logged = log.distance_m[use]
        length = np.where(np.isfinite(logged) & (logged > 0) & (length > 0), logged, length)
    # Longer than a gap means that rows are missing: only the usual length is surely covered.
    usual = float(np.median(length[length > 0])) if (length > 0).any() else 0.0
    length = np.minimum(length, 3.0 * usual)
    centres = places - heading * (length / 2)[:, None]
    width = np.asarray(log.swath_m)[use] if log.swath_m is not None else np.zeros(len(use))
    return centres, heading, length, np.nan_to_num(width)


def overlap_of(log: YieldLog, track: Track, use: IntArray) -> Overlap | None:
    """Overlap of the readings `use` (in the order of the log), None without a swath.

    A cell belongs to the first swath over its centre. Another swath counts as over it again when it
    belongs to another pass, or comes more than two swaths of way later. Cells are 1/48 of the
    median swath and at least 0.25 m, larger where the work would exceed 40 million tests.
    """
    if log.swath_m is None or not len(use):
        return None
    centres, heading, length, width = _rectangles(log, track, use)
    sound = (length > 0) & (width > 0)
    if not sound.any():
        return None
    centres, heading = centres[sound], heading[sound]
    length, width, own = length[sound], width[sound], use[sound]
    low = centres.min(axis=0) - np.hypot(length, width).max()
    high = centres.max(axis=0) + np.hypot(length, width).max()
    cell = max(float(np.median(width)) / _CELLS_A_SWATH, _FINEST_M)
    side = np.hypot(length, width)
    while ((np.ptp([low, high], axis=0) / cell).prod() > _MOST_CELLS
           or (np.ceil(side / cell + 1) ** 2).sum() > _MOST_TESTS):
        cell *= 1.25
    columns, rows = (np.ceil((high - low) / cell).astype(np.int64) + 2).tolist()
    first = np.full(rows * columns, -1, dtype=np.int64)
    hits, again = np.zeros(len(own)), np.zeros(len(own))
    block = int(np.ceil(np.quantile(side, 0.999) / cell)) + 1
    step = max(1, _PIECE_TESTS // block**2)
    for start in range(0, len(own), step):
        part = slice(start, start + step)
        who, where = _cells(centres[part], heading[part], length[part], width[part], low=low,
                            cell=cell, columns=columns, block=block)
        who += start
        free = first[where] < 0
        # Backwards, so that of several readings the earliest stays.
        first[where[free][::-1]] = who[free][::-1]
        owner = first[where]
        later = track.gone_m[own[who]] - track.gone_m[own[owner]] > 2.0 * width[who]
        other = track.passes[own[who]] != track.passes[own[owner]]
        hits += np.bincount(who, minlength=len(own))
        again += np.bincount(who, weights=((later | other) & (owner < who)).astype(np.float64),
                             minlength=len(own))
    share = np.full(len(log.record), np.nan)
    share[own] = np.divide(again, hits, out=np.zeros(len(own)), where=hits > 0)
    return Overlap(share=share, worked_ac=float((length * width).sum()) / ACRE_M2,
                   covered_ac=float((first >= 0).sum()) * cell**2 / ACRE_M2, cell_m=cell)


def _cells(
    centres: FloatArray, heading: FloatArray, length: FloatArray, width: FloatArray, *,
    low: FloatArray, cell: float, columns: int, block: int,
) -> tuple[IntArray, IntArray]:
    """Pairs (reading, cell) whose cell centre lies in the reading's rectangle, by reading."""
    corner = np.floor((centres - low) / cell - block / 2 + 0.5).astype(np.int64)
    steps = np.arange(block)
    column = corner[:, 0, None] + steps
    row = corner[:, 1, None] + steps
    east = low[0] + (column + 0.5) * cell - centres[:, 0, None]
    north = low[1] + (row + 0.5) * cell - centres[:, 1, None]
    along = (heading[:, 0, None] * east)[:, None, :] + (heading[:, 1, None] * north)[:, :, None]
    across = (heading[:, 0, None] * north)[:, :, None] - (heading[:, 1, None] * east)[:, None, :]
    inside = (np.abs(along) <= (length / 2)[:, None, None]) & (
        np.abs(across) <= (width / 2)[:, None, None])
    who, down, right = np.nonzero(inside)
    return who.astype(np.int64), row[who, down] * columns + column[who, right]
