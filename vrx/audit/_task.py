"""Task data of ISO 11783-10: zones as polygons, and both kinds of grid, with acres and rates.

Works on any folder; the judge of task folders has its say first. Places and rates are worked out
here from the elements themselves: neither the writer's plan nor its grid arithmetic is used.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from xml.etree.ElementTree import Element

import numpy as np

from vrx.audit import _task_cells
from vrx.audit._layers import Layer, Part, make_record
from vrx.audit._ledger import Ledger
from vrx.errors import InputError
from vrx.formats import task_data as facts
from vrx.formats.iso11783 import known_ddis, rate_from_raw
from vrx.formats.task_check import judge_record
from vrx.formats.task_read import read_record
from vrx.model import FloatArray

OUTSIDE_AC = 0.001
FALLBACKS = {
    "H": ("default", "rate where the map says nothing"),
    "I": ("position_lost", "rate where the position is lost"),
    "J": ("outside", "rate outside the field"),
}
"""Attribute of a task that names a zone → what its rates are for."""
_UNITS = {"mg/m2": "lb/ac", "mm3/m2": "gal/ac"}


def folder_of(path: Path) -> Path | None:
    """The task folder that a path means: itself, its TASKDATA, or where its record lies."""
    # Of a closed folder or a name too long these say no, and the path's own reader tells why.
    if path.name.upper() == facts.RECORD and os.path.isfile(path):
        return path.parent
    for folder in (path, path / facts.FOLDER):
        if os.path.isfile(folder / facts.RECORD):
            return folder
    return None


def read(folder: Path, name: str, ledger: Ledger) -> list[Layer]:
    """A layer of each task that holds rates; faults of the folder, whoever wrote it, are told."""
    try:
        root = read_record(folder)
    except InputError as err:
        ledger.fault("unreadable", f"{name}/{facts.RECORD}", f"{err.where}: {err.message}",
                     todo=err.hint)
        return []
    ledger.faults.extend(judge_record(folder, root))
    layers = [_task(root, task, folder, name, ledger) for task in root.findall("TSK")]
    found = [one for one in layers if one is not None]
    if not found:
        ledger.fault("empty", name, "no task with zones that hold rates")
    return found


def read_members(members: Mapping[str, bytes], name: str, ledger: Ledger) -> list[Layer]:
    """A task folder out of a zip, unpacked by plain names into a folder of its own."""
    records = [one for one in members if PurePosixPath(one).name == facts.RECORD]
    home = PurePosixPath(records[0]).parent
    if len(records) > 1:
        ledger.fault("zip-content", name, f"holds {len(records)} task folders; {home} was read")
    with tempfile.TemporaryDirectory(prefix="vrx-") as folder:
        for one, data in members.items():
            if PurePosixPath(one).parent == home:
                (Path(folder) / PurePosixPath(one).name).write_bytes(data)
        return read(Path(folder), name, ledger)


def _task(
    root: Element, task: Element, folder: Path, name: str, ledger: Ledger
) -> Layer | None:
    label = f"{name}, task {task.get('A')} {task.get('B') or ''}".rstrip()
    zones = {_code(one): one for one in task.findall("TZN")}
    columns = _columns(root, zones, label, ledger)
    if not columns:
        return None
    fields = {one.get("A"): one for one in root.findall("PFD")}
    field = fields.get(task.get("E"))
    grid, stray_ac = task.find("GRD"), 0.0
    if grid is not None:
        records, stray_ac = _task_cells.records(
            folder, grid, outside=task.get("J"), label=label, ledger=ledger,
            boundary=[] if field is None else polygons_of(field),
            rates={code: _rates(zone, columns) for code, zone in zones.items()},
            names={code: _name(code, zone) for code, zone in zones.items()},
            scales=list(columns.values()))
    else:
        records = [
            make_record(place=place, values={"ZONE": _name(code, zone), **_rates(zone, columns)},
                        parts=polygons_of(zone))
            for place, (code, zone) in enumerate(zones.items(), start=1) if zone.find("PLN")
            is not None]
        flat = zones.get(task.get("H") or "")
        if not records and field is not None and flat is not None:
            # A task without places treats the part field with its default.
            records = [make_record(
                place=1, values={"ZONE": _name("default", flat), **_rates(flat, columns)},
                parts=polygons_of(field))]
    without_map = _fallbacks(task, zones, columns, label, ledger)
    if not records:
        return None
    if stray_ac > OUTSIDE_AC:
        ledger.doubt("outside", label, f"{stray_ac:.4f} ac of cells outside the part field hold "
                     "another rate than the task's for outside",
                     todo="compare with the field's boundary before it is loaded")
    units = {head: unit for head, (_, unit) in columns.items() if unit}
    kinds = dict.fromkeys(columns, "float")
    return Layer(
        name=label, columns={"ZONE": "text", **kinds}, records=tuple(records), units=units,
        products={head: head.partition(" (")[0] for head in columns}, gridded=grid is not None,
        half_steps={head: 0.5 * in_unit(1, ddi, unit) for head, (ddi, unit) in columns.items()},
        without_map=without_map, stray_ac=stray_ac)


def _code(zone: Element) -> str:
    return zone.get("A") or ""


def _name(code: str, zone: Element) -> str:
    return f"{code}, {zone.get('B')}" if zone.get("B") else code


def _columns(
    root: Element, zones: Mapping[str, Element], label: str, ledger: Ledger
) -> dict[str, tuple[str, str]]:
    """Column by product → (DDI, unit), in the order in which the zones' values stand.

    A unit is "" where the data dictionary knows the number as no rate of mass or volume.
    """
    products = {one.get("A"): one.get("B") or "" for one in root.findall("PDT")}
    longest = max(zones.values(), key=lambda one: len(one.findall("PDV")), default=None)
    found: dict[str, tuple[str, str]] = {}
    for value in [] if longest is None else longest.findall("PDV"):
        ddi = value.get("A") or ""
        entry = known_ddis().get(ddi)
        unit = _UNITS.get(entry.base, "") if entry else ""
        head = products.get(value.get("C")) or value.get("C") or f"DDI {ddi}"
        if head in found:
            head = f"{head} ({ddi})"
        if entry is None:
            ledger.doubt("unit-unknown", f"{label}, {head}",
                         f"data dictionary number {ddi} is no rate that is known here: raw values "
                         "are shown")
        found[head] = (ddi, unit)
    for code, zone in zones.items():
        if len(zone.findall("PDV")) not in {0, len(found)}:
            ledger.fault("rate-odd", f"{label}, zone {code}",
                         f"holds {len(zone.findall('PDV'))} values, other zones {len(found)}")
    return found


def _rates(zone: Element, columns: Mapping[str, tuple[str, str]]) -> dict[str, object]:
    """Rates of a zone by column; None where a value is missing or no whole number."""
    values = zone.findall("PDV")
    rates: dict[str, object] = {}
    for place, (head, (ddi, unit)) in enumerate(columns.items()):
        own = values[place] if place < len(values) else None
        text = "" if own is None or own.get("A") != ddi else own.get("B") or ""
        rates[head] = in_unit(int(text), ddi, unit) if _whole(text) else None
    return rates


def _whole(text: str) -> bool:
    return text.removeprefix("-").isascii() and text.removeprefix("-").isdigit() and len(text) < 12


def in_unit(raw: int, ddi: str, unit: str) -> float:
    """A raw value in `unit`, as it stands where the unit is not known."""
    return rate_from_raw(raw, unit, ddi) if unit and -2**31 <= raw < 2**31 else float(raw)


def _fallbacks(
    task: Element, zones: Mapping[str, Element], columns: Mapping[str, tuple[str, str]],
    label: str, ledger: Ledger,
) -> dict[str, dict[str, object]]:
    """Rates of the zones that the task names for the default, a lost position and outside."""
    found: dict[str, dict[str, object]] = {}
    for key, (name, what) in FALLBACKS.items():
        zone = zones.get(task.get(key) or "")
        if zone is None:
            ledger.doubt("task-fallback", f"{label}, attribute {key}",
                         f"names no zone: the {what} is the machine's own",
                         todo="tell the operator which rate to set")
            continue
        found[name] = _rates(zone, columns)
        for head, rate in found[name].items():
            if isinstance(rate, float):
                ledger.shown(what, f"{label}, column {head}", columns[head][1] or "raw", rate)
            else:
                ledger.fault("rate-odd", f"{label}, attribute {key}, column {head}",
                             f"the zone of the {what} holds no number",
                             todo="tell the operator which rate to set; do not load it")
    return found


def polygons_of(holder: Element) -> list[Part]:
    """Polygons of a part field or zone, each its outer ring first; points without a place go."""
    made: list[Part] = []
    for polygon in holder.findall("PLN"):
        rings: dict[str, list[FloatArray]] = {facts.EXTERIOR: [], facts.INTERIOR: []}
        for line in polygon.findall("LSG"):
            points = [_place(one) for one in line.findall("PNT")]
            if line.get("A") in rings and points:
                rings[line.get("A") or ""].append(np.array(points, dtype=np.float64))
        holes = rings[facts.INTERIOR] if len(rings[facts.EXTERIOR]) == 1 else []
        made += [(shell, *holes) for shell in rings[facts.EXTERIOR]]
    return made


def _place(point: Element) -> tuple[float, float]:
    try:
        return float(point.get("D") or "nan"), float(point.get("C") or "nan")
    except ValueError:
        return float("nan"), float("nan")
