"""What a method code says about a column, against what the plan says. A contradiction stops."""

from __future__ import annotations

from dataclasses import replace

from vrx.errors import InputError
from vrx.formats.lab_methods import LabMethod, lab_method
from vrx.formats.soil_methods import form_named, method_named, unit_spelled
from vrx.intake._gather import unit_heading
from vrx.intake._table import Table
from vrx.intake.spec import ColumnSpec, SoilSpec
from vrx.model import Finding, note, stop, warn


def _code_in(heading: str) -> LabMethod | None:
    """The method of a heading that is a code, or that names one beside an analyte."""
    for word in (heading, *heading.split(", ")):
        found = lab_method(word)
        if found is not None:
            return found
    return None


def completed(table: Table, spec: SoilSpec) -> tuple[Table, SoilSpec, list[Finding]]:
    """Columns that are method codes get their form, extractant and unit where none is stated."""
    findings: list[Finding] = []
    columns: dict[str, ColumnSpec] = {}
    units = list(table.units)
    for analyte, given in spec.columns.items():
        column = given
        method = _code_in(column.column)
        at = f"{table.file}, column {column.column}"
        own = unit_heading(column.column)
        if column.unit is None and column.unit_column is None and own in table.headings:
            column = replace(column, unit_column=own)
        if method is not None:
            findings += _against(analyte, column, method, at)
            column, said = _words(column, method, at)
            findings += said
            index = table.index(column.column)
            in_file = units[index] if units else ""
            before = column.unit
            column, said = _unit(column, method, in_file, at)
            findings += said
            if units and column.unit != before:
                # Judged here, with what the code says of mass and volume.
                units[index] = ""
        columns[analyte] = column
    return replace(table, units=tuple(units)), replace(spec, columns=columns), findings


def _against(analyte: str, column: ColumnSpec, method: LabMethod, at: str) -> list[Finding]:
    what = f"code {method.code} ({method.locator})"
    if method.analyte != analyte:
        return [stop("soil-method-conflict", at, f"{what} is {method.analyte}, not {analyte}",
                     todo="name the column of another code")]
    findings: list[Finding] = []
    if method.refuse:
        findings.append(stop("soil-method-refused", at, f"{what}: {method.refuse}",
                             todo="ask the laboratory for mg/kg of soil"))
    if method.caution:
        findings.append(warn("soil-method-caution", at, f"{what}: {method.caution}",
                             done="used as written", todo="check the guide, or leave it out"))
    for stated, own, named in ((column.extractant, method.extractant, method_named),
                               (column.form, method.form, form_named)):
        if not stated or not own:
            continue
        try:
            word = named(stated, analyte=analyte, where=at)
        except InputError:
            continue  # an unknown word is told with all others
        if word != own:
            findings.append(stop("soil-method-conflict", at, f"{what} means {own!r}, the plan says "
                                 f"{word!r}", todo="correct the plan, or ask the laboratory"))
    return findings


def _words(column: ColumnSpec, method: LabMethod, at: str) -> tuple[ColumnSpec, list[Finding]]:
    told = [f"{key} {own}" for key, own, stated in (
        ("form", method.form, column.form), ("extractant", method.extractant, column.extractant))
        if own and not stated]
    column = replace(column, form=column.form or method.form or None,
                     extractant=column.extractant or method.extractant or None)
    return column, [note("soil-method-known", at, f"code {method.code}: {', '.join(told)}",
                         done="used")] if told else []


def _unit(
    column: ColumnSpec, method: LabMethod, in_file: str, at: str
) -> tuple[ColumnSpec, list[Finding]]:
    """The unit of a column of a known code; what the file calls ppm is mg/L for a code by volume.

    A stated unit or a unit in each row is left to the checks of all columns, but for mass against
    volume.
    """
    stated = column.unit or in_file
    unit = unit_spelled(stated) if stated else None
    if method.basis == "volume" and (unit == "ppm" or not stated):
        if column.unit_column is not None:
            return column, [stop("soil-method-conflict", at, f"code {method.code} is by volume, "
                                 "its rows have several units", todo="ask the laboratory")]
        return replace(column, unit="mg/L"), [warn(
            "soil-code-by-volume", at, f"code {method.code} measures by volume of soil, its "
            f"numbers come in {stated or 'no unit'}", done="taken as mg/L, not as mg/kg")]
    wrong = (method.basis == "mass" and unit == "mg/L") or (
        method.basis == "volume" and unit == "mg/kg")
    if wrong:
        return column, [stop("soil-method-conflict", at, f"code {method.code} is by "
                             f"{method.basis} of soil ({method.unit}), its numbers come in "
                             f"{stated}",
                             todo="ask the laboratory which is right")]
    if column.unit is not None or column.unit_column is not None:
        return column, []
    if not stated or (stated.casefold() in {"none", "unitless"} and method.unit == "pH"):
        return replace(column, unit=method.unit), [note(
            "soil-method-known", at, f"code {method.code}: unit {method.unit}", done="used")]
    return column, []
