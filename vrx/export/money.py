"""What is bought, line by line, and the bid sheet: two tables for spreadsheets."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from vrx.export.tables import write_table
from vrx.model import Money, Purchase
from vrx.units import SHORT_TON_LB

BUYING = "buying.csv"
BIDS = "bids.csv"
BUYING_COLUMNS = (
    "field", "season", "material", "line", "amount", "unit", "lb", "short_tons", "usd", "how",
)
BID_COLUMNS = (
    "field", "season", "state", "seller", "material", "instead_of", "for_nutrient", "quantity",
    "unit", "short_tons", "k2o_lb", "s_lb", "n_lb", "cl_lb", "usd", "per", "freight_usd",
    "spreading_usd_per_ac", "usd_delivered", "usd_delivered_and_spread", "usd_per_lb_k2o",
    "usd_per_lb_s", "usd_per_lb_s_net_of_k2o", "k2o_taken_at_usd_per_lb", "equal_usd", "equal_per",
    "as_of", "valid_until", "note",
)


def write_money(
    money: Money, *, field: str, season: int, folder: Path
) -> tuple[tuple[str, Path], ...]:
    """`buying.csv` and `bids.csv` in `folder`; gives (format, path) of each.

    A cell of dollars is empty where the cost is not known. Raises `ExportError`.
    """
    head: list[object] = [field, season]
    buying, bids = folder / BUYING, folder / BIDS
    write_table(buying, BUYING_COLUMNS, [
        [*head, *row] for one in money.purchases for row in _purchase(one)
    ] + [[*head, *row] for row in _fills(money)])
    write_table(bids, BID_COLUMNS, [
        [*head, one.state, one.seller, one.material, one.instead_of, one.nutrient,
         *map(_digits, (one.quantity,)), one.unit,
         *map(_digits, (one.short_tons, one.k2o_lb, one.s_lb, one.n_lb, one.cl_lb, one.usd)),
         one.per,
         *map(_digits, (one.freight_usd, one.spreading_usd_per_ac, one.usd_delivered,
                        one.usd_spread, one.usd_per_lb_k2o, one.usd_per_lb_s,
                        one.usd_per_lb_s_net, one.k2o_usd_per_lb, one.equal_usd)),
         one.equal_per if one.equal_usd is not None else "", one.as_of, one.valid_until, one.note]
        for one in money.bids
    ])
    return (("csv", buying), ("csv", bids))


def _digits(value: float | None) -> float | None:
    """Twelve digits, as in the job record."""
    return None if value is None else float(f"{value:.12g}")


def _row(one: Purchase, words: str, amount: float, how: str, *, cost: bool = True) -> list[object]:
    lb = amount * one.lb_per_unit
    usd = None if one.usd_per_unit is None or not cost else amount * one.usd_per_unit
    return [one.material, words, _digits(amount), one.unit, _digits(lb),
            _digits(lb / SHORT_TON_LB), _digits(usd), how]


def _purchase(one: Purchase) -> Sequence[list[object]]:
    rows = [_row(one, line.words, line.amount, line.detail) for line in one.lines]
    price = "cost not known" if one.usd_per_unit is None else one.price_note
    rows.append(_row(one, "to buy", one.bought, f"the lines above; {price}"))
    rows += [_row(one, f"of it for pass {number}, {pass_id}", amount, "net, without overage")
             for number, pass_id, amount in one.shares]
    if one.loads is not None and one.load_size is not None and one.last_load is not None:
        rows.append(_row(one, "truck loads", one.last_load,
                         f"{one.loads} loads of {one.load_size:,.6g} {one.unit}; the last carries "
                         "the amount of this line", cost=False))
    return rows


def _fills(money: Money) -> list[list[object]]:
    rows: list[list[object]] = []
    for one in money.fills:
        how = (f"{one.fills} fills of {one.tank:,.6g} {one.unit}, {one.acres_per_fill:,.2f} ac each"
               f" at the mean rate, {one.acres_at_most:,.2f} ac at the highest; the last fill is "
               "the amount of this line")
        rows.append([one.material, f"tank fills of pass {one.number}, {one.pass_id}",
                     _digits(one.last_fill), one.unit, None, None, None, how])
    return rows
