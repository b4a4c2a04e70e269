"""The page of a comparison: what was applied by place and by zone, and what is left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from vrx.model import (
    AppliedCells,
    Field,
    FloatArray,
    IntArray,
    Prescription,
    Reconciliation,
    Severity,
    Zones,
)
from vrx.report import frame as frames
from vrx.report import maps, numbers, svg
from vrx.report.colours import error_ramp
from vrx.report.frame import WIDTH
from vrx.report.page import template

_CLASSES = ("no product", "under", "within the tolerance", "over")
_BORDERS = "#1d2521"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """A zone's line, as printed."""

    letter: str
    acres: str
    target: str
    applied: str
    difference: str
    pct: str
    within: str
    over: str
    under: str
    skipped: str
    repeated: str
    left: str


def difference_classes(cells: AppliedCells, tolerance_pct: float) -> IntArray:
    """Class of every cell (rows, columns), as in the legend; -1 outside the zones."""
    target, got = np.nan_to_num(cells.target_rate), np.nan_to_num(cells.applied_rate)
    slack = target * (tolerance_pct / 100.0 + 1e-9)
    found = np.where(got > target + slack, 3, np.where(got < target - slack, 1, 2))
    found = np.where((got == 0) & (target > 0), 0, found)
    return np.where(np.isnan(cells.target_rate), -1, found).astype(np.int64)


def difference_map(*, key: str, done: Reconciliation, field: Field, zones: Zones) -> maps.Picture:
    """Cells under, within and over the tolerance; each zone's letter with its difference.

    Darker means more product, so that the map keeps its order in grey print.
    """
    title = f"Applied against planned: {done.material}"
    head, top = frames.heading(
        title, f"Cells of {numbers.fixed(done.cells.grid.cell_m, 1)} m; in every zone the "
        f"difference of its mean, {done.unit}.")
    frame = frames.frame_for(field.boundary, top=top)
    classes = difference_classes(done.cells, done.tolerance_pct)
    ramp = ("#ffffff", *error_ramp(3))
    mean = done.zones.applied_rate - done.zones.target_rate
    texts = [(zone.letter, numbers.signed(float(one), 0 if abs(one) >= 10 else 1))
             for zone, one in zip(zones.zones, mean, strict=True)]
    labels, remark = maps.zone_labels(frame, zones, texts)
    shapes = [svg.element("path", d=svg.path_data(frame.geometry(zone.polygon)))
              for zone in zones.zones]
    foot, after = frames.furniture(frame)
    all_ac = float(done.zones.area_ac.sum())
    acres = [done.zones.missed_ac, done.zones.under_ac, done.zones.as_planned_ac,
             done.zones.over_ac]
    rows = [
        (colour, (f"{word}: {numbers.acres(float(part.sum()))} ac "
                  f"({100 * float(part.sum()) / all_ac:.1f} %)"))
        for colour, word, part in zip(ramp, _CLASSES, acres, strict=True)]
    legend, bottom = frames.swatch_legend(rows, top=after)
    body = [
        head,
        maps.raster(key=key, frame=frame, field=field, grid=done.cells.grid, classes=classes,
                    colours=ramp),
        svg.element("g", *shapes, fill="none", stroke=_BORDERS, stroke_width=0.9),
        maps.outline(frame, field, fill="none"), labels, foot, legend]
    words = "; ".join(f"zone {letter}: {text}" for letter, text in texts)
    return maps.Picture(
        svg.drawing(key=key, width=WIDTH, height=bottom, title=title, body=body,
                    description=f"Mean difference by zone, {done.unit}. {words}."), remark)


def _places(values: FloatArray) -> int:
    return 0 if float(np.max(values, initial=0.0)) >= 20 else 2


def _rows(done: Reconciliation) -> list[_Row]:
    zones = done.zones
    places = _places(zones.target_rate)

    def acres(value: float) -> str:
        return numbers.fixed(value, 2) if value >= 0.005 else "-"

    made = []
    for k, letter in enumerate(zones.letters):
        target, got = float(zones.target_rate[k]), float(zones.applied_rate[k])
        made.append(_Row(
            letter=letter, acres=numbers.acres(float(zones.area_ac[k])),
            target=numbers.fixed(target, places), applied=numbers.fixed(got, places),
            difference=numbers.signed(float(zones.difference[k]), 0 if places == 0 else 1),
            pct="-" if target == 0 else f"{100 * (got / target - 1):+.1f}",
            within=acres(zones.as_planned_ac[k]), over=acres(zones.over_ac[k]),
            under=acres(zones.under_ac[k]), skipped=acres(zones.missed_ac[k]),
            repeated=acres(zones.repeated_ac[k]),
            left=numbers.fixed(float(done.left_rate[k] * zones.area_ac[k]), 0)
            if done.left_rate[k] else "-"))
    return made


def applied_page(
    done: Reconciliation, *, field: Field, zones: Zones, run: str, files: Sequence[str],
    second_zones: Zones | None = None, second: Prescription | None = None,
) -> str:
    """One self-contained HTML document. No script, no request; equal arguments give equal bytes."""
    picture = difference_map(key="difference", done=done, field=field, zones=zones)
    again = maps.Picture("", "")
    left = ""
    trip: list[tuple[str, str, str, str]] = []
    if second_zones is not None and second is not None:
        rates = second.passes[0]
        again = maps.rate_map(key="second", field=field, zones=second_zones, rates=rates,
                              remark="What the log says is left.")
        trip = [
            (zone.letter, zone.label, numbers.acres(zone.area_ac), numbers.rate(one, rates.step))
            for zone, one in zip(second_zones.zones, rates.rates.tolist(), strict=True) if one]
        left = numbers.amount(rates.prescription_total, done.unit.removesuffix("/ac"))
    unit = done.unit.removesuffix("/ac")
    total = done.zones
    planned, got = float(total.planned.sum()), float(total.applied.sum())
    return template("applied.html.j2").render(
        field=field.name, run=run, pass_id=done.pass_id, material=done.material, unit=done.unit,
        amount_unit=unit, tolerance=f"{done.tolerance_pct:g}",
        picture=Markup(picture.svg),  # noqa: S704 - svg.py built it and escaped every text
        remark=picture.remark,
        second=Markup(again.svg),  # noqa: S704 - svg.py built it and escaped every text
        second_remark=again.remark, left=left, rows=_rows(done),
        planned=numbers.fixed(planned), applied=numbers.fixed(got),
        difference=numbers.signed(got - planned),
        pct="" if planned == 0 else f"{100 * (got / planned - 1):+.1f} %",
        amounts=[(one.what, f"{one.amount:,.1f} {one.unit}", one.source) for one in done.amounts],
        left_out=[f"{count} {reason}" for reason, count in done.left_out.items() if count],
        weighty=[one.line() for one in done.findings if one.severity is not Severity.NOTE],
        notes=[one.line() for one in done.findings if one.severity is Severity.NOTE],
        files=list(files), trip=trip)
