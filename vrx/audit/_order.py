"""Order, nutrients and delivery: every figure worked out again from exported rates and acres."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping

from vrx.audit import _rates, _record
from vrx.audit._layers import Layer, same_value
from vrx.audit._ledger import Ledger, number
from vrx.errors import InputError
from vrx.units import SHORT_TON_LB

COLUMNS = (
    "material", "unit", "quantity", "lb", "short_tons", "k2o_lb", "s_lb", "n_lb", "usd",
    "price_note",
)
_PCT = r"(\d+(?:\.\d+)?)"
_GRADE = re.compile(rf"(?<![\d.-]){_PCT}-{_PCT}-{_PCT}(?:-{_PCT}S)?\b")
PRICE = re.compile(
    r"(?:USD|\$)?\s*(\d[\d,]*(?:\.\d+)?)\s*(?:USD)?\s*(?:per|a|/)\s*(short ton|lb|gal)\b",
    re.IGNORECASE,
)


def printed(material: str) -> dict[str, float] | None:
    """Mass percents of the analysis printed in a material's name; None where it prints none."""
    named = _GRADE.search(material)
    if named is None:
        return None
    pct = [float(one or 0.0) for one in named.groups()]
    return dict(zip(("N", "P2O5", "K2O", "S"), pct, strict=True))


def check_own(data: bytes, name: str, ledger: Ledger) -> None:
    """An order of ours alone: pounds against short tons and against the printed analysis."""
    rows = csv.DictReader(io.StringIO(data.decode("utf-8-sig", errors="replace"), newline=""))
    for row in rows:
        where = f"{name}, {_without_guard(row.get('material'))}"
        pounds = _cell(row.get("lb"))
        ledger.figure("order, short tons", where, "short tons", found=_cell(row.get("short_tons")),
                      expected=pounds / SHORT_TON_LB)
        if row.get("unit") == "lb":
            ledger.figure("order, lb", where, "lb", found=pounds,
                          expected=_cell(row.get("quantity")))
        for nutrient, pct in (printed(str(row.get("material"))) or {}).items():
            brought = _cell(row.get(f"{nutrient.lower()}_lb"))
            # A printed grade is whole percents; half of one is rounding.
            if pounds > 0 and abs(100.0 * brought / pounds - pct) > 0.5 + 1e-9:
                ledger.doubt("credit-grade", where, f"counts {100.0 * brought / pounds:.2f} % "
                             f"{nutrient}, its name prints {pct:g} %",
                             todo="compare with the label")


def _cell(text: str | None) -> float:
    try:
        return float(text or "nan")
    except ValueError:
        return math.nan


def materials(record: _record.RunRecord) -> dict[str, list[_record.PassLine]]:
    """Passes by material, in the order of the passes."""
    found: dict[str, list[_record.PassLine]] = {}
    for line in record.passes:
        found.setdefault(line.material, []).append(line)
    return found


def check_credits(record: _record.RunRecord, ledger: Ledger) -> None:
    """What a unit of material brings: one value per material, and that of the printed grade."""
    for material, lines in materials(record).items():
        first = lines[0]
        where = f"{_record.NAME}, {first.place}, {material}"
        for line in lines[1:]:
            same = (line.unit, line.lb_per_unit, line.k2o_lb_per_unit, line.s_lb_per_unit,
                    line.n_lb_per_unit) == (first.unit, first.lb_per_unit, first.k2o_lb_per_unit,
                                            first.s_lb_per_unit, first.n_lb_per_unit)
            if not same:
                ledger.fault(
                    "credit-differs", f"{_record.NAME}, {line.place}, {material}",
                    "has another unit, density or analysis than in an earlier pass",
                )
        if first.unit == "lb/ac":
            ledger.figure(
                "lb of material in one lb", where, "lb", found=first.lb_per_unit, expected=1.0,
                within=1e-9,
            )
        _grade(first, where, ledger)


def _grade(line: _record.PassLine, where: str, ledger: Ledger) -> None:
    """Analysis printed in the material's name, held against the credit by the unit."""
    named = _GRADE.search(line.material)
    if named is None or not line.lb_per_unit > 0:
        return
    nitrogen, _, potash, sulfur = named.groups()
    printed = {"N": nitrogen, "K2O": potash, "S": sulfur}
    for nutrient, text in printed.items():
        if text is None:
            continue
        pct = 100.0 * line.credit(nutrient) / line.lb_per_unit
        # A printed grade is whole percents; half of one is rounding.
        if not abs(pct - float(text)) <= 0.5 + 1e-9:
            ledger.doubt(
                "credit-grade", where,
                f"counts {pct:.2f} % {nutrient}, its name prints {text} %",
                todo="compare with the label",
            )


def check_order(record: _record.RunRecord, layer: Layer, ledger: Ledger) -> None:
    """Order lines of the record against pounds and gallons by the layer's rates and acres."""
    totals = _rates.field_totals(layer, record)
    wanted = materials(record)
    lines: dict[str, Mapping[str, object]] = {}
    for line in record.order:
        name = str(line.get("material"))
        if name in lines:
            ledger.fault("order-line", f"{_record.NAME}, order, {name}", "stands twice")
        lines[name] = line
        if name not in wanted:
            ledger.fault("order-line", f"{_record.NAME}, order, {name}", "no pass uses it")
    for name, passes in wanted.items():
        where = f"{_record.NAME}, order, {name}"
        quantity = math.fsum(totals[line.pass_id] for line in passes)
        if name not in lines:
            # Passes whose rates are all 0 need nothing bought.
            if quantity != 0:
                ledger.fault("order-line", where, "is used by a pass but not ordered")
            continue
        _line(lines[name], passes[0], quantity, where, ledger)


def _line(
    line: Mapping[str, object], used: _record.PassLine, quantity: float, where: str, ledger: Ledger
) -> None:
    ledger.text("unit of the order", where, found=str(line.get("unit")),
                expected=used.quantity_unit)
    pounds = quantity * used.lb_per_unit
    expected = {
        "quantity": (used.quantity_unit, quantity),
        "lb": ("lb", pounds),
        "short_tons": ("short tons", pounds / SHORT_TON_LB),
        "k2o_lb": ("lb K2O", quantity * used.k2o_lb_per_unit),
        "s_lb": ("lb S", quantity * used.s_lb_per_unit),
        "n_lb": ("lb N", quantity * used.n_lb_per_unit),
    }
    for key, (unit, value) in expected.items():
        ledger.figure(f"order, {key}", where, unit, found=line.get(key), expected=value)
    _money(line, quantity, pounds, where, ledger)


def _money(
    line: Mapping[str, object], quantity: float, pounds: float, where: str, ledger: Ledger
) -> None:
    usd = line.get("usd")
    if usd is None:
        return
    if not math.isfinite(number(usd)) or number(usd) < 0:
        ledger.fault("order-usd", f"{where}, usd", "is no amount of 0 or more", value=repr(usd))
        return
    price = PRICE.search(str(line.get("price_note", "")))
    if price is None:
        ledger.remark(
            "order-usd", f"{where}, usd", "the price note states no price that can be read: not "
            "worked out again", value=str(line.get("price_note", "")),
        )
        return
    per = price.group(2).lower()
    amount = {"short ton": pounds / SHORT_TON_LB, "lb": pounds}.get(per, quantity)
    if per == "gal" and line.get("unit") != "gal":
        ledger.fault("order-usd", f"{where}, usd", "priced by the gallon, ordered by the pound")
        return
    printed = price.group(1).replace(",", "")
    expected = amount * float(printed)
    # The note prints the price rounded; half a unit of its last digit is no error.
    digit = 10.0 ** -len(printed.partition(".")[2])
    ledger.figure(
        "order, usd", where, "USD", found=usd, expected=expected,
        within=max(expected * ledger.pct / 100.0, 0.5 * digit * amount),
    )


def check_nutrients(record: _record.RunRecord, layer: Layer, ledger: Ledger) -> None:
    """K2O and S that the exported rates bring to each zone, against the record."""
    zones = layer.by_zone()
    for block in record.nutrients:
        nutrient = str(block.get("nutrient"))
        place = f"{_record.NAME}, nutrients, {nutrient}"
        listed = block.get("zones")
        if nutrient not in {"K2O", "S", "N"} or not isinstance(listed, list):
            ledger.fault("record-key", place, "is no nutrient with a list of zones")
            continue
        held = {one.get("zone_id"): one for one in listed if isinstance(one, dict)}
        good = 0
        for zone_id in sorted(set(record.zones) | set(zones)):
            one, line = zones.get(zone_id), held.get(zone_id)
            where = f"{place}, {record.zone_name(zone_id)}"
            if one is None:
                continue
            if line is None:
                ledger.fault("record-zone", where, "is missing")
                continue
            brought = math.fsum(
                number(one.values.get(used.column)) * used.credit(nutrient)
                for used in record.passes
            )
            good += ledger.figure(
                f"{nutrient} brought", where, f"lb {nutrient}/ac",
                found=line.get("brought_lb_per_ac"), expected=brought,
            )
        ledger.figure(
            f"zones with the {nutrient} of the record", layer.name, "", found=good,
            expected=len(record.zones), within=0,
        )


def check_csv(data: bytes, name: str, record: _record.RunRecord, ledger: Ledger) -> None:
    """order.csv says what the record says, line by line and column by column."""
    try:
        rows = list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as err:
        ledger.fault("unreadable", name, f"is no whole CSV file: {err}")
        return
    heads = list(rows[0]) if rows else []
    if [head for head in heads if head is not None] != list(COLUMNS):
        ledger.fault("order-csv", f"{name}, header", f"must be {','.join(COLUMNS)}",
                     value=",".join(str(head) for head in heads))
        return
    ledger.figure("order lines", name, "", found=len(rows), expected=len(record.order), within=0)
    lines = {str(line.get("material")): line for line in record.order}
    for raw in rows:
        row = {key: _without_guard(cell) for key, cell in raw.items()}
        line = lines.pop(str(row["material"]), None)
        if line is None:
            ledger.fault("order-csv", f"{name}, {row['material']}", "is not in the job record")
            continue
        for column in COLUMNS[1:]:
            if not _same_cell(row[column], line.get(column)):
                ledger.fault(
                    "order-csv", f"{name}, {row['material']}, column {column}",
                    f"{row[column]!r}, the job record has {line.get(column)!r}",
                )
    for left in lines:
        ledger.fault("order-csv", f"{name}, {left}", "is in the job record but not in the file")


def _without_guard(cell: str | None) -> str | None:
    """A text without the apostrophe that keeps a spreadsheet from taking it for a formula."""
    guarded = cell is not None and re.match(r"'[=+\-@\t\r\n]", cell)
    return cell[1:] if guarded and cell is not None else cell


def _same_cell(cell: str | None, value: object) -> bool:
    if value is None:
        return cell == ""
    if isinstance(value, str):
        return cell == value
    try:
        return same_value(float(cell or ""), value)
    except ValueError:
        return False


def lines_of(record: _record.RunRecord) -> dict[str, Mapping[str, object]]:
    """Order lines of a job record by material."""
    return {str(line.get("material")): line for line in record.order}


def check_delivery(
    delivered: Mapping[str, float], tolerance_pct: Mapping[str, float] | float | None,
    lines: Mapping[str, Mapping[str, object]], ledger: Ledger, *, what: str = "delivered",
    against: str = "ordered",
) -> None:
    """Delivered (or invoiced) against ordered amounts, within the user's own tolerance.

    `lines` are ordered "quantity" and "unit" by material. Raises `InputError` for an amount that is
    none and for a tolerance that is missing.
    """
    noun = {"delivered": "delivery", "invoiced": "invoice"}.get(what, what)
    for material, amount in sorted(delivered.items()):
        where = f"{noun} of {material}"
        if not math.isfinite(number(amount)) or number(amount) < 0:
            raise InputError(
                f"{amount!r} is no amount of 0 or more", code="audit-delivered", where=where,
                hint="give the amount in the unit of the order (lb or gal)",
            )
        line = lines.get(material)
        unit = str(line.get("unit")) if line else ""
        pct = _tolerance(material, unit, tolerance_pct, where)
        if line is None:
            ledger.doubt(
                "delivered-not-ordered", where, "is not in the order",
                value=f"{amount:g}", todo=f"{against}: {', '.join(sorted(lines)) or 'nothing'}",
            )
        ledger.figure(
            f"{what} against {against}, trade tolerance {pct:g} %", where, unit, found=amount,
            expected=line.get("quantity") if line else 0.0, pct=pct, trade=True,
        )
    for material in sorted(set(lines) - set(delivered)):
        ledger.doubt(
            "not-delivered", f"{noun} of {material}", f"no {what} amount was given: not judged"
        )


def _tolerance(
    material: str, unit: str, tolerance_pct: Mapping[str, float] | float | None, where: str
) -> float:
    given: object = tolerance_pct
    if isinstance(tolerance_pct, Mapping):
        form = {"gal": "liquid", "lb": "dry"}.get(unit, "")
        given = tolerance_pct.get(material, tolerance_pct.get(form))
    if given is None:
        raise InputError(
            "no trade tolerance was given", code="audit-tolerance-missing", where=where,
            hint="say how many percent a delivery may differ from the order, by material, for "
            "'dry' and 'liquid', or one figure for all; the contract or the seller says it",
        )
    pct = number(given)
    if not math.isfinite(pct) or not 0 <= pct < 100:
        raise InputError(
            f"a trade tolerance of {given!r} % is none", code="audit-tolerance", where=where,
            hint="give a percentage from 0 to below 100",
        )
    return pct
