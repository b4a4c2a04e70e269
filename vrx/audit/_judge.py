"""Judge one layer without a job record, whoever wrote it."""

from __future__ import annotations

import math
import re

from vrx.audit import _coverage, _rates, _units
from vrx.audit._layers import Layer, Record
from vrx.audit._ledger import Ledger, number
from vrx.audit.stated import NOTHING_STATED, Spread, Statement
from vrx.units import ACRE_M2

_HECTARE_AC = 10_000.0 / ACRE_M2
_ID = re.compile(r"^(FID|OID|GID|ID|ZONE|(ZONE|RECORD|FEATURE)?_?(NO|NR|NUM|NUMBER|INDEX)"
                 r"|OBJECT_?ID|RECORD|.*_ID|ID_.*)$")
_AREA = {
    "AREA_AC": 1.0, "ACRES": 1.0, "ACRE": 1.0, "AC": 1.0, "AREA_ACRES": 1.0,
    "AREA_HA": _HECTARE_AC, "HECTARES": _HECTARE_AC, "HA": _HECTARE_AC,
    "AREA_M2": 1.0 / ACRE_M2, "AREA_SQM": 1.0 / ACRE_M2,
}
_AREA_PCT = 0.02
_MOST_AC = 100_000.0
"""More is no zone of a field (common practice, no source)."""


def judge(
    layer: Layer, edge: Layer | None, ledger: Ledger, *, stated: Statement = NOTHING_STATED,
    places_judged: bool = False,
) -> list[Spread]:
    """Everything about one layer that needs no job record; gives what its columns spread.

    `places_judged`: another layer of the file has the very same polygons, whose faults are told.
    """
    for record in layer.records:
        ledger.shown("acres", f"{layer.name}, {record.name}", "ac", record.area_ac)
        if record.area_ac > _MOST_AC:
            ledger.fault(
                "place", f"{layer.name}, {record.name}",
                f"covers {record.area_ac:,.0f} ac: no field is that large, so a corner is wrong",
                todo="copy or export it again",
            )
    ledger.shown("acres in all", layer.name, "ac", layer.area_ac)
    if not layer.gridded and not places_judged:
        _coverage.check(layer, ledger, boundary=edge, strict=False)
    _ids(layer, ledger)
    rates, spreads = 0, []
    names = [column.upper() for column in layer.columns]
    for twice in sorted({one for one in names if names.count(one) > 1}):
        ledger.doubt("column-twice", f"{layer.name}, column {twice}",
                     "two columns differ in case only; a machine may take either for the other")
    for column, kind in layer.columns.items():
        upper = column.upper()
        if upper in _AREA and column not in stated.columns:
            _area(layer, column, _AREA[upper], ledger)
        elif kind in {"int", "float"} and (column in stated.columns or not _ID.match(upper)):
            spreads.append(_rate_column(layer, column, ledger, stated))
            rates += 1
        elif kind in {"text", "other"} and not _ID.match(upper):
            rates += _text_column(layer, column, ledger)
    if not rates:
        ledger.doubt("no-rate", layer.name, "no column holds rates",
                     todo="a machine would apply nothing, or its default: is it the right file?")
    return spreads


def _text_column(layer: Layer, column: str, ledger: Ledger) -> bool:
    """Whether a column of texts or of several kinds was meant to hold rates, with a fault."""
    values = [record.values.get(column) for record in layer.records]
    numeric = _units.numbers_in(values)
    where = f"{layer.name}, column {column}"
    if _units.unit_of(column) is not None or (numeric and _units.is_rate_name(column)):
        shown = ", ".join(repr(one)[:20] for one in values[:3])
        ledger.fault("column-kind", where, f"rates are not written as numbers: {shown}",
                     todo="export again with a column of numbers; a machine may read them as 0")
        return True
    if numeric and any(isinstance(one, str) for one in values):
        ledger.doubt("column-kind", where, "numbers are written as text, which is no rate to a "
                     "machine")
    return False


def _ids(layer: Layer, ledger: Ledger) -> None:
    ids = [record.zone_id for record in layer.records]
    for zone_id in sorted({one for one in ids if one is not None and ids.count(one) > 1}):
        ledger.fault("zone-twice", f"{layer.name}, zone {zone_id}", "stands twice")


def _area(layer: Layer, column: str, unit_ac: float, ledger: Ledger) -> None:
    for record in layer.records:
        found = number(record.values.get(column)) * unit_ac
        where = f"{layer.name}, {record.name}, column {column}"
        if math.isnan(found):
            ledger.doubt("area-odd", where, "no number")
            continue
        ledger.figure(
            "acres in the file against its polygon", where, "ac", found=found,
            expected=record.area_ac, pct=_AREA_PCT,
        )


def _unit(layer: Layer, column: str, where: str, ledger: Ledger, stated: Statement) -> str | None:
    """The unit that the user, the format or the column's name states; told where they differ."""
    said = stated.columns.get(column)
    by_user = None if said is None else said.unit
    by_file = layer.units.get(column) or _units.unit_of(column)
    if by_user and by_file and by_user != by_file:
        ledger.fault("unit-differs", where, f"is stated as {by_user}, the file says {by_file}",
                     todo="ask whoever made the file which of the two is right")
    return by_user or by_file


def _rate_column(layer: Layer, column: str, ledger: Ledger, stated: Statement) -> Spread:
    where = f"{layer.name}, column {column}"
    unit = _unit(layer, column, where, ledger, stated)
    if unit is None:
        ledger.doubt(
            "unit-unknown", where, "its name states no unit; the total is in units x acres",
            todo="ask whoever made the file, and state it (--stated); vrx guesses no unit",
        )
    good: list[tuple[Record, float]] = []
    lost = 0.0
    for record in layer.records:
        place = f"{layer.name}, {record.name}, column {column}"
        wrong = _rates.odd(record.values.get(column))
        if wrong:
            ledger.fault("rate-odd", place, f"{wrong} ({record.area_ac:.3f} ac)")
            lost += record.area_ac
            continue
        rate = number(record.values[column])
        _rates.plausible(rate, unit, place, ledger)
        good.append((record, rate))
    if lost:
        ledger.shown("acres without a usable rate", where, "ac", lost)
    # kg/ha and L/ha count hectares.
    per_ac = 1.0 / _HECTARE_AC if unit is not None and unit.endswith("/ha") else 1.0
    total = math.fsum(rate * record.area_ac * per_ac for record, rate in good)
    ledger.shown("total", where, (unit or "unknown").split("/")[0], total)
    acres = math.fsum(record.area_ac for record, _ in good)
    if acres:
        mean = math.fsum(rate * record.area_ac for record, rate in good) / acres
        ledger.shown("mean rate by acres", where, unit or "unknown", mean)
    said = stated.columns.get(column)
    return Spread(
        layer=layer.name, column=column, unit=unit, total=math.nan if lost else total,
        rounding=layer.half_steps.get(column, 0.0) * acres * per_ac,
        product=(said.product if said else "") or layer.products.get(column, ""))
