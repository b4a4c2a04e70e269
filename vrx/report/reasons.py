"""Needs line by line, balances, what the crop takes up and removes, findings: ready for print."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from vrx.formats.catalogue import catalogue, gravest_first
from vrx.model import Finding, Job, Need, Severity, Zone
from vrx.report import charts, need_beside, numbers, words

SHOWN_FINDINGS = 7
_MONEY = re.compile(r"\$|\busd\b|\bdollar", re.IGNORECASE)
_LONG = re.compile(r"(?<![\d.,])\d{1,3}\.\d{4,}(?!\d)")
"""Numbers with more decimals than anybody reads."""
_KEY = re.compile(r"[\[\]=]|\w_\w")
"""Words that stand in a plan file and nowhere else."""
_NUMBER = re.compile(r"-?\d[\d,]*\.?\d*")


@dataclass(frozen=True, slots=True, kw_only=True)
class LineView:
    """One term of a need; `base` is the sum of the lines before it where credits begin."""

    base: str
    term: str
    lb_per_ac: str
    detail: str
    locator: str
    evidence: str
    memory: bool
    unsourced: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedView:
    """The need of one zone, or of several whose lines are equal word by word."""

    letters: str
    several: bool
    area: str
    book: str
    soil_class: str
    lb_per_ac: str
    bounds: str
    surplus: str
    lines: tuple[LineView, ...]
    memory: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BalanceView:
    """Need and brought by zone, with the chart."""

    nutrient: str
    chart: Markup
    rows: tuple[tuple[str, str, str, str], ...]
    memory: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingView:
    """A finding with its severity in words.

    `meaning` is the catalogue's sentence for who knows fields and not programs ("" for a code that
    nobody lists), `plain_todo` is `todo`, or the catalogue's remedy where that names keys of the
    plan. `weight` is what the code touches, "data" where nobody lists it. `money` marks dollars.
    """

    severity: str
    word: str
    code: str
    where: str
    what: str
    value: str
    done: str
    todo: str
    meaning: str
    plain_todo: str
    weight: str
    money: bool


def _bases(need: Need) -> list[str]:
    """For each line the base need where credits begin there, else ""."""
    at = next((k for k, line in enumerate(need.lines) if line.credit), None)
    base = ["" for _ in need.lines]
    if at:
        base[at] = numbers.fixed(sum(line.lb_per_ac for line in need.lines[:at]), 1)
    return base


def _need(need: Need, zones: Sequence[Zone], bounds: str) -> NeedView:
    lines = tuple(
        LineView(
            base=base, term=line.term, lb_per_ac=numbers.signed(line.lb_per_ac, 1),
            detail=line.detail,
            locator=line.locator, evidence=line.evidence,
            memory=words.is_from_memory(line.evidence),
            unsourced=words.is_unsourced(line.evidence),
        )
        for line, base in zip(need.lines, _bases(need), strict=True)
    )
    return NeedView(
        letters=numbers.listing([zone.letter for zone in zones]), several=len(zones) > 1,
        area=numbers.acres(sum(zone.area_ac for zone in zones)), book=need.book,
        soil_class=need.soil_class,
        lb_per_ac=numbers.fixed(need.lb_per_ac, 1), bounds=bounds,
        surplus=numbers.fixed(need.surplus_lb_per_ac, 1) if need.surplus_lb_per_ac > 0 else "",
        lines=lines,
        memory=any(line.memory for line in lines),
    )


def need_views(job: Job) -> dict[str, list[NeedView]]:
    """By nutrient, zones in order; zones with the same lines stand together."""
    views = {}
    for nutrient, needs in job.needs.items():
        held = job.need_beside.bounds.get(nutrient)
        alike: dict[tuple[object, ...], tuple[Need, list[Zone], str]] = {}
        for k, (need, zone) in enumerate(zip(needs, job.zones.zones, strict=True)):
            bounds = need_beside.bound_words(held, k)
            same = (need.book, need.soil_class, need.lb_per_ac, need.lines, bounds)
            alike.setdefault(same, (need, [], bounds))[1].append(zone)
        views[nutrient] = [_need(need, zones, bounds) for need, zones, bounds in alike.values()]
    return views


def balance_views(job: Job) -> list[BalanceView]:
    """Need against what the rounded rates bring."""
    memory = words.memory_nutrients(job)
    views = []
    for balance in job.prescription.balances:
        rows = tuple(
            (zone.letter, numbers.fixed(need, 1), numbers.fixed(brought, 1),
             numbers.signed(brought - need, 1))
            for zone, need, brought in zip(
                job.zones.zones, balance.need.tolist(), balance.brought.tolist(), strict=True
            )
        )
        chart = charts.balance_chart(
            key=f"balance-{balance.nutrient}", balance=balance, zones=job.zones.zones
        )
        views.append(
            BalanceView(
                nutrient=balance.nutrient, chart=Markup(chart),  # noqa: S704 - built in svg.py
                rows=rows, memory=balance.nutrient in memory,
            )
        )
    return views


@dataclass(frozen=True, slots=True, kw_only=True)
class CropView:
    """What the crop takes up and what the hay removes, never in one table row."""

    takes_up: str
    takes_up_source: str
    removes: str
    removes_source: str


def crop_view(job: Job) -> CropView:
    """Both amounts with their sources; a missing removal is said."""
    truth = job.crop_truth
    parts = [
        f"{numbers.nutrient(value)} lb {name}/ac"
        for value, name in (
            (truth.removes_k2o_lb_per_ac, "K2O"), (truth.removes_s_lb_per_ac, "S"),
        )
        if value is not None
    ]
    missing = [
        name
        for value, name in (
            (truth.removes_k2o_lb_per_ac, "K2O"), (truth.removes_s_lb_per_ac, "S"),
        )
        if value is None
    ]
    if missing:
        parts.append(f"no figure for {numbers.listing(missing)}")
    return CropView(
        takes_up=(
            f"{numbers.nutrient(truth.takes_up_k2o_lb_per_ac)} lb K2O/ac and "
            f"{numbers.nutrient(truth.takes_up_s_lb_per_ac)} lb S/ac"
        ),
        takes_up_source=truth.takes_up_source, removes=numbers.listing(parts),
        removes_source=truth.removes_source,
    )


def _gather(job: Job) -> Iterable[Finding]:
    yield from job.findings
    yield from job.field.findings
    yield from job.soil.findings
    for surface in job.surfaces.values():
        yield from surface.findings
    yield from job.zones.findings
    for needs in job.needs.values():
        for need in needs:
            yield from need.findings
    yield from job.prescription.findings
    for one in job.prescription.passes:
        yield from one.findings


def _unsaid(finding: Finding) -> str:
    """The value, unless the sentence already holds its figure (rounded as it prints there)."""
    first = _NUMBER.search(finding.value)
    if first is None:
        return "" if finding.value in finding.what else finding.value
    value = float(first[0].replace(",", ""))
    sentence = f"{finding.what} {finding.done}"
    said = [float(text.replace(",", "")) for text in _NUMBER.findall(sentence)]
    near = max(0.006 * abs(value), 0.0051)
    if any(abs(abs(value) - abs(one)) <= near for one in said):
        return ""
    return _LONG.sub(lambda found: f"{float(found[0]):.4g}", finding.value)


def _by_number(job: Job) -> Callable[[str], str]:
    """Texts with passes named as the page names them, by number; ids stand in the plan alone."""
    numbers_of = {one.pass_id: str(one.number) for one in job.prescription.passes}
    ids = sorted((name for name in numbers_of if not name.isdigit()), key=len, reverse=True)
    if not ids:
        return lambda text: text
    named = re.compile(rf"\b([Pp]ass) ({'|'.join(map(re.escape, ids))})(?![\w-])")
    return lambda text: named.sub(lambda m: f"{m[1]} {numbers_of[m[2]]}", text)


def _plain(todo: str, remedy: str) -> str:
    """What to do in this case, unless it is said in keys of the plan."""
    if remedy and (not todo or _KEY.search(todo)):
        return remedy
    return f"{todo[:1].upper()}{todo[1:]}." if todo else ""


def _finding(finding: Finding, named: Callable[[str], str]) -> FindingView:
    names = {Severity.STOP: "Stop", Severity.WARN: "Warning", Severity.NOTE: "Note"}
    entry = catalogue().codes.get(finding.code)
    texts = (finding.where, finding.what, finding.value, finding.done, finding.todo)
    return FindingView(
        severity=finding.severity.value, word=names[finding.severity], code=finding.code,
        where=named(finding.where), what=named(finding.what), value=named(_unsaid(finding)),
        done=named(finding.done), todo=named(finding.todo),
        meaning="" if entry is None else entry.meaning,
        plain_todo=_plain(named(finding.todo), "" if entry is None else entry.remedy),
        weight="data" if entry is None else entry.weight,
        money=any(_MONEY.search(text) for text in texts),
    )


def finding_views(job: Job) -> tuple[list[FindingView], list[FindingView]]:
    """Findings of all stages once each, the weighty first: those shown, those folded.

    Every stop is shown; with the warnings about seven in all, the rest and all notes fold.
    """
    ordered = gravest_first(_gather(job))
    weighty = [f for f in ordered if f.severity is not Severity.NOTE]
    stops = sum(f.severity is Severity.STOP for f in ordered)
    shown: Sequence[Finding] = weighty[: max(SHOWN_FINDINGS, stops)]
    folded = ordered[len(shown):]
    named = _by_number(job)
    return [_finding(f, named) for f in shown], [_finding(f, named) for f in folded]
