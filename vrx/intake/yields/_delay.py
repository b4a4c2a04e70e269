"""The flow delay: crop that the sensor weighs now was cut some seconds, and metres, before."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from vrx.errors import InputError
from vrx.intake.yields._cut import part_of
from vrx.intake.yields._outliers import far_from_mean
from vrx.intake.yields._track import Track, track_of
from vrx.model import BoolArray, FloatArray, IntArray, YieldLog

_MOST = 20_000
_NEIGHBOURS = 12
_ALONG = 5
_FEWEST_PAIRS = 100
_CLEAR_ERRORS = 4.0
_HALVES_S = 2
_AGAINST = -0.5


def _apart(clock: FloatArray, track: Track, own: IntArray) -> tuple[FloatArray, FloatArray]:
    """Times that never run from one pass into the next, and the same at the pass's start."""
    begin = clock[track.runs][track.passes[own]]
    span = float(np.max(clock[track.last] - clock[track.runs])) + 1e6
    base = np.asarray(track.passes[own] * span, dtype=np.float64)
    return np.asarray(base + (clock[own] - begin)), base


def moved_by_delay(log: YieldLog, track: Track, delay_s: float) -> tuple[YieldLog, BoolArray]:
    """The log with every reading at the place where the machine was `delay_s` seconds before.

    Places are interpolated along the pass. The mask (n,) tells which readings would lie before (or,
    for a negative delay, after) their pass; their place stays as logged. Where yields came from
    mass, distance and swath, the area is that of the new place, so that mass is kept.
    """
    lost = np.zeros(len(log.record), dtype=bool)
    if track.clock_s is None or delay_s == 0:
        return log, lost
    own = np.flatnonzero(track.passes >= 0)
    clock = track.clock_s
    if np.isnan(clock[own]).any():
        raise InputError(
            f"{int(np.isnan(clock[own]).sum())} readings have no time, so that no delay can be "
            "taken off", code="yield-time-missing", where=log.file,
            hint="mend the times, or leave delay_s out")
    times, base = _apart(clock, track, own)
    back = np.flatnonzero(np.diff(times) < 0)
    if len(back):
        raise InputError(
            f"times run backwards within a pass, first at row or record "
            f"{log.record[own[back[0] + 1]]}", code="yield-time-order", where=log.file,
            hint="sort the log by time, or leave delay_s out")
    end = base + (clock[track.last] - clock[track.runs])[track.passes[own]]
    wanted = times - delay_s
    lost[own] = (wanted < base - 1e-9) | (wanted > end + 1e-9)
    east, north, tons = log.easting_m.copy(), log.northing_m.copy(), log.tons_per_ac.copy()
    good = ~lost[own]
    take, at = own[good], wanted[good]
    east[take] = np.interp(at, times, log.easting_m[own])
    north[take] = np.interp(at, times, log.northing_m[own])
    if log.mass_based and log.swath_m is not None:
        ground = _ground(log)
        with np.errstate(divide="ignore", invalid="ignore"):
            tons[take] *= ground[take] / np.interp(at, times, np.nan_to_num(ground[own]))
        tons[~np.isfinite(tons)] = np.nan
    return replace(log, easting_m=east, northing_m=north, tons_per_ac=tons, delay_s=delay_s), lost


def before(values: FloatArray, track: Track, delay_s: float) -> FloatArray:
    """Values (n,) along the pass, each read `delay_s` seconds before; NaN stays where it was."""
    if track.clock_s is None or delay_s == 0:
        return values
    own = np.flatnonzero((track.passes >= 0) & np.isfinite(values))
    times, _ = _apart(track.clock_s, track, own)
    out = values.copy()
    if len(own):
        out[own] = np.interp(times - delay_s, times, values[own])
    return out


def _ground(log: YieldLog) -> FloatArray:
    distance = log.distance_m
    if distance is None:
        assert log.speed_m_per_s is not None  # noqa: S101 - mass needs one of them
        assert log.interval_s is not None  # noqa: S101
        distance = log.speed_m_per_s * log.interval_s
    assert log.swath_m is not None  # noqa: S101
    return np.asarray(distance * log.swath_m)


def _headings(log: YieldLog, track: Track) -> FloatArray:
    """Unit vectors (n, 2) along the pass, over five readings before and after each.

    Not from a pass's start to its end: under a pivot it may end where it began.
    """
    own = np.flatnonzero(track.passes >= 0)
    places = np.column_stack([log.easting_m, log.northing_m])[own]
    begin = np.searchsorted(own, track.runs)[track.passes[own]]
    end = np.searchsorted(own, track.last)[track.passes[own]]
    at = np.arange(len(own))
    way = places[np.minimum(at + _ALONG, end)] - places[np.maximum(at - _ALONG, begin)]
    length = np.hypot(*way.T)
    unit = np.zeros((len(log.record), 2))
    unit[own] = way / np.where(length > 0, length, 1.0)[:, None]
    return unit


def _differences(
    log: YieldLog, use: IntArray, heading: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Squared differences (m,) to the nearest reading of a pass that ran the other way, of whom."""
    from scipy.spatial import cKDTree

    places = np.column_stack([log.easting_m[use], log.northing_m[use]])
    values = log.tons_per_ac[use]
    _, near = cKDTree(places).query(places, k=min(_NEIGHBOURS, len(use)))
    near = near.reshape(len(use), -1)
    against = np.einsum("ik,ijk->ij", heading[use], heading[use][near]) < _AGAINST
    have = against.any(axis=1)
    other = near[np.arange(len(use)), against.argmax(axis=1)]
    return np.asarray((values[have] - values[other[have]]) ** 2), use[have]


def _plausible(values: FloatArray) -> BoolArray:
    """Values (n,) without those far from the mean, twice: outliers would drown the sawtooth."""
    good = np.isfinite(values)
    for _ in range(2):
        found, _, _ = far_from_mean(values[good], most_sd=3.0)
        good[np.flatnonzero(good)[found]] = False
    return good


def estimated_delay(
    log: YieldLog, track: Track, *, kept: BoolArray, search_s: tuple[float, float]
) -> tuple[float | None, str]:
    """The delay, whole seconds, at which neighbouring passes of opposite direction agree best.

    A wrong delay moves every feature forward on one pass and back on the next: a sawtooth. At most
    20,000 readings in a row from the middle of the log are looked at, outliers left out. Returns
    None, and why, where no delay stands out: fewer than 100 opposite pairs, the best at the end of
    the search, below the median of all by less than four standard errors that the mean square of n
    normal differences has (sqrt(2 / n) of it), or two halves of the readings that differ by more
    than 2 s. (Own rule, no source.)
    """
    if track.clock_s is None:
        return None, "the log tells no time"
    able = np.flatnonzero(kept & (track.passes >= 0))
    start = max(0, (len(able) - _MOST) // 2)
    use = able[start : start + _MOST].astype(np.int64)
    if len(able) > _MOST:
        own = np.zeros(len(kept), dtype=bool)
        own[use[0] : use[-1] + 1] = True
        log = part_of(log, own, log.harvest)
        track, use = track_of(log), use - use[0]
    use = use[_plausible(log.tons_per_ac[use])]
    heading = _headings(log, track)
    delays = np.arange(np.ceil(search_s[0]), np.floor(search_s[1]) + 1)
    scores = np.full((3, len(delays)), np.inf)
    fewest = len(use)
    for k, delay in enumerate(delays):
        moved, lost = moved_by_delay(log, track, float(delay))
        good = use[~lost[use] & np.isfinite(moved.tons_per_ac[use])]
        if not len(good):
            return None, f"passes are shorter than a delay of {delay:g} s"
        squares, whose = _differences(moved, good, heading)
        late = whose > use[len(use) // 2]
        fewest = min(fewest, int(late.sum()), int((~late).sum()))
        if fewest < _FEWEST_PAIRS // 2:
            return None, f"only {len(whose)} readings have a neighbour that ran the other way"
        scores[:, k] = squares.mean(), squares[late].mean(), squares[~late].mean()
    return _judged(delays, scores, pairs=fewest * 2)


def _judged(
    delays: FloatArray, scores: FloatArray, *, pairs: int
) -> tuple[float | None, str]:
    """The delay if the scores (all, later half, earlier half) are clear, and words."""
    best, later, earlier = np.argmin(scores, axis=1).tolist()
    middle = float(np.median(scores[0]))
    words = (f"neighbouring passes of opposite direction differ least at {delays[best]:g} s "
             f"(mean square {scores[0, best]:.4g}; median of {delays[0]:g} to {delays[-1]:g} s "
             f"{middle:.4g}; halves of the readings {delays[earlier]:g} and {delays[later]:g} s)")
    apart = max(abs(later - best), abs(earlier - best))
    least = middle * (1.0 - _CLEAR_ERRORS * math.sqrt(2.0 / pairs))
    if scores[0, best] > least or best in (0, len(delays) - 1) or apart > _HALVES_S:
        return None, words + ", which is not clear"
    return float(delays[best]), words
