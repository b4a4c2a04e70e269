"""The way of the machine: steps, passes, speed, from places and whatever else the log holds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vrx.model import BoolArray, FloatArray, IntArray, YieldLog

GAP_TIMES = 3.0
"""A step or an interval longer than this many medians begins a new pass (own rule)."""
TURN_COSINE = 0.5
"""A turn of more than 60 degrees begins a new pass (own rule)."""
_TURN_STEPS = 3
_CREEP = 0.3
STRAY_TIMES = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Track:
    """Arrays (n,): one reading each, in the order of the log.

    `passes` is the number of the pass, -1 without position. `step_m` is the distance from the
    reading before, NaN at the start of a pass. `clock_s` is None where the log tells no time.
    `speed_m_per_s` is None where nothing tells it. `gone_m` is the distance gone so far.
    `runs` are the first reading of each pass and `last` its last, (passes,).
    """

    passes: IntArray
    step_m: FloatArray
    gone_m: FloatArray
    clock_s: FloatArray | None
    speed_m_per_s: FloatArray | None
    runs: IntArray
    last: IntArray


def _median(values: FloatArray) -> float:
    good = values[np.isfinite(values) & (values > 0)]
    return float(np.median(good)) if len(good) else 0.0


def _clock(log: YieldLog) -> FloatArray | None:
    if log.time_s is not None and len(log.time_s):
        # A clock that stands still or is empty tells nothing.
        known = log.time_s[np.isfinite(log.time_s)]
        if len(known) and (len(log.time_s) < 2 or np.ptp(known) > 0):
            return np.asarray(log.time_s)
    if log.interval_s is not None:
        return np.asarray(np.cumsum(np.nan_to_num(log.interval_s)))
    return None


def _breaks(
    log: YieldLog, own: IntArray, east: FloatArray, north: FloatArray, clock: FloatArray | None
) -> BoolArray:
    """Where a new pass begins, among the positioned readings `own`."""
    new = np.zeros(len(own), dtype=bool)
    new[0] = True
    if log.working is not None:
        new[1:] |= np.diff(log.working[own].astype(np.int8)) != 0
    if log.machine is not None:
        new[1:] |= np.diff(log.machine[own]) != 0
    if log.pass_number is not None:
        new[1:] |= np.diff(log.pass_number[own]) != 0
        return new
    away = np.hypot(east, north)
    usual = _median(away)
    new[1:] |= away > GAP_TIMES * usual
    if clock is not None:
        gap = np.diff(clock[own])
        new[1:] |= (gap > GAP_TIMES * _median(gap)) | (gap < 0)
    if log.coarse_m:
        # Rounded places turn at right angles all the time.
        return new
    new[1:] |= _turns(np.column_stack([log.easting_m, log.northing_m])[own], np.cumsum(new),
                      least_m=_CREEP * usual)
    return new


def _turns(at: FloatArray, part: IntArray, *, least_m: float) -> BoolArray:
    """Which steps (n - 1,) are turns: the way of three steps before and after differ by 60 degrees.

    Single steps would not do: places that are off by a third of a step turn at every one. Ways do
    not cross from one part of the log (n,) into another; of a turn the sharpest step is taken.
    """
    n, w = len(at), _TURN_STEPS
    cosine = np.full(max(n - 1, 0), 1.0)
    if n > 2 * w + 1:
        step = np.arange(w, n - 1 - w)
        before, after = at[step] - at[step - w], at[step + 1 + w] - at[step + 1]
        long, gone = np.hypot(*before.T), np.hypot(*after.T)
        sound = (part[step - w] == part[step + 1 + w]) & (long > least_m) & (gone > least_m)
        with np.errstate(divide="ignore", invalid="ignore"):
            found = (before * after).sum(axis=1) / (long * gone)
        cosine[step[sound]] = found[sound]
    turn = cosine < TURN_COSINE
    for k in range(1, w + 1):
        # The first of several equally sharp steps within reach of each other is the turn.
        turn[k:] &= cosine[k:] < cosine[:-k]
        turn[:-k] &= cosine[:-k] <= cosine[k:]
    return turn


def track_of(log: YieldLog) -> Track:
    """The track of a log. A log's own passes are trusted, else gaps and turns part them."""
    n = len(log.record)
    own = np.flatnonzero(np.isfinite(log.easting_m)).astype(np.int64)
    clock = _clock(log)
    passes, step = np.full(n, -1, dtype=np.int64), np.full(n, np.nan)
    gone = np.zeros(n)
    east, north = np.diff(log.easting_m[own]), np.diff(log.northing_m[own])
    new = _breaks(log, own, east, north, clock)
    passes[own] = np.cumsum(new) - 1
    away = np.hypot(east, north)
    gone[own[1:]] = np.cumsum(away)
    step[own[1:]] = np.where(new[1:], np.nan, away)
    runs = own[new]
    last = own[np.append(np.flatnonzero(new)[1:] - 1, len(own) - 1)]
    return Track(passes=passes, step_m=step, gone_m=gone, clock_s=clock,
                 speed_m_per_s=_speed(log, own, step, clock), runs=runs, last=last)


def elapsed(clock: FloatArray) -> FloatArray:
    """Seconds since the first reading (n,), a clock set back or missing for a while left out."""
    gap = np.nan_to_num(np.diff(clock), nan=0.0)
    return np.concatenate([[0.0], np.cumsum(np.maximum(gap, 0.0))])


def tangled(log: YieldLog, track: Track, least: int) -> bool:
    """Whether rows stand in no order of driving.

    So if most readings lie in passes of fewer than `least`, or half of the steps are five times as
    long as readings lie apart (own rule).
    """
    length = np.bincount(track.passes[track.passes >= 0], minlength=1)
    if length[length < least].sum() > 0.5 * length.sum():
        return True
    own = np.isfinite(log.easting_m) & (np.asarray(log.reason) == 0)
    at = np.column_stack([log.easting_m, log.northing_m])[own]
    if len(at) < 2 * least:
        return False
    wide = np.ptp(at, axis=0)
    apart = max(float(np.sqrt(wide.prod() / len(at))), float(wide.max()) / len(at))
    step = np.hypot(*np.diff(at, axis=0).T)
    return float(np.median(step)) > STRAY_TIMES * apart


def _speed(
    log: YieldLog, own: IntArray, step: FloatArray, clock: FloatArray | None
) -> FloatArray | None:
    if log.speed_m_per_s is not None:
        return np.asarray(log.speed_m_per_s)
    with np.errstate(divide="ignore", invalid="ignore"):
        if log.distance_m is not None and log.interval_s is not None:
            return np.where(log.interval_s > 0, log.distance_m / log.interval_s, np.nan)
        if clock is None or log.coarse_m:
            return None
        speed = np.full(len(step), np.nan)
        gap = np.diff(clock[own])
        speed[own[1:]] = np.where(gap > 0, step[own[1:]] / gap, np.nan)
    return speed
