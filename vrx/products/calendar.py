"""The cutting calendar: when each pass can be made, and whether its planned day fits."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from vrx.errors import PlanError
from vrx.model import Cutting, Finding, PassWindow, note, warn
from vrx.products import timings
from vrx.products.requests import PassRequest
from vrx.products.timings import Timing, parse_timing

OWN_CALENDAR = Path(__file__).with_name("calendar.toml")


@dataclass(frozen=True, slots=True, kw_only=True)
class PassDays:
    """Days of one pass: when it is planned, and days that a label or adviser forbids."""

    on: date | None = None
    not_before: date | None = None
    not_after: date | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Calendar:
    """The season as the user sees it. `regrowth_days` run from the cut to about 2 in of regrowth.

    `wheels_days` from the cut replace the days of `calendar.toml`. `last_frost` is the killing
    frost of the fall before the season, for dormant passes made then.
    """

    cuttings: tuple[Cutting, ...] = ()
    killing_frost: date | None = None
    last_frost: date | None = None
    green_up: date | None = None
    ground_freezes: date | None = None
    regrowth_days: int | None = None
    wheels_days: int | None = None
    passes: Mapping[str, PassDays] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Span:
    opens: date | None
    closes: date | None
    words: str


def check_calendar(calendar: Calendar, *, season: int) -> None:
    """Raises `PlanError` for days out of order, or of another season."""
    before: Cutting | None = None
    for one in calendar.cuttings:
        days = [("cut", one.cut), ("bales_off", one.bales_off), ("water_on", one.water_on)]
        if before is not None:
            days.insert(0, (f"bales_off of cutting {before.number}", before.bales_off))
        known = [(name, day) for name, day in days if day is not None]
        for (first, early), (then, late) in pairwise(known):
            if late < early:
                raise _wrong(f"{then} on {late} is before {first} on {early}",
                             where=f"cutting {one.number}", hint="correct the days")
        if one.regrowth is not None and one.regrowth < one.cut:
            raise _wrong(f"regrowth_2_in on {one.regrowth} is before the cut on {one.cut}",
                         where=f"cutting {one.number}", hint="correct the days")
        before = one
    for where, day in _all_days(calendar):
        if day.year not in (season - 1, season):
            raise _wrong(f"{day} lies outside the season {season} and the fall before it",
                         where=where, hint="correct the year, or season of [field]")
    frosts = [day for day in (calendar.last_frost, calendar.killing_frost) if day is not None]
    if calendar.last_frost and calendar.last_frost.year != season - 1:
        raise _wrong(f"killing_frost_last_fall on {calendar.last_frost} is not in {season - 1}",
                     where="[calendar]", hint="correct the year, or give it as killing_frost")
    if calendar.ground_freezes and frosts and calendar.ground_freezes < min(frosts):
        raise _wrong("ground_freezes is before killing_frost", where="[calendar]",
                     hint="correct the days")


def _all_days(calendar: Calendar) -> list[tuple[str, date]]:
    days: list[tuple[str, date | None]] = [
        ("killing_frost", calendar.killing_frost), ("green_up", calendar.green_up),
        ("killing_frost_last_fall", calendar.last_frost),
        ("ground_freezes", calendar.ground_freezes)]
    for one in calendar.cuttings:
        days += [(f"cutting {one.number}", day) for day in
                 (one.cut, one.bales_off, one.water_on, one.regrowth)]
    for name, told in calendar.passes.items():
        days += [(f"[calendar.pass.{name}]", day) for day in
                 (told.on, told.not_before, told.not_after)]
    return [(where, day) for where, day in days if day is not None]


def _wrong(what: str, *, where: str, hint: str) -> PlanError:
    return PlanError(what, code="calendar-days", where=where, hint=hint)


def pass_windows(
    requests: Sequence[PassRequest], calendar: Calendar, *, season: int
) -> tuple[tuple[PassWindow, ...], tuple[Finding, ...]]:
    """The window of every pass by number, and what is to be told.

    Raises `PlanError` as `check_calendar` does, and for days of a pass that the plan does not have.
    """
    check_calendar(calendar, season=season)
    ids = [one.pass_id for one in requests]
    for name in calendar.passes:
        if name not in ids:
            near = difflib.get_close_matches(name, ids, n=1, cutoff=0.4)
            raise _wrong(f"no pass is called {name!r}", where="[calendar]",
                         hint=f"nearest: {near[0]}" if near else f"passes: {', '.join(ids)}")
    windows: list[PassWindow] = []
    found: list[Finding] = []
    for request in sorted(requests, key=lambda one: one.number):
        days = calendar.passes.get(request.pass_id, PassDays())
        window = _window(request, days, calendar)
        windows.append(window)
        found += _told(window, days)
    return tuple(windows), tuple(found)


def _window(request: PassRequest, days: PassDays, calendar: Calendar) -> PassWindow:
    span = _span(parse_timing(request.timing), request, calendar, on=days.on)
    opens, closes, words = span.opens, span.closes, [span.words]
    why = f" ({days.reason})" if days.reason else ""
    if days.not_before is not None and (opens is None or opens < days.not_before):
        opens = days.not_before
        words.append(f"not before {opens}{why}")
    if days.not_after is not None and (closes is None or closes > days.not_after):
        closes = days.not_after
        words.append(f"not after {closes}{why}")
    closed = opens is not None and closes is not None and closes < opens
    fits: bool | None = None
    if days.on is not None and (opens is not None or closes is not None):
        fits = not closed and (opens is None or opens <= days.on) and (
            closes is None or days.on <= closes)
    return PassWindow(
        pass_id=request.pass_id, number=request.number, timing=request.timing, opens=opens,
        closes=closes, on=days.on, closed=closed, fits=fits,
        words="; ".join(text for text in words if text),
    )


def _span(
    timing: Timing, request: PassRequest, calendar: Calendar, *, on: date | None
) -> _Span:
    if timing.kind in (timings.STUBBLE, timings.AFTER_LAST):
        return _of_cutting(timing, request, calendar)
    if timing.kind == timings.BEFORE_FROST and timing.weeks is not None:
        return _before_frost(timing.weeks, request, calendar)
    if timing.kind == timings.DORMANT:
        return _dormant(calendar, on=on)
    if timing.kind == timings.GREEN_UP:
        first = calendar.cuttings[0].cut if calendar.cuttings else None
        return _Span(calendar.green_up, first, _said("green_up"))
    return _Span(None, None, "the calendar holds no seeding"
                 if timing.kind == timings.BEFORE_SEEDING else
                 f"this timing is none that the calendar knows: {', '.join(timings.KNOWN)}")


def _dormant(calendar: Calendar, *, on: date | None) -> _Span:
    """From the killing frost of that fall until the ground freezes; the fall before goes first."""
    said, frosts = _said("dormant"), (calendar.last_frost, calendar.killing_frost)
    frost = next((day for day in frosts if day and (on is None or day.year == on.year)),
                 next((day for day in frosts if day), None))
    freezes = calendar.ground_freezes
    if frost is None:
        return _Span(None, freezes, f"{said}; killing_frost is not given")
    if freezes is not None and not 0 <= (freezes - frost).days <= 240:
        freezes = None  # of the other fall
    if freezes is None and calendar.green_up is not None and calendar.green_up > frost:
        return _Span(frost, calendar.green_up, f"{said}; until green-up, ground_freezes not given")
    return _Span(frost, freezes, said)


def _of_cutting(timing: Timing, request: PassRequest, calendar: Calendar) -> _Span:
    cuttings = calendar.cuttings
    if not cuttings:
        return _Span(None, None, "no cutting stands in the calendar")
    last = timing.kind == timings.AFTER_LAST
    number = cuttings[-1].number if last else timing.cutting
    one = next((cut for cut in cuttings if cut.number == number), None)
    if one is None:
        return _Span(None, None, f"cutting {number} is not among the {len(cuttings)} of the"
                                 " calendar")
    span = _stubble(one, request, calendar)
    if last and calendar.killing_frost is not None and (
            span.closes is None or calendar.killing_frost < span.closes):
        return _Span(span.opens, calendar.killing_frost, f"{span.words}; killing frost")
    return span


def _stubble(one: Cutting, request: PassRequest, calendar: Calendar) -> _Span:
    """From bales off (and water on, where water carries it) until regrowth, wheels or water."""
    opens, words = one.bales_off, [f"bales of cutting {one.number} off {one.bales_off}"]
    ends = [_regrowth(one, calendar)]
    if request.method == "through irrigation":
        if one.water_on is not None:
            opens = max(opens, one.water_on)
            words.append(f"water on {one.water_on}")
        else:
            words.append("water_on is not given")
    else:
        rule = _rules()["wheels"]
        days = rule["days"] if calendar.wheels_days is None else calendar.wheels_days
        said = _said("wheels") if calendar.wheels_days is None else (
            f"wheels hurt from {days} days after the cut, as given")
        ends.append((one.cut + timedelta(days=days), said))
        if one.water_on is not None:
            ends.append((one.water_on, f"water on {one.water_on}: {_said('water')}"))
    closes, why = min(ends, key=lambda end: end[0])
    return _Span(opens, closes, "; ".join([*words, why]))


def _regrowth(one: Cutting, calendar: Calendar) -> tuple[date, str]:
    if one.regrowth is not None:
        return one.regrowth, "about 2 in of regrowth, the day as given"
    if calendar.regrowth_days is not None:
        days = calendar.regrowth_days
        return (one.cut + timedelta(days=days),
                f"about 2 in of regrowth {days} days after the cut, as given")
    days = int(_rules()["regrowth"]["days"])
    return one.bales_off + timedelta(days=days), _said("regrowth")


def _before_frost(
    weeks: tuple[float, float], request: PassRequest, calendar: Calendar
) -> _Span:
    frost = calendar.killing_frost
    if frost is None:
        return _Span(None, None, "killing_frost is not given")
    opens, closes = (frost - timedelta(days=round(7 * count)) for count in reversed(weeks))
    words = f"{weeks[0]:g} to {weeks[1]:g} weeks before killing frost on {frost}"
    if not calendar.cuttings:
        return _Span(opens, closes, words)
    spans = [(one, _stubble(one, request, calendar)) for one in calendar.cuttings]
    for one, span in reversed(spans):
        if span.opens is None or span.closes is None:
            continue
        start, end = max(opens, span.opens), min(closes, span.closes)
        if start <= end:
            return _Span(start, end, f"{words}, on the stubble of cutting {one.number}; "
                                     f"{span.words}")
    return _Span(opens, closes, f"{words}; no cutting leaves open stubble in it, so that wheels"
                                " or product meet regrowth")


def _told(window: PassWindow, days: PassDays) -> list[Finding]:
    where = f"pass {window.pass_id}"
    stubble = parse_timing(window.timing).kind in (timings.STUBBLE, timings.AFTER_LAST)
    todo = ("move the pass to a later cutting, carry it through sprinklers, or skip it" if stubble
            else "move the day into the window, or correct the days of [calendar]")
    if window.closed and window.opens and window.closes:
        late = (window.opens - window.closes).days
        return [warn("calendar-no-window", where,
                     f"its window closes {window.closes}, {late} day{'s' if late > 1 else ''}"
                     f" before it opens {window.opens}: {window.words}",
                     value=f"{-late} days", done="rates are not changed", todo=todo)]
    if window.on is not None and days.not_before is not None and window.on < days.not_before:
        return [warn("calendar-outside-window", where,
                     f"planned on {window.on}, not before {days.not_before}"
                     + (f": {days.reason}" if days.reason else ""),
                     value=str(window.on), done="rates are not changed", todo="move the day")]
    if window.fits is False:
        return [warn("calendar-outside-window", where,
                     f"planned on {window.on}, its window is {_range(window)}: {window.words}",
                     value=str(window.on), done="rates are not changed", todo=todo)]
    if window.opens is None and window.closes is None:
        return [note("calendar-window-unknown", where, f"no window can be told: {window.words}",
                     todo="complete [calendar], or give the pass a timing that it knows")]
    if "no cutting leaves open stubble" in window.words:
        return [warn("calendar-regrowth", where, window.words, done="rates are not changed",
                     todo=todo)]
    return []


def _range(window: PassWindow) -> str:
    if window.opens and window.closes:
        return f"{window.opens} to {window.closes}"
    return f"from {window.opens}" if window.opens else f"until {window.closes}"


def _said(rule: str) -> str:
    entry = _rules()[rule]
    cite = entry["source"] if entry["source"].startswith(entry["evidence"]) else (
        f"{entry['evidence']}: {entry['source']}")
    return f"{entry['words']} ({cite})"


@lru_cache(maxsize=1)
def _rules() -> dict[str, Any]:
    return tomllib.loads(OWN_CALENDAR.read_text(encoding="utf-8"))
