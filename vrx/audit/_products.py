"""Products and nutrients of files without a job record, against order, tickets and invoice."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vrx.audit import _order, _table
from vrx.audit._ledger import Ledger
from vrx.audit.stated import NUTRIENTS, ProductStated, Spread, Statement
from vrx.errors import InputError

_GRID_PCT = 2.0
"""By how much totals over cells may differ from those over polygons before it is a doubt."""
Lines = Mapping[str, Mapping[str, object]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """`amount` in `unit` ("lb" or "gal"); `rounding` is what steps of the format may move it by."""

    unit: str
    amount: float
    rounding: float = 0.0
    gridded: bool = False


Totals = dict[str, Total]


def totals(files: Sequence[tuple[str, Sequence[Spread]]], stated: Statement, ledger: Ledger
           ) -> Totals:
    """What each product comes to over all files, and the files held together."""
    found: Totals = {}
    came: dict[str, str] = {}
    for name, spreads in files:
        for product, own in _of_file(spreads, stated, ledger).items():
            ledger.shown("product total", f"{name}, {product}", own.unit, own.amount)
            if product not in found:
                found[product], came[product] = own, name
            elif stated.add_up:
                found[product] = _sum(found[product], own, product, stated)
            else:
                _against(name, product, own, ledger, first=found[product], came=came[product])
    return found


def _of_file(spreads: Sequence[Spread], stated: Statement, ledger: Ledger) -> Totals:
    found: Totals = {}
    for one in spreads:
        if one.unit is None or not one.product:
            if one.unit is not None and (stated.products or stated.order):
                ledger.doubt("product-unknown", f"{one.layer}, column {one.column}",
                             "no product is stated for it: it is in no product's total",
                             todo=f'[column."{one.column}"] product = "..." in the stated file')
            continue
        amount = one.unit.partition("/")[0]
        unit, total = _table.to_base(one.total, amount)
        own = Total(unit=unit, amount=total, rounding=_table.to_base(one.rounding, amount)[1],
                    gridded=one.gridded)
        found[one.product] = own if one.product not in found else _sum(
            found[one.product], own, one.product, stated)
    return found


def _sum(first: Total, second: Total, product: str, stated: Statement) -> Total:
    def moved(amount: float) -> float:
        return in_unit(amount, second.unit, first.unit, product, stated)

    return Total(
        unit=first.unit, amount=first.amount + moved(second.amount),
        rounding=first.rounding + moved(second.rounding), gridded=first.gridded or second.gridded)


def _within(expected: float, rounding: float, ledger: Ledger) -> float:
    """The arithmetic's tolerance, and what the steps of a format may move a total by."""
    return abs(expected) * ledger.pct / 100.0 + rounding


def _against(
    name: str, product: str, own: Total, ledger: Ledger, *, first: Total, came: str
) -> None:
    where = f"{name}, {product}"
    if own.unit != first.unit:
        ledger.fault("unit-differs", where, f"is in {own.unit}, in {came} in {first.unit}")
        return
    told = (f"{own.amount:,.2f} {own.unit}", f"in {came} {first.amount:,.2f}")
    if not own.gridded and not first.gridded:
        if not ledger.figure(
            f"product total against {came}", where, own.unit, found=own.amount,
            expected=first.amount,
            within=_within(first.amount, own.rounding + first.rounding, ledger),
        ):
            ledger.fault("totals-differ", where, ", ".join(told), todo="different versions, or "
                         "parts of one job? Parts: write add_up = true in the stated file")
        return
    ledger.shown(f"product total beside {came}", where, own.unit, first.amount)
    if not abs(own.amount - first.amount) <= _GRID_PCT / 100.0 * abs(first.amount):
        ledger.doubt("grid-total", where, f"{told[0]} over cells, {told[1]}",
                     todo="smaller cells follow the zones better")


def in_unit(
    amount: float, unit: str, wanted: str, product: str, stated: Statement
) -> float:
    """An amount in lb or gal in the other one, by the density stated.

    Raises `InputError` where none is.
    """
    if unit == wanted:
        return amount
    density = stated.products.get(product, ProductStated()).density_lb_per_gal
    if density is None:
        raise InputError(
            f"is in {unit} in one place and in {wanted} in another, and its density is not stated",
            code="audit-density", where=product,
            hint=f'[product."{product}"] density_lb_per_gal = ... in the stated file, from the '
            "label or the load ticket")
    return amount / density if unit == "lb" else amount * density


def nutrients(found: Totals, stated: Statement, ledger: Ledger) -> None:
    """Pounds of each nutrient by product and in all, where the analysis is known."""
    sums: dict[str, float] = dict.fromkeys(NUTRIENTS, 0.0)
    known = True
    for product, own in found.items():
        pct = analysis(product, stated)
        if pct is None:
            known = False
            ledger.doubt("analysis-unknown", product, "no analysis is stated: its nutrients are in "
                         "no total", todo=f'[product."{product}"] analysis = "0-0-60"')
            continue
        try:
            pounds = in_unit(own.amount, own.unit, "lb", product, stated)
        except InputError as err:
            known = False
            ledger.doubt("analysis-unknown", product, "its density is not stated: pounds of "
                         "nutrients are not known", todo=err.hint)
            continue
        for nutrient, share in pct.items():
            sums[nutrient] += pounds * share / 100.0
            if share:
                ledger.shown(f"{nutrient} brought", product, "lb", pounds * share / 100.0)
    for nutrient, pounds in sums.items():
        if found and known and pounds:
            ledger.shown(f"{nutrient} brought", "all products", "lb", pounds)


def analysis(product: str, stated: Statement) -> Mapping[str, float] | None:
    """Mass percents as stated, else as printed in the product's own name; None for neither."""
    own = stated.products.get(product)
    return own.pct if own is not None and own.pct is not None else _order.printed(product)


def check_order(lines: Lines, found: Totals, stated: Statement, ledger: Ledger) -> None:
    """Ordered amounts against rates x acres."""
    for product in sorted(set(lines) | set(found)):
        where = f"order of {product}"
        if product not in found:
            ledger.doubt("order-not-prescribed", where, "no file spreads it",
                         todo="state which column holds it")
            continue
        own = found[product]
        if product not in lines:
            if own.amount:
                ledger.fault("order-line", where, "is spread by a file but not ordered")
            continue
        unit = str(lines[product]["unit"])
        expected = in_unit(own.amount, own.unit, unit, product, stated)
        rounding = in_unit(own.rounding, own.unit, unit, product, stated)
        ordered = lines[product]["quantity"]
        if not own.gridded:
            ledger.figure("ordered against rates x acres", where, unit, found=ordered,
                          expected=expected, within=_within(expected, rounding, ledger))
            continue
        ledger.shown("ordered, beside rates over cells", where, unit, _figure(ordered))
        if not abs(_figure(ordered) - expected) <= _GRID_PCT / 100.0 * abs(expected):
            ledger.doubt("grid-total", where, f"{_figure(ordered):,.1f} {unit} are ordered, "
                         f"{expected:,.1f} lie on the cells of the grid",
                         todo="smaller cells follow the zones better")


def lines_of(rows: Sequence[_table.Line], stated: Statement) -> dict[str, dict[str, object]]:
    """Amounts by product out of a table, each in the unit of its first row."""
    made: dict[str, dict[str, object]] = {}
    for one in rows:
        if one.product not in made:
            made[one.product] = {"unit": one.unit, "quantity": one.amount}
            continue
        held = made[one.product]
        more = in_unit(one.amount, one.unit, str(held["unit"]), one.product, stated)
        held["quantity"] = _figure(held["quantity"]) + more
    return made


def _figure(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def in_units_of(
    lines: Lines, ordered: Lines, stated: Statement, ledger: Ledger, what: str
) -> dict[str, float]:
    """Amounts of a table in the units of the order; what is no number is told and left out."""
    made = {}
    for product, line in lines.items():
        wanted = str(ordered[product]["unit"]) if product in ordered else str(line["unit"])
        amount = in_unit(_figure(line["quantity"]), str(line["unit"]), wanted, product, stated)
        if math.isfinite(amount) and amount >= 0:
            made[product] = amount
        else:
            ledger.fault("table-value", f"{what} of {product}", "its sum is no amount of 0 or more")
    return made


def check_tables(ordered: Lines, stated: Statement, delivered: Mapping[str, float] | None,
                 tolerance: Mapping[str, float] | float | None, ledger: Ledger) -> None:
    """Tickets (or stated deliveries) and invoice against the order, and against one another.

    Raises `InputError` for a delivery without a tolerance, and for one given twice.
    """
    pct = tolerance if tolerance is not None else dict(stated.tolerance_pct) or None
    brought = dict(delivered or {})
    if stated.tickets is not None:
        if brought:
            raise InputError("deliveries are given twice: as amounts and as a table of tickets",
                             code="audit-delivered", where=str(stated.tickets.path),
                             hint="leave one of the two out")
        lines = lines_of(_table.read(stated.tickets, "tickets", ledger), stated)
        brought = in_units_of(lines, ordered, stated, ledger, "tickets")
    if brought:
        _order.check_delivery(brought, pct, ordered, ledger)
    if stated.invoice is not None:
        lines = lines_of(_table.read(stated.invoice, "invoice", ledger), stated)
        billed = in_units_of(lines, ordered, stated, ledger, "invoice")
        _order.check_delivery(billed, pct, ordered, ledger, what="invoiced")
        if brought:
            held = {key: {"unit": ordered.get(key, lines.get(key, {})).get("unit", ""),
                          "quantity": amount} for key, amount in brought.items()}
            _order.check_delivery(billed, pct, held, ledger, what="invoiced", against="delivered")
