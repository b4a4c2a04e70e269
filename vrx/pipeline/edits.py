"""Zones and rates changed by hand: read, folded onto what the plan makes, and written.

`base` is always the zones as `stages.cut` makes them. A caller that shows zones hands the hash of
the state that it shows as `on`; if somebody else wrote in between, nothing is written and
`edits-moved-on` asks to reload. Without `on` the edit goes onto whatever the file says now.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import shapely

from vrx import prescription, zones
from vrx.errors import InputError, PlanError
from vrx.model import Field, Prescription, Zones
from vrx.model.by_hand import NO_EDITS, EditsSaid, RateOverride
from vrx.pipeline.edit_fold import (
    effective_rates,
    folded,
    geometry_hash,
    overrides,
    rates_hash,
    require_base,
    stale_overrides,
    state,
    wkb_hex,
    zones_hash,
    zones_line,
)
from vrx.plan.edit_records import ZONE_EDITS
from vrx.plan.edits import EditLog, append_record, edits_path, read_edits, set_aside
from vrx.plan.lock import plan_lock

__all__ = [
    "EditLog",
    "apply_zones",
    "assign",
    "clear_rate",
    "effective_rates",
    "in_force",
    "merge",
    "move_corner",
    "overrides",
    "read_edits",
    "redo",
    "redraw",
    "rename",
    "said_of",
    "set_aside",
    "set_rate",
    "split",
    "stale_overrides",
    "state",
    "undo",
]

Make = Callable[[EditLog], Mapping[str, Any] | None]
Point = tuple[float, float]


class Rated(Protocol):
    """Zones with their rates, which can be held against other rates by hand."""

    @property
    def zones(self) -> Zones:
        """The zones as they are now."""

    @property
    def prescription(self) -> Prescription:
        """Their rates."""

    def by_hand(self, rates: Sequence[RateOverride]) -> object:
        """Rates with these by hand; raises `PlanInfeasible` for one that breaks a limit."""


def apply_zones(base: Zones, log: EditLog, field: Field) -> Zones:
    """The zones of the plan with the edits in force, proven to cover the field.

    Without edits of zones `base` itself. Raises `PlanError`: `edits-stale` where the plan now makes
    other zones than those that were edited, `edits-line` where the file is not of one piece.
    """
    return folded(base, log, field, prove=True)


def in_force(base: Zones, log: EditLog, field: Field) -> tuple[Zones, EditsSaid]:
    """Zones as edited, and what a run must know of the edits; raises as `apply_zones`, `overrides`.

    Edits that leave everything as the plan makes it are none.
    """
    made = apply_zones(base, log, field)
    return made, said_of(base, made, log)


def said_of(base: Zones, made: Zones, log: EditLog) -> EditsSaid:
    """What a run must know of the edits that led from `base` to `made`; raises as `overrides`."""
    rates = overrides(log, made)
    here = state(log, base)
    if here == state(EditLog(file=log.file), base):
        return NO_EDITS
    own = {zone.zone_id: zone for zone in base.zones}
    changed = tuple(zone.zone_id for zone in made.zones if own.get(zone.zone_id) is not zone)
    return EditsSaid(state=here, number=len(log.path()), zone_ids=changed, rates=rates)


def split(
    folder: Path, *, base: Zones, field: Field, zone_id: int, line: Sequence[Point],
    on: str | None = None, at: str | None = None, known: EditLog | None = None,
) -> EditLog:
    """Cut a zone along a line (`vrx.zones.split_zone`), metres in the field's system."""
    return _edit_zones(
        folder, {"op": "split", "zone_id": zone_id, "line": _places(line), "at": at},
        lambda held: zones.split_zone(held, field=field, zone_id=zone_id, line=_line(line)),
        base=base, field=field, on=on, known=known)


def merge(
    folder: Path, *, base: Zones, field: Field, zone_ids: Sequence[int], apart: bool = False,
    on: str | None = None, at: str | None = None, known: EditLog | None = None,
) -> EditLog:
    """Make several zones one (`vrx.zones.merge_zones`)."""
    return _edit_zones(
        folder, {"op": "merge", "zone_ids": list(zone_ids), "apart": apart, "at": at},
        lambda held: zones.merge_zones(held, field=field, zone_ids=zone_ids, apart=apart),
        base=base, field=field, on=on, known=known)


def move_corner(
    folder: Path, *, base: Zones, field: Field, corner: Point, to: Point,
    on: str | None = None, at: str | None = None, known: EditLog | None = None,
) -> EditLog:
    """Move a corner in all zones that share it (`vrx.zones.move_corner`)."""
    told = _places([corner, to])
    return _edit_zones(
        folder, {"op": "move-corner", "corner": told[0], "to": told[1], "at": at},
        lambda held: zones.move_corner(held, field=field, corner=corner, to=to),
        base=base, field=field, on=on, known=known)


def redraw(
    folder: Path, *, base: Zones, field: Field, between: tuple[int, int], line: Sequence[Point],
    on: str | None = None, at: str | None = None, known: EditLog | None = None,
) -> EditLog:
    """Replace the border between two zones by a line (`vrx.zones.redraw_border`)."""
    return _edit_zones(
        folder, {"op": "redraw", "between": list(between), "line": _places(line), "at": at},
        lambda held: zones.redraw_border(held, field=field, between=between, line=_line(line)),
        base=base, field=field, on=on, known=known)


def assign(
    folder: Path, *, base: Zones, field: Field, zone_id: int,
    area: shapely.Polygon | shapely.MultiPolygon,
    on: str | None = None, at: str | None = None, known: EditLog | None = None,
) -> EditLog:
    """Give what lies in an outline to one zone (`vrx.zones.assign_area`)."""
    return _edit_zones(
        folder, {"op": "assign", "zone_id": zone_id, "area": wkb_hex(area), "at": at},
        lambda held: zones.assign_area(held, field=field, zone_id=zone_id, area=area),
        base=base, field=field, on=on, known=known)


def rename(
    folder: Path, *, base: Zones, field: Field, zone_id: int, letter: str | None = None,
    label: str | None = None, on: str | None = None, at: str | None = None,
    known: EditLog | None = None,
) -> EditLog:
    """Give a zone another letter or label (`vrx.zones.rename_zone`)."""
    return _edit_zones(
        folder, {"op": "rename", "zone_id": zone_id, "letter": letter, "label": label, "at": at},
        lambda held: zones.rename_zone(held, zone_id=zone_id, letter=letter, label=label),
        base=base, field=field, on=on, known=known)


def set_rate(
    folder: Path, *, base: Zones, field: Field, asked: Rated, zone_id: int, pass_id: str,
    rate: float, reason: str, words: str = "", on: str | None = None, at: str | None = None,
    known: EditLog | None = None,
) -> EditLog:
    """Set the rate of one zone in one pass by hand, in the unit of the pass's material.

    `asked` are the needs and rates of the zones as they are now; the rate is held to them first.
    Raises `InputError` (`rate-by-hand-reason`, `edits-zone`, `edits-pass`), `PlanInfeasible` for a
    rate that breaks a limit, which is named; then nothing is written.
    """
    reason = prescription.require_reason(reason, words)

    def make(log: EditLog) -> Mapping[str, Any] | None:
        made = folded(base, log, field)
        if zones_hash(made) != zones_hash(asked.zones):
            raise _moved_on(log)
        zone = next((one for one in made.zones if one.zone_id == zone_id), None)
        if zone is None:
            raise InputError(
                f"there is no zone with id {zone_id}", code="edits-zone", where="zones",
                hint="zones are " + ", ".join(f"{z.letter} ({z.zone_id})" for z in made.zones[:40]))
        passes = {one.pass_id: one for one in asked.prescription.passes}
        if pass_id not in passes:
            raise InputError(f"there is no pass {pass_id!r}", code="edits-pass", where="passes",
                             hint=f"passes are {', '.join(passes)}")
        material = passes[pass_id].material
        one = RateOverride(
            zone_id=zone_id, pass_id=pass_id, rate=float(rate), unit=material.unit,
            material=material.id, reason=reason, words=" ".join(words.split()),
            geometry=geometry_hash(zone.polygon))
        held = effective_rates(log)
        stale = {(each.zone_id, each.pass_id) for each in stale_overrides(log, made)}
        key = (zone_id, pass_id)
        if held.get(key) == one:
            return None
        asked.by_hand([*(each for at_, each in held.items() if at_ != key and at_ not in stale),
                       one])
        return _rate_line({"op": "rate", "zone_id": zone_id, "pass_id": pass_id, "rate": one.rate,
                           "unit": one.unit, "material": one.material, "reason": one.reason,
                           "words": one.words, "geometry": one.geometry, "at": at},
                          {**held, key: one}, now=state(log, base))

    return _record(folder, make, base=base, on=on, known=known)


def clear_rate(
    folder: Path, *, base: Zones | None = None, zone_id: int, pass_id: str,
    on: str | None = None, at: str | None = None, known: EditLog | None = None,
) -> EditLog:
    """Take a rate set by hand back; also one whose zone is no more.

    Raises `InputError` (`edits-no-rate`) where none is set.
    """
    def make(log: EditLog) -> Mapping[str, Any]:
        held = effective_rates(log)
        if held.pop((zone_id, pass_id), None) is None:
            there = ", ".join(f"zone id {zone} in pass {name}" for zone, name in held)
            raise InputError(
                f"no rate is set by hand for zone id {zone_id} in pass {pass_id}",
                code="edits-no-rate", where=str(log.file),
                hint=f"set are {there}" if there else "none is set: all rates are the rule's")
        return _rate_line({"op": "clear-rate", "zone_id": zone_id, "pass_id": pass_id, "at": at},
                          held, now=state(log, base))

    return _record(folder, make, base=base, on=on, known=known)


def undo(
    folder: Path, *, base: Zones | None = None, on: str | None = None, at: str | None = None,
    known: EditLog | None = None,
) -> EditLog:
    """The state before the last edit that is in force; the edit stays in the file.

    Raises `InputError` (`edits-no-undo`) where none is.
    """
    return _record(folder, partial(_go, base=base, at=at, back=True), base=base, on=on, known=known)


def redo(
    folder: Path, *, base: Zones | None = None, on: str | None = None, at: str | None = None,
    known: EditLog | None = None,
) -> EditLog:
    """The edit that was undone last, again. Raises `InputError` (`edits-no-redo`) without one."""
    return _record(folder, partial(_go, base=base, at=at, back=False), base=base, on=on,
                   known=known)


def _go(log: EditLog, *, base: Zones | None, at: str | None, back: bool) -> Mapping[str, Any]:
    to = log.undo_to if back else log.redo_to
    if to is None:
        raise InputError(
            "there is nothing to undo" if back else "there is nothing to redo",
            code="edits-no-undo" if back else "edits-no-redo", where=str(log.file),
            hint="zones and rates are as the plan makes them" if back
            else "the last edit is in force, or another was made after the undo")
    if base is not None and not back:
        require_base(base, log, to=to)
    return {"op": "go", "to": to, "at": at, "state": state(log, base, to=to)}


def _edit_zones(
    folder: Path, told: Mapping[str, Any], edit: Callable[[Zones], Zones], *, base: Zones,
    field: Field, on: str | None, known: EditLog | None,
) -> EditLog:
    """An edit of zones, recorded with its result; one that changes nothing is not."""
    def make(log: EditLog) -> Mapping[str, Any] | None:
        before = folded(base, log, field)
        # Ids of zones that were undone stay retired, too: an id names one zone for ever.
        given = max((one.result.highest_id for one in log.records if isinstance(one, ZONE_EDITS)),
                    default=0)
        after = edit(replace(before, highest_id=max(given, before.next_id - 1)))
        after = replace(after, highest_id=max(
            before.next_id - 1, *(zone.zone_id for zone in after.zones)))
        shape = zones_hash(after)
        if shape == zones_hash(before):
            return None
        rates = state(log, base).split("-")[1]
        return {**told, "result": zones_line(before, after), "state": f"{shape}-{rates}"}

    return _record(folder, make, base=base, on=on, known=known)


def _rate_line(
    told: Mapping[str, Any], held: Mapping[tuple[int, str], RateOverride], *, now: str
) -> Mapping[str, Any]:
    return {**told, "state": f"{now.split('-', maxsplit=1)[0]}-{rates_hash(held)}"}


def _record(
    folder: Path, make: Make, *, base: Zones | None, on: str | None, known: EditLog | None
) -> EditLog:
    """One more record under the lock of plan and edits. Raises `PlanError` (`edits-moved-on`)."""
    with plan_lock(edits_path(folder)):
        log = read_edits(folder, known=known)
        now = state(log, base)
        if on is not None and on != now:
            raise _moved_on(log)
        told = make(log)
        return log if told is None else append_record(log, {"on": now, **told})


def _moved_on(log: EditLog) -> PlanError:
    return PlanError(
        "the zones or rates were changed meanwhile, in another window or from the command line",
        code="edits-moved-on", where=str(log.file),
        hint="reload, look at what changed, and make the edit again; nothing was written")


def _line(points: Sequence[Point]) -> shapely.LineString:
    places = _places(points)
    if len(places) < 2:
        raise InputError("a line has two or more points", code="edit-line", where="zones",
                         hint="give easting and northing of each in metres")
    return shapely.LineString(places)


def _places(points: Sequence[Point]) -> list[list[float]]:
    """Places as they are recorded. Raises `InputError` (`edit-line`) for what is no place."""
    try:
        found = [[float(east), float(north)] for east, north in points]
    except (TypeError, ValueError, OverflowError) as err:
        raise InputError(f"not all points are places: {err}", code="edit-line", where="zones",
                         hint="give easting and northing of each in metres") from err
    wrong = next((one for one in found if not all(math.isfinite(value) for value in one)), None)
    if wrong is not None:
        raise InputError(f"{wrong} is no place", code="edit-line", where="zones",
                         hint="give easting and northing of each in metres")
    return found
