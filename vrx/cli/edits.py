"""`vrx edits`: zones and rates changed by hand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from vrx.pipeline.edit_field import OpenField
    from vrx.plan.edits import EditLog

_ACTIONS = ("split", "merge", "corner", "redraw", "rename", "rate", "clear", "undo", "redo",
            "set_aside")


@click.command("edits")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--split", metavar="ZONE", help="Cut a zone along --line.")
@click.option("--merge", metavar="ZONE,ZONE,...", help="Make several zones one.")
@click.option("--apart", is_flag=True, help="With --merge: zones need not be neighbours.")
@click.option("--corner", metavar="E,N", help="Move the corner at a place to --to.")
@click.option("--to", metavar="E,N", help="With --corner: where to.")
@click.option("--redraw", metavar="ZONE,ZONE", help="Draw the border of two zones along --line.")
@click.option("--line", metavar='"E,N E,N ..."', help="Points of a line, in their order.")
@click.option("--degrees", is_flag=True,
              help="Points are longitude,latitude in degrees (WGS 84), not metres of the field.")
@click.option("--rename", metavar="ZONE=LETTER", help="Give a zone another letter.")
@click.option("--rate", metavar="ZONE:PASS=RATE",
              help="Set a zone's rate in a pass, in the unit of its material; needs --reason.")
@click.option("--reason", help="Why: one of a short list (a wrong one prints it).")
@click.option("--words", default="", help="With --reason: your own words.")
@click.option("--clear", metavar="ZONE:PASS", help="Take a rate set by hand back.")
@click.option("--undo", is_flag=True, help="Go back before the last edit; it stays in the file.")
@click.option("--redo", is_flag=True, help="Bring back what was undone last.")
@click.option("--set-aside", is_flag=True,
              help="Keep edits.jsonl under another name and go on without edits.")
@click.option("--json", "as_json", is_flag=True, help="Print the edits as JSON.")
def command(*, folder: Path, as_json: bool, **given: Any) -> None:
    """Zones and rates changed by hand: list them, or make one edit.

    Edits are kept in FOLDER/edits.jsonl beside the plan, and vrx run follows them. Zones are named
    by letter or id. Nothing is lost by --undo.

    Examples:

      vrx edits FIELD --split C --line "-119.281,46.251 -119.279,46.254" --degrees

      vrx edits FIELD --rate C:after-first=120 --reason "known poor stand"

      vrx edits FIELD --undo
    """
    from vrx.cli import show

    chosen = [name for name in _ACTIONS if given[name]]
    if len(chosen) > 1:
        raise click.UsageError("one edit at a time: "
                               + " and ".join("--" + name.replace("_", "-") for name in chosen))
    if not chosen:
        log = _read(folder)
    elif chosen[0] == "set_aside":
        from vrx.plan import plan_path
        from vrx.plan.edits import set_aside

        kept = set_aside(plan_path(folder).parent)
        show.say(f"kept as {kept}; zones and rates are as the plan makes them")
        return
    elif chosen[0] in ("undo", "redo"):
        log = _step(folder, chosen[0])
    else:
        log = _edit(folder, chosen[0], given)
    _show(log, as_json=as_json, latest=bool(chosen))


def _read(folder: Path) -> EditLog:
    from vrx.plan import plan_path
    from vrx.plan.edits import read_edits

    return read_edits(plan_path(folder).parent)


def _now() -> str:
    from datetime import datetime

    return datetime.now().astimezone().isoformat(timespec="seconds")


def _step(folder: Path, name: str) -> EditLog:
    from vrx.pipeline import edits
    from vrx.plan import plan_path

    step: Callable[..., EditLog] = edits.undo if name == "undo" else edits.redo
    return step(plan_path(folder).parent, at=_now())


def _edit(folder: Path, name: str, given: dict[str, Any]) -> EditLog:
    from vrx.cli import show
    from vrx.pipeline.edit_field import open_field

    _require(name, given)
    with show.talk().status("reading the plan") as status:
        held = open_field(folder, progress=status.update)
        status.update("editing")
        return _EDITS[name](held, given, {**held.place, "at": _now()})


_NEEDS = {"split": "line", "redraw": "line", "corner": "to", "rate": "reason"}


def _require(name: str, given: dict[str, Any]) -> None:
    more = _NEEDS.get(name)
    if more and not given[more]:
        raise click.UsageError(f"--{name} needs --{more}")


def _points(held: OpenField, text: str, given: dict[str, Any]) -> list[tuple[float, float]]:
    points = []
    for word in text.replace(";", " ").split():
        east, _, north = word.partition(",")
        try:
            points.append((float(east), float(north)))
        except ValueError as err:
            raise click.UsageError(f"{word!r} is no place; write E,N without a blank") from err
    return held.places(points, degrees=given["degrees"])


def _zones(held: OpenField, text: str) -> list[int]:
    return [held.zone_id(name) for name in text.replace(",", " ").split()]


def _pair(text: str, between: str, form: str) -> tuple[str, str]:
    one, found, other = text.partition(between)
    if not (one.strip() and found and other.strip()):
        raise click.UsageError(f"{text!r} is not {form}")
    return one.strip(), other.strip()


def _split(held: OpenField, given: dict[str, Any], more: dict[str, Any]) -> EditLog:
    from vrx.pipeline import edits

    return edits.split(held.folder, zone_id=held.zone_id(given["split"]),
                       line=_points(held, given["line"], given), **more)


def _merge(held: OpenField, given: dict[str, Any], more: dict[str, Any]) -> EditLog:
    from vrx.pipeline import edits

    return edits.merge(held.folder, zone_ids=_zones(held, given["merge"]), apart=given["apart"],
                       **more)


def _corner(held: OpenField, given: dict[str, Any], more: dict[str, Any]) -> EditLog:
    from vrx.pipeline import edits

    corner, to = (_points(held, given[name], given) for name in ("corner", "to"))
    if len(corner) != 1 or len(to) != 1:
        raise click.UsageError("--corner and --to are one place each, E,N")
    return edits.move_corner(held.folder, corner=corner[0], to=to[0], **more)


def _redraw(held: OpenField, given: dict[str, Any], more: dict[str, Any]) -> EditLog:
    from vrx.pipeline import edits

    between = _zones(held, given["redraw"])
    if len(between) != 2:
        raise click.UsageError("--redraw is for the border of two zones: ZONE,ZONE")
    return edits.redraw(held.folder, between=(between[0], between[1]),
                        line=_points(held, given["line"], given), **more)


def _rename(held: OpenField, given: dict[str, Any], more: dict[str, Any]) -> EditLog:
    from vrx.pipeline import edits

    zone, letter = _pair(given["rename"], "=", "ZONE=LETTER")
    return edits.rename(held.folder, zone_id=held.zone_id(zone), letter=letter, **more)


def _rate(held: OpenField, given: dict[str, Any], more: dict[str, Any]) -> EditLog:
    from vrx.pipeline import edits

    place, number = _pair(given["rate"], "=", "ZONE:PASS=RATE")
    zone, pass_id = _pair(place, ":", "ZONE:PASS=RATE")
    try:
        rate = float(number)
    except ValueError as err:
        raise click.UsageError(f"{number!r} is no number") from err
    return edits.set_rate(held.folder, asked=held.asked, zone_id=held.zone_id(zone),
                          pass_id=pass_id, rate=rate, reason=given["reason"],
                          words=given["words"], **more)


def _clear(held: OpenField, given: dict[str, Any], more: dict[str, Any]) -> EditLog:
    from vrx.pipeline import edits

    zone, pass_id = _pair(given["clear"], ":", "ZONE:PASS")
    # A zone that is gone has no letter any more, only its id.
    zone_id = int(zone) if zone.isascii() and zone.isdigit() else held.zone_id(zone)
    return edits.clear_rate(held.folder, base=held.base, zone_id=zone_id, pass_id=pass_id,
                            at=more["at"])


_EDITS: dict[str, Callable[[OpenField, dict[str, Any], dict[str, Any]], EditLog]] = {
    "split": _split, "merge": _merge, "corner": _corner, "redraw": _redraw, "rename": _rename,
    "rate": _rate, "clear": _clear,
}


def _show(log: EditLog, *, as_json: bool, latest: bool) -> None:
    from vrx.cli import show
    from vrx.pipeline.edit_field import log_json

    told = log_json(log)
    if as_json:
        show.say_json(told)
        return
    show.show_findings(log.findings)
    if not log.records:
        show.say("no edits: zones and rates are as the plan makes them")
        return
    rows = told["records"][-1:] if latest else told["records"]
    show.table("" if latest else log.file.name, ["edit", "in force", "what", "when"], [
        [str(row["seq"]), "yes" if row["in_force"] else "", row["words"], row["at"] or ""]
        for row in rows], left=4)
    count = sum(row["in_force"] for row in told["records"])
    show.say(f"{count} edit{'s' * (count != 1)} in force"
             + (f"; --redo brings back edit {log.redo_to}" if log.redo_to else "")
             + ("; vrx run FOLDER follows them" if latest else ""))
