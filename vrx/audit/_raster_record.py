"""Rasters of rates held against a job record: words, rates, acres, totals, and cell by cell."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import partial
from pathlib import PurePosixPath

import numpy as np
import shapely

from vrx.audit import _raster, _rates, _record
from vrx.audit._layers import Layer
from vrx.audit._ledger import Ledger, number
from vrx.audit._raster import Mask, Raster, Turn, place, tell_turned, within
from vrx.formats import raster as raster_facts
from vrx.model import FloatArray

TOTAL_PCT = 2.0
NEAR_M = 0.1
"""Centres nearer than this to a border are not judged cell by cell: edges are straight in degrees
in one file and in metres in the other, and coordinates are rounded."""
_SINGLE = 1e-6
_M_PER_DEG = 111_320.0
_MOST_SHIFT = 2


def check(
    raster: Raster, record: _record.RunRecord, reference: Layer | None, ledger: Ledger
) -> _record.PassLine | None:
    """A raster of rates, or of zones, against the record; gives the pass where it is one's.

    `reference` is a layer of the same run whose zones the centres of cells are looked up in.
    """
    if raster.cells.names == (raster_facts.ZONE_BAND,):
        _zones_raster(raster, record, reference, ledger)
        return None
    if "ANALYTE" in raster.cells.tags:
        return None
    line = _pass_of(raster, record, ledger)
    if line is None:
        return None
    if len(raster.cells.values) != 1:
        ledger.fault("raster-bands", raster.name, f"has {len(raster.cells.values)} bands, rates of "
                     "a pass are one", todo="run again; do not load this file")
        return line
    meant = {zone: steps * line.step for zone, steps in line.steps.items()}
    _words(raster, line, ledger)
    _levels(raster, line, meant, record, ledger)
    _cell_by_cell(raster, meant, reference, ledger, unit=f"rate ({line.unit})")
    return line


def _pass_of(
    raster: Raster, record: _record.RunRecord, ledger: Ledger
) -> _record.PassLine | None:
    """The pass by the band's name, or by the file's where the band has none."""
    stem = PurePosixPath(raster.name).stem
    names = {raster.cells.names[0]} - {""} or {stem.removeprefix("rate_")}
    for line in record.passes:
        if line.column in names:
            return line
    ledger.fault("raster-pass", raster.name, f"is of {', '.join(names)}, which is no pass of the "
                 "job record", todo="the raster is of another run, or was changed")
    return None


def _words(raster: Raster, line: _record.PassLine, ledger: Ledger) -> None:
    """What the file says of itself; a desktop GIS that writes it anew may lose it."""
    tags, where = raster.cells.tags, f"{raster.name}, {line.place}"
    words = {
        "unit": (raster.cells.units[0], line.unit), "band": (raster.cells.names[0], line.column),
        "UNIT": (tags.get("UNIT", ""), line.unit),
        "MATERIAL": (tags.get("MATERIAL", ""), line.material)}
    for what, (found, expected) in words.items():
        if found:
            if not ledger.text(f"{what} in the raster", where, found=found, expected=expected):
                ledger.fault("raster-words", where, f"{what} is {found!r}, the job record has "
                             f"{expected!r}", todo="do not load it before you know which is right")
        else:
            ledger.doubt("raster-words", where, f"says not its {what}",
                         todo="another program may have written it anew")
    total = math.fsum((np.nan_to_num(raster.levels.rates[:, 0]) * raster.levels.acres).tolist())
    figures = {"RATE_STEP": (line.unit, line.step),
               "TOTAL_PRESCRIBED": (line.quantity_unit, line.prescription_total),
               "TOTAL_BY_CELLS": (line.quantity_unit, total),
               "CELL_AC": ("ac", float(raster.acres.mean()))}
    for what, rate in (("RATE_OUTSIDE", line.rate_outside),
                       ("RATE_POSITION_LOST", line.rate_position_lost)):
        if rate is not None:
            figures[what] = (line.unit, rate)
    for what, (unit, value) in figures.items():
        if what in tags:
            ledger.figure(f"{what} in the raster", where, unit, found=_figure(tags[what]),
                          expected=value)


def _figure(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def _same(one: float, two: float) -> bool:
    return abs(one - two) <= _SINGLE * max(abs(one), abs(two), 1e-3)


def _levels(
    raster: Raster, line: _record.PassLine, meant: Mapping[int, float],
    record: _record.RunRecord, ledger: Ledger,
) -> None:
    where = f"{raster.name}, {line.place}"
    levels = raster.levels
    known = sorted(set(meant.values()))
    acres: dict[float, list[float]] = {rate: [0.0, 0.0] for rate in known}
    strangers: list[tuple[float, float]] = []
    for rate, area, slack in zip(levels.rates[:, 0].tolist(), levels.acres.tolist(),
                                 levels.slack_ac.tolist(), strict=True):
        own = next((one for one in known if _same(rate, one)), None)
        if own is None:
            strangers.append((area, rate))
        else:
            acres[own][0] += area
            acres[own][1] += slack
    _tell_strangers(strangers, line, where, ledger)
    cell = float(raster.acres.mean())
    for rate, (found, slack) in acres.items():
        zones = [zone for zone, one in meant.items() if one == rate]
        names = ", ".join(record.zone_name(zone) for zone in zones)
        expected = math.fsum(
            record.zones[zone].area_ac if zone in record.zones else math.nan for zone in zones)
        if not found:
            ledger.fault("raster-zone-missing", where, f"no cell holds {rate:g} {line.unit}, the "
                         f"rate of {names} ({expected:.3f} ac)",
                         todo="that ground would get another rate, or none")
        ledger.figure(f"acres of {rate:g} {line.unit} by cells, to half a cell along its border",
                      f"{where}, {names}", "ac", found=found, expected=expected,
                      within=max(slack, cell))
    finite = np.isfinite(levels.rates[:, 0])
    total = float(levels.rates[finite, 0] @ levels.acres[finite])
    fits = ledger.figure(
        "material by cells, to half a cell along borders, against the job record", where,
        line.quantity_unit, found=total, expected=line.prescription_total,
        within=float(levels.slack_total[0]) + ledger.pct / 100.0 * abs(line.prescription_total))
    apart = abs(total - line.prescription_total)
    if fits and apart > TOTAL_PCT / 100.0 * abs(line.prescription_total):
        ledger.doubt("grid-total", where, f"{total:,.1f} {line.quantity_unit} over cells, "
                     f"{line.prescription_total:,.1f} over zones",
                     todo="smaller cells follow the zones better ([surface] cell_m)")


def _tell_strangers(
    strangers: list[tuple[float, float]], line: _record.PassLine, where: str, ledger: Ledger
) -> None:
    ledger.figure("acres with a rate of no zone", where, "ac",
                  found=math.fsum(area for area, _ in strangers), expected=0.0,
                  within=_raster.OUTSIDE_AC)
    for area, rate in sorted(strangers, reverse=True)[:5]:
        wrong = _rates.odd(None if math.isnan(rate) else rate)
        if wrong:
            ledger.fault("rate-odd", where, f"{wrong} ({area:.3f} ac)",
                         todo="every zone needs a rate of 0 or more")
            continue
        _rates.plausible(rate, line.unit, where, ledger)
        ledger.fault("rate-unrecorded", where, f"{rate:g} {line.unit} on {area:.3f} ac is the rate "
                     "of no zone in the job record", todo="run again; do not load this file")
    if len(strangers) > 5:
        ledger.fault("rate-unrecorded", where, f"{len(strangers) - 5} more rates of no zone")


def _expected(
    raster: Raster, meant: Mapping[int, float], reference: Layer
) -> tuple[FloatArray, list[shapely.Geometry]]:
    """What each cell (rows, columns) ought to hold by the zone at its centre; NaN outside all."""
    longitude, latitude = raster.ground.centres()
    found = np.full(raster.cells.shape, np.nan)
    lines = []
    for one in reference.records:
        value = math.nan if one.zone_id is None else meant.get(one.zone_id, math.nan)
        if one.shape is None or not one.shape.is_valid or math.isnan(value):
            continue
        found[within(one.shape, longitude, latitude)] = value
        lines.append(shapely.boundary(one.shape))
    return found, lines


def _cell_by_cell(
    raster: Raster, meant: Mapping[int, float], reference: Layer | None, ledger: Ledger, *,
    unit: str,
) -> None:
    """Each cell holds what the zone at its centre has; what differs is named, turned or moved."""
    if reference is None or not meant:
        return
    where = f"{raster.name} against {reference.name}"
    expected, lines = _expected(raster, meant, reference)
    found = np.append(raster.levels.rates[:, 0], np.nan)[raster.levels.codes]
    wrong = ~_equal(found, expected)
    wrong &= ~_near_border(raster, wrong, lines)
    judged = int((np.isfinite(expected) | raster.cells.held).sum())
    ledger.figure("cells that hold what the zone at their centre has", where, "",
                  found=judged - int(wrong.sum()), expected=judged, within=0)
    if not wrong.any():
        return
    if not _explained(raster, found, expected, wrong, where=where, ledger=ledger):
        for code, those, what in (
            ("outside", wrong & np.isnan(expected), "hold a rate and lie in no zone"),
            ("gap", wrong & np.isnan(found) & ~np.isnan(expected), "lie in a zone and hold none"),
            ("raster-cells", wrong & ~np.isnan(found) & ~np.isnan(expected),
             f"hold another {unit} than their zone"),
        ):
            if those.any():
                row, column = np.argwhere(those)[0].tolist()
                pair = f"{found[row, column]:g} where {expected[row, column]:g} is meant"
                ledger.fault(
                    code, where, f"{int(those.sum()):,} cells, {raster.acres[those].sum():.3f} ac, "
                    f"{what}: {pair if code == 'raster-cells' else 'first'} {place(raster, those)}",
                    todo="run again; do not load this file")


def _equal(found: FloatArray, expected: FloatArray) -> Mask:
    close = np.abs(found - expected) <= _SINGLE * np.maximum(np.abs(expected), 1e-3)
    return np.asarray(close | (np.isnan(found) & np.isnan(expected)))


def _near_border(raster: Raster, those: Mask, lines: list[shapely.Geometry]) -> Mask:
    near = np.zeros(those.shape, dtype=bool)
    if not those.any() or not lines:
        return near
    longitude, latitude = raster.ground.centres()
    shrink = np.array([math.cos(math.radians(float(latitude.mean()))), 1.0])
    points = shapely.points(np.column_stack([longitude[those], latitude[those]]) * shrink)
    border = shapely.union_all([shapely.transform(one, lambda at: at * shrink) for one in lines])
    shapely.prepare(border)
    near[those] = shapely.dwithin(border, points, NEAR_M / _M_PER_DEG)
    return near


def _explained(
    raster: Raster, found: FloatArray, expected: FloatArray, wrong: Mask, *, where: str,
    ledger: Ledger,
) -> bool:
    """Name the slip that explains the cells: turned over, moved by whole cells, another unit."""
    few = max(1, int(wrong.sum()) // 10)

    def fits(turned: Turn) -> bool:
        return int((~_equal(turned(found), expected)).sum()) <= few

    if tell_turned(raster, fits, where, ledger):
        return True
    for down in range(-_MOST_SHIFT, _MOST_SHIFT + 1):
        for right in range(-_MOST_SHIFT, _MOST_SHIFT + 1):
            if (down or right) and fits(partial(np.roll, shift=(down, right), axis=(0, 1))):
                ledger.fault("raster-moved", where, f"the cells lie {abs(down)} rows too far "
                             f"{'north' if down > 0 else 'south'} and {abs(right)} columns too far "
                             f"{'west' if right > 0 else 'east'}", todo="do not load it")
                return True
    both = wrong & (expected > 0) & np.isfinite(found)
    ratio = found[both] / expected[both]
    for factor, told in _rates.MISTAKES:
        if len(ratio) and (np.abs(ratio / factor - 1.0) < 2e-3).mean() > 0.99:
            ledger.fault("rate-unit", where, f"rates are {factor:g} times those of the zones: "
                         f"{told}?")
            return True
    return False


def _zones_raster(
    raster: Raster, record: _record.RunRecord, reference: Layer | None, ledger: Ledger
) -> None:
    """The raster of zones: every zone of the record, and no other, where it lies."""
    held = {number(one): k for k, one in enumerate(raster.levels.rates[:, 0].tolist())}
    for stranger in sorted(set(held) - set(map(float, record.zones))):
        ledger.fault("zone-unrecorded", f"{raster.name}, zone {stranger:g}",
                     "is not in the job record")
    for zone_id, zone in record.zones.items():
        where = f"{raster.name}, {record.zone_name(zone_id)}"
        k = held.get(float(zone_id))
        if k is None:
            ledger.fault("zone-missing", where, "is in the job record but in no cell")
            continue
        ledger.figure("acres by cells, to half a cell along its border", where, "ac",
                      found=float(raster.levels.acres[k]), expected=zone.area_ac,
                      within=float(raster.levels.slack_ac[k]))
    _cell_by_cell(raster, {one: float(one) for one in record.zones}, reference, ledger,
                  unit="number")
