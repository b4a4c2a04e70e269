"""Which rows of a table are samples; averages, notes and strangers are left out by name."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from vrx.formats.soil_methods import nearest
from vrx.intake._numbers import (
    MISSING,
    decide_mark,
    degrees_of,
    mark_of,
    number_of,
    reading_of,
)
from vrx.intake._raise import listed
from vrx.intake._table import Row, Table
from vrx.intake.spec import SoilSpec
from vrx.model import Finding, note, stop, warn

_SUMMARY = re.compile(
    r"(?i)(averages?|avg\.?|means?|min\.?|minimum|max\.?|maximum|(grand )?totals?|sum|median|"
    r"std\.?|st\.? ?dev\.?|stdev\.?|standard deviation|count|cv|c\.v\.|range)\s*:?")

_SUMMARY_WORD = re.compile(
    r"(?i)(?<![a-z])(averages?|avg|means?|median|sub-?totals?|totals?|st(d|andard)?\.? ?dev[a-z.]*|"
    r"(std|standard)\.? error|mittelwert|durchschnitt|summe|moyenne|promedio)(?![a-z])")
_CONTROL = re.compile(
    r"(?i)((method|lab|reagent|prep)\.? ?)?blank|((lab|laboratory)\.? ?)?(control|check|reference|"
    r"standard) (sample|soil|standard)s?|lab(oratory)? (control|check)|qc([ -]?\d+)?( sample)?|lcs|"
    r"crm|srm")
_NOWHERE = frozenset({"no fix", "no gps", "unknown", "not recorded"})


def no_place(cell: str) -> bool:
    """True for a coordinate that was not taken: empty, "n/a", "no fix"."""
    return cell.casefold() in MISSING or cell.casefold() in _NOWHERE


def not_a_sample(text: str) -> bool:
    """True for "Average", "Mean of block 2", "Subtotal", and a laboratory's own control samples."""
    if _SUMMARY.fullmatch(text) or _CONTROL.fullmatch(text):
        return True
    return len(text.split()) <= 5 and _SUMMARY_WORD.search(text) is not None


def summary_word(text: str) -> bool:
    """True for "Average", "Total" and their kin."""
    return _SUMMARY.fullmatch(text) is not None


def optional_index(table: Table, heading: str | None) -> int | None:
    """Position of a heading that may be unset."""
    return None if heading is None else table.index(heading)


def decimal_mark(table: Table, spec: SoilSpec) -> tuple[str, list[Finding]]:
    """The one decimal mark of a table, over all its columns; a stop where nothing decides."""
    if spec.decimal_mark is not None:
        return spec.decimal_mark, []
    if table.decimal:
        return table.decimal, []
    named = [
        (heading, [row.cells[k] for row in table.rows]) for k, heading in enumerate(table.headings)
    ]
    mark, dot, comma = decide_mark(named, delimiter=table.delimiter)
    wanted = {table.headings[table.index(heading)] for heading in spec.needed}
    if dot and comma:
        # A time or a number of a report may be written with the other mark.
        mark, dot, comma = decide_mark(
            [pair for pair in named if pair[0] in wanted], delimiter=table.delimiter)
    if dot and comma:
        return ".", [stop("table-decimal-mixed", table.file,
                          f"decimal points ({dot}) and decimal commas ({comma}) in one table",
                          todo="write all numbers with one decimal mark, or state decimal_mark")]
    if mark:
        how = [] if mark == "." else [note("table-decimal-comma", table.file,
                                           f"decimal commas, such as {comma}", done="read so")]
        return mark, how
    for heading, cells in named:
        if heading not in wanted:
            continue
        doubtful = next((c for c in cells if mark_of(c) == "?"), None)
        if doubtful is not None:
            whole = re.sub(r"[.,]", "", doubtful)
            return ".", [stop(
                "table-decimal-unclear", f"{table.file}, column {heading}",
                f"{doubtful!r} can mean {whole} or {doubtful.replace(',', '.')}; say which",
                todo='state decimal_mark, "." or ","')]
    return ".", []


def _position_columns(spec: SoilSpec) -> tuple[str, str] | None:
    if spec.longitude_column and spec.latitude_column:
        return spec.longitude_column, spec.latitude_column
    if spec.easting_column and spec.northing_column:
        return spec.easting_column, spec.northing_column
    return None


def sample_ids(table: Table, rows: Sequence[Row], spec: SoilSpec) -> list[str]:
    """The name of each sample; "row 12" where the table has none."""
    index = optional_index(table, spec.id_column)
    return [
        (row.cells[index] if index is not None else "") or f"{table.row_word} {row.number}"
        for row in rows
    ]


def not_left_out(
    table: Table, rows: Sequence[int], spec: SoilSpec
) -> tuple[list[int], list[Finding]]:
    """The rows without those that the user names in `leave_out`; an unknown name is a stop."""
    names = sample_ids(table, [table.rows[r] for r in rows], spec)
    findings: list[Finding] = [
        stop("soil-leave-out-unknown", table.file, f"leave_out names {name!r}, no such sample",
             todo=nearest(name, names))
        for name in spec.leave_out if name not in names
    ]
    gone = [name for name in names if name in spec.leave_out]
    if gone:
        findings.append(warn("soil-left-out", table.file, f"samples {listed(gone)}",
                             done="left out, as the plan says"))
    return [r for r, name in zip(rows, names, strict=True) if name not in spec.leave_out], findings


def sample_rows(
    table: Table, spec: SoilSpec, decimal: str
) -> tuple[list[int], list[Finding]]:
    """Indices of the rows that are samples, and what was left out and why."""
    named = _position_columns(spec)
    place = [table.index(heading) for heading in named] if named else []
    values = [table.index(column.column) for column in spec.columns.values()]
    id_index = optional_index(table, spec.id_column)
    kept: list[int] = []
    notes: list[str] = []
    bare: list[str] = []
    findings: list[Finding] = []
    for index, row in enumerate(table.rows):
        filled = [k for k, cell in enumerate(row.cells) if cell]
        first = row.cells[id_index if id_index is not None else filled[0]] if filled else ""
        # A row without a name may carry its word in a column before the places, not in a remark.
        before = min((*place, *values), default=0)
        words = [first] if first else [row.cells[k] for k in filled if k < before]
        first = next((word for word in words if not_a_sample(word)), first)
        if not_a_sample(first):
            findings.append(warn("soil-row-not-a-sample", table.where(row),
                                 f"{first!r} is not a sample", done="left out",
                                 todo="give it another name if it is one"))
        elif (len(filled) <= 1 and not any(row.cells[k] for k in values)) or (
                place and values and _only_words(row, place, values, decimal)):
            notes.append(str(row.number))
        elif place and all(no_place(row.cells[k]) for k in place):
            bare.append(first or f"{table.row_word} {row.number}")
        else:
            kept.append(index)
    if notes:
        findings.append(note("soil-note-rows", table.file,
                             f"{len(notes)} note row(s): {table.row_word} {listed(notes)}",
                             done="left out"))
    if bare:
        findings.append(warn("soil-no-position", table.file,
                             f"no position: {listed(bare)}", done="left out",
                             todo="add their coordinates"))
    kept, said = _without_means(table, kept, place, values, id_index=id_index,
                                decimal=decimal)
    return kept, [*findings, *said]


def _only_words(
    row: Row, place: Sequence[int], values: Sequence[int], decimal: str
) -> bool:
    """True if a row holds no coordinate and no result, but words where they should stand."""
    cells = [row.cells[k] for k in place]
    if all(no_place(cell) and "--" not in cell for cell in cells) or any(
            degrees_of(cell, decimal) is not None or re.search(r"\d.*\d.*\d", cell)
            for cell in cells):
        return False
    return all(reading_of(row.cells[k], decimal).kind == "missing" for k in values)


def _without_means(
    table: Table, kept: list[int], place: list[int], values: list[int], *,
    id_index: int | None, decimal: str,
) -> tuple[list[int], list[Finding]]:
    """Rows without those that repeat the mean of all others in place and in every value.

    A row with its own sample name is kept: the middle of a regular grid lies at the mean, too.
    """
    if not 5 <= len(kept) <= 20_000 or len(place) != 2 or not values:
        return kept, []
    readers = [degrees_of, degrees_of, *([number_of] * len(values))]
    table_of = np.array([
        [np.nan if (v := read(table.rows[i].cells[k], decimal)) is None else v
         for read, k in zip(readers, [*place, *values], strict=True)]
        for i in kept
    ])
    others = (np.nansum(table_of, axis=0) - np.nan_to_num(table_of)) / (len(kept) - 1)
    near = np.abs(table_of - others) <= np.array([2e-6, 2e-6, *([0.0] * len(values))]) + (
        np.array([0.0, 0.0, *([0.01] * len(values))]) * np.abs(others))
    findings: list[Finding] = []
    out: list[int] = []
    for position in np.flatnonzero(near.all(axis=1)):
        row = table.rows[kept[position]]
        named = bool(id_index is not None and row.cells[id_index])
        findings.append(warn(
            "soil-row-looks-like-mean", table.where(row),
            "its place and values are the means of all other rows",
            done="kept, because it has a sample's name" if named else "left out",
            todo="remove it from the file if it is a summary" if named else ""))
        if not named:
            out.append(kept[position])
    return [index for index in kept if index not in out], findings
