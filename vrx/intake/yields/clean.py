"""Filters that set faulty yield readings aside, each with its count; nothing is deleted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from vrx.errors import InputError
from vrx.formats.soil_methods import nearest
from vrx.intake.yields._cleaning import Cleaning, blind, where_of
from vrx.intake.yields._columns import Progress
from vrx.intake.yields._cut import taken
from vrx.intake.yields._defaults import filters
from vrx.intake.yields._delay import before, estimated_delay, moved_by_delay
from vrx.intake.yields._outliers import beyond_quantiles, far_from_mean, far_from_neighbours
from vrx.intake.yields._overlap import overlap_of
from vrx.intake.yields._track import elapsed
from vrx.intake.yields.read import BASE_REASONS
from vrx.intake.yields.spec import CleanSpec
from vrx.model import BoolArray, FloatArray, YieldLog, note, warn

Judged = tuple[BoolArray | None, str]
"""Which readings (n,) a filter sets aside, None where it cannot run; and its limits, or why not."""
_TOO_COARSE_M = 20.0
_NOISY_SHARE = 0.2
_OWN_WIDTH_SHARE = 0.2
_ENDS = frozenset({"start-of-pass", "end-of-pass"})
_LEAST_USUAL, _MOST_USUAL = 0.05, 15.0
"""Short tons per acre of one cutting, from thin dry hay to wet forage (own rule)."""

def _no_yield(c: Cleaning) -> Judged:
    bare = np.isnan(c.log.tons_per_ac)
    if c.log.bale_area_ac is not None:
        # A bale without ground stands at the place of another, which has a filter of its own.
        bare &= np.isfinite(c.log.bale_area_ac)
    return bare, ""


def _not_working(c: Cleaning) -> Judged:
    if c.log.working is None:
        return None, "no column tells whether the header was down"
    return ~c.log.working, ""


def _zero(c: Cleaning) -> Judged:
    return c.all_of(c.log.tons_per_ac, lambda v: v <= 0), ""


def _standing(c: Cleaning) -> Judged:
    if c.track.speed_m_per_s is None:
        return None, "the log tells no speed"
    limit = c.setting("standing_m_per_s")
    return c.all_of(c.track.speed_m_per_s, lambda v: v < limit), f"below {limit:g} m/s"


def _same_place(c: Cleaning) -> Judged:
    if c.log.coarse_m:
        return None, "coordinates are rounded"
    out = np.zeros(len(c.reason), dtype=bool)
    own = np.flatnonzero(c.kept)
    # Millimetres: far below what any receiver tells.
    millimetres = np.round(np.column_stack([c.log.easting_m[own], c.log.northing_m[own]]) * 1000)
    keys = millimetres[:, 0].astype(np.int64) * (1 << 34) + millimetres[:, 1].astype(np.int64)
    _, first = np.unique(keys, return_index=True)
    out[own] = True
    out[own[first]] = False
    return out, ""


def _delay(c: Cleaning) -> Judged:
    wanted = c.spec.delay_s
    if wanted is None:
        return None, "no delay stated; places are taken as logged"
    if isinstance(wanted, str):
        if wanted != "estimate":
            raise InputError(f"delay_s {wanted!r} is neither seconds nor \"estimate\"",
                             code="yield-delay-unknown", where=c.log.file,
                             hint="give seconds, or \"estimate\"")
        found, words = estimated_delay(c.log, c.track, kept=c.kept, search_s=c.spec.delay_search_s)
        if found is None:
            c.findings.append(warn("yield-delay-unclear", c.log.file, words,
                                   done="places left as logged",
                                   todo="state delay_s if you know it"))
            return None, words
        c.findings.append(note("yield-delay-estimated", c.log.file, words,
                               done="taken off" if found else "nothing to take off"))
        wanted = found
    if c.track.clock_s is None:
        return None, "the log tells no time"
    c.log, lost = moved_by_delay(c.log, c.track, float(wanted))
    return lost, f"delay {wanted:g} s"


def _seconds_of_pass(c: Cleaning, *, start: bool) -> Judged:
    limit = c.setting("start_pass_s" if start else "end_pass_s")
    if c.track.clock_s is None:
        return None, "the log tells no time"
    clock, track = elapsed(c.track.clock_s), c.track
    out = np.zeros(len(c.reason), dtype=bool)
    own = np.flatnonzero(track.passes >= 0)
    of = track.passes[own]
    with np.errstate(invalid="ignore"):
        since = clock[own] - c.log.delay_s - clock[track.runs][of]
        left = clock[track.last][of] - clock[own] + min(c.log.delay_s, 0.0)
        out[own] = (since if start else left) < limit - 1e-9
    return out, f"{limit:g} s"


def _start(c: Cleaning) -> Judged:
    return _seconds_of_pass(c, start=True)


def _end(c: Cleaning) -> Judged:
    return _seconds_of_pass(c, start=False)


def _short_pass(c: Cleaning) -> Judged:
    least = int(c.setting("least_readings"))
    own = c.track.passes >= 0
    # Ends that were set aside belong to the pass: few readings, far apart, make no short one.
    ends = [k for k, name in enumerate(c.log.reasons, 1) if name in _ENDS]
    whole = c.kept | np.isin(c.reason, ends)
    length = np.bincount(c.track.passes[own & whole], minlength=len(c.track.runs))
    out = np.zeros(len(c.reason), dtype=bool)
    out[own] = length[c.track.passes[own]] < least
    return out, f"fewer than {least} readings"


def _speed(c: Cleaning) -> Judged:
    speed = c.track.speed_m_per_s
    if speed is None:
        return None, "the log tells no speed"
    usual = speed[c.kept & np.isfinite(speed)]
    if not len(usual):
        return None, "the log tells no speed"
    middle = float(np.median(usual))
    low = c.spec.least_speed_m_per_s
    high = c.spec.most_speed_m_per_s
    low = c.setting("least_speed_share") * middle if low is None else low
    high = c.setting("most_speed_share") * middle if high is None else high
    return (c.all_of(speed, lambda v: (v < low) | (v > high)),
            f"outside {low:.2f} to {high:.2f} m/s, median {middle:.2f}")


def _speed_change(c: Cleaning) -> Judged:
    speed = c.track.speed_m_per_s
    if speed is None:
        return None, "the log tells no speed"
    most = c.setting("most_speed_change")
    out = np.zeros(len(c.reason), dtype=bool)
    own = np.flatnonzero(c.track.passes >= 0)
    same = c.track.passes[own][1:] == c.track.passes[own][:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        change = np.abs(np.diff(speed[own])) / speed[own][:-1]
        out[own[1:]] = same & (change > most)
    logged = c.log.speed_m_per_s is not None or c.log.distance_m is not None
    if not logged and out.sum() > _NOISY_SHARE * len(own):
        return None, "speeds computed from places are too rough"
    return out, f"more than {100 * most:g} % of the speed before"


def _distance(c: Cleaning) -> Judged:
    distance = c.log.distance_m if c.log.distance_m is not None else c.track.step_m
    out = np.zeros(len(c.reason), dtype=bool)
    own = np.flatnonzero(c.kept & np.isfinite(distance))
    share = c.setting("distance_within_share")
    found, low, high = far_from_mean(distance[own], most_sd=c.setting("distance_sd"),
                                     within_share=share)
    out[own] = found
    return out, f"outside {max(low, 0):.2f} to {high:.2f} m"


def _narrow(c: Cleaning) -> Judged:
    if c.log.swath_m is None or not np.isfinite(c.log.swath_m).any():
        return None, "no swath is stated"
    full = c.spec.full_swath_m or _full_swath(c.log.swath_m)
    if not full:
        return None, "no swath is above 0"
    least = c.setting("least_swath_share") * full
    narrow = c.all_of(c.log.swath_m, lambda v: v < least - 1e-9)
    # What a fifth of the readings share is another machine's own width.
    widths, which, count = np.unique(np.round(c.log.swath_m, 2), return_inverse=True,
                                     return_counts=True)
    own = (widths > 0) & (count > _OWN_WIDTH_SHARE * len(narrow))
    return narrow & ~own[which], f"below {least:.2f} m of {full:.2f} m"


def _full_swath(swath: FloatArray) -> float:
    """The swath that nine of ten positive ones do not exceed: one wild entry makes no machine."""
    known = swath[np.isfinite(swath) & (swath > 0)]
    return float(np.quantile(known, 0.9)) if len(known) else 0.0


def _overlap(c: Cleaning) -> Judged:
    # Faulty readings cover ground, too; only those that surely harvested nothing do not.
    idle = [k for k, name in enumerate(c.log.reasons, 1)
            if name in {*BASE_REASONS, "not-working", "standing", "same-place"}]
    use = np.flatnonzero((c.track.passes >= 0) & ~np.isin(c.reason, idle)).astype(np.int64)
    # The ground is where the machine was; what the sensor weighs was cut before.
    found = overlap_of(c.as_logged, c.track, use)
    if found is None:
        return None, "no swath is stated"
    most = c.setting("most_overlap_share")
    c.findings.append(note(
        "yield-overlap", c.log.file,
        f"swaths sum to {found.worked_ac:.2f} ac, the ground under them is {found.covered_ac:.2f} "
        f"ac, overlap {found.worked_ac - found.covered_ac:.2f} ac (cells of {found.cell_m:.2f} m)",
        value=f"{found.worked_ac:.4f} {found.covered_ac:.4f}"))
    share = before(found.share, c.track, c.log.delay_s)
    return (c.all_of(share, lambda v: v > most),
            f"more than {100 * most:g} % of the swath covered before")


def _limits(c: Cleaning) -> Judged:
    low, high = c.spec.least_tons_per_ac, c.spec.most_tons_per_ac
    if low is None and high is None:
        return None, "no limits are stated"
    low, high = -np.inf if low is None else low, np.inf if high is None else high
    return (c.all_of(c.log.tons_per_ac, lambda v: (v < low) | (v > high)),
            f"outside {low:g} to {high:g} short ton/ac")


def _global(c: Cleaning) -> Judged:
    out = np.zeros(len(c.reason), dtype=bool)
    own = np.flatnonzero(c.kept)
    values = c.log.tons_per_ac[own]
    if c.log.bale_area_ac is not None:
        # What the scale says can be wrong; the ground is no reading.
        values = values * c.log.bale_area_ac[own]
    if c.spec.global_quantiles is not None:
        found, low, high = beyond_quantiles(values, c.spec.global_quantiles)
        rule = "quantiles {:g} and {:g}".format(*c.spec.global_quantiles)
    else:
        most = c.setting("global_sd")
        found, low, high = far_from_mean(values, most_sd=most)
        rule = f"mean ± {most:g} standard deviations"
    out[own] = found
    unit = "short ton/ac" if c.log.bale_area_ac is None else "short ton a bale"
    return out, f"{rule}: outside {low:.3f} to {high:.3f} {unit}"


def _local(c: Cleaning) -> Judged:
    if c.log.coarse_m > _TOO_COARSE_M:
        return None, "coordinates are rounded"
    out = np.zeros(len(c.reason), dtype=bool)
    own = np.flatnonzero(c.kept)
    count, most = int(c.setting("local_neighbours")), c.setting("local_sd")
    share, told = c.setting("local_within_share"), c.progress
    out[own] = far_from_neighbours(
        np.column_stack([c.log.easting_m[own], c.log.northing_m[own]]), c.log.tons_per_ac[own],
        neighbours=count, most_sd=most, within_share=share,
        progress=None if told is None else lambda part: told("local outliers", part))
    return out, (f"beyond {most:g} standard deviations of the {count} nearest readings, and by "
                 f"more than {100 * share:g} % of the mean")


_JUDGES: dict[str, Callable[[Cleaning], Judged]] = {
    "no-yield": _no_yield, "not-working": _not_working, "zero-yield": _zero,
    "standing": _standing, "same-place": _same_place, "flow-delay": _delay,
    "start-of-pass": _start, "end-of-pass": _end, "short-pass": _short_pass, "speed": _speed,
    "speed-change": _speed_change, "distance": _distance, "narrow-swath": _narrow,
    "overlap": _overlap, "yield-limits": _limits, "global-outlier": _global,
    "local-outlier": _local,
}


def clean_yield(
    *, log: YieldLog, spec: CleanSpec | None = None, progress: Progress | None = None
) -> YieldLog:
    """The log with faulty readings set aside, each with the first filter that judged it.

    Filters run in the order of `filters.toml`, where each has its source and defaults; each looks
    at what the ones before left. Every filter's count, with its limits, is a finding, also those
    that could not run and why. Only a flow delay changes values: it moves readings along their
    pass.

    Raises:
        InputError: a filter is not known, the log was cleaned before, or nothing is left.
    """
    spec = spec or CleanSpec()
    names = [one.id for one in filters()]
    for name in spec.off:
        if name not in names:
            raise InputError(f"filter {name!r} is not known", code="yield-filter-unknown",
                             where=log.file, hint=nearest(name, names))
    if len(log.reasons) > len(BASE_REASONS):
        raise InputError("was cleaned before", code="yield-cleaned-twice", where=log.file,
                         hint="clean the log as it was read")
    c = Cleaning(replace(log, reasons=(*log.reasons, *names)), spec, progress)
    idle: list[str] = []
    clear: list[str] = []
    for position, one in enumerate(filters()):
        if progress is not None:
            progress(f"filter: {one.words}", position / len(names))
        if one.id in spec.off:
            idle.append(f"{one.id} (switched off)")
            continue
        found, limits = (None, c.loose) if blind(c, one.id) else _JUDGES[one.id](c)
        if found is None:
            idle.append(f"{one.id} ({limits})")
            continue
        new = found & c.kept
        c.reason[new] = len(BASE_REASONS) + 1 + position
        if not new.any():
            clear.append(one.id)
            continue
        c.findings.append(note(
            f"yield-filter-{one.id}", where_of(log),
            f"{int(new.sum())} readings: {one.words}" + (f" ({limits})" if limits else ""),
            value=str(int(new.sum())), done=f"set aside; source: {one.source} ({one.evidence})"))
    return _finished(c, clear, idle)


def _finished(c: Cleaning, clear: list[str], idle: list[str]) -> YieldLog:
    kept, n = int(c.kept.sum()), len(c.reason)
    if not kept:
        raise InputError(f"no reading of {n} is left after cleaning", code="yield-nothing-left",
                         where=where_of(c.log), findings=c.findings,
                         hint="look at the counts of the filters and set their limits")
    inside = int((c.log.reason == 0).sum())
    say = warn if 2 * kept < inside else note
    what = f"{kept} of {inside} readings in the field are kept"
    what += f"; nothing set aside by {', '.join(clear)}" if clear else ""
    what += f"; not run: {', '.join(idle)}" if idle else ""
    c.findings.append(say("yield-cleaned", where_of(c.log), what, value=str(kept)))
    usual = float(np.median(c.log.tons_per_ac[c.kept]))
    if not _LEAST_USUAL <= usual <= _MOST_USUAL:
        c.findings.append(warn(
            "yield-level-unusual", where_of(c.log), f"half of the readings lie below {usual:.4g} "
            f"short ton/ac; a cutting of hay gives {_LEAST_USUAL:g} to {_MOST_USUAL:g}",
            done="used as stated", todo="check the unit of the amount column"))
    return _as_in_file(c)


def _as_in_file(c: Cleaning) -> YieldLog:
    """The cleaned log with its readings where they stand in the file, its times as written."""
    done = replace(c.log, reason=c.reason, findings=(*c.log.findings, *c.findings))
    if c.order is not None:
        back = np.empty_like(c.order)
        back[c.order] = np.arange(len(c.order))
        done = taken(done, back)
    return replace(done, time_s=c.time_s)
