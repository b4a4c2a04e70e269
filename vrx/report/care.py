"""What stands around the passes, ready for print: windows, missed passes, go or no-go, feed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from markupsafe import Markup

from vrx.model import (
    GO,
    NO_GO,
    Care,
    FeedItem,
    FirstItem,
    GoItem,
    Job,
    Material,
    MissedPass,
    PassWindow,
)
from vrx.report import numbers, words
from vrx.report.season_chart import season_chart, short_day
from vrx.units import SHORT_TON_LB

_ISO = re.compile(r"(?<![\w-])\d{4}-\d{2}-\d{2}(?![\w-])")
_BAD = ("fix first", "do not spend", "weigh")


@dataclass(frozen=True, slots=True, kw_only=True)
class GoView:
    """One line to tick. `mark` is "x" for what was stated as a go, "" for an open box."""

    item: str
    mark: str
    no_go: bool
    stated: str
    rule: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowView:
    """One pass in the calendar."""

    number: int
    timing: str
    window: str
    planned: str
    verdict: str
    bad: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MissedView:
    """What one missed pass leaves, in print."""

    number: int
    nutrient: str
    short: str
    span: str
    carriers: str
    still: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RowView:
    """One line on what comes first, or on feed."""

    item: str
    verdict: str
    bad: bool
    stated: str
    rule: str
    source: str
    memory: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MaterialView:
    """What one unit and one short ton of a material bring, and when its S serves."""

    material: str
    per: str
    unit: str
    ton: str
    s_available: str
    salt_index: str
    never: str
    parts: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CareView:
    """The whole section; `shown` is False where the job holds nothing of it."""

    shown: bool
    first: tuple[RowView, ...]
    cuttings: tuple[tuple[str, str, str, str, str], ...]
    frost: str
    windows: tuple[WindowView, ...]
    missed: tuple[MissedView, ...]
    feed: tuple[RowView, ...]
    chart: Markup
    before: tuple[str, ...]
    materials: tuple[MaterialView, ...]


def _day(day: date | None) -> str:
    return "" if day is None else f"{short_day(day)}, {day.year}"


def go_views(job: Job) -> dict[int, tuple[GoView, ...]]:
    """Lines to tick by pass number."""
    return {
        rates.number: tuple(_go(one) for one in job.care.conditions if one.number == rates.number)
        for rates in job.prescription.passes
    }


def _go(one: GoItem) -> GoView:
    return GoView(
        item=one.item, mark="x" if one.verdict == GO else "", no_go=one.verdict == NO_GO,
        stated="" if one.stated == "not stated" else _days(one.stated), rule=_days(one.rule),
        source="" if one.source.startswith("user") else one.source)


def _days(text: str) -> str:
    """Days of the plan as the rest of the sheet prints them."""
    def day(found: re.Match[str]) -> str:
        try:
            return _day(date.fromisoformat(found[0]))
        except ValueError:
            return found[0]

    return _ISO.sub(day, text)


def care_view(job: Job) -> CareView:
    """Calendar, missed passes, what comes first and feed."""
    care: Care = job.care
    return CareView(
        shown=bool(care.first or care.windows or care.missed or care.feed),
        first=tuple(_row(one, bad=one.verdict in _BAD) for one in care.first),
        cuttings=tuple(
            (str(one.number), _day(one.cut), _day(one.bales_off), _day(one.water_on) or "not given",
             _day(one.regrowth) or "not given") for one in care.cuttings),
        frost=_day(care.killing_frost),
        windows=tuple(_window(one) for one in care.windows),
        missed=tuple(_missed(one) for one in care.missed),
        feed=tuple(_row(one, bad=one.verdict == "high") for one in care.feed),
        chart=Markup(season_chart(key="chart-season", care=care)),  # noqa: S704 - built and escaped in svg.py
        before=_before(care),
        materials=tuple(_material(one) for one in job.materials),
    )


def _material(one: Material) -> MaterialView:
    names = [name for name in ("N", "P2O5", "K2O", "S", "Mg", "Cl")
             if one.nutrient_lb_per_unit(name) > 0]
    per_unit = {name: one.nutrient_lb_per_unit(name) for name in names}
    index = one.more.salt_index
    return MaterialView(
        material=one.id, per=f"1 {words.product_unit(one)}",
        unit=numbers.listing([f"{numbers.fixed(lb, 3)} {name}" for name, lb in per_unit.items()]),
        ton=numbers.listing([f"{numbers.fixed(SHORT_TON_LB * lb / one.lb_per_unit)} {name}"
                             for name, lb in per_unit.items()]),
        s_available=one.more.s_available or ("not held" if one.s_pct > 0 else "brings none"),
        never=", ".join(one.more.not_for) or "-",
        salt_index="not held" if index is None else f"{index:g} ({one.more.salt_basis})",
        parts=", ".join(f"{numbers.fixed(100 * share, 1)} % {name}" for name, share in one.parts))


def _before(care: Care) -> tuple[str, ...]:
    """What stands against spending, or against a day, in one sentence each."""
    said = [
        f"{words.opening(one.verdict)}: {one.item[:1].lower() + one.item[1:]}, {one.stated}"
        f" ({one.rule}; {words.MEMORY_SHORT if words.is_from_memory(one.source) else one.source})."
        for one in care.first if one.verdict in _BAD
    ]
    said += [
        f"Pass {one.number} has no window: it closes {_day(one.closes)}, before it opens"
        f" {_day(one.opens)}." if one.closed else
        f"Pass {one.number} on {_day(one.on)} does not fit its window."
        for one in care.windows if one.closed or one.fits is False
    ]
    barred = dict.fromkeys(one.number for one in care.conditions if one.verdict == NO_GO)
    return (*said, *(f"Pass {number} is a no-go as stated; see its list." for number in barred))


def _row(one: FirstItem | FeedItem, *, bad: bool) -> RowView:
    """What is from memory carries its mark, and does not say it twice."""
    memory = words.is_from_memory(one.source)
    source = one.source.removeprefix(f"{words.MEMORY_SHORT}: ") if memory else one.source
    if memory and source == words.MEMORY_SHORT:
        source = ""
    return RowView(item=one.item, verdict=one.verdict, bad=bad, stated=one.stated, rule=one.rule,
                   source=source, memory=memory)


def _window(one: PassWindow) -> WindowView:
    if one.closed:
        span = f"over ({_day(one.closes)}) before it opens ({_day(one.opens)})"
        verdict = "no window"
    elif one.opens is None and one.closes is None:
        span, verdict = "not known", "not known"
    else:
        ends = [_day(one.opens) or "not known", _day(one.closes) or "not known"]
        span = ends[0] if one.opens == one.closes else " to ".join(ends)
        verdict = "no day planned" if one.fits is None else "fits" if one.fits else "does not fit"
    return WindowView(
        number=one.number, timing=one.timing, window=span, planned=_day(one.on) or "no day",
        verdict=verdict, bad=verdict in ("no window", "does not fit"), words=one.words)


def _missed(one: MissedPass) -> MissedView:
    rates = [lb for _, lb in one.short_lb_per_ac]
    least, most = numbers.fixed(min(rates)), numbers.fixed(max(rates))
    zones = ", ".join(letter for letter, _ in one.short_lb_per_ac)
    carriers = [
        f"pass {of.number}: {numbers.fixed(of.lb)} lb" + (f", up to {of.bound}" if of.bound else "")
        for of in one.carriers if of.lb >= 0.5
    ]
    why = [f"pass {of.number}: {of.bound or 'no room'}" for of in one.carriers]
    nobody = f"none ({'; '.join(why)})" if why else "none: no pass comes later"
    return MissedView(
        number=one.number, nutrient=one.nutrient, short=f"{numbers.fixed(one.short_lb)} lb",
        span=f"{least if least == most else f'{least} to {most}'} lb/ac in {zones}",
        carriers="; ".join(carriers) or nobody, still=f"{numbers.fixed(one.still_lb)} lb")
