"""bids.csv worked out again: pounds of nutrient, dollars delivered and spread, prices by the pound.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from vrx.audit import _order, _record, _sheet
from vrx.audit._layers import same_value
from vrx.audit._ledger import Ledger, number
from vrx.audit._sheet import Amounts, Row, figure
from vrx.units import SHORT_TON_LB

NAME = "bids.csv"
COLUMNS = (
    "field", "season", "state", "seller", "material", "instead_of", "for_nutrient", "quantity",
    "unit", "short_tons", "k2o_lb", "s_lb", "n_lb", "cl_lb", "usd", "per", "freight_usd",
    "spreading_usd_per_ac", "usd_delivered", "usd_delivered_and_spread", "usd_per_lb_k2o",
    "usd_per_lb_s", "usd_per_lb_s_net_of_k2o", "k2o_taken_at_usd_per_lb", "equal_usd", "equal_per",
    "as_of", "valid_until", "note",
)
_RECORDED = {
    "for_nutrient": "nutrient", "usd_delivered_and_spread": "usd_spread",
    "usd_per_lb_s_net_of_k2o": "usd_per_lb_s_net", "k2o_taken_at_usd_per_lb": "k2o_usd_per_lb",
}
_NUTRIENT = {"K2O": "k2o_lb", "S": "s_lb", "N": "n_lb"}


def check(data: bytes, record: _record.RunRecord, given: Amounts, ledger: Ledger) -> None:
    """Every row of bids.csv against rates x acres and against the record's block."""
    table = _sheet.rows(data, NAME, COLUMNS, ledger)
    if table is None:
        return
    _sheet.heads(table, NAME, record, ledger)
    recorded = record.block("bids")
    ledger.figure("bids", NAME, "", found=len(table), expected=len(recorded), within=0)
    for number_, (row, one) in enumerate(zip(table, recorded, strict=False), 2):
        _against_record(row, one, f"{NAME}, row {number_}", ledger)
    bought = {str(one.get("material")): one for one in record.block("buying")}
    passes = _order.materials(record)
    worth = _k2o_price(table)
    for number_, row in enumerate(table, 2):
        where = f"{NAME}, row {number_}, {row['material']}"
        lines = passes.get(row["instead_of"])
        own = bought.get(row["instead_of"])
        if lines is None or own is None:
            ledger.fault("sheet", where, f"stands for {row['instead_of']!r}, which is not bought",
                         todo="run again")
            continue
        _amounts(row, lines[0], own, where, ledger)
        _dollars(row, lines, given, worth, where=where, ledger=ledger)
        base = next((one for one in table if one["state"] == "order"
                     and one["instead_of"] == row["instead_of"]), None)
        _equal(row, base, where, ledger)


def _against_record(
    row: Row, one: Mapping[str, Any], where: str, ledger: Ledger
) -> None:
    wrong = []
    for column in COLUMNS[2:]:
        key = _RECORDED.get(column, column)
        value = one.get(key)
        if column == "equal_per" and one.get("equal_usd") is None:
            value = ""
        same = row[column] == (value or "") if value is None or isinstance(value, str) else (
            same_value(figure(row[column]), value))
        if not same:
            wrong.append(f"{column} {row[column]!r}, the job record has {value!r}")
    ledger.figure("cells as in the job record", where, "", found=len(COLUMNS) - 2 - len(wrong),
                  expected=len(COLUMNS) - 2, within=0)
    for one_wrong in wrong:
        ledger.fault("sheet", where, one_wrong, todo="run again")


def _amounts(
    row: Row, line: _record.PassLine, own: Mapping[str, Any], where: str, ledger: Ledger
) -> None:
    """As much of the nutrient as the order brings; of the ordered material as much as is bought."""
    nutrient = row["for_nutrient"]
    share = number(own.get("lb_per_unit")) / line.lb_per_unit
    per_unit = {"K2O": line.k2o_lb_per_unit, "S": line.s_lb_per_unit,
                "N": line.n_lb_per_unit}
    total = number(own.get("bought"))
    if not per_unit.get(nutrient, 0.0) > 0:
        ledger.fault("sheet", where, f"is for {nutrient!r}, which {row['instead_of']} brings not",
                     todo="run again")
        return
    _sheet.cell_figure(ledger, f"bid, lb {nutrient}", where, f"lb {nutrient}",
                       row[_NUTRIENT[nutrient]], expected=total * per_unit[nutrient] * share)
    _sheet.text(ledger, "unit", where, found=row["unit"], expected=line.quantity_unit)
    quantity, tons = figure(row["quantity"]), figure(row["short_tons"])
    if row["material"] == row["instead_of"]:
        ledger.figure("bid, quantity", where, row["unit"], found=quantity, expected=total)
        for key, column in _NUTRIENT.items():
            _sheet.cell_figure(ledger, f"bid, lb {key} of the order", where, f"lb {key}",
                               row[column], expected=total * per_unit[key] * share)
    pounds = quantity if row["unit"] == "lb" else (
        total * number(own.get("lb_per_unit")) if row["material"] == row["instead_of"]
        else tons * SHORT_TON_LB)
    ledger.figure("bid, short tons", where, "short tons", found=tons,
                  expected=pounds / SHORT_TON_LB)
    printed = _order.printed(row["material"]) or {}
    for key, column in _NUTRIENT.items():
        brought = 100.0 * figure(row[column]) / pounds if pounds > 0 else math.nan
        # A printed grade is whole percents; half of one is rounding.
        if key in printed and not abs(brought - printed[key]) <= 0.5 + 1e-9:
            ledger.doubt("credit-grade", where, f"counts {brought:.2f} % {key}, its name prints "
                         f"{printed[key]:g} %", todo="compare with the label")


def _dollars(
    row: Row, lines: Sequence[_record.PassLine], given: Amounts, worth: float | None, *,
    where: str, ledger: Ledger,
) -> None:
    delivered = None
    if row["usd"]:
        amount = {"short ton": figure(row["short_tons"]),
                  "lb": figure(row["short_tons"]) * SHORT_TON_LB,
                  "gal": figure(row["quantity"]) if row["unit"] == "gal" else math.nan}.get(
                      row["per"], math.nan)
        haul = figure(row["freight_usd"]) if row["freight_usd"] else 0.0
        delivered = amount * figure(row["usd"]) + haul
    spread = None
    if delivered is not None and row["spreading_usd_per_ac"]:
        acres = math.fsum(given.area_ac if one.treated_ac is None else one.treated_ac
                          for one in lines if given.most[one.pass_id] > 0)
        spread = delivered + figure(row["spreading_usd_per_ac"]) * acres
    k2o, sulfur = figure(row["k2o_lb"]), figure(row["s_lb"])
    net = (None if worth is None or delivered is None or not (sulfur > 0 and k2o > 0)
           else (delivered - worth * k2o) / sulfur)
    for column, value in (
        ("usd_delivered", delivered), ("usd_delivered_and_spread", spread),
        ("usd_per_lb_k2o", None if delivered is None or not k2o > 0 else delivered / k2o),
        ("usd_per_lb_s", None if delivered is None or not sulfur > 0 else delivered / sulfur),
        ("usd_per_lb_s_net_of_k2o", net),
        ("k2o_taken_at_usd_per_lb", None if net is None else worth),
    ):
        _sheet.cell_figure(ledger, f"bid, {column}", where, "USD", row[column], expected=value)


def _k2o_price(table: Sequence[Row]) -> float | None:
    """The cheapest pound of K2O on the sheet that comes without S and N."""
    plain = [figure(one["usd_delivered"]) / figure(one["k2o_lb"]) for one in table
             if one["usd_delivered"] and figure(one["k2o_lb"]) > 0
             and not figure(one["s_lb"]) > 0 and not figure(one["n_lb"]) > 0]
    return min(plain, default=None)


def _equal(row: Row, base: Row | None, where: str, ledger: Ledger) -> None:
    """The price at which a substitute costs as much a pound of nutrient as the order."""
    expected = None
    if row["state"] == "substitute" and base is not None and base["usd_delivered"]:
        cost = figure(base["usd_delivered"])
        if row["for_nutrient"] == "S" and base["k2o_taken_at_usd_per_lb"]:
            cost += figure(base["k2o_taken_at_usd_per_lb"]) * (
                figure(row["k2o_lb"]) - figure(base["k2o_lb"]))
        units = figure(row["quantity" if row["equal_per"] == "gal" else "short_tons"])
        expected = max(cost, 0.0) / units
    _sheet.cell_figure(ledger, "bid, equal_usd", where, "USD", row["equal_usd"],
                       expected=expected)
