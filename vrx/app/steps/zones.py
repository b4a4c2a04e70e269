"""Zones: how they are made, the map to change them on, and what each holds and gets."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from markupsafe import Markup

from vrx.app import findings
from vrx.app.session import Session
from vrx.app.step import Step, environment
from vrx.app.steps import zones_edit, zones_make
from vrx.app.steps.zones_show import MEMORY, show, shown_of
from vrx.pipeline.zone_sure import SureMemory
from vrx.prescription import rate_reasons
from vrx.report import words, zone_colours, zone_rows, zone_sheet
from vrx.report.frame import MapFrame
from vrx.report.zone_sheet import NO_GROUND, Ground

MIXED = "zones.mixed"


def view(session: Session) -> dict[str, object]:
    """Everything that the step prints."""
    bench = session.bench
    drawn, live = bench.drawn(), bench.live()
    memory: SureMemory = session.kept.setdefault(MEMORY, SureMemory())
    # Right after a change totals come first; the page asks again for what takes longer.
    waiting = bool(session.kept.pop(zones_edit.WAITING, False))
    readings, mixed = memory.read(
        drawn, live.zones, live.readings, waiting=waiting, base=bench.base())
    # Until they are known anew, what was told before stays: nothing jumps for a moment.
    told = session.kept.get(MIXED, ()) if mixed is None else mixed
    session.kept[MIXED] = told
    shown = shown_of(session)
    colours = zone_colours.colouring(
        shown.colour, live.zones, live.needs, live.prescription)
    table = zone_rows.zone_lines(
        live.zones, readings, live.needs, live.prescription, field_ac=live.field.area_ac,
        colour_unit=colours.unit, colour_texts=colours.texts)
    frame = zone_sheet.sheet_frame(live.field.boundary)
    ground, samples = _below(session, frame, shown.ground, shown.samples)
    sheet = zone_sheet.zone_sheet(
        frame, live.field, live.zones, colours, said=[row.said for row in table.rows],
        over_ground=bool(ground.markup))
    ids = [zone.zone_id for zone in live.zones.zones]
    return {
        "many": {
            "zone-shapes": {f"zone-{one}": sheet.shapes[one] for one in ids},
            "zone-labels": {f"label-{one}": sheet.labels[one] for one in ids},
            "zone-rows": {f"row-{row.zone_id}": _row(row) for row in table.rows},
        },
        "sheet": _sheet_view(frame, sheet, ids),
        "ground": ground, "samples_markup": Markup(samples.markup),  # noqa: S704 - svg.py made it
        "ground_markup": Markup(ground.markup),  # noqa: S704 - svg.py made it
        "colours": colours, "table": table,
        "choices": zone_colours.choices(live.needs, live.prescription),
        "grounds": _ground_choices(drawn.maps), "shown": shown,
        "sample_choices": _sample_choices(drawn.maps),
        "found": findings.here(
            None, "zones", title="What to know of these zones", waiting=mixed is None,
            more=(*live.zones.findings, *told, *findings.of_step(session, "zones"))),
        "card": None if shown.zone is None else zone_rows.zone_card(
            live.zones, readings, live.needs, live.prescription, zone_id=shown.zone),
        "reasons": rate_reasons(), "basis": live.zones.basis,
        "edits": zones_edit.edits_view(session), "make": zones_make.make_view(session),
    }


def _sheet_view(frame: MapFrame, sheet: zone_sheet.Sheet, ids: Sequence[int]) -> dict[str, object]:
    numbers_of = {"west": repr(frame.west_m), "north": repr(frame.north_m),
                  "per": repr(frame.units_per_m)}
    return {
        **numbers_of, "width": f"{frame.width:g}", "height": f"{frame.height:.2f}",
        "frame": hashlib.sha256("/".join(numbers_of.values()).encode()).hexdigest()[:12],
        "order": ",".join(map(str, ids)),
        "borders": Markup(sheet.borders), "edge": Markup(sheet.edge),  # noqa: S704 - svg.py
        "labels": zone_sheet.LABELS,
    }


@lru_cache(maxsize=4096)
def _row(row: zone_rows.ZoneLine) -> str:
    return environment().get_template("zones_row.html.j2").render(row=row).strip()


def _below(
    session: Session, frame: MapFrame, ground: str, samples: str
) -> tuple[Ground, Ground]:
    """The ground layer and the samples, kept while the maps stay the same."""
    drawn, held = session.bench.drawn(), session.kept.setdefault("zones.layers", {})
    found = []
    for kind, told in (("ground", ground), ("samples", samples)):
        what, _, analyte = told.partition(" ")
        surface = drawn.maps.get(analyte)
        key = (told, frame, surface, drawn.inputs.soil)
        known = held.get(kind)
        if known is None or known[0] != key:
            held[kind] = known = key, _layer(session, frame, kind, what, analyte)
        found.append(known[1])
    return found[0], found[1]


def _layer(session: Session, frame: MapFrame, kind: str, what: str, analyte: str) -> Ground:
    drawn = session.bench.drawn()
    if kind == "samples":
        if what not in {"names", "readings"} or (what == "readings" and analyte not in drawn.maps):
            return NO_GROUND
        return zone_sheet.samples_layer(frame, drawn.inputs.soil, analyte)
    if what not in {"map", "error"} or analyte not in drawn.maps:
        return NO_GROUND
    return zone_sheet.ground_layer(
        frame, drawn.inputs.field, drawn.maps[analyte], error=what == "error",
        name=words.substance(analyte) if what == "error" else words.analyte_name(analyte))


def _ground_choices(maps: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [("", "nothing"),
            *((f"map {key}", f"soil-test map: {words.analyte_name(key)}") for key in maps),
            *((f"error {key}", f"standard error: {words.substance(key)}") for key in maps)]


def _sample_choices(maps: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [("", "no samples"), ("names", "samples with their names"),
            *((f"readings {key}", f"samples with {words.analyte_name(key)}") for key in maps)]


def mark(session: Session) -> str:
    """Done once zones can be cut: the plan says from what, and nothing stops it."""
    bench = session.bench
    if bench.plan is None:
        return "to do"
    return "done"


STEP = Step(
    id="zones", path="/zones", title="Zones", template="zones.html.j2", stage="live", view=view,
    mark=mark,
    parts=MappingProxyType({
        "zone-ground": "zones_ground.html.j2", "zone-borders": "zones_borders.html.j2",
        "zone-samples": "zones_samples.html.j2", "zone-sum": "zones_sum.html.j2",
        "zone-undo": "zones_undo.html.j2", "zone-legend": "zones_legend.html.j2",
        "zone-show": "zones_show.html.j2", "zone-heads": "zones_heads.html.j2",
        "zone-card": "zones_card.html.j2", "zones-found": "found_part.html.j2",
        "zone-make": "zones_make.html.j2", "zone-numbers": "zones_numbers.html.j2",
    }),
    actions=MappingProxyType({
        "show": show, **zones_edit.ACTIONS, **zones_make.ACTIONS,
    }),
)

__all__ = ["STEP"]
