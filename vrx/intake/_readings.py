"""One analyte of all samples: laboratory text -> values in the unit and form that vrx keeps."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from vrx import units
from vrx.formats.soil_methods import UNITS_OF, nearest, unit_spelled
from vrx.intake._convert import same_unit, to_kept_unit
from vrx.intake._depths import depth_of, words
from vrx.intake._numbers import Reading, reading_of
from vrx.intake._raise import listed
from vrx.intake._table import Table
from vrx.intake.spec import ColumnSpec, Depth
from vrx.model import ANALYTES, Finding, FloatArray, IntArray, note, stop, warn

# ppm of one meq/100 g
_PER_MEQ = {
    "potassium": units.k_ppm_from_meq_per_100g(1.0),
    "magnesium": units.mg_ppm_from_meq_per_100g(1.0),
    "sodium": units.na_ppm_from_meq_per_100g(1.0),
}


@dataclass(slots=True, kw_only=True)
class _Log:
    """Sample names by what happened to their value."""

    below: list[str] = field(default_factory=list)
    above: list[str] = field(default_factory=list)
    undetected: list[str] = field(default_factory=list)
    assumed: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    doubtful: list[str] = field(default_factory=list)
    zero: list[str] = field(default_factory=list)
    rated: list[str] = field(default_factory=list)
    no_unit: list[str] = field(default_factory=list)
    no_cec: list[str] = field(default_factory=list)
    unreadable: list[str] = field(default_factory=list)
    negative: list[str] = field(default_factory=list)
    implausible: list[str] = field(default_factory=list)
    bad_unit: list[str] = field(default_factory=list)
    other_unit: list[str] = field(default_factory=list)
    by_volume: int = 0
    factors: Counter[str] = field(default_factory=Counter)
    written: Counter[float] = field(default_factory=Counter)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Readings:
    """Values and censoring of one analyte, arrays (n,), and how the file wrote it."""

    values: FloatArray
    censored: IntArray
    source: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Context:
    """What reading a column needs beside the column: rows, their names, depths and CEC."""

    table: Table
    rows: Sequence[int]
    ids: Sequence[str]
    decimal: str
    depths: Sequence[str]
    depth_heading: str
    cec: FloatArray | None


def _unit_of(
    context: Context, column: ColumnSpec, position: int, analyte: str, log: _Log
) -> str | None:
    if column.unit_column is None:
        return column.unit
    row = context.table.rows[context.rows[position]]
    text = row.cells[context.table.index(column.unit_column)]
    if not text:
        log.no_unit.append(context.ids[position])
        return None
    unit = unit_spelled(text)
    if unit not in UNITS_OF[analyte]:
        log.bad_unit.append(f"{text!r} ({context.table.row_word} {row.number})")
        return None
    return unit


def _depth_at(context: Context, column: ColumnSpec, position: int) -> Depth | None:
    text = context.depths[position]
    found = depth_of(text, heading=context.depth_heading) if text else None
    return found or column.depth_in


def _value(
    context: Context, column: ColumnSpec, position: int, *, analyte: str, number: float, log: _Log
) -> float:
    """The number in the kept unit, NaN where it cannot be converted or judged."""
    row = context.table.rows[context.rows[position]]
    written = f"{context.table.row_word} {row.number}"
    if number < 0:
        log.negative.append(f"{number:g} ({written})")
        return math.nan
    unit = _unit_of(context, column, position, analyte, log)
    if unit is None:
        return math.nan
    log.by_volume += unit == "mg/L"
    depth = _depth_at(context, column, position)
    cec = math.nan if context.cec is None else float(context.cec[position])
    value = to_kept_unit(number, unit=unit, form=column.form or "", depth_in=depth,
                         cec_meq_per_100g=cec)
    if unit == "lb/ac" and depth is not None:
        divisor = 2.0 * (depth[1] - depth[0]) / 6.0
        log.factors[f"lb/ac to ppm: divided by {divisor:.4g} for {words(depth)}"] += 1
    elif unit == "% saturation":
        if math.isnan(cec):
            log.no_cec.append(context.ids[position])
        log.factors[f"% saturation to ppm: CEC x % / 100 x {_PER_MEQ[analyte]:.2f}"] += 1
    elif unit in {"meq/100 g", "cmol/kg"} and analyte in _PER_MEQ:
        log.factors[f"{unit} to ppm {ANALYTES[analyte].substance}: x {_PER_MEQ[analyte]:.2f}"] += 1
    elif unit == "uS/cm":
        log.factors["uS/cm to dS/m: divided by 1000"] += 1
    known = ANALYTES[analyte]
    if not math.isnan(value) and not known.low <= value <= known.high:
        log.implausible.append(f"{value:.6g} ({written})")
        return math.nan
    return value


def _judge(reading: Reading, name: str, column: ColumnSpec, log: _Log) -> tuple[float, int] | None:
    """(number in the file's unit, censoring) of a reading, None if it gives no value."""
    if reading.kind == "missing":
        log.missing.append(name)
        return None
    if reading.kind == "undetected":
        if column.limit_of_detection is None:
            log.undetected.append(name)
            return None
        log.assumed.append(name)
        return column.limit_of_detection / 2.0, -1
    if reading.rating:
        log.rated.append(f"{name} {reading.rating}")
    if "?" in reading.mark:
        log.doubtful.append(name)
    if reading.kind == "below":
        log.below.append(f"{name} <{reading.limit:g}")
        return reading.value, -1
    if reading.kind == "above":
        log.above.append(f"{name} >{reading.limit:g}")
        return reading.value, 1
    if reading.value == 0:
        log.zero.append(name)
    return reading.value, 0


def read_column(
    context: Context, analyte: str, column: ColumnSpec, use: Sequence[bool]
) -> Readings:
    """All samples' values of one analyte; `use` leaves out the rows of another depth."""
    index = context.table.index(column.column)
    values = np.full(len(context.rows), np.nan)
    censored = np.zeros(len(context.rows), dtype=np.int64)
    log = _Log()
    for position, row in enumerate(context.rows):
        if not use[position]:
            continue
        cell = context.table.rows[row].cells[index]
        reading = reading_of(cell, context.decimal)
        if reading.kind == "unreadable":
            log.unreadable.append(
                f"{cell!r} ({context.table.row_word} {context.table.rows[row].number})")
            continue
        judged = _judge(reading, context.ids[position], column, log)
        if judged is None:
            continue
        stated = _unit_of(context, column, position, analyte, log) if reading.unit else None
        if stated is not None and not same_unit(reading.unit, stated) and (
                reading.unit, stated) != ("%", "% saturation"):
            log.other_unit.append(
                f"{cell!r} ({context.table.row_word} {context.table.rows[row].number})")
            continue
        log.written[reading.value] += reading.kind == "value"
        values[position] = _value(context, column, position, analyte=analyte,
                                  number=judged[0], log=log)
        if not math.isnan(values[position]):
            censored[position] = judged[1]
    where = f"{context.table.file}, column {column.column}"
    findings = [*_stops(analyte, column, log, where), *_notes(analyte, column, log, where)]
    findings += _unusual(analyte, values, where)
    if not np.isfinite(values).any() and not any(f.severity == "stop" for f in findings):
        findings.append(stop("soil-no-values", where, f"no sample has a value of {analyte}",
                             todo="check the column and the choice of depth"))
    return Readings(values=values, censored=censored, source=_source(column, analyte),
                    findings=tuple(findings))


def _unusual(analyte: str, values: FloatArray, where: str) -> list[Finding]:
    """A warning for a column that is no soil's: each value may pass, their median does not."""
    usual, known = ANALYTES[analyte].usual, values[np.isfinite(values)]
    if usual is None or not len(known) or usual[0] <= np.median(known) <= usual[1]:
        return []
    unit = f"{ANALYTES[analyte].unit} {ANALYTES[analyte].substance}"
    return [warn("soil-median-unusual", where, f"the median is {np.median(known):.3g} {unit}; "
                 f"fields lie within {usual[0]:g}…{usual[1]:g}", done="used as stated",
                 todo="check the unit and the form against the laboratory's report")]


def _source(column: ColumnSpec, analyte: str) -> str:
    unit = column.unit or f"unit in column {column.unit_column}"
    if analyte == "ph":
        return column.column
    return f"{column.column}, {unit} {column.form or ''}".strip()


def _stops(analyte: str, column: ColumnSpec, log: _Log, where: str) -> list[Finding]:
    known = ANALYTES[analyte]
    findings: list[Finding] = []
    if log.unreadable:
        findings.append(stop("soil-value-unreadable", where,
                             f"no laboratory result: {listed(log.unreadable, most=6)}",
                             todo="correct the cells; leave a cell empty where there is no result"))
    if log.negative:
        findings.append(stop("soil-value-negative", where,
                             f"negative: {listed(log.negative, most=6)}",
                             todo="leave a cell empty where there is no result"))
    if log.implausible:
        findings.append(stop(
            "soil-value-implausible", where,
            f"{listed(log.implausible, most=6)} {known.unit} {known.substance}: outside "
            f"{known.low:g}…{known.high:g}", todo="probably a wrong unit or form: check "
            f"{column.unit or column.unit_column!r}, or correct the cells"))
    if log.other_unit:
        findings.append(stop("soil-unit-conflict", where, "the cells say another unit than "
                             f"{column.unit or column.unit_column!r}: "
                             f"{listed(log.other_unit, most=6)}",
                             todo="write all results in one unit, or give a unit_column"))
    codes = [code for code, count in log.written.items()
             if set(f"{code:g}") == {"9"} and code >= 999 and count > 1]
    if codes:
        told = ", ".join(f"{code:g} in {log.written[code]} samples" for code in codes)
        findings.append(stop("soil-value-code", where, f"{told}: a sign for a missing value?",
                             todo="empty those cells, or write >999 where the laboratory's scale "
                             "ends there"))
    if log.bad_unit:
        findings.append(stop("soil-unit-unknown", f"{where} with {column.unit_column}",
                             f"no unit of {analyte}: {listed(log.bad_unit, most=6)}",
                             todo=nearest(log.bad_unit[0].split("'")[1], UNITS_OF[analyte])))
    return findings


def _notes(analyte: str, column: ColumnSpec, log: _Log, where: str) -> list[Finding]:
    findings: list[Finding] = []

    told = (
        (note, log.below, "soil-below-limit", "below the laboratory's limit",
         f"{len(log.below)} stand as half the limit; the map takes them as bounds", ""),
        (note, log.assumed, "soil-not-detected", "not detected",
         f"{len(log.assumed)} stand as half the limit you gave; the map takes them as bounds", ""),
        (warn, log.undetected, "soil-not-detected", "not detected, with no limit stated",
         "left out, never taken as 0", "give limit_of_detection, from the laboratory"),
        (warn, log.above, "soil-above-limit", "above the laboratory's limit",
         f"{len(log.above)} stand as the limit itself; the map takes them as bounds", ""),
        (warn, log.missing, "soil-value-missing", "no result", "left out", ""),
        (warn, log.doubtful, "soil-value-doubtful", "marked as doubtful", "used as written", ""),
        (note, log.zero, "soil-value-zero", "exact zero", "used as written", ""),
        (note, log.rated, "soil-rating", "printed with a rating", "the number is used", ""),
        (warn, log.no_unit, "soil-unit-missing", "no unit", "left out", "give the unit"),
        (warn, log.no_cec, "soil-cec-missing", "no CEC to convert a saturation", "left out", ""),
    )
    for make, names, code, what, done, todo in told:
        if names:
            findings.append(make(code, where, f"{what}: {listed(names)}", value=str(len(names)),
                                 done=done, todo=todo))
    for factor, count in log.factors.items():
        findings.append(note("soil-converted", where, f"{factor} ({count} samples)",
                             done="converted"))
    if column.form in {"K2O", "P2O5", "SO4"}:
        substance = ANALYTES[analyte].substance
        findings.append(note("soil-form-converted", where, f"reported as {column.form}",
                             done=f"converted to {substance}"))
    if column.form == "S" and analyte == "sulfate":
        findings.append(note("soil-sulfur-total", where, "total S of the extract, not sulfate-S: "
                             "an ICP also counts organic S", done="used as sulfate-S"))
    if log.by_volume:
        findings.append(warn("soil-volume-basis", where, f"mg/L ({log.by_volume} samples) is by "
                             "volume of soil, not by mass",
                             done="used as ppm, which holds for a soil of 1 g/cm3",
                             todo="ask the laboratory for mg/kg"))
    return findings
