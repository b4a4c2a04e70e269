"""The way of a machine in an as-applied log: rows in order, without places it never was at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vrx.errors import InputError
from vrx.intake.yields._clock import in_order
from vrx.intake.yields._track import GAP_TIMES, Track, tangled, track_of
from vrx.model import BoolArray, Finding, FloatArray, IntArray, YieldLog

_FEWEST = 20
_LEAST_PASS = 3
_MOST_STRAY = 5


def driven(log: YieldLog) -> tuple[YieldLog, Track, list[Finding]]:
    """The log in the order of driving, its track and findings.

    Raises `InputError` where rows stand in no order and no time puts them into one: distances
    between rows would then be far too long, and the product with them.
    """
    log, _, found = in_order(log)
    track = track_of(log)
    if len(log.record) >= _FEWEST and tangled(log, track, _LEAST_PASS):
        raise InputError(
            "rows stand in no order of driving: from row to row the machine would have jumped "
            "about", code="applied-order", where=log.file,
            hint="name the time column, or sort the rows as they were logged")
    return log, track, found


def without_strays(log: YieldLog, track: Track) -> tuple[YieldLog, Track, BoolArray]:
    """The log without places that the machine jumped to and back from, its track, and which (n,).

    A jump is a step longer than three usual ones that the logged speed cannot explain. At most
    five readings between a jump away and a jump back are stray: their place is taken out, and the
    way goes on over them. A jump that stays begins a new pass. (Own rules.)
    """
    stray = np.zeros(len(log.record), dtype=bool)
    own = np.flatnonzero(np.isfinite(log.easting_m)).astype(np.int64)
    jump = _jumps(log, track, own)
    if not jump.any():
        return log, track, stray
    at = np.column_stack([log.easting_m, log.northing_m])[own]
    ends = np.flatnonzero(jump)
    first, last = np.append(0, ends + 1), np.append(ends, len(own) - 1)
    kept = 0
    for k in range(1, len(first) - 1):
        before, after = at[last[kept]], at[first[k + 1]]
        there = np.hypot(*(at[first[k]] - before)) + np.hypot(*(after - at[last[k]]))
        if last[k] - first[k] < _MOST_STRAY and np.hypot(*(after - before)) < there / 2:
            stray[own[first[k] : last[k] + 1]] = True
        else:
            kept = k
    lost = np.where(stray, np.nan, 0.0)
    log = replace(log, easting_m=log.easting_m + lost, northing_m=log.northing_m + lost)
    if log.pass_number is not None:
        log = replace(log, pass_number=_parted(log, track, stray))
    return log, track_of(log), stray


def _jumps(log: YieldLog, track: Track, own: IntArray) -> BoolArray:
    """Which steps (positioned readings - 1,) no machine makes."""
    away = np.hypot(np.diff(log.easting_m[own]), np.diff(log.northing_m[own]))
    moved = away[away > 0]
    if len(moved) < _LEAST_PASS:
        return np.zeros(len(away), dtype=bool)
    jump = away > GAP_TIMES * float(np.median(moved))
    if track.clock_s is not None and log.speed_m_per_s is not None:
        speed: FloatArray = np.nan_to_num(log.speed_m_per_s[own])
        reach = np.maximum(speed[1:], speed[:-1]) * np.nan_to_num(np.diff(track.clock_s[own]))
        jump &= away > GAP_TIMES * reach
    return np.asarray(jump)


def _parted(log: YieldLog, track: Track, stray: BoolArray) -> IntArray:
    """The log's own passes (n,), parted where a jump stays."""
    assert log.pass_number is not None  # noqa: S101 - asked before
    own = np.flatnonzero(np.isfinite(log.easting_m) & ~stray).astype(np.int64)
    new = _jumps(log, track, own) | (np.diff(log.pass_number[own]) != 0)
    number = np.zeros(len(stray), dtype=np.int64)
    number[own[1:]] = np.cumsum(new)
    return number
