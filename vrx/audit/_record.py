"""The job record (manifest.json) as the audit needs it, every key checked by name and kind."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from vrx.audit._ledger import Ledger, number

NAME = "manifest.json"
SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneLine:
    """A zone as recorded."""

    zone_id: int
    letter: str
    area_ac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PassLine:
    """A pass as recorded. `steps` maps zone to rate steps; a figure that is missing is NaN.

    `wetted_ac` are acres by zone where irrigation wets sectors at several rates, else empty.
    """

    pass_id: str
    number: int
    column: str
    material: str
    unit: str
    kind: str
    step: float
    treated_ac: float | None
    wetted_ac: Mapping[int, float]
    lb_per_unit: float
    k2o_lb_per_unit: float
    s_lb_per_unit: float
    s_this_season_lb_per_unit: float
    n_lb_per_unit: float
    steps: Mapping[int, int]
    planned_total: float
    prescription_total: float
    order_total: float
    rate_outside: float | None
    rate_position_lost: float | None
    rate_default: float | None

    @property
    def quantity_unit(self) -> str:
        """Unit of an amount: lb or gal."""
        return self.unit.removesuffix("/ac")

    @property
    def place(self) -> str:
        """How a person finds the pass."""
        return f"pass {self.number} '{self.pass_id}', column {self.column}"

    def credit(self, nutrient: str) -> float:
        """lb of K2O, S or N that one lb or gal of the material brings to this season."""
        return {
            "K2O": self.k2o_lb_per_unit, "S": self.s_this_season_lb_per_unit,
            "N": self.n_lb_per_unit,
        }.get(nutrient, math.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """The whole record. What has no class of its own stays plain values."""

    run: str
    area_ac: float
    crs_centre: tuple[float, float]
    bounds_deg: tuple[float, ...]
    zones: Mapping[int, ZoneLine]
    passes: tuple[PassLine, ...]
    order: tuple[Mapping[str, Any], ...]
    nutrients: tuple[Mapping[str, Any], ...]
    files: Mapping[str, Mapping[str, Any]]
    maps: tuple[Mapping[str, Any], ...]
    readings: tuple[Mapping[str, Any], ...]
    plan: Mapping[str, Any]
    field: Mapping[str, Any]
    money: Mapping[str, Any]
    irrigation: tuple[Mapping[str, Any], ...]

    def block(self, key: str) -> list[Mapping[str, Any]]:
        """A list of objects in the block `money`; [] where there is none."""
        value = self.money.get(key)
        return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []

    def zone_name(self, zone_id: int) -> str:
        """How a person finds the zone."""
        zone = self.zones.get(zone_id)
        return f"zone {zone_id} ({zone.letter})" if zone else f"zone {zone_id}"


class _Reader:
    """Takes keys out of parsed JSON; what is missing or of the wrong kind becomes a fault."""

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger

    def _bad(self, where: str, key: str, kind: str, value: object) -> None:
        self.ledger.fault(
            "record-key", f"{NAME}, {where}{key}", f"must be {kind}", value=repr(value)[:80],
            todo="the job record was changed after the run; run again",
        )

    def text(self, node: Mapping[str, Any], key: str, where: str) -> str:
        value = node.get(key)
        if isinstance(value, str) and value:
            return value
        self._bad(where, key, "a text", value)
        return "?"

    def whole(self, node: Mapping[str, Any], key: str, where: str) -> int:
        value = node.get(key)
        if isinstance(value, int) and not isinstance(value, bool):
            return value
        self._bad(where, key, "a whole number", value)
        return -1

    def figure(self, node: Mapping[str, Any], key: str, where: str) -> float:
        value = number(node.get(key))
        if not math.isfinite(value) or value < 0:
            self._bad(where, key, "a number of 0 or more", node.get(key))
            return math.nan
        return value

    def items(self, node: Mapping[str, Any], key: str, where: str) -> list[Mapping[str, Any]]:
        value = node.get(key)
        if isinstance(value, list) and all(isinstance(one, dict) for one in value):
            return value
        self._bad(where, key, "a list of objects", type(value).__name__)
        return []

    def node(self, node: Mapping[str, Any], key: str, where: str) -> Mapping[str, Any]:
        value = node.get(key)
        if isinstance(value, dict):
            return value
        self._bad(where, key, "an object", type(value).__name__)
        return {}


def parse(data: bytes, ledger: Ledger) -> RunRecord | None:
    """The record, or None with a fault where it is cut short or of an unknown schema."""
    try:
        root = json.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as err:
        ledger.fault(
            "record-unreadable", NAME, f"is no whole JSON document: {err}", todo="run again"
        )
        return None
    if not isinstance(root, dict) or root.get("schema") != SCHEMA:
        told = root.get("schema") if isinstance(root, dict) else None
        ledger.fault(
            "record-schema", f"{NAME}, schema", f"is {told!r}; this audit knows {SCHEMA}",
            todo="audit with the version of vrx that made the run",
        )
        return None
    take = _Reader(ledger)
    field = take.node(root, "field", "")
    return RunRecord(
        run=take.text(root, "run", ""),
        area_ac=take.figure(field, "area_ac", "field."),
        crs_centre=_centre(field, take),
        bounds_deg=_bounds(field, take),
        zones=_zones(root, take),
        passes=_passes(root, take),
        order=tuple(take.items(root, "order", "")),
        nutrients=tuple(take.items(root, "nutrients", "")),
        files=_files(root, take),
        maps=tuple(take.items(root, "maps", "")) if root.get("maps") else (),
        readings=tuple(take.items(root, "readings", "")) if root.get("readings") else (),
        plan=take.node(root, "plan", "") if "plan" in root else {}, field=field,
        # Records of earlier versions, and of runs without them, have none of these two.
        money=take.node(root, "money", "") if root.get("money") is not None else {},
        irrigation=tuple(take.items(root, "irrigation", "")) if root.get("irrigation") else (),
    )


def _centre(field: Mapping[str, Any], take: _Reader) -> tuple[float, float]:
    value = field.get("crs_centre")
    figures = [number(one) for one in value] if isinstance(value, list) else []
    if len(figures) != 2 or not all(math.isfinite(one) for one in figures):
        take.ledger.fault(
            "record-key", f"{NAME}, field.crs_centre", "must be [longitude, latitude]",
            value=repr(value)[:80],
        )
        return math.nan, math.nan
    return figures[0], figures[1]


def _bounds(field: Mapping[str, Any], take: _Reader) -> tuple[float, ...]:
    value = field.get("bounds_deg")
    figures = tuple(number(one) for one in value) if isinstance(value, list) else ()
    if len(figures) != 4 or not all(math.isfinite(one) for one in figures):
        take.ledger.fault(
            "record-key", f"{NAME}, field.bounds_deg", "must be [west, south, east, north]",
            value=repr(value)[:80],
        )
        return ()
    return figures


def _zones(root: Mapping[str, Any], take: _Reader) -> dict[int, ZoneLine]:
    zones: dict[int, ZoneLine] = {}
    for index, node in enumerate(take.items(root, "zones", "")):
        where = f"zones[{index}]."
        zone = ZoneLine(
            zone_id=take.whole(node, "zone_id", where), letter=take.text(node, "letter", where),
            area_ac=take.figure(node, "area_ac", where),
        )
        if zone.zone_id in zones:
            take.ledger.fault(
                "record-zone", f"{NAME}, zone {zone.zone_id}", "stands twice in the record"
            )
        zones[zone.zone_id] = zone
    _unique(take.ledger, "letter", [zone.letter for zone in zones.values()])
    return zones


def _unique(ledger: Ledger, what: str, values: Sequence[object]) -> None:
    for value in sorted({str(value) for value in values if values.count(value) > 1}):
        ledger.fault("record-twice", f"{NAME}, {what} {value}", "stands twice in the record")


def _passes(root: Mapping[str, Any], take: _Reader) -> tuple[PassLine, ...]:
    lines = tuple(
        _pass(node, f"passes[{index}].", take)
        for index, node in enumerate(take.items(root, "passes", ""))
    )
    _unique(take.ledger, "pass number", [one.number for one in lines])
    _unique(take.ledger, "pass", [one.pass_id for one in lines])
    _unique(take.ledger, "column", [one.column for one in lines])
    if not lines:
        take.ledger.fault("record-key", f"{NAME}, passes", "the record holds no pass")
    return lines


def _pass(node: Mapping[str, Any], where: str, take: _Reader) -> PassLine:
    column = take.text(node, "column", where)
    named = f"{where}({column})."
    return PassLine(
        pass_id=take.text(node, "pass_id", named), number=take.whole(node, "number", named),
        column=column, material=take.text(node, "material", named),
        unit=take.text(node, "unit", named), kind=take.text(node, "kind", named),
        step=take.figure(node, "step", named),
        treated_ac=(
            None if node.get("treated_ac") is None else take.figure(node, "treated_ac", named)
        ),
        wetted_ac=_wetted(node, named, take),
        lb_per_unit=take.figure(node, "lb_per_unit", named),
        k2o_lb_per_unit=take.figure(node, "k2o_lb_per_unit", named),
        s_lb_per_unit=take.figure(node, "s_lb_per_unit", named),
        # Records of earlier versions do not part the S of this season.
        s_this_season_lb_per_unit=take.figure(
            node, "s_this_season_lb_per_unit" if "s_this_season_lb_per_unit" in node
            else "s_lb_per_unit", named),
        n_lb_per_unit=take.figure(node, "n_lb_per_unit", named),
        steps=_steps(node, named, take),
        planned_total=number(node.get("planned_total")),
        prescription_total=take.figure(node, "prescription_total", named),
        order_total=take.figure(node, "order_total", named),
        rate_outside=_fallback(node, "rate_outside", named, take),
        rate_position_lost=_fallback(node, "rate_position_lost", named, take),
        rate_default=_fallback(node, "rate_default", named, take),
    )


def _fallback(
    node: Mapping[str, Any], key: str, where: str, take: _Reader
) -> float | None:
    # Records of earlier versions do not hold it.
    return take.figure(node, key, where) if key in node else None


def _wetted(node: Mapping[str, Any], where: str, take: _Reader) -> dict[int, float]:
    if node.get("wetted_ac_by_zone") is None:
        return {}
    acres: dict[int, float] = {}
    for index, one in enumerate(take.items(node, "wetted_ac_by_zone", where)):
        place = f"{where}wetted_ac_by_zone[{index}]."
        zone_id = take.whole(one, "zone_id", place)
        if zone_id in acres:
            take.ledger.fault(
                "record-zone", f"{NAME}, {where}wetted_ac_by_zone, zone {zone_id}", "stands twice"
            )
        acres[zone_id] = take.figure(one, "wetted_ac", place)
    return acres


def _steps(node: Mapping[str, Any], where: str, take: _Reader) -> dict[int, int]:
    steps: dict[int, int] = {}
    for index, one in enumerate(take.items(node, "steps", where)):
        place = f"{where}steps[{index}]."
        zone_id = take.whole(one, "zone_id", place)
        count = take.whole(one, "steps", place)
        if zone_id in steps:
            take.ledger.fault(
                "record-zone", f"{NAME}, {where}steps, zone {zone_id}", "stands twice"
            )
        if count < 0:
            take.ledger.fault(
                "record-steps", f"{NAME}, {where}steps, zone {zone_id}", "steps are negative",
                value=str(count),
            )
        steps[zone_id] = count
    return steps


def _files(root: Mapping[str, Any], take: _Reader) -> dict[str, Mapping[str, Any]]:
    files: dict[str, Mapping[str, Any]] = {}
    for index, node in enumerate(take.items(root, "files", "")):
        path = take.text(node, "path", f"files[{index}].")
        if path in files:
            take.ledger.fault("record-twice", f"{NAME}, file {path}", "stands twice")
        files[path] = node
    return files
