"""The same zones under several guides: need, order and cost of each, and why they differ."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from vrx import rules
from vrx.errors import PlanError, VrxError
from vrx.model import Finding, FloatArray, Need, OrderLine, Prescription, Severity, note
from vrx.model.need_beside import Comparison, GuideRate, MaterialOf
from vrx.pipeline import allocate, season
from vrx.pipeline import needs as asking
from vrx.pipeline.ground import find_book
from vrx.pipeline.inputs import Inputs
from vrx.plan import NeedSection, Plan

_SECTION = {"K2O": "potassium", "S": "sulfur"}
Options = Mapping[str, Mapping[str, Any]]


def compare(
    plan: Plan, inputs: Inputs, on: asking.Ground, needs: Mapping[str, tuple[Need, ...]],
    *, books: Sequence[str], options: Options, prescribe: Callable[..., Prescription],
) -> tuple[tuple[Comparison, ...], tuple[Finding, ...]]:
    """Guides `books` beside those of the plan, by nutrient, on the zones of `on`.

    `needs` are the plan's own, `options` what a book asks for, by id; a book that the plan itself
    uses keeps the options of `[need]`. `prescribe(plan, needs=..., truth=...)` plans the passes. A
    guide that cannot read this field stands with its refusal.
    Raises `PlanError` for a book that there is not.
    """
    by_nutrient: dict[str, list[str]] = {}
    for name in dict.fromkeys(books):
        book = _book(inputs, name)
        by_nutrient.setdefault(book.nutrient, []).append(book.id)
    own = season.need_sections(plan)
    found, findings = [], []
    for nutrient in sorted(by_nutrient):
        sections = {}
        if nutrient in own:
            sections[own[nutrient].book] = own[nutrient]
        for name in by_nutrient[nutrient]:
            sections.setdefault(name, NeedSection(book=name, **dict(options.get(name, {}))))
        mine = own[nutrient].book if nutrient in own else ""
        guides = [_guide(plan, inputs, on, needs=needs, nutrient=nutrient, section=section,
                         mine=mine, prescribe=prescribe) for section in sections.values()]
        rates = [one.need for one in guides if one.need]
        spread = np.ptp(rates, axis=0) if rates else np.zeros(len(on.made.zones))
        one = Comparison(
            nutrient=nutrient, guides=tuple(guides),
            spread=tuple(float(value) for value in spread),
            followed=any((each.serves == _SECTION[nutrient] and each.rate is not None)
                         or allocate.is_planned(each) for each in plan.passes))
        found.append(one)
        findings += _findings(one)
    return tuple(found), tuple(findings)


def with_book(plan: Plan, nutrient: str, section: NeedSection) -> Plan:
    """The plan with another guide for one nutrient."""
    return plan.model_copy(update={
        "need": plan.need.model_copy(update={_SECTION[nutrient]: section})})


def _book(inputs: Inputs, name: str) -> rules.Book:
    try:
        return find_book(inputs.books, name)
    except PlanError as err:
        raise PlanError(err.message, code=err.code, where="the guides to compare",
                        hint=err.hint) from err


def _guide(
    plan: Plan, inputs: Inputs, on: asking.Ground, *, needs: Mapping[str, tuple[Need, ...]],
    nutrient: str, section: NeedSection, mine: str, prescribe: Callable[..., Prescription],
) -> GuideRate:
    book = find_book(inputs.books, section.book)
    other = with_book(plan, nutrient, section)
    told: dict[str, Any] = {"book": book.id, "name": book.data.name, "of_plan": book.id == mine,
                            "ways": {}, "why": ()}
    try:
        told["ways"] = rules.ways(
            book, asking.book_options(other, inputs, nutrient, section))
        if mine and book.id != mine:
            own = season.need_sections(plan)[nutrient]
            base = rules.ways(find_book(inputs.books, mine),
                              asking.book_options(plan, inputs, nutrient, own))
            told["why"] = rules.why_differ(told["ways"], base, name=mine)
        asked = asking.question(other, inputs, on, nutrient, section)
        by_zone = asking.needs_only(other, on, asked)
    except VrxError as err:
        # A guide that cannot read the field is a row of its own, never a converted figure.
        return GuideRate(**told, refused=err.message, refused_code=err.code, todo=err.hint)
    area = np.array([zone.area_ac for zone in on.made.zones])
    need = np.array([one.lb_per_ac for one in by_zone])
    told |= {
        "need": tuple(float(value) for value in need), "total_lb": float(need @ area),
        "parts": _parts(by_zone, area),
        "evidence": tuple(dict.fromkeys(
            line.evidence for one in by_zone for line in one.lines
            if line.lb_per_ac != 0 or line.evidence != "user")),  # a rate of nothing rests on them
        "notes": tuple(_said(found) for found in rules.findings_of(by_zone) if _weighs(found)),
    }
    try:
        planned = prescribe(other, needs={**needs, nutrient: by_zone},
                            truth=season.crop_truth(other, inputs))
    except VrxError as err:
        return GuideRate(**told, order_refused=f"{err.where}: {err.message}")
    usd = [line.usd for line in planned.order]
    return GuideRate(
        **told, order=tuple(_material(line) for line in planned.order),
        usd=None if None in usd else float(sum(one for one in usd if one is not None)))


def _weighs(found: Finding) -> bool:
    """Whether a finding of a guide belongs beside its rate; evidence is told by itself."""
    return found.code == "credit-not-counted" or (
        found.severity is Severity.WARN and found.code != "rules-from-memory")


def _said(found: Finding) -> str:
    return f"{found.what}; {found.done}" if found.done else found.what


def _material(line: OrderLine) -> MaterialOf:
    return MaterialOf(material=line.material, unit=line.unit, quantity=line.quantity, lb=line.lb,
                      usd=line.usd)


def _parts(by_zone: Sequence[Need], area: FloatArray) -> tuple[tuple[str, float], ...]:
    """Each term with its mean over the field by area; terms of nothing are left out."""
    total: dict[str, float] = {}
    for need, acres in zip(by_zone, area, strict=True):
        for line in need.lines:
            total[line.term] = total.get(line.term, 0.0) + line.lb_per_ac * float(acres)
    whole = float(area.sum())
    return tuple((term, value / whole) for term, value in total.items() if value)


def _findings(one: Comparison) -> list[Finding]:
    read = one.read
    where = f"guides for {one.nutrient}"
    found = []
    refused = [f"{guide.book} ({guide.refused})" for guide in one.guides if guide.refused]
    if refused:
        found.append(note("compare-refused", where, "cannot read this field: " + "; ".join(refused),
                          done="listed with the reason, not converted"))
    if len(read) > 1:
        low, high = one.total_span_lb
        least, most = min(read, key=_total), max(read, key=_total)
        found.append(note(
            "compare-spread", where,
            f"{len(read)} guides on the same zones give {low:,.0f} lb {one.nutrient} "
            f"({least.book}) to {high:,.0f} lb ({most.book}) on the field",
            done="the plan's own guide makes the rates"))
    return found


def _total(one: GuideRate) -> float:
    return one.total_lb


def compare_field(
    folder: Path, *, books: Sequence[str] = (), options: Options | None = None,
) -> tuple[Any, tuple[Comparison, ...]]:
    """(job, comparisons) of a field's folder: the plan's zones under `books`, or its `[compare]`.

    `options` by book id come before those of the plan's `[compare]`. Nothing is written. Raises a
    `VrxError`; PlanError where no guide is named.
    """
    from vrx.pipeline.inputs import read_inputs
    from vrx.pipeline.stages import compute
    from vrx.plan import load_plan, plan_path

    plan_file = plan_path(folder)
    plan = load_plan(plan_file)
    names = list(books) or list(plan.compare.books)
    if not names:
        raise PlanError("no guides to compare are named", code="compare-no-books",
                        where=str(plan_file), hint="name books after the folder, or write books = "
                        "[...] in [compare]; `vrx books` lists them")
    held = {name: {**plan.compare.options.get(name, {}), **(options or {}).get(name, {})}
            for name in names}
    strangers = sorted(set(options or {}) - set(names))
    if strangers:
        raise PlanError(f"options are given for {strangers[0]!r}, which is not compared",
                        code="compare-options", where="the guides to compare",
                        hint=f"compared are: {', '.join(names)}")
    compare_ = plan.compare.model_copy(update={"books": tuple(names), "options": held})
    plan = plan.model_copy(update={"compare": compare_})
    job = compute(plan, read_inputs(plan, plan_file=plan_file))
    return job, job.need_beside.comparisons
