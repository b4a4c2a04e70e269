"""What the user states beside the files: units, products, analyses, tables, tolerances.

Nothing here is ever guessed; what is not stated stays unknown and is told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

RATE_UNITS = ("lb/ac", "gal/ac", "kg/ha", "L/ha", "kg/ac")
AMOUNT_UNITS = ("lb", "short ton", "gal", "kg", "t", "L")
"""A bare "ton" is none: it may be short, long or metric."""
NUTRIENTS = ("N", "P2O5", "K2O", "S")


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnStated:
    """What a column of rates holds: its product ("" where none is stated) and unit (or None)."""

    product: str = ""
    unit: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductStated:
    """Analysis in mass percent by nutrient of `NUTRIENTS` (None: not stated) and lb per gallon."""

    pct: Mapping[str, float] | None = None
    density_lb_per_gal: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TableStated:
    """A CSV of an order, of scale tickets or of an invoice, and what its columns are.

    The amount of a row is `amount_column`, or `gross_column` less `tare_column`; what was carried
    back (`returned_column`) is taken off. Units are of `AMOUNT_UNITS`: one for all rows, or in
    `unit_column`. `names` maps the table's names of products to those used elsewhere. The optional
    `number_column` holds the number of a ticket, which must not come twice; of an invoice
    `usd_column` is compared with amount x `usd_per_unit_column`.
    """

    path: Path
    product_column: str
    amount_column: str | None = None
    gross_column: str | None = None
    tare_column: str | None = None
    returned_column: str | None = None
    unit: str | None = None
    unit_column: str | None = None
    number_column: str | None = None
    usd_column: str | None = None
    usd_per_unit_column: str | None = None
    names: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """All that the user states. `columns` is keyed by column, `products` by product.

    `tolerance_pct` is keyed by product, "dry" or "liquid". `add_up`: files hold parts of one job,
    so that totals of a product are sums over the files; else each file holds the whole of it.
    """

    columns: Mapping[str, ColumnStated] = field(default_factory=dict)
    products: Mapping[str, ProductStated] = field(default_factory=dict)
    order: TableStated | None = None
    tickets: TableStated | None = None
    invoice: TableStated | None = None
    tolerance_pct: Mapping[str, float] = field(default_factory=dict)
    add_up: bool = False


NOTHING_STATED = Statement()


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """What one column of a layer spreads: `total` in the amount of `unit` ("lb" of "lb/ac").

    NaN where a rate is unusable; `product` is "" and `unit` None where neither is known. `rounding`
    is by how much the format's own step may move the total.
    """

    layer: str
    column: str
    unit: str | None
    total: float
    product: str
    rounding: float = 0.0
    gridded: bool = False
