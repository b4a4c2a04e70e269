"""Edits from the command line: a field opened as far as an edit needs it, and records in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from vrx import geo
from vrx.errors import InputError
from vrx.model import Field, Zones
from vrx.pipeline import edits, stages
from vrx.pipeline.inputs import read_inputs
from vrx.pipeline.stages import Progress, silent
from vrx.plan import load_plan, plan_path
from vrx.plan.edit_records import (
    Assign,
    ClearRate,
    Go,
    Merge,
    MoveCorner,
    Rate,
    Record,
    Redraw,
    Split,
    ZoneEdit,
)
from vrx.plan.edits import EditLog

Point = tuple[float, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class OpenField:
    """A field with the zones that its plan makes; zones as edited and rates are worked out on use.
    """

    folder: Path
    drawn: stages.Drawn
    base: Zones
    log: EditLog

    @property
    def field(self) -> Field:
        """The field."""
        return self.drawn.inputs.field

    @cached_property
    def zones(self) -> Zones:
        """Zones with the edits in force."""
        return edits.apply_zones(self.base, self.log, self.field)

    @cached_property
    def asked(self) -> stages.Asked:
        """Needs and the rule's rates of these zones."""
        return stages.ask(self.drawn, self.zones)

    @property
    def place(self) -> dict[str, Any]:
        """What every edit is handed."""
        return {"base": self.base, "field": self.field}

    def zone_id(self, name: str) -> int:
        """The id of a zone named by its letter or its id. Raises `InputError` (`edits-zone`)."""
        plain = name.strip().casefold()
        for zone in self.zones.zones:
            if plain in (zone.letter.casefold(), str(zone.zone_id)):
                return zone.zone_id
        known = ", ".join(f"{zone.letter} ({zone.zone_id})" for zone in self.zones.zones[:40])
        raise InputError(f"there is no zone {name!r}", code="edits-zone", where="zones",
                         hint=f"zones by letter (id) are {known}")

    def places(self, points: Sequence[Point], *, degrees: bool) -> list[Point]:
        """Points in the field's metres; with `degrees` they are longitude and latitude (WGS 84)."""
        if not degrees:
            return list(points)
        import shapely

        made = geo.from_lonlat(shapely.MultiPoint(list(points)), self.field.crs_centre)
        return [(float(east), float(north)) for east, north in shapely.get_coordinates(made)]


def open_field(folder: Path, *, progress: Progress = silent) -> OpenField:
    """Read plan, files and edits of a field, and cut the zones of its plan. Raises a `VrxError`."""
    plan_file = plan_path(folder)
    progress("reading plan and edits")
    log = edits.read_edits(plan_file.parent)
    plan = load_plan(plan_file)
    drawn = stages.draw(plan, read_inputs(plan, plan_file=plan_file), progress=progress)
    return OpenField(folder=plan_file.parent, drawn=drawn,
                     base=stages.cut(drawn, progress=progress), log=log)


def words_of(one: Record) -> str:
    """A record in one line of plain words."""
    if isinstance(one, Rate):
        because = f"{one.reason}: {one.words}" if one.words else one.reason
        said = (f"zone {one.zone_id}, pass {one.pass_id}: {one.rate:g} {one.unit} of "
                f"{one.material} by hand ({because})")
    elif isinstance(one, ClearRate):
        said = f"zone {one.zone_id}, pass {one.pass_id}: the rule's rate again"
    elif isinstance(one, Go):
        said = f"back to edit {one.to}" if one.to else "back to what the plan makes"
    else:
        said = _zone_words(one)
    return said


def _zone_words(one: ZoneEdit) -> str:
    if isinstance(one, Split):
        said = f"zone {one.zone_id} split into {_fresh(one)}"
    elif isinstance(one, Merge):
        said = f"zones {', '.join(str(i) for i in one.zone_ids)} merged into {_fresh(one)}"
    elif isinstance(one, MoveCorner):
        (east, north), (to_east, to_north) = one.corner, one.to
        said = (f"corner at E {east:.2f}, N {north:.2f} m moved to E {to_east:.2f}, N "
                f"{to_north:.2f} m")
    elif isinstance(one, Redraw):
        said = f"border between zones {one.between[0]} and {one.between[1]} drawn anew"
    elif isinstance(one, Assign):
        said = f"an area given to zone {one.zone_id}"
    else:
        new = [f"{what} {text!r}" for what, text in
               (("letter", one.letter), ("label", one.label)) if text is not None]
        said = f"zone {one.zone_id} got {' and '.join(new)}"
    return said


def _fresh(one: Split | Merge) -> str:
    letters = {line.zone_id: line.letter for line in one.result.zones}
    return ", ".join(f"{zone_id} ({letters.get(zone_id, '?')})" for zone_id in one.result.made)


def log_json(log: EditLog) -> dict[str, Any]:
    """The edits of a field as JSON values, without the polygons."""
    held = {one.seq for one in log.path()}
    rows = []
    for one in log.records:
        row = one.model_dump(mode="json", exclude={"result", "area"})
        result = getattr(one, "result", None)
        if result is not None:
            row["zones_gone"] = list(result.removed)
            row["zones_made"] = list(result.made)
            row["zones_changed"] = [line.zone_id for line in result.zones]
        rows.append({**row, "in_force": one.seq in held, "words": words_of(one)})
    return {"file": log.file.name, "cursor": log.cursor, "undo_to": log.undo_to,
            "redo_to": log.redo_to, "torn_bytes": log.torn, "records": rows}
