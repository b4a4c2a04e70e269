"""Beside the needs: bounds by the soil test's error, the rule cell by cell, other guides."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from vrx.model import Job
from vrx.model.need_beside import Comparison, GuideRate, NeedBounds
from vrx.report import need_maps, numbers, words
from vrx.report.guide_chart import guide_chart

_WORTH_A_MAP_LB_PER_AC = 5.0
_ALIKE_LB_PER_AC = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SureView:
    """One nutrient: how far each need moves with its soil test, and the rule cell by cell."""

    nutrient: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    meaning: str
    picture: Markup
    picture_remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideView:
    """One guide of a comparison in words."""

    book: str
    name: str
    of_plan: bool
    memory: bool
    evidence: str
    parts: str
    ways: tuple[tuple[str, str, bool], ...]
    notes: tuple[str, ...]
    order: str
    refused: str
    todo: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareView:
    """Guides for one nutrient side by side."""

    nutrient: str
    followed: bool
    headings: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, ...], ...]
    foot: tuple[tuple[str, ...], ...]
    picture: Markup
    picture_remark: str
    chart: Markup
    guides: tuple[GuideView, ...]
    refused: tuple[GuideView, ...]


def bound_words(bounds: NeedBounds | None, k: int) -> str:
    """"80 to 160 if the soil test is off by 1.64 of its standard error", "" where not known."""
    if bounds is None or bounds.refused or not math.isfinite(float(bounds.low[k])):
        return ""
    low, high = (numbers.fixed(float(v)) for v in (bounds.low[k], bounds.high[k]))
    off = f"if the soil test is off by {bounds.times:.2f} of its standard error"
    return f"still {low} {off}" if low == high else f"{low} to {high} {off}"


def sure_views(job: Job) -> list[SureView]:
    """One for each nutrient with bounds or cells."""
    found = []
    for nutrient in job.needs:
        view = _sure(job, nutrient)
        if view is not None:
            found.append(view)
    return found


def _sure(job: Job, nutrient: str) -> SureView | None:
    bounds = job.need_beside.bounds.get(nutrient)
    cells = job.need_beside.cells.get(nutrient)
    if bounds is None or cells is None:
        return None
    tested = not bounds.refused
    columns: list[tuple[str, list[str]]] = []
    if tested:
        reading = job.readings[bounds.analyte]
        columns.append((f"Soil test, {bounds.unit}", [
            f"{numbers.reading(float(m), bounds.analyte)} ± "
            f"{numbers.spread(float(e), bounds.analyte)}"
            for m, e in zip(reading.mean, reading.standard_error, strict=True)]))
    columns.append(("Need", [numbers.fixed(need.lb_per_ac, 1) for need in job.needs[nutrient]]))
    if tested and not bounds.no_rate:
        columns.append(("At the bounds", [
            _span(float(low), float(high))
            for low, high in zip(bounds.low, bounds.high, strict=True)]))
    for turn in bounds.thresholds:
        levels = [numbers.reading(float(value), bounds.analyte) for value in turn.level]
        chances = [_chance(float(value)) for value in turn.below]
        if len(set(levels)) == 1:
            columns.append((f"Chance under {levels[0]} {bounds.unit} ({turn.words})", chances))
        else:
            columns.append((f"Chance under the {turn.words}", [
                f"{chance} ({level})" for level, chance in zip(levels, chances, strict=True)]))
    same = bool(np.allclose(cells.cell_mean, cells.zone_rule, rtol=0, atol=0.05))
    if not cells.refused and not same and cells.used == "cells":
        columns.append(("Rule on the zone’s mean", [
            numbers.fixed(float(v), 1) for v in cells.zone_rule]))
    elif not cells.refused and not same:
        columns.append(("Mean of the rule in its cells", [
            numbers.fixed(float(v), 1) for v in cells.cell_mean]))
    letters = [zone.letter for zone in job.zones.zones]
    rows = [(letter, *(values[k] for _, values in columns)) for k, letter in enumerate(letters)]
    picture = None
    span = 0.0 if cells.refused else float(np.nanmax(cells.values) - np.nanmin(cells.values))
    if span > _WORTH_A_MAP_LB_PER_AC:
        picture = need_maps.cells_map(
            key=f"cells-{nutrient.lower()}", field=job.field, grid=cells.grid,
            values=cells.values, title=f"Need of {nutrient}, cell by cell",
            subtitle="The guide’s rule run on the soil-test map itself.",
            legend=f"lb {nutrient}/ac (dark = more)")
    table = len(columns) > 1
    return SureView(
        nutrient=nutrient, headings=("Zone", *(head for head, _ in columns)),
        rows=tuple(rows) if table else (), meaning=_meaning(job, nutrient, same=same),
        picture=Markup("") if picture is None else Markup(picture.svg),  # noqa: S704 - svg.py
        picture_remark="" if picture is None else picture.remark)


def _span(low: float, high: float) -> str:
    texts = (numbers.fixed(low), numbers.fixed(high))
    return texts[0] if texts[0] == texts[1] else " to ".join(texts)


def _chance(value: float) -> str:
    if not math.isfinite(value):
        return "–"
    if value < 0.005:
        return "under 1 %"
    return "over 99 %" if value > 0.995 else numbers.share(value)


def _meaning(job: Job, nutrient: str, *, same: bool) -> str:
    bounds, cells = job.need_beside.bounds[nutrient], job.need_beside.cells[nutrient]
    said = []
    if bounds.refused:
        said.append(f"No bounds: {bounds.refused}.")
    else:
        said.append(
            "The true soil test of a zone is taken as normal about its mean with its standard "
            f"error; the bounds are the needs {bounds.times:.2f} standard errors either way, "
            f"between which {numbers.share(bounds.level)} of such soil tests lie. The zone’s other "
            "readings, the yield goal and the guide itself are taken as known.")
        if bounds.no_rate:
            said.append(f"No need at the bounds: {bounds.no_rate}.")
    if cells.refused:
        said.append(f"Not run cell by cell: {cells.refused}.")
    elif same:
        said.append("Run cell by cell the rule gives the same need in every zone.")
    else:
        used = ("The mean of the cells is the need" if cells.used == "cells"
                else "The rule on the zone’s mean is the need")
        said.append(
            "A rule that bends gives another mean over a zone’s cells than on the zone’s mean. "
            f"{used}, as the plan chooses ([need] apply_to).")
    return " ".join(said)


def compare_views(job: Job) -> list[CompareView]:
    """One for each nutrient whose guides are compared."""
    return [_compare(job, one) for one in job.need_beside.comparisons]


def _compare(job: Job, one: Comparison) -> CompareView:
    read = one.read
    zones = job.zones.zones
    rows = tuple(
        (zone.letter, numbers.acres(zone.area_ac),
         *(numbers.fixed(guide.need[k]) for guide in read), numbers.fixed(one.spread[k]))
        for k, zone in enumerate(zones))
    foot = ((f"Field, lb {one.nutrient}", numbers.acres(job.zones.area_ac),
             *(numbers.pounds(guide.total_lb) for guide in read), ""),
            ("Season’s order", "", *(_cost(guide) for guide in read), ""))
    picture = None
    if len(read) > 1:
        texts = []
        for k in range(len(zones)):
            rates = [guide.need[k] for guide in read]
            low, high = numbers.fixed(min(rates)), numbers.fixed(max(rates))
            texts.append(low if low == high else f"{low}–{high}")
        spread = np.array(one.spread)
        if float(np.ptp(spread)) < _ALIKE_LB_PER_AC:
            # Shades would tell of differences that no machine makes.
            spread = np.full(len(zones), round(float(spread.mean())))
        picture = need_maps.zone_values_map(
            key=f"spread-{one.nutrient.lower()}", field=job.field, zones=job.zones,
            values=spread, texts=texts,
            title=f"How far {len(read)} guides are apart: {one.nutrient}",
            subtitle=f"Printed: least to greatest need, lb {one.nutrient}/ac.",
            unit=f"lb {one.nutrient}/ac apart")
    views = [_guide(guide) for guide in one.guides]
    chart = "" if not read else guide_chart(
        key=f"guides-{one.nutrient.lower()}", nutrient=one.nutrient, guides=read,
        area_ac=job.zones.area_ac)
    return CompareView(
        nutrient=one.nutrient, followed=one.followed,
        headings=tuple((guide.book, "the plan’s guide" if guide.of_plan else "") for guide in read),
        rows=rows, foot=foot,
        picture=Markup("") if picture is None else Markup(picture.svg),  # noqa: S704 - svg.py
        picture_remark="" if picture is None else picture.remark,
        chart=Markup(chart),  # noqa: S704 - svg.py built it and escaped every text
        guides=tuple(view for view in views if not view.refused),
        refused=tuple(view for view in views if view.refused))


def _cost(guide: GuideRate) -> str:
    if guide.order_refused:
        return "none"
    if not guide.order:
        return "nothing"
    return "no price" if guide.usd is None else numbers.usd_whole(guide.usd)


def _guide(guide: GuideRate) -> GuideView:
    differ = {line.split(":", 1)[0] for line in guide.why}
    parts = "; ".join(f"{term} {numbers.signed(value, 1)}" for term, value in guide.parts)
    order = "; ".join(
        f"{line.material}: {numbers.amount(line.quantity, line.unit)}" for line in guide.order)
    order = order or "nothing"
    if guide.order_refused:
        order = f"no order by this need: {guide.order_refused}"
    return GuideView(
        book=guide.book, name=guide.name, of_plan=guide.of_plan,
        memory=any(map(words.is_from_memory, guide.evidence)),
        evidence=", ".join(map(words.evidence_words, guide.evidence)),
        parts=parts or "nothing to apply",
        ways=tuple((words.opening(head), said, head in differ)
                   for head, said in guide.ways.items() if said),
        notes=guide.notes, order=order, refused=guide.refused, todo=guide.todo)
