"""Zones and rates changed by hand, as the page asks for it; the workbench does it and keeps it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from types import MappingProxyType
from typing import Any

from vrx.app.form import Form
from vrx.app.session import Session
from vrx.app.step import Action, Done
from vrx.app.steps.zones_show import look_at
from vrx.errors import InputError
from vrx.model import Zones
from vrx.pipeline.ground_lines import line_at_bearing, line_from_edges, place_from_edges
from vrx.report import numbers

MOST_POINTS = 2000
WAITING = "zones.waiting"
Line = list[tuple[float, float]]


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")


def edit(session: Session, form: Form, op: str, **arguments: Any) -> Zones:
    """One edit on the state that the page showed; gives the zones afterwards."""
    bench = session.bench
    bench.edit(op, on=form.text("on", "") or bench.state, at=_now(), **arguments)
    session.kept[WAITING] = True
    return bench.zones()


# ---- what the page sends

def _wrong(where: str, what: str, hint: str) -> InputError:
    return InputError(what, code="app-form-value", where=where, hint=hint)


def _place(value: Any, where: str) -> tuple[float, float]:
    if isinstance(value, list) and len(value) == 2 and all(
            isinstance(one, int | float) and not isinstance(one, bool) and math.isfinite(one)
            and abs(one) < 1e8 for one in value):
        return float(value[0]), float(value[1])
    raise _wrong(where, "is no place", "draw it again")


def _line(form: Form, name: str) -> Line:
    told = form.json(name)
    if not isinstance(told, list) or not 2 <= len(told) <= MOST_POINTS:
        raise _wrong(name, f"a line has 2 to {MOST_POINTS:,} points", "draw it again")
    return [_place(one, name) for one in told]


def _ids(form: Form, name: str) -> tuple[int, ...]:
    """Ids of zones, from a list of numbers or from boxes that are ticked."""
    if name in form.fields and form.fields[name][0].strip().startswith("["):
        told = form.json(name)
    else:
        told = [int(one) if re.fullmatch(r"\d{1,9}", one) else None for one in form.list(name)]
    if not isinstance(told, list) or not all(
            isinstance(one, int) and not isinstance(one, bool) for one in told):
        raise _wrong(name, "holds something else than zones", "select the zones again")
    return tuple(told)


def _lettered(session: Session, form: Form, name: str) -> int:
    """The id of the zone whose letter was typed."""
    told = form.text(name, most=40).casefold()
    zones = session.bench.zones().zones
    found = next((one.zone_id for one in zones if one.letter.casefold() == told), None)
    if found is None:
        raise _wrong(name, f"there is no zone {told.upper()}", "take a letter of the map")
    return found


def _points(session: Session, form: Form) -> Line:
    """The line of a form: drawn, at a bearing, or point by point in feet."""
    if form.has("line"):
        return _line(form, "line")
    field = session.bench.live().field
    if form.has("bearing_deg"):
        return line_at_bearing(
            field, bearing_deg=form.number("bearing_deg"), west_ft=form.number("west_ft"),
            south_ft=form.number("south_ft"))
    return line_from_edges(field, _typed(form.text("points", most=20_000), "points"))


def _typed(text: str, where: str) -> list[tuple[float, float]]:
    """Points as typed, one a line: "1200, 340"."""
    found: list[tuple[float, float]] = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        parts = re.findall(r"[-−]?\d+(?:\.\d*)?", line)
        if len(parts) != 2 or len(found) >= MOST_POINTS:
            raise _wrong(where, f"line {number} is no point: {line.strip()[:40]!r}",
                         "write feet from the west edge, then feet from the south edge: 1200, 340")
        west, south = (float(one.replace("−", "-")) for one in parts)
        found.append((west, south))
    return found


def letters_of(zones: Zones, ids: Sequence[int]) -> str:
    """ "zone C", "zones C and D"; ids of zones that are no more are left out."""
    found = [zone.letter for zone in zones.zones if zone.zone_id in set(ids)]
    if not found:
        return "zones that are no more"
    return f"zone{'s' if len(found) > 1 else ''} {numbers.listing(found)}"


def _sum(zones: Zones) -> str:
    count = len(zones.zones)
    return (f"{count} zone{'s' if count != 1 else ''}, {numbers.acres(zones.area_ac)} ac together.")


# ---- actions

def split(session: Session, form: Form) -> Done:
    """Cut a zone along a line."""
    zone = form.whole("zone") if form.has("zone") else _lettered(session, form, "letter")
    before = session.bench.zones()
    after = edit(session, form, "split", zone_id=zone, line=_points(session, form))
    known = {one.zone_id for one in before.zones}
    fresh = [one.zone_id for one in after.zones if one.zone_id not in known]
    return Done(f"{_opening(letters_of(before, [zone]))} is now {letters_of(after, fresh)}. "
                f"{_sum(after)}")


def merge(session: Session, form: Form) -> Done:
    """Make several zones one."""
    ids = _ids(form, "zones")
    before = session.bench.zones()
    after = edit(session, form, "merge", zone_ids=ids, apart=form.has("apart"))
    return Done(f"{_opening(letters_of(before, ids))} are one now: "
                f"{letters_of(after, [after.next_id - 1])}. {_sum(after)}")


def corner(session: Session, form: Form) -> Done:
    """Move a corner that zones share."""
    field = session.bench.live().field
    if form.has("corner"):
        old, new = _place(form.json("corner"), "corner"), _place(form.json("to"), "to")
    else:
        old = place_from_edges(field, west_ft=form.number("west_ft"),
                               south_ft=form.number("south_ft"))
        new = place_from_edges(field, west_ft=form.number("to_west_ft"),
                               south_ft=form.number("to_south_ft"))
    after = edit(session, form, "move_corner", corner=old, to=new)
    return Done(f"The corner is moved. {_sum(after)}")


def redraw(session: Session, form: Form) -> Done:
    """Draw the border of two zones anew."""
    ids = _ids(form, "zones") if form.has("zones") else tuple(
        _lettered(session, form, name) for name in ("one", "two"))
    if len(ids) != 2:
        raise _wrong("zones", f"{len(ids)} zones are selected", "select two neighbours")
    after = edit(session, form, "redraw", between=(ids[0], ids[1]), line=_points(session, form))
    return Done(f"The border of {letters_of(after, ids)} is drawn anew. {_sum(after)}")


def rate(session: Session, form: Form) -> Done:
    """Set the rate of a zone in a pass by hand."""
    zone, pass_id = form.whole("zone"), form.text("pass", most=200)
    told = form.number("rate")
    if told < 0:
        raise _wrong("rate", f"{told:g} is below 0", "give the rate that is to be spread")
    after = edit(session, form, "set_rate", zone_id=zone, pass_id=pass_id, rate=told,
                 reason=form.text("reason", most=200), words=form.text("words", "", most=500))
    return Done(f"{_opening(letters_of(after, [zone]))}: the rate of {pass_id} is set by hand.")


def clear(session: Session, form: Form) -> Done:
    """The rule's rate again."""
    zone, pass_id = form.whole("zone"), form.text("pass", most=200)
    after = edit(session, form, "clear_rate", zone_id=zone, pass_id=pass_id)
    return Done(f"{_opening(letters_of(after, [zone]))}: the rate of {pass_id} is the rule's.")


def undo(session: Session, form: Form) -> Done:
    """The state before the last edit."""
    said = edits_view(session)["undo"]
    after = edit(session, form, "undo")
    return Done(f"Undone: {said}. {_sum(after)}")


def redo(session: Session, form: Form) -> Done:
    """The edit that was undone last, again."""
    said = edits_view(session)["redo"]
    after = edit(session, form, "redo")
    return Done(f"Done again: {said}. {_sum(after)}")


def open_card(session: Session, form: Form) -> Done:
    """Open the card of a zone; without one, close it."""
    if not form.has("zone"):
        look_at(session, None)
        return Done("The card is closed.")
    zone = form.whole("zone")
    zones = session.bench.zones()
    if zone not in {one.zone_id for one in zones.zones}:
        raise _wrong("zone", "there is no such zone any more", "select one of the map")
    look_at(session, zone)
    return Done(f"{_opening(letters_of(zones, [zone]))}: its numbers are beside the map.")


def _opening(text: str) -> str:
    return text[:1].upper() + text[1:]


ACTIONS: Mapping[str, Action] = MappingProxyType({
    "split": split, "merge": merge, "corner": corner, "redraw": redraw, "rate": rate,
    "clear": clear, "undo": undo, "redo": redo, "open": open_card,
})


# ---- what undo and redo would do, in words

def edits_view(session: Session) -> dict[str, Any]:
    """How many edits are in force, and what undo and redo would do, in words ("" for nothing)."""
    log = session.bench.edits
    if log is None:
        return {"count": 0, "shaped": False, "undo": "", "redo": ""}
    undo_of = log.records[log.cursor - 1] if log.cursor else None
    redo_to = log.redo_to
    zones = session.bench.zones()
    base = session.bench.base()
    return {
        "count": len(log.path()), "shaped": log.zones_changed,
        "undo": "" if undo_of is None else told_of(undo_of, zones, _highest(log, undo_of, base)),
        "redo": "" if redo_to is None else told_of(
            log.records[redo_to - 1], zones, _highest(log, log.records[redo_to - 1], base)),
    }


def _highest(log: Any, record: Any, base: Zones) -> int:
    """The highest id of a zone before an edit was made."""
    before = [one.result.highest_id for one in log.path(record.after) if hasattr(one, "result")]
    return int(before[-1]) if before else base.next_id - 1


def told_of(record: Any, zones: Zones, highest: int) -> str:
    """An edit in words: "split into C and K"; zones above `highest` are new by it."""
    op = record.op
    result = getattr(record, "result", None)
    fresh = [] if result is None else [one for one in result.zones if one.zone_id > highest]
    changed = fresh if op in {"split", "merge"} else [] if result is None else result.zones
    if op == "redraw":
        changed = [one for one in changed if one.zone_id in record.between]
    listed = numbers.listing([one.letter for one in changed]) if changed else ""
    plain = {
        "split": f"split into {listed}", "merge": f"merge into {listed}",
        "move-corner": f"corner of {listed} moved", "redraw": f"border of {listed} drawn anew",
        "assign": f"ground given to another zone ({listed})", "rename": f"other name of {listed}"}
    if op in plain:
        return plain[op]
    letter = letters_of(zones, [record.zone_id])
    if op == "rate":
        return f"rate of {letter} set to {record.rate:g} {record.unit}"
    return f"rule's rate again in {letter}"
