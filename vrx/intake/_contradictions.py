"""What a table says about a result beside its column, against the plan: unit, method, purpose."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence

from vrx.intake._convert import same_unit, unit_in_heading
from vrx.intake._heading_words import methods_in_heading
from vrx.intake._table import Table, plain
from vrx.intake._unit_rows import unit_said
from vrx.intake.spec import ColumnSpec, SoilSpec
from vrx.model import ANALYTES, Finding, stop, warn

_ADVICE = re.compile(r"(?i)(?<![a-z])(rec|recs|recommend[a-z]*|recomm|requirement|removal|to apply|"
                     r"application|fertilizer rate)(?![a-z])")
_OF_RESULTS = re.compile(r"(?i)\b(results?|values?|reported|expressed|analysis|analyses|units?)\b")
_BELOW_HEADINGS = 3


def _labels(table: Table, index: int, rows: Sequence[int]) -> Counter[str]:
    return Counter(c for r in rows if (c := table.rows[r].cells[index]))


def _beside(table: Table, spec: SoilSpec, column: ColumnSpec) -> list[tuple[int, Counter[str]]]:
    """Columns that nobody stated and that may speak of one result, with their words.

    In the long form every column, of the rows of that analyte; else the next column, one that has
    the result's heading in its own, and every column where only one analyte is read.
    """
    stated = {table.index(h) for h in spec.needed}
    long = spec.analyte_column is not None
    every = range(len(table.rows))
    rows: Sequence[int] = every
    if long and spec.analyte_column:
        at = table.index(spec.analyte_column)
        rows = [r for r in every
                if plain(table.rows[r].cells[at]) == plain(column.analyte_is or "")]
    own = None if long else table.index(column.column)
    alone = sum(ANALYTES[a].needs_extractant for a in spec.columns if a in ANALYTES) == 1
    found = []
    for index, heading in enumerate(table.headings):
        if index in stated:
            continue
        if long or alone or index - 1 == own or plain(column.column) in plain(heading):
            found.append((index, _labels(table, index, rows)))
    return found


def contradictions(table: Table, spec: SoilSpec, checked: Mapping[str, ColumnSpec]
                   ) -> list[Finding]:
    """Stops and warnings for units, extractants and advice that stand beside a result.

    `table` is as it was read, `checked` the statements in canonical words.
    """
    findings: list[Finding] = []
    for analyte, column in spec.columns.items():
        known = checked.get(analyte)
        if known is None or not ANALYTES[analyte].needs_extractant:
            continue
        name = column.column or column.analyte_is or ""
        where = f"{table.file}, column {name}"
        if _ADVICE.search(name):
            findings.append(stop("soil-not-a-test", where, "the heading speaks of advice or of a "
                                 "rate, not of a soil test", todo="name the column of the soil "
                                 "test itself"))
        for index, labels in _beside(table, spec, column):
            findings += _against(analyte, known, table.headings[index], labels, table.file)
        if spec.analyte_column is None and known.extractant:
            findings += _method_row(analyte, known.extractant, table, column, where)
    return findings + _notes(table, checked)


def _against(
    analyte: str, known: ColumnSpec, heading: str, labels: Counter[str], file: str
) -> list[Finding]:
    where = f"{file}, column {heading}"
    units = {text: said for text in labels if (said := unit_said(text)) is not None}
    if labels and len(units) == len(labels) and known.unit is not None:
        other = [text for text, said in units.items() if not same_unit(said, known.unit)]
        if other:
            told = ", ".join(f"{text}: {labels[text]} rows" for text in other[:5])
            return [stop("soil-unit-conflict", where, f"it says {told}; the plan says "
                         f"{known.unit} for {analyte}",
                         todo="state it as the unit_column, or correct the unit")]
    methods = {text: named for text in labels if (named := methods_in_heading(text, analyte))}
    if labels and len(methods) == len(labels) and known.extractant and not any(
            known.extractant in named for named in methods.values()):
        return [stop("soil-extractant-conflict", where, f"it says {', '.join(list(labels)[:5])}; "
                     f"the plan says {known.extractant} for {analyte}",
                     todo="correct the extractant, or choose the other column")]
    return []


def _method_row(
    analyte: str, extractant: str, table: Table, column: ColumnSpec, where: str
) -> list[Finding]:
    index = table.index(column.column)
    for row in table.rows[:_BELOW_HEADINGS]:
        named = methods_in_heading(row.cells[index], analyte)
        if named and extractant not in named:
            return [stop("soil-extractant-conflict", where, f"{table.row_word} {row.number} says "
                         f"{row.cells[index]!r}, the plan says {extractant}",
                         todo="correct the extractant, or choose the other column")]
    return []


def _notes(table: Table, checked: Mapping[str, ColumnSpec]) -> list[Finding]:
    """A warning where a line above or below the table gives the results another unit."""
    lines = list(table.preamble)
    for row in table.rows:
        filled = [cell for cell in row.cells if cell]
        if len(filled) <= 2:
            lines += filled
    stated = {c.unit for a, c in checked.items() if c.unit and ANALYTES[a].needs_extractant}
    for line in lines:
        said = unit_in_heading(line)
        if said in {"ppm", "mg/kg", "mg/L", "lb/ac"} and _OF_RESULTS.search(line) and (
                not _ADVICE.search(line)) and stated and not any(
                    same_unit(said, unit) for unit in stated):
            return [warn("soil-note-unit", table.file, f"a note says {line[:80]!r}, the plan says "
                         f"{' and '.join(sorted(stated))}", done="read as the plan says",
                         todo="correct the unit if the note is right")]
    return []
