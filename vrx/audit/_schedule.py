"""irrigation_<pass>.csv worked out again: acres, hours, gallons, water and tank fills of each step.

A step's figures follow from its acres, its hours and the rate (definitions: gallons = rate x acres
= setting x hours; an acre-inch is the international acre times an inch, the gallon 231 cubic
inches); acres, hours, flow and efficiency are the job record's, and the rate is that of the zones.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from vrx.audit import _record, _sheet, _sources
from vrx.audit._ledger import Ledger, number
from vrx.audit._sheet import Amounts, Row, figure
from vrx.formats import irrigation as facts
from vrx.units import ACRE_M2, FT_M, GAL_M3, IN_M

INJECT, OFF, FILL, FLUSH = "inject", "injector off", "fill the tank", "flush"
_GPM_PER_AC_IN_PER_H = ACRE_M2 * IN_M / GAL_M3 / 60.0
_ORDER_SHARE = 0.01
_DIGITS = 1e-7
"""Cells have 8 significant digits."""
_RECORDED = {
    "start_deg": "start_deg", "stop_deg": "stop_deg", "start_h": "start_h", "hours": "hours",
    "wetted_ac": "wetted_ac", "of_field_ac": "field_ac", "gross_in": "gross_in",
    "net_in": "net_in", "speed_pct": "speed_pct", "gal_per_ac": "gal_per_ac",
    "gal_per_h": "gal_per_h", "gallons": "gallons", "cumulative_gal": "cumulative_gal",
    "hold_rate_gal_per_h": "hold_gal_per_h", "one_setting_gal_per_ac": "one_setting_gal_per_ac",
    "hold_rate_hours": "hold_hours",
}


def check_all(run: Path, record: _record.RunRecord, given: Amounts, ledger: Ledger) -> None:
    """The schedule of every pass that the record holds one of."""
    for block in record.irrigation:
        name = f"{facts.STEM}_{block.get('pass_id')}.csv"
        line = next((one for one in record.passes if one.pass_id == block.get("pass_id")), None)
        if line is None:
            ledger.fault("sheet", f"{_record.NAME}, irrigation, {block.get('pass_id')}",
                         "is no pass of the job record", todo="run again")
        elif name in record.files and (run / name).is_file():
            check(_sources.sized_bytes(run / name), name, block, line, given=given, ledger=ledger)
        else:
            ledger.fault("sheet", name, "is missing", todo="run again")


def check(
    data: bytes, name: str, block: Mapping[str, Any], line: _record.PassLine, *, given: Amounts,
    ledger: Ledger,
) -> None:
    """All rows of one schedule."""
    table = _sheet.rows(data, name, facts.COLUMNS, ledger)
    if table is None:
        return
    recorded = [one for one in block.get("legs") or [] if isinstance(one, dict)]
    legs = [row for row in table if row["what"] in (INJECT, OFF)]
    _steps(table, block, name, ledger)
    if not ledger.figure("sectors or sets", name, "", found=len(legs), expected=len(recorded),
                         within=0) or not legs:
        return
    rates = given.rates[line.pass_id]
    asked = [number(one.get("wanted_gal_per_ac")) * number(one.get("wetted_ac"))
             for one in recorded]
    hours = math.fsum(number(one.get("hours")) for one in recorded if one.get("injecting"))
    setting = math.fsum(asked) / hours if hours > 0 else math.nan
    poured = 0.0
    for row, one, want in zip(legs, recorded, asked, strict=True):
        where = f"{name}, step {row['step']}, {row['place']}"
        poured += figure(row["gallons"])
        _as_recorded(row, one, where, ledger)
        _leg(row, one, block, where, ledger, poured=poured, asked=want, setting=setting)
        rate = number(one.get("wanted_gal_per_ac"))
        if one.get("injecting") and not any(abs(rate - own) <= 1e-9 * own for own in rates):
            ledger.fault("sheet", where, f"is to bring {rate:g} gal/ac, which is the rate of no "
                         "zone", todo="run again")
    _follow_each_other(legs, block, name, ledger)
    _totals(block, line, given, poured=poured, asked=math.fsum(asked), name=name, ledger=ledger)
    _fills(table, legs, block, poured, name=name, ledger=ledger)


def _steps(
    table: Sequence[Row], block: Mapping[str, Any], name: str, ledger: Ledger
) -> None:
    """The steps are those of the record, one by one, in the order of time."""
    recorded = [one for one in block.get("steps") or [] if isinstance(one, dict)]
    ledger.figure("steps", name, "", found=len(table), expected=len(recorded), within=0)
    for row, one in zip(table, recorded, strict=False):
        where = f"{name}, step {row['step']}"
        _sheet.text(ledger, "what is done", where, found=row["what"], expected=str(one.get("what")))
        _sheet.cell_figure(ledger, "schedule, start_h as recorded", where, "h", row["start_h"],
                           expected=number(one.get("start_h")))
        fill = one.get("fill")
        _sheet.cell_figure(ledger, "schedule, hours as recorded", where, "h", row["hours"],
                           expected=None if isinstance(fill, dict) else number(one.get("hours")))
        _sheet.cell_figure(ledger, "schedule, day", where, "", row["day"],
                           expected=_day(one, block))
        if isinstance(fill, dict) and fill.get("at_deg") is not None:
            _sheet.cell_figure(ledger, "schedule, place of a fill as recorded", where, "deg",
                               row["start_deg"], expected=number(fill.get("at_deg")))
    if [row["step"] for row in table] != [str(k) for k in range(1, len(table) + 1)]:
        ledger.fault("sheet", f"{name}, column step", "does not count from 1", todo="run again")
    times = [figure(row["start_h"]) for row in table]
    if any(not later >= earlier - 1e-6 * max(1.0, earlier)
           for earlier, later in itertools.pairwise(times)):
        ledger.fault("sheet", f"{name}, column start_h", "steps stand not in the order of time",
                     todo="run again")


def _day(one: Mapping[str, Any], block: Mapping[str, Any]) -> float | None:
    """The day of a step by the sets a day; on a pivot there is none."""
    per_day = block.get("sets_per_day")
    return float(number(one.get("leg")) // number(per_day) + 1.0) if per_day else None


def _as_recorded(row: Row, one: Mapping[str, Any], where: str, ledger: Ledger) -> None:
    wrong = []
    for column, key in _RECORDED.items():
        value = one.get(key)
        same = row[column] == "" if value is None else (
            abs(figure(row[column]) - number(value)) <= _DIGITS * max(abs(number(value)), 1e-9))
        if not same:
            wrong.append(f"{column} is {row[column]!r}, the job record has {value!r}")
    ledger.figure("cells as in the job record", where, "", found=len(_RECORDED) - len(wrong),
                  expected=len(_RECORDED), within=0)
    for told in wrong:
        ledger.fault("sheet", where, told, todo="run again")


def _leg(
    row: Row, one: Mapping[str, Any], block: Mapping[str, Any], where: str, ledger: Ledger, *,
    poured: float, asked: float, setting: float,
) -> None:
    acres, hours = figure(row["wetted_ac"]), figure(row["hours"])
    flow, share = block.get("flow_gpm"), block.get("efficiency_pct")
    wet_h = hours if block.get("set_h") is None else number(block.get("set_h"))
    gross = None if flow is None else number(flow) * wet_h / (_GPM_PER_AC_IN_PER_H * acres)
    net = None if gross is None or share is None else gross * number(share) / 100.0
    on = bool(one.get("injecting"))
    for column, unit, value in (
        ("gallons", "gal", figure(row["gal_per_ac"]) * acres),
        ("ac_per_h", "ac/h", acres / hours),
        ("gal_per_h", "gal/h", figure(row["gallons"]) / hours),
        ("cumulative_gal", "gal", poured),
        ("gross_in", "in", gross), ("net_in", "in", net),
        ("hold_rate_gal_per_h", "gal/h", asked / hours),
        ("one_setting_gal_per_ac", "gal/ac", setting * hours / acres if on else 0.0),
        ("hold_rate_hours", "h", asked / setting),
    ):
        _sheet.cell_figure(ledger, f"schedule, {column}", where, unit, row[column], expected=value)
    sweep, radius = one.get("sweep_deg"), block.get("radius_ft")
    if sweep is None or radius is None or one.get("end_gun") or one.get("corner_arm"):
        return
    sector = abs(number(sweep)) / 360.0 * math.pi * (number(radius) * FT_M) ** 2 / ACRE_M2
    if not acres <= sector * (1.0 + 1e-6):
        ledger.fault("sheet", where, f"wets {acres:.4f} ac, its sector of {number(radius):g} ft "
                     f"has {sector:.4f} ac", todo="run again")


def _follow_each_other(
    legs: Sequence[Row], block: Mapping[str, Any], name: str, ledger: Ledger
) -> None:
    """Each sector begins where and when the one before ends; sets follow in their own time."""
    gap = block.get("set_h")
    at = figure(legs[0]["start_h"])
    ledger.figure("hours of clean water before the first", name, "h", found=at,
                  expected=number(block.get("clean_before_h")))
    for before, row in itertools.pairwise(legs):
        where = f"{name}, step {row['step']}, {row['place']}"
        length = figure(before["hours"]) if gap is None else number(gap)
        _sheet.cell_figure(ledger, "schedule, start_h", where, "h", row["start_h"],
                           expected=figure(before["start_h"]) + length)
        if before["stop_deg"] and abs(
                (figure(before["stop_deg"]) - figure(row["start_deg"]) + 180.0) % 360.0 - 180.0
        ) > 1e-4:
            ledger.fault("sheet", where, f"begins at {row['start_deg']} degrees, the one before "
                         f"ends at {before['stop_deg']}", todo="run again")


def _totals(
    block: Mapping[str, Any], line: _record.PassLine, given: Amounts, *, poured: float,
    asked: float, name: str, ledger: Ledger,
) -> None:
    ledger.figure("gallons of all steps", name, "gal", found=block.get("total_gal"),
                  expected=poured)
    ledger.figure("gallons of all steps against rate x wetted acres", name, "gal", found=poured,
                  expected=asked)
    order = given.net[line.pass_id]
    ledger.figure("gallons ordered for the pass", name, "gal", found=block.get("order_gal"),
                  expected=order)
    if abs(poured - order) > _ORDER_SHARE * abs(order):
        ledger.doubt("schedule-order", name, f"draws {poured:,.1f} gal, {order:,.1f} are ordered "
                     "for the pass", todo="see whether treated_ac are the wetted acres")


def _fills(
    table: Sequence[Row], legs: Sequence[Row], block: Mapping[str, Any], total: float, *,
    name: str, ledger: Ledger,
) -> None:
    """Fills of the nurse tank: each when what the earlier ones hold is drawn, all of them enough.
    """
    tank, fills = block.get("tank_gal"), [row for row in table if row["what"] == FILL]
    if tank is None:
        ledger.figure("fills without a tank", name, "", found=len(fills), expected=0, within=0)
        return
    size = number(tank)
    ledger.figure("tank fills", name, "", found=len(fills), within=0,
                  expected=max(1, math.ceil(total / size - 1e-6)))
    for k, row in enumerate(fills):
        where = f"{name}, step {row['step']}, fill {k + 1}"
        _sheet.cell_figure(ledger, "schedule, fill_gal", where, "gal", row["fill_gal"],
                           expected=min(size, total - k * size), size=total)
        _sheet.cell_figure(ledger, "schedule, cumulative_gal", where, "gal",
                           row["cumulative_gal"], expected=k * size)
        if k:
            at = figure(row["start_h"])
            drawn = math.fsum(
                figure(one["gal_per_h"]) * min(max(at - figure(one["start_h"]), 0.0),
                                               figure(one["hours"])) for one in legs)
            ledger.figure("gallons drawn when the tank is filled", where, "gal", found=drawn,
                          expected=k * size)
