"""The header of a time log (`TLGnnnnn.xml`): which bytes each record of its binary has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NoReturn
from xml.etree.ElementTree import Element

from vrx.errors import InputError
from vrx.formats._task_numbers import number, whole
from vrx.formats.task_data import DDI, ID
from vrx.formats.xml_tree import xml_tree

MOST_VALUES = 255
"""A value names its place in the header by one byte."""

# Attribute of PTN -> (name, bytes in a record, the header's own unit per raw unit).
POSITION: dict[str, tuple[str, str, float]] = {
    "A": ("north", "<i4", 1e-7), "B": ("east", "<i4", 1e-7), "C": ("up", "<i4", 1.0),
    "D": ("status", "u1", 1.0), "E": ("pdop", "<u2", 0.1), "F": ("hdop", "<u2", 0.1),
    "G": ("satellites", "u1", 1.0), "H": ("utc_ms", "<u4", 1.0), "I": ("utc_days", "<u2", 1.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """`head` are (name, bytes) of a record before the count of its values, in order.

    `fixed` are position attributes that the header gives once for all records, in degrees,
    millimetres, DOP, counts; `values` are (DDI, device element) in the order that records count by.
    """

    head: tuple[tuple[str, str], ...]
    fixed: dict[str, float]
    values: tuple[tuple[str, str], ...]
    has_position: bool


def read_header(data: bytes, *, where: str) -> Header:
    """The header. Raises `InputError` for broken XML or one that breaks the standard's layout."""
    root = xml_tree(data, where=where)
    if root.tag != "TIM":
        _broken(where, f"its root is {root.tag!r}, not TIM")
    if root.get("A") != "" or root.get("D") != "4":
        _broken(where, f"TIM has A={root.get('A')!r} and D={root.get('D')!r}; A is empty (the time "
                "stands in the binary) and D is 4")
    positions = root.findall("PTN")
    if len(positions) > 1:
        _broken(where, f"has {len(positions)} PTN; how their bytes would lie is not known")
    head, fixed = [("ms", "<u4"), ("days", "<u2")], {}
    for name in (sorted(positions[0].keys()) if positions else ()):
        if name not in POSITION:
            _broken(where, f"PTN has an attribute {name!r}, whose bytes are not known")
        said = positions[0].get(name) or ""
        key, kind, _ = POSITION[name]
        if said == "":
            head.append((key, kind))
        else:
            fixed[key] = _fixed(said, key, where)
    values = tuple(_value(one, where) for one in root.findall("DLV"))
    if len(values) > MOST_VALUES:
        _broken(where, f"has {len(values)} DLV; a record can name {MOST_VALUES}")
    return Header(head=tuple(head), fixed=fixed, values=values, has_position=bool(positions))


def _fixed(said: str, key: str, where: str) -> float:
    value = number(said)
    most = {"north": 90.0, "east": 180.0}.get(key, 2.0**32)
    if not abs(value) <= most:
        _broken(where, f"PTN gives {key} once for all as {said!r}, which is none")
    if key in {"status", "satellites", "utc_ms", "utc_days"} and whole(said) is None:
        _broken(where, f"PTN gives {key} once for all as {said!r}, which is no whole number")
    return value


def _value(one: Element, where: str) -> tuple[str, str]:
    ddi, element = (one.get("A") or "").upper(), one.get("C") or ""
    if not DDI.fullmatch(ddi):
        _broken(where, f"DLV has DDI {one.get('A')!r}, which is not four hex digits")
    if not ID.fullmatch(element) or not element.startswith("DET"):
        _broken(where, f"DLV {ddi} names the device element {element!r} (DET and digits)")
    return ddi, element


def _broken(where: str, what: str) -> NoReturn:
    raise InputError(what, code="time-log-header", where=where,
                     hint="copy the whole TASKDATA folder from the machine again")
