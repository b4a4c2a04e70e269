"""Readings in the order of driving: by machine and by a clock that never runs back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vrx.intake.yields._cut import taken
from vrx.model import BoolArray, Finding, FloatArray, IntArray, YieldLog, note, warn

_PERIODS = {86_400.0: "midnight", 604_800.0: "the week's end"}
_MIXED_SHARE = 0.01
_GAP_TIMES = 3.0


def in_order(log: YieldLog) -> tuple[YieldLog, IntArray | None, list[Finding]]:
    """The log in the order of driving, and where its readings stood (None: as in the file).

    A clock that starts again at midnight (or, a receiver's, at the week's end) runs on. Rows whose
    times fall in more than one row of a hundred are sorted by time; fewer falls (two files put
    together, the hour in autumn) begin a new pass. Machines are taken one after the other. Readings
    of one time stamp are spread evenly until the next. (Own rules.)
    """
    said: list[Finding] = []
    order: IntArray | None = None
    if log.machine is not None and (np.diff(log.machine) < 0).any():
        order = np.argsort(log.machine, kind="stable")
        log = taken(log, order)
    if log.time_s is None or not np.isfinite(log.time_s).any():
        return log, order, said
    times = np.asarray(log.time_s)
    gap = np.diff(times)
    change = np.zeros(len(gap), dtype=bool) if log.machine is None else np.diff(log.machine) != 0
    fell = (gap < 0) & ~change
    count = int(fell.sum())
    if count:
        rolled = _rolled_on(times, gap, fell)
        if rolled is not None:
            log, word = replace(log, time_s=rolled[0]), rolled[1]
            said.append(note("yield-clock-rollover", log.file,
                             f"the clock starts again at {word} {count} times",
                             done="counted on from there"))
        elif count > max(1.0, _MIXED_SHARE * len(gap)) and np.isfinite(times).all():
            machine = np.zeros(len(times)) if log.machine is None else log.machine
            again = np.lexsort((times, machine)).astype(np.int64)
            log, order = taken(log, again), again if order is None else order[again]
            said.append(warn("yield-time-sorted", log.file,
                             f"rows stand in no order of time ({count} times it runs back)",
                             done="read in the order of time",
                             todo="name machine_column if several machines stand in the file"))
    assert log.time_s is not None  # noqa: S101 - returned above
    return replace(log, time_s=spread(np.asarray(log.time_s))), order, said


def _rolled_on(
    times: FloatArray, gap: FloatArray, fell: BoolArray
) -> tuple[FloatArray, str] | None:
    """Times that run on over each fall, if all falls are those of one period; and its name."""
    most = float(np.nanmax(times))
    for period, word in _PERIODS.items():
        fits = float(np.nanmin(times)) >= 0 and most < period + 1
        if fits and (gap[fell] < -period / 2).all() and fell.sum() <= _MIXED_SHARE * len(gap) + 1:
            return times + period * np.concatenate([[0], np.cumsum(fell)]), word
    return None


def spread(times: FloatArray) -> FloatArray:
    """Times (n,) where readings in a row with one stamp share the time to the next one evenly.

    Stamps of whole seconds on readings of tenths would make every speed wrong. The share is never
    more than the usual gap between stamps.
    """
    gap = np.diff(times)
    moved = gap[gap > 0]
    if not (gap == 0).any() or not len(moved):
        return times
    usual = float(np.median(moved))
    first = np.flatnonzero(np.concatenate([[True], gap != 0]))
    length = np.diff(np.append(first, len(times)))
    following = np.append(times[first[1:]] - times[first[:-1]], usual)
    reach = np.where((following > 0) & (following <= _GAP_TIMES * usual), following, usual)
    within = np.arange(len(times)) - np.repeat(first, length)
    return np.asarray(times + within * np.repeat(reach / length, length))
