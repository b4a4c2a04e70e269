"""Tables of an order, of scale tickets or of an invoice, read by the columns that are stated."""

from __future__ import annotations

import csv
import io
import math
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass

from vrx.audit import _sources
from vrx.audit._ledger import Ledger
from vrx.audit.stated import AMOUNT_UNITS, TableStated
from vrx.errors import InputError
from vrx.units import GAL_M3, LB_KG, SHORT_TON_LB

_BASE: Mapping[str, tuple[str, float]] = {
    "lb": ("lb", 1.0), "short ton": ("lb", SHORT_TON_LB), "kg": ("lb", 1.0 / LB_KG),
    "t": ("lb", 1000.0 / LB_KG), "gal": ("gal", 1.0), "L": ("gal", 1.0 / (GAL_M3 * 1000.0)),
}
_NUMBER = re.compile(r"-?\$?\s*([0-9]{1,3}(?:,[0-9]{3})+|[0-9]+)?(\.[0-9]+)?")
_MOST_ROWS = 100_000
Row = Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One row: `amount` in `unit` ("lb" or "gal"), net of what was carried back."""

    row: int
    product: str
    unit: str
    amount: float


def to_base(amount: float, unit: str) -> tuple[str, float]:
    """An amount of `AMOUNT_UNITS` as ("lb" or "gal", amount)."""
    base, factor = _BASE[unit]
    return base, amount * factor


def read(table: TableStated, what: str, ledger: Ledger) -> list[Line]:
    """The rows of a table. Raises `InputError` for a missing file or column.

    A cell that is no number, or a unit that is not known, is a fault and gives NaN.
    """
    name = f"{what} {table.path.name}"
    rows = _rows(table, name, ledger)
    seen: dict[str, int] = {}
    lines = []
    for number, row in enumerate(rows, start=2):
        where = f"{name}, line {number}"
        said = row[table.product_column].strip()
        if not said and not any(cell.strip() for cell in row.values()):
            continue
        if not said:
            ledger.fault("table-value", f"{where}, column {table.product_column}",
                         "names no product", todo="the row is in no total")
            continue
        _once(row, table, seen, where, ledger)
        unit = _unit(row, table, where, ledger)
        amount = _amount(row, table, where, ledger)
        base, value = to_base(amount, unit) if unit else ("lb", math.nan)
        lines.append(Line(row=number, product=table.names.get(said, said), unit=base, amount=value))
        _money(row, table, amount, where, ledger)
    if not lines:
        ledger.fault("empty", name, "holds no rows")
    return lines


def _rows(table: TableStated, name: str, ledger: Ledger) -> list[Row]:
    if not os.path.isfile(table.path):
        raise InputError("is no file, or cannot be reached", code="audit-table-file",
                         where=str(table.path), hint="the path counts from the file that names it")
    data = _sources.sized_bytes(table.path)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
        ledger.doubt("encoding", name, "is no UTF-8; read as Windows-1252")
    first = text.partition("\n")[0]
    mark = max(",;\t", key=first.count)
    try:
        reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
        heads = [str(one).strip() for one in reader.fieldnames or []]
        reader.fieldnames = heads
        rows: list[Row] = [{key: value or "" for key, value in one.items() if isinstance(key, str)}
                for one in reader]
    except csv.Error as err:
        raise InputError(f"is no whole CSV file: {err}", code="audit-table-file",
                         where=str(table.path), hint="save it as CSV again") from err
    wanted = [getattr(table, key) for key in _COLUMNS]
    for column in wanted:
        if column is not None and heads.count(column) != 1:
            what = "has no" if column not in heads else "has more than one"
            told = ", ".join(one[:40] for one in heads[:20]) + (", ..." if heads[20:] else "")
            raise InputError(f"{what} column {column!r}", code="audit-table-column",
                             where=str(table.path), hint=f"its columns: {told}")
    if len(rows) > _MOST_ROWS:
        raise InputError(f"has more than {_MOST_ROWS:,} rows", code="audit-table-file",
                         where=str(table.path), hint="keep the rows of this field")
    return rows


_COLUMNS = (
    "product_column", "amount_column", "gross_column", "tare_column", "returned_column",
    "unit_column", "number_column", "usd_column", "usd_per_unit_column",
)


def number_of(text: str) -> float:
    """A number as tables write it, "1,234.5"; NaN for anything else, "50,5" included."""
    bare = text.strip()
    if not bare or not _NUMBER.fullmatch(bare) or not re.search("[0-9]", bare):
        return math.nan
    value = float(bare.replace(",", "").replace("$", "").replace(" ", ""))
    return value if math.isfinite(value) else math.nan


def _cell(row: Row, column: str, where: str, ledger: Ledger, *, blank: float = math.nan) -> float:
    text = row[column]
    if not text.strip() and not math.isnan(blank):
        return blank
    value = number_of(text)
    if math.isnan(value):
        ledger.fault("table-value", f"{where}, column {column}", f"{text!r} is no number",
                     value=text[:40], todo="write it with a decimal point and without its unit")
    return value


def _amount(row: Row, table: TableStated, where: str, ledger: Ledger) -> float:
    if table.amount_column is not None:
        amount = _cell(row, table.amount_column, where, ledger)
    else:
        gross = _cell(row, table.gross_column or "", where, ledger)
        tare = _cell(row, table.tare_column or "", where, ledger)
        amount = gross - tare
        if amount < 0:
            ledger.fault("table-value", where, f"gross {gross:g} is less than tare {tare:g}",
                         todo="are the two columns swapped?")
    if table.returned_column is not None:
        back = _cell(row, table.returned_column, where, ledger, blank=0.0)
        if back < 0:
            ledger.fault("table-value", f"{where}, column {table.returned_column}",
                         "what was carried back is negative: write it as a positive amount")
        amount -= back
    return amount


def _unit(row: Row, table: TableStated, where: str, ledger: Ledger) -> str | None:
    said = table.unit if table.unit_column is None else row[table.unit_column].strip()
    if said in AMOUNT_UNITS:
        return said
    ledger.fault(
        "table-unit", where, f"{said!r} is no unit that is known", value=str(said),
        todo=f"known: {', '.join(AMOUNT_UNITS)}; a bare ton may be short, long or metric")
    return None


def _once(
    row: Row, table: TableStated, seen: dict[str, int], where: str, ledger: Ledger
) -> None:
    if table.number_column is None:
        return
    own = row[table.number_column].strip()
    if own and own in seen:
        ledger.fault("ticket-twice", where, f"number {own} stands in line {seen[own]} already",
                     todo="the same load counted twice?")
    seen.setdefault(own, int(where.rpartition(" ")[2]))


def _money(row: Row, table: TableStated, amount: float, where: str, ledger: Ledger) -> None:
    """An invoice's own sum: amount x price is the money of the row, to half a cent a unit."""
    if table.usd_column is None or table.usd_per_unit_column is None:
        return
    usd = _cell(row, table.usd_column, where, ledger)
    price = _cell(row, table.usd_per_unit_column, where, ledger)
    ledger.figure("invoice, amount x price", where, "USD", found=usd, expected=amount * price,
                  within=0.005 + 1e-9)
