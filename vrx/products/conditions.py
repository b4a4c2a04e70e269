"""Go or no-go, pass by pass, from what the user states; what is not stated is not known.

A no-go is a fact that was stated and that the rule forbids. Nothing here moves a rate.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

from vrx.model import GO, NO_GO, NOT_KNOWN, Finding, GoItem, PassRates, PassWindow, note, warn
from vrx.products import timings
from vrx.products.timings import parse_timing

OWN_CONDITIONS = Path(__file__).with_name("conditions.toml")


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What holds on the day, and the limits of label, code and manual; None is not stated.

    What changes from day to day is a go only for the day `stated_on`, and the days beside it.

    Feet are distances from the ground that gets product; degrees F the lowest of air and product
    until it is used. `line_clean`: tank, line and water hold neither acid nor hypochlorite.
    """

    stated_on: date | None = None
    ground_frozen: bool | None = None
    snow_cover: bool | None = None
    soil: str | None = None
    leaves_wet: bool | None = None
    regrowth_in: float | None = None
    rain_ahead_in: float | None = None
    rain_most_in: float | None = None
    slope_pct: float | None = None
    slope_most_pct: float | None = None
    well_ft: float | None = None
    water_ft: float | None = None
    setback_ft: float | None = None
    injection_point_ft: float | None = None
    wind_mph: float | None = None
    wind_most_mph: float | None = None
    low_f: float | None = None
    salt_out_f: float | None = None
    line_clean: bool | None = None

    def over(self, general: Conditions) -> Conditions:
        """These conditions, with those of the whole field where nothing is stated."""
        return Conditions(**{
            one.name: getattr(general, one.name) if getattr(self, one.name) is None
            else getattr(self, one.name) for one in fields(self)
        })


def go_list(
    passes: Sequence[PassRates], *, general: Conditions, of_pass: Mapping[str, Conditions],
    windows: Sequence[PassWindow] = (),
) -> tuple[GoItem, ...]:
    """The items of every pass that spreads anything, by number."""
    found: list[GoItem] = []
    days = {one.pass_id: one for one in windows}
    for one in sorted(passes, key=lambda item: item.number):
        if one.rates.any():
            told = of_pass.get(one.pass_id, Conditions()).over(general)
            found += _items(one, told, days.get(one.pass_id))
    return tuple(found)


def _items(one: PassRates, told: Conditions, window: PassWindow | None) -> list[GoItem]:
    water = one.method == "through irrigation"
    liquid = one.material.form == "liquid"
    stubble = parse_timing(one.timing).kind in (timings.STUBBLE, timings.AFTER_LAST)
    rows = [_frozen(told)]
    if window is not None and (window.opens or window.closes):
        rows.append(_window(window))
    if not water:
        rows.append(("wet_soil", _by(told.soil, told.soil != "wet"), told.soil or "", ""))
    rows += [
        _most("rain", told.rain_ahead_in, told.rain_most_in, "in"),
        _most("slope", told.slope_pct, told.slope_most_pct, "%"),
        _least("wells", told.well_ft, told.setback_ft),
        _least("water", told.water_ft, told.setback_ft),
    ]
    if water:
        least = float(_rules()["injection_point"]["least_ft"])
        at = told.injection_point_ft
        rows.append(("injection_point", _by(at, at is not None and at >= least),
                     "" if at is None else f"{at:g} ft", ""))
    if one.method == "broadcast":
        rows.append(_most("wind", told.wind_mph, told.wind_most_mph, "mph"))
    if liquid:
        rows.append(_salt_out(one, told))
    elif not water:
        rows.append(("leaves", _by(told.leaves_wet, not told.leaves_wet),
                     _yes(told.leaves_wet, "wet", "dry"), ""))
    if stubble:
        most, now = float(_rules()["regrowth"]["most_in"]), told.regrowth_in
        rows.append(("regrowth", _by(now, now is not None and now <= most),
                     "" if now is None else f"{now:g} in", ""))
    if "acid" in one.material.more.not_for:
        rows.append(("line", _by(told.line_clean, bool(told.line_clean)),
                     _yes(told.line_clean, "none", "some left"), ""))
    return [_item(one, *_of_the_day(row, told, window)) for row in rows]


_Row = tuple[str, str, str, str]
"""Rule, verdict, what was stated, limit of the user in words."""

OF_THE_DAY = frozenset(
    {"frozen", "wet_soil", "rain", "wind", "salt_out", "leaves", "regrowth", "line"})
"""What changes from day to day: a go counts only where it is stated for the day of the pass."""
_NEAR_DAYS = 1


def _of_the_day(row: _Row, told: Conditions, window: PassWindow | None) -> _Row:
    """A go that was stated for another day, or for none, is not known; a no-go stays."""
    rule, verdict, stated, own = row
    if rule not in OF_THE_DAY or verdict != GO:
        return row
    day = told.stated_on
    if day is None:
        return rule, NOT_KNOWN, f"{stated}, without a day (stated_on)", own
    if window is not None and not _near(day, window):
        when = f"is planned on {window.on}" if window.on else "has another window"
        return rule, NOT_KNOWN, f"{stated} on {day}, the pass {when}", own
    return rule, verdict, f"{stated} on {day}", own


def _near(day: date, window: PassWindow) -> bool:
    """Whether a day is that of the pass, or, where none is planned, lies in its window."""
    first, last = (window.on, window.on) if window.on else (window.opens, window.closes)
    return (first is None or (first - day).days <= _NEAR_DAYS) and (
        last is None or (day - last).days <= _NEAR_DAYS)


def _item(one: PassRates, rule: str, verdict: str, stated: str, own: str) -> GoItem:
    entry = _rules()[rule]
    cite = entry["source"] if entry["source"].startswith(entry["evidence"]) else (
        f"{entry['evidence']}: {entry['source']}")
    return GoItem(pass_id=one.pass_id, number=one.number, item=entry["item"], verdict=verdict,
                  stated=stated or "not stated", rule="; ".join(filter(None, (entry["rule"], own))),
                  source=cite)


def _by(stated: object, good: bool) -> str:  # noqa: FBT001 - the verdict of a fact
    if stated is None:
        return NOT_KNOWN
    return GO if good else NO_GO


def _yes(stated: bool | None, yes: str, no: str) -> str:  # noqa: FBT001 - words for a fact
    return "" if stated is None else yes if stated else no


def _frozen(told: Conditions) -> _Row:
    parts = [_yes(told.ground_frozen, "frozen", "not frozen"),
             _yes(told.snow_cover, "snow", "no snow")]
    if told.ground_frozen or told.snow_cover:
        verdict = NO_GO
    elif told.ground_frozen is None or told.snow_cover is None:
        verdict = NOT_KNOWN
    else:
        verdict = GO
    return "frozen", verdict, ", ".join(filter(None, parts)), ""


def _window(window: PassWindow) -> _Row:
    day = "" if window.on is None else str(window.on)
    ends = " to ".join(str(end) if end else "?" for end in (window.opens, window.closes))
    if window.closed:
        return "window", NO_GO, day or "no day", f"the window is over before it opens ({ends})"
    verdict = NOT_KNOWN if window.fits is None else GO if window.fits else NO_GO
    return "window", verdict, day, ends


def _most(rule: str, stated: float | None, most: float | None, unit: str) -> _Row:
    """Stated against the user's own limit; none stated is go where nothing is there at all."""
    if stated is None:
        return rule, NOT_KNOWN, "", "" if most is None else f"your limit {most:g} {unit}"
    words = f"{stated:g} {unit}"
    if stated == 0:
        return rule, GO, words, ""
    if most is None:
        return rule, NOT_KNOWN, words, "the plan states no limit"
    return rule, GO if stated <= most else NO_GO, words, f"your limit {most:g} {unit}"


def _least(rule: str, stated: float | None, least: float | None) -> _Row:
    own = "the plan states none: read it there" if least is None else f"your set-back {least:g} ft"
    if stated is None:
        return rule, NOT_KNOWN, "", own
    if least is None:
        return rule, NOT_KNOWN if stated > 0 else NO_GO, f"{stated:g} ft", own
    return rule, GO if stated >= least else NO_GO, f"{stated:g} ft", own


def _salt_out(one: PassRates, told: Conditions) -> _Row:
    held = one.material.more.salt_out_below_f
    limit = held if told.salt_out_f is None else told.salt_out_f
    words = "" if told.low_f is None else f"lowest {told.low_f:g} F"
    if limit is None:
        return "salt_out", NOT_KNOWN, words, "read the temperature off the label"
    own = (f"{limit:g} F as given" if told.salt_out_f is not None else
           f"below about {limit:g} F ({one.material.more.salt_out_source})")
    if told.low_f is None:
        return "salt_out", NOT_KNOWN, words, own
    return "salt_out", GO if told.low_f >= limit else NO_GO, words, own


def go_findings(
    items: Sequence[GoItem], *, stated: bool
) -> tuple[Finding, ...]:
    """A warning a pass with a no-go; and, where the plan states conditions, what is not known."""
    found: list[Finding] = []
    for name in dict.fromkeys(one.pass_id for one in items):
        # A day outside the window is told by the calendar.
        mine = [one for one in items if one.pass_id == name
                and one.item != _rules()["window"]["item"]]
        bad = [one for one in mine if one.verdict == NO_GO]
        if bad:
            found.append(warn(
                "conditions-no-go", f"pass {name}",
                "no-go as stated: " + "; ".join(
                    f"{one.item}: {one.stated} ({one.rule}; {one.source})" for one in bad),
                value=str(len(bad)), done="rates are not changed",
                todo="do not start this pass until each is mended and stated anew"))
        open_ = [one for one in mine if one.verdict == NOT_KNOWN]
        if open_ and stated:
            found.append(note(
                "conditions-not-known", f"pass {name}",
                "not known: " + "; ".join(one.item for one in open_), value=str(len(open_)),
                done="left as open boxes on the applicator's sheet",
                todo="look on the day, or state it in [conditions]"))
    return tuple(found)


@lru_cache(maxsize=1)
def _rules() -> dict[str, Any]:
    return tomllib.loads(OWN_CONDITIONS.read_text(encoding="utf-8"))
