"""buying.csv worked out again: from rates x acres to what is bought, line by line, and tank fills.

What is recorded and cannot follow from rates and acres (exact rates before rounding, overage, sizes
of packages, loads and tanks, prices) is taken from the job record; every amount is computed here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from vrx.audit import _order, _record, _sheet
from vrx.audit._ledger import Ledger, number
from vrx.audit._sheet import Amounts, Row
from vrx.units import SHORT_TON_LB

NAME = "buying.csv"
COLUMNS = (
    "field", "season", "material", "line", "amount", "unit", "lb", "short_tons", "usd", "how",
)
_EXACT, _STEPS = "exact rates on the zones' acres", "machine steps"
_BEYOND, _OVERAGE = "acres treated beyond or short of the zones", "overage stated"
_WHOLE = ("whole packages", "whole steps of sale", "whole loads")
_BUY, _LOADS = "to buy", "truck loads"
_PCT = re.compile(r"([0-9.,]+) % of ")
_COUNT = re.compile(r"([0-9,]+) (?:of|loads of|fills of) ")
_ACRES = re.compile(r", ([0-9,.]+) ac each at the mean rate, ([0-9,.]+) ac at the highest")
_SLACK = 1e-6


def check(data: bytes, record: _record.RunRecord, given: Amounts, ledger: Ledger) -> None:
    """Every row of buying.csv, and the record's own block of what is bought."""
    table = _sheet.rows(data, NAME, COLUMNS, ledger)
    if table is None:
        return
    _sheet.heads(table, NAME, record, ledger)
    held: dict[tuple[str, str], Row] = {}
    for row in table:
        key = (row["material"], row["line"])
        if key in held:
            ledger.fault("sheet", f"{NAME}, {key[0]}, {key[1]}", "stands twice", todo="run again")
        held[key] = row
    wanted = _order.materials(record)
    bought = {str(one.get("material")): one for one in record.block("buying")}
    for material, lines in wanted.items():
        if math.fsum(given.net[line.pass_id] for line in lines) > 0:
            if material in bought:
                _material(lines, bought[material], held, given, ledger)
            else:
                ledger.fault("sheet", f"{_record.NAME}, money.buying, {material}", "is missing",
                             todo="run again")
    for one in record.block("tank_fills"):
        _fills(one, record, held, given, ledger)
    for material, line in held:
        ledger.fault("sheet", f"{NAME}, {material}, {line}", "follows from no pass of the job "
                     "record", todo="run again")


def _material(
    lines: list[_record.PassLine], own: Mapping[str, Any], held: dict[tuple[str, str], Row],
    given: Amounts, ledger: Ledger,
) -> None:
    material = lines[0].material
    net = math.fsum(given.net[one.pass_id] for one in lines)
    prescribed = math.fsum(given.prescribed[one.pass_id] for one in lines)
    exact = math.fsum(one.planned_total for one in lines)
    # Coordinates hold 0.1 mm: on a narrow field acres, and so amounts, are known to less than a
    # millionth. What that moves is seen in the pass's total, which is judged by itself.
    moved = abs(prescribed - math.fsum(one.prescription_total for one in lines))
    take = _Taker(material=material, own=own, held=held, unit=lines[0].quantity_unit,
                  size=max(net, 1.5 * moved / _sheet.OF_SIZE), ledger=ledger)
    _prices(own, lines[0], take, ledger)
    take.amount(_EXACT, exact)
    take.amount(_STEPS, prescribed - exact)
    take.amount(_BEYOND, net - prescribed)
    row = take.amount(_OVERAGE, None)
    said = _PCT.match(row["how"]) if row else None
    extra = net * _sheet.figure(said[1].replace(",", "")) / 100.0 if said else 0.0
    if row:
        take.compare(row, _OVERAGE, extra)
    total = net + extra
    size, packages = number(own.get("package_size")), number(own.get("packages"))
    if own.get("package_size") is not None:
        words = next((one for one in _WHOLE if (material, one) in held), _WHOLE[0])
        row = take.amount(words, packages * size - total)
        take.count(words, row, packages, total / size)
        total = packages * size
    take.amount(_BUY, total)
    for one in lines:
        take.amount(f"of it for pass {one.number}, {one.pass_id}", given.net[one.pass_id])
    if own.get("loads") is not None:
        load, loads = number(own.get("load_size")), number(own.get("loads"))
        row = take.amount(_LOADS, total - (loads - 1.0) * load, cost=False)
        take.count(_LOADS, row, loads, total / load)
    _recorded(own, lines[0], net, total, ledger)


def _prices(
    own: Mapping[str, Any], line: _record.PassLine, take: _Taker, ledger: Ledger
) -> None:
    """Pounds a unit as in the pass, but by a load ticket; dollars a unit as the note prints."""
    where = f"{_record.NAME}, money.buying, {take.material}"
    if not str(own.get("density_from", "")).startswith("load ticket"):
        ledger.figure("lb of one unit, bought against spread", where, "lb",
                      found=own.get("lb_per_unit"), expected=line.lb_per_unit)
    if own.get("usd_per_unit") is None:
        return
    price = _order.PRICE.search(str(own.get("price_note", "")))
    if price is None:
        ledger.remark("order-usd", where, "the price note states no price that can be read")
        return
    usd, per = float(price.group(1).replace(",", "")), price.group(2).lower()
    if per != "gal":
        usd *= take.lb_per_unit / (SHORT_TON_LB if per == "short ton" else 1.0)
    ledger.figure("USD of one unit, by the price note", where, "USD",
                  found=own.get("usd_per_unit"), expected=usd)


def _recorded(
    own: Mapping[str, Any], line: _record.PassLine, net: float, total: float, ledger: Ledger
) -> None:
    """The record's own figures of a purchase."""
    where = f"{_record.NAME}, money.buying, {line.material}"
    # A load ticket's density changes what a unit brings.
    share = total * number(own.get("lb_per_unit")) / line.lb_per_unit
    expected = {"net": net, "bought": total, "k2o_lb": share * line.k2o_lb_per_unit,
                "s_lb": share * line.s_lb_per_unit, "n_lb": share * line.n_lb_per_unit}
    usd = own.get("usd_per_unit")
    if usd is not None:
        expected |= {"usd_net": net * number(usd), "usd_bought": total * number(usd)}
    for key, value in expected.items():
        unit = "USD" if key.startswith("usd") else "lb" if key.endswith("_lb") else (
            line.quantity_unit)
        ledger.figure(f"bought, {key}", where, unit, found=own.get(key), expected=value)


class _Taker:
    """Takes the rows of one material out of the table and compares each."""

    def __init__(
        self, *, material: str, own: Mapping[str, Any], held: dict[tuple[str, str], Row],
        unit: str, size: float, ledger: Ledger,
    ) -> None:
        self.material, self.held, self.unit, self.size = material, held, unit, size
        self.ledger = ledger
        self.lb_per_unit = number(own.get("lb_per_unit"))
        self.usd_per_unit = (
            None if own.get("usd_per_unit") is None else number(own["usd_per_unit"]))
        self.cost = True

    def where(self, words: str) -> str:
        """How a person finds the row."""
        return f"{NAME}, {self.material}, {words}"

    def amount(self, words: str, expected: float | None, *, cost: bool = True) -> Row | None:
        """The row of a line, compared where an amount is `expected`; None with a fault."""
        row = self.held.pop((self.material, words), None)
        if row is None:
            self.ledger.fault("sheet", self.where(words), "is missing", todo="run again")
            return None
        self.cost = cost
        if expected is not None:
            self.compare(row, words, expected)
        return row

    def compare(self, row: Row, words: str, expected: float) -> None:
        """Amount, pounds, short tons and dollars of a row."""
        where = self.where(words)
        _sheet.text(self.ledger, "unit", where, found=row["unit"], expected=self.unit)
        pounds = expected * self.lb_per_unit
        dollars = None if self.usd_per_unit is None or not self.cost else (
            expected * self.usd_per_unit)
        per_usd = self.size * (self.usd_per_unit or 0.0)
        for column, unit, value, size in (
            ("amount", self.unit, expected, self.size),
            ("lb", "lb", pounds, self.size * self.lb_per_unit),
            ("short_tons", "short tons", pounds / SHORT_TON_LB,
             self.size * self.lb_per_unit / SHORT_TON_LB),
            ("usd", "USD", dollars, per_usd),
        ):
            _sheet.cell_figure(self.ledger, f"buying, {column}", where, unit, row[column],
                               expected=value, size=size)

    def count(self, words: str, row: Row | None, count: float, need: float) -> None:
        """A whole number of packages or loads that is just enough, and the one that is printed."""
        if row is not None:
            _enough(self.ledger, self.where(words), row["how"], count, need)


def _enough(ledger: Ledger, where: str, how: str, count: float, need: float) -> None:
    slack = _SLACK * max(1.0, abs(need))
    if not (count == int(count) if math.isfinite(count) else False) or not (
            max(count - 1.0, 0.0) - slack <= need <= count + slack or count == 1.0 >= need):
        ledger.fault("sheet", where, f"counts {count:g}, {need:.4f} are needed", todo="run again")
    said = _COUNT.match(how)
    _sheet.text(ledger, "count", where, found=said[1] if said else how[:40],
                expected=f"{count:,.0f}")


def _fills(
    one: Mapping[str, Any], record: _record.RunRecord, held: dict[tuple[str, str], Row],
    given: Amounts, ledger: Ledger,
) -> None:
    """Tank fills of one pass: how many, the last one, and acres of a full tank."""
    line = next((p for p in record.passes if p.pass_id == one.get("pass_id")), None)
    where = f"{_record.NAME}, money.tank_fills, {one.get('pass_id')}"
    if line is None:
        ledger.fault("sheet", where, "is no pass of the job record", todo="run again")
        return
    words = f"tank fills of pass {line.number}, {line.pass_id}"
    row = held.pop((line.material, words), None)
    place = f"{NAME}, {line.material}, {words}"
    if row is None:
        ledger.fault("sheet", place, "is missing", todo="run again")
        return
    tank, fills, total = number(one.get("tank")), number(one.get("fills")), given.net[line.pass_id]
    _enough(ledger, place, row["how"], fills, total / tank)
    _sheet.text(ledger, "unit", place, found=row["unit"], expected=line.quantity_unit)
    last = total - (fills - 1.0) * tank
    _sheet.cell_figure(ledger, "last fill", place, line.quantity_unit, row["amount"],
                       expected=last, size=total)
    for column in ("lb", "short_tons", "usd"):
        _sheet.cell_figure(ledger, column, place, "", row[column], expected=None)
    acres = given.spread_ac[line.pass_id] if line.treated_ac is None else line.treated_ac
    if line.wetted_ac:
        acres = math.fsum(line.wetted_ac.values()) if line.treated_ac is None else line.treated_ac
    said = _ACRES.search(row["how"])
    for k, (what, value) in enumerate((
            ("acres of a full tank", tank * acres / total),
            ("acres of a full tank at the highest rate", tank / given.most[line.pass_id]))):
        ledger.figure(what, place, "ac", found=_sheet.figure(
            said[k + 1].replace(",", "")) if said else math.nan, expected=value,
            within=0.0051 + value * ledger.pct / 100.0)
