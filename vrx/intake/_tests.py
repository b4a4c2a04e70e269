"""Small tables of water, plant and manure tests: rows, dates and values in stated units."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from vrx.errors import InputError
from vrx.formats.brought import Measured
from vrx.formats.soil_methods import nearest, unit_spelled
from vrx.intake._convert import unit_in_heading
from vrx.intake._dates import age_findings, iso_dates
from vrx.intake._long import to_wide
from vrx.intake._numbers import number_of, reading_of
from vrx.intake._raise import listed, raise_stops, stop_of
from vrx.intake._rows import decimal_mark, not_left_out, sample_ids, sample_rows
from vrx.intake._table import Table, read_table
from vrx.intake.spec import ColumnSpec, SoilSpec
from vrx.model import Finding, FloatArray, note, stop, warn

_ALIKE = {"mg/L": "ppm", "mg/kg": "ppm"}
_FORM_WORDS = (("SO4-S", r"so4[\s_-]*s(?![a-z0-9])|sulfate[\s_-]*s(?![a-z0-9])|s[\s_-]*so4"),
               ("SO4", r"so4(?![\s_-]*s(?![a-z0-9]))"), ("SO3", r"so3"), ("K2O", r"k2o"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tests:
    """The rows of a table that are tests: their names, ISO dates ("" unknown) and the table."""

    table: Table
    spec: SoilSpec
    rows: tuple[int, ...]
    names: tuple[str, ...]
    dates: tuple[str, ...]
    decimal: str
    findings: tuple[Finding, ...]

    def texts(self, heading: str) -> list[str]:
        """The cells of a column, one a test."""
        index = self.table.index(heading)
        return [self.table.rows[row].cells[index] for row in self.rows]

    def numbers(self, heading: str) -> FloatArray:
        """(tests,) plain numbers, NaN where the cell is empty. A stop for what is no number."""
        out, bad = np.full(len(self.rows), np.nan), []
        for k, text in enumerate(self.texts(heading)):
            value = number_of(text, self.decimal)
            if value is not None and value >= 0:
                out[k] = value
            elif text:
                bad.append(f"{text!r} ({self.names[k]})")
        if bad:
            raise_stops([stop("test-value-unreadable", f"{self.table.file}, column {heading}",
                              f"no number from 0: {listed(bad, most=5)}", todo="mend the file")])
        return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Values:
    """Values of the tests in the kept unit, NaN missing; `limit` where the value is "<limit"."""

    values: FloatArray
    limit: FloatArray
    words: tuple[str, ...]


def read_tests(
    path: Path, spec: SoilSpec, *, also: Sequence[str] = (), season: int | None
) -> Tests:
    """The tests of a table of any dialect. `also` are further headings that must be there.

    Raises `InputError` with every stop: headings missing, decimal mark or date order not clear.
    """
    needed = (*spec.needed, *also)
    table = read_table(path, needed=needed, sheet=spec.sheet, reruns=spec.reruns)
    missing: list[Finding] = []
    columns = dict(spec.columns)
    for key, column in spec.columns.items():
        if column.optional and column.column and column.column not in table.headings:
            del columns[key]
            missing.append(note("test-column-absent", table.file, f"has no {column.column!r}",
                                done=f"no {key} read; the plan says optional"))
    spec = replace(spec, columns=columns)
    for heading in (*spec.needed, *also):
        try:
            table.index(heading)
        except InputError as err:
            missing.append(stop_of(err))
    raise_stops(missing)
    decimal, said = decimal_mark(table, spec)
    findings = [*table.findings, *missing, *said]
    raise_stops(findings)
    if spec.analyte_column:
        table, spec, said = to_wide(table, spec)
        findings += said
    rows, said = sample_rows(table, spec, decimal)
    findings += said
    rows, said = not_left_out(table, rows, spec)
    findings += said
    if not rows:
        findings.append(stop("test-no-rows", table.file, "no row is a test",
                             todo="check the columns"))
    dates, said = _dates(table, rows, spec, season)
    findings += said
    raise_stops(findings)
    return Tests(table=table, spec=spec, rows=tuple(rows), decimal=decimal, dates=tuple(dates),
                 names=tuple(sample_ids(table, [table.rows[r] for r in rows], spec)),
                 findings=tuple(findings))


def _dates(
    table: Table, rows: Sequence[int], spec: SoilSpec, season: int | None
) -> tuple[list[str], list[Finding]]:
    day = spec.sampled_on.isoformat() if spec.sampled_on else ""
    dates = [day] * len(rows)
    findings: list[Finding] = []
    where = table.file
    if spec.date_column:
        where = f"{table.file}, column {spec.date_column}"
        index = table.index(spec.date_column)
        dates, findings = iso_dates([table.rows[row].cells[index] for row in rows], where=where,
                                    order=spec.date_order, epoch=table.epoch)
        dates = [one or day for one in dates]
    return dates, [*findings, *age_findings(dates, season=season, where=where)]


def checked(
    tests: Tests, known: Mapping[str, Measured]
) -> tuple[dict[str, ColumnSpec], list[Finding]]:
    """Columns with unit and form in canonical words; the file's units row answers or contradicts.

    Raises `InputError` with every unit or form that is missing, unknown or contradicted.
    """
    table = tests.table
    out: dict[str, ColumnSpec] = {}
    findings: list[Finding] = []
    for key, column in tests.spec.columns.items():
        where = f"{table.file}, column {column.column}"
        measured = known[key]
        said = unit_spelled(table.units[table.index(column.column)]) if table.units else None
        unit = column.unit
        if unit is None and column.unit_column is None and said is not None:
            unit = said
            findings.append(note("test-unit-from-file", where, f"the units row says {said}",
                                 done="used"))
        if unit is None and column.unit_column is None:
            findings.append(stop("test-unit-missing", where, f"the unit of {key} is not stated",
                                 todo="state it from the report: " + ", ".join(measured.units)))
        canonical = None if unit is None else unit_spelled(unit)
        if unit is not None and canonical not in measured.units:
            findings.append(stop("test-unit-unknown", where, f"{unit!r} is no unit of {key} here",
                                 todo=nearest(unit, measured.units)))
        for origin, other in (("units row", said), ("heading", unit_in_heading(column.column))):
            if other and canonical and _kin(other) != _kin(canonical):
                findings.append(stop("test-unit-conflict", where, f"the {origin} says {other}, the "
                                     f"plan says {unit}", todo="correct the unit, or the file"))
        findings += _form(key, column, canonical, measured, where)
        out[key] = replace(column, unit=canonical, form=_named(column.form, measured))
    raise_stops(findings)
    return out, findings


def _kin(unit: str) -> str:
    return _ALIKE.get(unit, unit)


def _named(form: str | None, measured: Measured) -> str | None:
    found = [one for one in measured.forms if form and one.casefold() == form.casefold()]
    return found[0] if found else form


def _form(
    key: str, column: ColumnSpec, unit: str | None, measured: Measured, where: str
) -> list[Finding]:
    form = _named(column.form, measured)
    if form is not None and form not in measured.forms:
        forms = ", ".join(measured.forms) or "none"
        return [stop("test-form-unknown", where, f"{form!r} is no form of {key} here",
                     todo=f"forms: {forms}")]
    ionic = unit in measured.ionic
    if form is None and measured.needs_form and not ionic:
        return [stop("test-form-missing", where, f"the form of {key} is not stated",
                     todo="state it from the report: " + " or ".join(measured.forms))]
    heading = column.column.casefold().replace("₄", "4").replace("₃", "3").replace("₂", "2")
    told = next((word for word, pattern in _FORM_WORDS if re.search(pattern, heading)), None)
    # Of water both mean sulfate as S; of a plant sulfate-S is only part of its sulfur.
    alike = {told, form} <= {"SO4-S", "S"} <= set(measured.forms)
    if told and form and told != form and not alike and not ionic and (
            told in measured.forms or told in {"SO4-S", "SO4"}):
        return [stop("test-form-conflict", where, f"the heading says {told}, the plan says {form}",
                     todo="correct the form, or the heading in the file")]
    return []


def read_values(
    tests: Tests, key: str, column: ColumnSpec, measured: Measured
) -> tuple[Values, list[Finding]]:
    """One quantity of all tests; half the limit for "<limit", the limit for ">limit".

    Findings name what is missing, censored, odd; stops what is unreadable, negative, beyond reason.
    """
    where = f"{tests.table.file}, column {column.column}"
    values, limits = (np.full(len(tests.rows), np.nan) for _ in range(2))
    words = [""] * len(tests.rows)
    log: dict[str, list[str]] = {}
    for k, text in enumerate(tests.texts(column.column)):
        reading = reading_of(text, tests.decimal)
        kind, value, limit = reading.kind, reading.value, reading.limit
        if kind == "undetected" and column.limit_of_detection is not None:
            kind, limit = "below", column.limit_of_detection
            value = limit / 2.0
        if kind not in {"value", "below", "above"}:
            log.setdefault(kind, []).append(f"{tests.names[k]} {text!r}" if text
                                            else tests.names[k])
            continue
        unit = column.unit
        if column.unit_column is not None:
            unit = unit_spelled(tests.texts(column.unit_column)[k])
        if unit not in measured.units:
            said = tests.texts(column.unit_column)[k] if column.unit_column else unit
            log.setdefault("unit", []).append(f"{tests.names[k]} {said!r}")
            continue
        if value < 0 or (kind != "value" and limit < 0):
            log.setdefault("negative", []).append(f"{tests.names[k]} {text!r}")
            continue
        values[k] = _kept(value, str(unit), column.form, measured)
        words[k] = f"{text} {unit}" + (f" {column.form}" if column.form else "")
        if kind == "below":
            limits[k] = _kept(limit, str(unit), column.form, measured)
        elif kind == "above":
            log.setdefault("above", []).append(f"{tests.names[k]} {text!r}")
        low, high = measured.odd
        shown = f"{tests.names[k]} {text} {unit} = {values[k]:.4g} {measured.kept}"
        if values[k] > measured.most:
            log.setdefault("beyond", []).append(shown)
        elif kind == "value" and not low <= values[k] <= high:
            log.setdefault("odd", []).append(shown)
    return (Values(values=values, limit=limits, words=tuple(words)),
            _value_findings(log, key, measured, where))


def _kept(value: float, unit: str, form: str | None, measured: Measured) -> float:
    value = measured.units[unit](value)
    return value if unit in measured.ionic or not form else measured.forms[form](value)


def _value_findings(
    log: dict[str, list[str]], key: str, measured: Measured, where: str
) -> list[Finding]:
    findings: list[Finding] = []
    if "unreadable" in log:
        findings.append(stop("test-value-unreadable", where, "no reading: "
                             + listed(log["unreadable"]), todo="mend the file"))
    if "unit" in log:
        findings.append(stop("test-unit-unknown", where, f"no unit of {key} here: "
                             + listed(log["unit"]), todo="known: " + ", ".join(measured.units)))
    if "negative" in log:
        findings.append(stop("test-value-negative", where, "below 0: " + listed(log["negative"]),
                             todo="mend the file"))
    if "beyond" in log:
        findings.append(stop(
            "test-value-implausible", where, f"more than {measured.most:,.4g} {measured.kept} of "
            f"{measured.substance}: {listed(log['beyond'])}",
            todo="check unit and form against the report"))
    if "odd" in log:
        findings.append(warn(
            "test-value-odd", where, f"outside {measured.odd[0]:.4g} to {measured.odd[1]:,.4g} "
            f"{measured.kept}: {listed(log['odd'])}", done="used as it is",
            todo="check unit and form against the report"))
    if "above" in log:
        findings.append(warn("test-value-above", where, f"above the method's range: "
                             f"{listed(log['above'])}", done="counted as the limit"))
    if "undetected" in log:
        findings.append(warn("test-value-undetected", where, "not detected, limit unknown: "
                             + listed(log["undetected"]), done="taken as missing",
                             todo="state limit_of_detection, in the column's unit"))
    if "missing" in log:
        findings.append(warn("test-value-missing", where, f"no {key}: " + listed(log["missing"]),
                             done="taken as missing"))
    return findings


def chosen(
    tests: Tests, values: FloatArray, which: Sequence[int], several: str | None, *, what: str
) -> tuple[list[int], list[Finding]]:
    """The tests with a value that count for one source: all ("mean") or the last ("latest")."""
    have = [k for k in which if not math.isnan(values[k])]
    if len(have) < 2:
        return have, []
    days = ", ".join(tests.dates[k] or "no date" for k in have)
    if several is None:
        return have, [stop("test-several", tests.table.file, f"{what} has {len(have)} tests "
                           f"({days})", todo='state several = "mean" or several = "latest"')]
    if several == "mean":
        return have, []
    if any(not tests.dates[k] for k in have):
        return have, [stop("test-several", tests.table.file, f"{what} has {len(have)} tests, and "
                           f"not all have a date ({days})",
                           todo='several = "latest" needs a date_column; or say "mean"')]
    last = max(tests.dates[k] for k in have)
    return [k for k in have if tests.dates[k] == last], []
