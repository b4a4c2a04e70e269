"""Rates, acres and totals of one layer against the job record."""

from __future__ import annotations

import math
import re

from vrx.audit import _record
from vrx.audit._layers import Layer, Record, same_value
from vrx.audit._ledger import Ledger, number
from vrx.formats import layer as facts
from vrx.units import ACRE_M2, GAL_M3, LB_KG, SHORT_TON_LB

MOST_LB_PER_AC = 2000.0
MOST_GAL_PER_AC = 60.0
"""Rates of material above these are far more likely a wrong unit than a rate (common practice, no
source)."""
CENTRE_TOLERANCE_DEG = 0.05
BOUNDS_TOLERANCE_DEG = 1e-7
"""About 1 cm; files hold 9 decimals."""
_COLUMN = re.compile(r"^P(\d+)_?([A-Z]{3,4})_(LB|GA)$")
_UNITS = {"LB": "lb/ac", "GA": "gal/ac"}
_HECTARES_PER_AC = ACRE_M2 / 10_000.0
MISTAKES = (
    (LB_KG / _HECTARES_PER_AC, "kg/ha in place of lb/ac"),
    (GAL_M3 * 1000.0 / _HECTARES_PER_AC, "L/ha in place of gal/ac"),
    (LB_KG, "kg in place of lb"),
    (1.0 / SHORT_TON_LB, "short tons in place of lb"),
)


def unit_of(column: str) -> str | None:
    """lb/ac or gal/ac by the column's ending, None where it says neither."""
    named = _COLUMN.match(column)
    return _UNITS[named.group(3)] if named else None


def plausible(rate: float, unit: str | None, where: str, ledger: Ledger) -> None:
    """Doubt a rate that no spreader or pump would be asked for."""
    most = {"lb/ac": MOST_LB_PER_AC, "gal/ac": MOST_GAL_PER_AC}.get(unit or "")
    if most is not None and rate > most:
        ledger.doubt(
            "rate-implausible", where, f"{rate:g} {unit} is above {most:g} {unit}: wrong unit?",
            value=f"{rate:g}",
        )


def odd(value: object) -> str | None:
    """What is wrong with a rate as such, None where it is a number of 0 or more."""
    if value is None:
        return "no rate (null or blank); a machine may take it for 0 or for its default"
    if isinstance(value, str | bool):
        return f"the rate is {value!r}, no number"
    rate = number(value)
    if math.isnan(rate):
        return "the rate is NaN, no number"
    if math.isinf(rate):
        return "the rate is infinite"
    return f"the rate is negative ({rate:g})" if rate < 0 else None


def check(layer: Layer, record: _record.RunRecord, ledger: Ledger) -> None:
    """Everything about one layer that the job record binds."""
    _centre(layer, record, ledger)
    _zones(layer, record, ledger)
    _columns(layer, record, ledger)
    _acres(layer, record, ledger)
    for line in record.passes:
        if line.column in layer.columns:
            _pass(layer, line, record, ledger)


def _centre(layer: Layer, record: _record.RunRecord, ledger: Ledger) -> None:
    import shapely

    shapes = [one.shape for one in layer.records if one.shape is not None]
    if not shapes:
        return
    west, south, east, north = (float(one) for one in shapely.total_bounds(shapes))
    middle = ((west + east) / 2.0, (south + north) / 2.0)
    agrees = [
        ledger.figure(
            f"centre, {name}", layer.name, "deg", found=found, expected=wanted,
            within=CENTRE_TOLERANCE_DEG + reach / 2.0,
        )
        for name, found, wanted, reach in zip(
            ("longitude", "latitude"), middle, record.crs_centre,
            (min(east - west, 0.1), min(north - south, 0.1)), strict=True,
        )
    ]
    _bounds(layer, (west, south, east, north), record, ledger)
    if all(agrees) and -180 <= west <= east <= 180 and -90 <= south <= north <= 90:
        return
    swapped = all(
        abs(one - two) <= 2 * CENTRE_TOLERANCE_DEG
        for one, two in zip(middle[::-1], record.crs_centre, strict=True)
    )
    what = "longitude and latitude look swapped" if swapped else "does not lie at the field"
    ledger.fault(
        "place", layer.name,
        f"{what}: centre {middle[0]:.6f}, {middle[1]:.6f}, recorded {record.crs_centre[0]:g}, "
        f"{record.crs_centre[1]:g} (longitude, latitude)",
    )


def _bounds(
    layer: Layer, found: tuple[float, ...], record: _record.RunRecord, ledger: Ledger
) -> None:
    """The field's own bounds catch a shift that every layer shares."""
    if not record.bounds_deg:
        return
    # A list, for a verdict on each side and not only up to the first that differs.
    agrees = [
        ledger.figure(
            f"{side} edge of the field", layer.name, "deg", found=at, expected=wanted,
            within=BOUNDS_TOLERANCE_DEG,
        )
        for side, at, wanted in zip(
            ("west", "south", "east", "north"), found, record.bounds_deg, strict=True
        )
    ]
    if not all(agrees):
        ledger.fault(
            "bounds", layer.name,
            "the layer's bounds are not those of the field: it was moved, or a zone is missing",
        )


def _zones(layer: Layer, record: _record.RunRecord, ledger: Ledger) -> None:
    ledger.figure(
        "zones", layer.name, "", found=len(layer.records), expected=len(record.zones), within=0
    )
    seen: dict[int, Record] = {}
    for one in layer.records:
        where = f"{layer.name}, {one.name}"
        if one.zone_id is None:
            ledger.fault("zone-id", where, f"{facts.ZONE_ID} is {one.values.get(facts.ZONE_ID)!r}")
            continue
        if one.zone_id in seen:
            ledger.fault(
                "zone-twice", where,
                f"stands twice: records {seen[one.zone_id].number} and {one.number}",
            )
        seen.setdefault(one.zone_id, one)
        zone = record.zones.get(one.zone_id)
        if zone is None:
            ledger.fault("zone-unrecorded", where, "is not in the job record")
        elif facts.ZONE_LETTER in one.values:
            ledger.text(
                f"letter of zone {zone.zone_id}", f"{where}, column {facts.ZONE_LETTER}",
                found=str(one.values[facts.ZONE_LETTER]), expected=zone.letter,
            )
    for zone_id in sorted(set(record.zones) - set(seen)):
        ledger.fault(
            "zone-missing", f"{layer.name}, {record.zone_name(zone_id)}",
            "is in the job record but not in the file",
        )


def _columns(layer: Layer, record: _record.RunRecord, ledger: Ledger) -> None:
    kinds = {facts.ZONE_ID: {"int"}, facts.ZONE_LETTER: {"text"}, facts.AREA_AC: {"int", "float"}}
    wanted = kinds | {line.column: {"int", "float"} for line in record.passes}
    for column, allowed in wanted.items():
        where = f"{layer.name}, column {column}"
        if column not in layer.columns:
            ledger.fault("column-missing", where, "is missing")
        elif layer.columns[column] not in allowed:
            ledger.fault("column-kind", where, f"holds {layer.columns[column]} values")
    for column in layer.columns:
        if column not in wanted:
            ledger.fault(
                "column-unrecorded", f"{layer.name}, column {column}",
                "is not in the job record", todo="a machine may take it for a rate",
            )
    present = [column for column in layer.columns if column in wanted]
    if present != [column for column in wanted if column in layer.columns]:
        ledger.remark("column-order", layer.name, f"columns stand in the order {present}")


def check_names(record: _record.RunRecord, ledger: Ledger) -> None:
    """Column names say the pass and the unit that the record gives."""
    for line in record.passes:
        where = f"{_record.NAME}, {line.place}"
        named = _COLUMN.match(line.column)
        if named is None or len(line.column) > 10:
            ledger.fault(
                "column-name", where, "is no name of the kind P1_KCL_LB of at most 10 characters"
            )
            continue
        ledger.text(
            "unit by the column's name", where, found=_UNITS[named.group(3)], expected=line.unit
        )
        ledger.figure(
            "pass by the column's name", where, "", found=int(named.group(1)),
            expected=line.number, within=0,
        )


def _acres(layer: Layer, record: _record.RunRecord, ledger: Ledger) -> None:
    zone_pct = facts.ZONE_AREA_TOLERANCE * 100.0
    for one in layer.records:
        where = f"{layer.name}, {one.name}"
        zone = record.zones.get(one.zone_id) if one.zone_id is not None else None
        if facts.AREA_AC in layer.columns:
            found = one.values.get(facts.AREA_AC)
            if not ledger.figure(
                "acres in the file against its polygon", f"{where}, column {facts.AREA_AC}", "ac",
                found=found, expected=one.area_ac, pct=zone_pct,
            ):
                _hectares(found, one.area_ac, f"{where}, column {facts.AREA_AC}", ledger)
        if zone is not None:
            ledger.figure(
                "acres in the job record against the polygon", where, "ac", found=zone.area_ac,
                expected=one.area_ac, pct=zone_pct,
            )
    field_pct = facts.FIELD_AREA_TOLERANCE * 100.0
    ledger.figure(
        "acres of the field in the job record against all polygons", layer.name, "ac",
        found=record.area_ac, expected=layer.area_ac, pct=field_pct,
    )
    ledger.figure(
        "acres of the recorded zones against all polygons", layer.name, "ac",
        found=math.fsum(zone.area_ac for zone in record.zones.values()), expected=layer.area_ac,
        pct=field_pct,
    )


def _hectares(found: object, area_ac: float, where: str, ledger: Ledger) -> None:
    if area_ac and abs(number(found) / area_ac - _HECTARES_PER_AC) < 1e-3:
        ledger.fault("hectares", where, "looks like hectares, not acres", value=str(found))


def _pass(
    layer: Layer, line: _record.PassLine, record: _record.RunRecord, ledger: Ledger
) -> None:
    ratios = [_rate(layer, one, line, ledger) for one in layer.records]
    good = sum(ratio == 1.0 for ratio in ratios)
    where = f"{layer.name}, {line.place}"
    ledger.figure(
        "zones with the rate of the job record", where, "", found=good,
        expected=len(record.zones), within=0,
    )
    if good < len(ratios):
        _explain(layer, line, record, ratios, ledger)
    unusable = [one.name for one in layer.records if odd(one.values.get(line.column))]
    total = math.nan if unusable else math.fsum(
        number(one.values[line.column]) * one.area_ac for one in layer.records
    )
    ledger.figure(
        "material on the prescription, recorded against rates x acres", where, line.quantity_unit,
        found=line.prescription_total, expected=total,
    )
    _order_total(layer, line, total, where, ledger)


def _rate(layer: Layer, one: Record, line: _record.PassLine, ledger: Ledger) -> float:
    """Judge one rate; gives found / expected (1.0 where they are the same, NaN where unknown)."""
    where = f"{layer.name}, {one.name}, column {line.column}"
    value = one.values.get(line.column)
    wrong = odd(value)
    if wrong:
        ledger.fault("rate-odd", where, wrong, todo="every zone needs a rate of 0 or more")
        return math.nan
    rate = number(value)
    plausible(rate, line.unit, where, ledger)
    if line.step > 0:
        count = rate / line.step
        if abs(count - round(count)) > 1e-6:
            ledger.fault(
                "rate-off-step", where, f"{rate:g} {line.unit} is no multiple of {line.step:g}",
                value=f"{rate:g}",
            )
    steps = line.steps.get(one.zone_id) if one.zone_id is not None else None
    if steps is None:
        ledger.fault("rate-unrecorded", where, "the job record holds no steps for this zone")
        return math.nan
    wanted = steps * line.step
    if same_value(rate, wanted):
        return 1.0
    ledger.figure(
        "rate against steps x step", where, line.unit, found=rate, expected=wanted, within=1e-9
    )
    return rate / wanted if wanted else math.nan


def _explain(
    layer: Layer, line: _record.PassLine, record: _record.RunRecord, ratios: list[float],
    ledger: Ledger,
) -> None:
    """Name the slip that would explain the rates, where there is one."""
    where = f"{layer.name}, {line.place}"
    off = [ratio for ratio in ratios if ratio != 1.0 and not math.isnan(ratio)]
    for factor, told in MISTAKES:
        if off and all(abs(ratio / factor - 1.0) < 2e-3 for ratio in off):
            ledger.fault(
                "rate-unit", where, f"rates are {factor:g} times those of the record: {told}?"
            )
    found = {one.zone_id: number(one.values.get(line.column)) for one in layer.records}
    for other in record.passes:
        if other.column == line.column or other.column not in layer.columns:
            continue
        meant = {zone: steps * other.step for zone, steps in other.steps.items()}
        if meant and all(same_value(found.get(zone), rate) for zone, rate in meant.items()):
            ledger.fault(
                "columns-swapped", where, f"holds the rates of {other.place}: columns swapped?"
            )


def _order_total(
    layer: Layer, line: _record.PassLine, total: float, where: str, ledger: Ledger
) -> None:
    expected = total
    what = "material to order, recorded against rates x acres"
    if line.wetted_ac:
        expected = _wetted_total(layer, line)
        what = "material to order, recorded against rates x wetted acres"
    elif line.treated_ac is not None:
        rates = {number(one.values.get(line.column)) for one in layer.records}
        if len(rates) != 1 or line.kind == "variable":
            ledger.fault(
                "treated-not-flat", where,
                f"treats {line.treated_ac:g} ac beyond the zones, so it must have one rate",
            )
        expected = max(rates) * line.treated_ac if len(rates) == 1 else math.nan
        what = "material to order, recorded against rate x treated acres"
    ledger.figure(
        what, where, line.quantity_unit, found=line.order_total, expected=expected
    )
    if line.kind == "flat" and len({one.values.get(line.column) for one in layer.records}) > 1:
        ledger.fault("flat-varies", where, "is recorded as flat, but its rates differ")


def _wetted_total(layer: Layer, line: _record.PassLine) -> float:
    """Rate of each zone times the acres that irrigation wets with it, as recorded."""
    return math.fsum(
        number(one.values.get(line.column)) * (
            math.nan if one.zone_id is None else line.wetted_ac.get(one.zone_id, math.nan))
        for one in layer.records)


def field_totals(layer: Layer, record: _record.RunRecord) -> dict[str, float]:
    """lb or gal to order per pass id, by the rates and polygons of a layer alone."""
    totals = {}
    for line in record.passes:
        rates = [number(one.values.get(line.column)) for one in layer.records]
        if line.wetted_ac:
            totals[line.pass_id] = _wetted_total(layer, line)
        elif line.treated_ac is not None:
            totals[line.pass_id] = (rates[0] if rates else math.nan) * line.treated_ac
        else:
            totals[line.pass_id] = math.fsum(
                rate * one.area_ac for rate, one in zip(rates, layer.records, strict=True)
            )
    return totals
