"""Tables of a run for spreadsheets (CSV): rows by column, texts without the spreadsheet's guard."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vrx.audit import _rates, _record
from vrx.audit._layers import Layer
from vrx.audit._ledger import Ledger, number
from vrx.formats.crew import printable

Row = Mapping[str, str]
OF_SIZE = 1e-6
"""Share of the amounts whose difference a figure is, by which it may be off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Amounts:
    """lb or gal by pass id, on the prescription and to order; its highest rate and all of them;
    acres of zones that get product. From a layer's rates and polygons, or the record where there is
    none."""

    prescribed: Mapping[str, float]
    net: Mapping[str, float]
    most: Mapping[str, float]
    rates: Mapping[str, frozenset[float]]
    spread_ac: Mapping[str, float]
    area_ac: float


def amounts(layer: Layer | None, record: _record.RunRecord) -> Amounts:
    """What rates and acres of a layer give; without one, steps x acres of the record."""
    zones = {zone: one.area_ac for zone, one in record.zones.items()}
    if layer is not None:
        zones = {one.zone_id: one.area_ac for one in layer.records if one.zone_id is not None}
    prescribed, net, most, spread = {}, {}, {}, {}
    kinds: dict[str, frozenset[float]] = {}
    for line in record.passes:
        rates = {zone: steps * line.step for zone, steps in line.steps.items()}
        if layer is not None:
            rates = {one.zone_id: number(one.values.get(line.column)) for one in layer.records
                     if one.zone_id is not None}
        prescribed[line.pass_id] = math.fsum(
            rate * zones.get(zone, math.nan) for zone, rate in rates.items())
        most[line.pass_id] = max(rates.values(), default=math.nan)
        spread[line.pass_id] = math.fsum(
            zones.get(zone, math.nan) for zone, rate in rates.items() if rate > 0)
        kinds[line.pass_id] = frozenset(rates.values())
        net[line.pass_id] = line.order_total
    if layer is not None:
        net = _rates.field_totals(layer, record)
    area = math.fsum(zones.values())
    return Amounts(prescribed=prescribed, net=net, most=most, rates=kinds, spread_ac=spread,
                   area_ac=area)


def rows(data: bytes, name: str, columns: Sequence[str], ledger: Ledger) -> list[Row] | None:
    """The rows of a table with exactly these columns; None with a fault for another one."""
    try:
        reader = csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""), strict=True)
        head, *body = list(reader) or [[]]
    except (UnicodeDecodeError, csv.Error) as err:
        ledger.fault("unreadable", name, f"is no whole CSV file: {err}", todo="run again")
        return None
    if head != list(columns):
        ledger.fault("sheet", f"{name}, header", f"must be {','.join(columns)}",
                     value=",".join(head)[:200], todo="run again")
        return None
    odd = [k for k, one in enumerate(body, 2) if len(one) != len(head)]
    if odd:
        ledger.fault("sheet", f"{name}, row {odd[0]}", f"has not {len(head)} cells",
                     todo="run again")
        return None
    return [{key: _plain(cell) for key, cell in zip(head, one, strict=True)} for one in body]


def _plain(cell: str) -> str:
    return cell[1:] if re.match(r"'[=+\-@\t\r\n ]", cell) else cell


def heads(
    table: Sequence[Row], name: str, record: _record.RunRecord, ledger: Ledger
) -> None:
    """Columns field and season of all rows against the job record."""
    wanted = {"field": " ".join(printable(str(record.field.get("name", ""))).split()),
              "season": str(record.field.get("season", ""))}
    for column, expected in wanted.items():
        odd = [(k, row[column]) for k, row in enumerate(table, 2)
               if " ".join(row[column].split()) != expected]
        ledger.figure(f"rows with the {column} of the job record", name, "",
                      found=len(table) - len(odd), expected=len(table), within=0)
        if odd:
            ledger.fault("sheet", f"{name}, row {odd[0][0]}, column {column}",
                         f"is {odd[0][1]!r}, the job record has {expected!r}"
                         + (f"; {len(odd) - 1} more rows" if len(odd) > 1 else ""),
                         todo="the table is of another run, or was changed")


def figure(cell: str | None) -> float:
    """A cell as a number; NaN for one that is empty or none."""
    try:
        return float(cell or "nan")
    except ValueError:
        return math.nan


def cell_figure(
    ledger: Ledger, what: str, where: str, unit: str, cell: str, *, expected: float | None,
    size: float = 0.0,
) -> bool:
    """A cell against a figure worked out; None is an empty cell.

    `size`: the amounts whose difference it is, which a millionth of may move.
    """
    if expected is None:
        if not cell:
            return True
        ledger.fault("sheet", where, f"{what} is {cell!r}, and nothing gives it", todo="run again")
        return False
    within = max(abs(expected) * ledger.pct / 100.0, abs(size) * OF_SIZE, 1e-9)
    return ledger.figure(what, where, unit, found=figure(cell), expected=expected, within=within)


def text(ledger: Ledger, what: str, where: str, *, found: str, expected: str) -> bool:
    """Two texts; a fault names what differs."""
    if ledger.text(what, where, found=found, expected=expected):
        return True
    ledger.fault("sheet", where, f"{what} is {found!r}, {expected!r} is meant", todo="run again")
    return False
