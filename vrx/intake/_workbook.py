"""Workbooks (.xlsx) by openpyxl: the sheet with the headings, merged group headings joined."""

from __future__ import annotations

import io
import warnings
from collections.abc import Sequence
from typing import Any

from openpyxl.utils.exceptions import InvalidFileException

from vrx.errors import InputError
from vrx.intake._files import ZIP_FAULTS, Part
from vrx.intake._numbers import Number
from vrx.intake._raise import listed
from vrx.intake._table import (
    Table,
    body,
    header_row,
    likely_header,
    plain,
    text_of,
    texts_above,
    wanted_headings,
)
from vrx.intake._workbook_guard import formula_findings, guarded, require_area
from vrx.model import Finding, note, warn

_MOST_ROWS = 200_000
# What openpyxl lets through when a part of the zip, its XML or a style is damaged.
_BROKEN = (*ZIP_FAULTS, SyntaxError, TypeError, AttributeError, InvalidFileException)


def _open(part: Part) -> tuple[Any, bool]:
    """The workbook, and whether it holds formulas."""
    import openpyxl

    data = part.read()
    try:
        formulas = guarded(data, where=part.name)
        with warnings.catch_warnings():
            # openpyxl warns of parts that it drops (drawings, validation), none of which is data.
            warnings.simplefilter("ignore")
            return openpyxl.load_workbook(io.BytesIO(data), data_only=True), formulas
    except InputError:
        raise
    except _BROKEN as err:
        raise InputError(f"is not a readable workbook: {err}", code="workbook-broken",
                         where=part.name, hint="open it and save it again as .xlsx or .csv"
                         ) from err


def _cells(sheet: Any) -> list[list[str]]:
    if sheet.max_row > _MOST_ROWS:
        raise InputError(f"sheet {sheet.title!r} has {sheet.max_row} rows; at most {_MOST_ROWS}",
                         code="workbook-too-large", where=sheet.title, hint="save it as .csv")
    require_area(sheet, where=sheet.title)
    return [[_shown(cell) for cell in row] for row in sheet.iter_rows()]


def _shown(cell: Any) -> str:
    """A cell as text; a number shown as a percentage keeps its sign, which is its unit."""
    value = cell.value
    if isinstance(value, int | float) and not isinstance(value, bool) and (
            "%" in str(cell.number_format)):
        return Number(f"{round(value * 100, 10):.15g}%")
    return text_of(value)


def _filled_down(
    sheet: Any, rows: list[list[str]], header: int, *, where: str
) -> tuple[list[list[str]], list[Finding]]:
    """Rows below the headings with cells that are merged down one column filled."""
    rows = [list(row) for row in rows]
    filled = 0
    for merged in sheet.merged_cells.ranges:
        first, last, column = merged.min_row - 1, merged.max_row, merged.min_col - 1
        if first <= header or merged.max_col > merged.min_col or not rows[first][column]:
            continue
        for index in range(first + 1, min(last, len(rows))):
            rows[index][column] = rows[first][column]
            filled += 1
    return rows, [note("workbook-merged-down", where, f"{filled} cells below the first of a merged "
                       "range", done="each row given the range's value")] if filled else []


def _hidden(sheet: Any, header: int, *, where: str) -> list[Finding]:
    """A warning for what the user does not see in the sheet but vrx reads."""
    said = []
    if sheet.sheet_state != "visible":
        said.append("the sheet itself")
    rows = [number for number, one in sheet.row_dimensions.items()
            if one.hidden and header + 1 < number <= sheet.max_row]
    if rows:
        said.append(f"rows {listed(map(str, sorted(rows)))}")
    columns = [letter for letter, one in sheet.column_dimensions.items() if one.hidden]
    if columns:
        said.append(f"columns from {', '.join(columns[:6])}")
    return [warn("workbook-hidden", where, f"hidden in sheet {sheet.title!r}: {'; '.join(said)}",
                 done="read like the rest", todo="delete what is not meant, or use leave_out")
            ] if said else []


def _joined(sheet: Any, rows: list[list[str]], first: int) -> list[str]:
    """Row `first` spread over merged cells, joined with the row below: "Nutrients (ppm) P"."""
    above, below = list(rows[first]), rows[first + 1]
    for merged in sheet.merged_cells.ranges:
        if merged.min_row - 1 == first:
            for column in range(merged.min_col - 1, merged.max_col):
                above[column] = rows[first][merged.min_col - 1]
    return [" ".join(word for word in pair if word) for pair in zip(above, below, strict=True)]


def _find(
    sheet: Any, rows: list[list[str]], needed: Sequence[str]
) -> tuple[list[list[str]], int] | None:
    """Rows with the headings in one row, and that row; None if the sheet lacks them."""
    header = header_row(rows, needed)
    if header is not None:
        return rows, header
    wanted = wanted_headings(needed)
    for first in range(min(len(rows) - 1, 25)):
        joined = _joined(sheet, rows, first)
        if wanted and wanted <= {plain(cell) for cell in joined}:
            return [*rows[: first + 1], joined, *rows[first + 2 :]], first + 1
    return None


def _guess(sheet: Any, rows: list[list[str]]) -> tuple[list[list[str]], int]:
    header = likely_header(rows)
    merged = any(m.min_row - 1 == header and m.max_col > m.min_col
                 for m in sheet.merged_cells.ranges)
    if merged and header + 1 < len(rows):
        joined = _joined(sheet, rows, header)
        return [*rows[: header + 1], joined, *rows[header + 2 :]], header + 1
    if header and any(m.min_row == m.max_row == header and m.max_col > m.min_col
                      for m in sheet.merged_cells.ranges):
        # A group heading over some columns stands in the row above: "Nutrients (ppm)".
        return [*rows[:header], _joined(sheet, rows, header - 1), *rows[header + 1 :]], header
    return rows, header


def workbook_table(part: Part, *, needed: Sequence[str], sheet: str | None) -> Table:
    """The sheet named, or the only one with the needed headings. Which one was read is told."""
    book, formulas = _open(part)
    names = [s.title for s in book.worksheets]
    if sheet is not None and sheet not in names:
        raise InputError(f"has no sheet {sheet!r}", code="workbook-sheet-unknown",
                         where=part.name, hint="sheets: " + ", ".join(map(repr, names)))
    sheets = [s for s in book.worksheets if sheet in {None, s.title}]
    every = [(s, cells) for s, cells in ((s, _cells(s)) for s in sheets) if any(map(any, cells))]
    fit = [(s, found) for s, cells in every if (found := _find(s, cells, needed)) is not None]
    if len(fit) > 1:
        raise InputError(
            "several sheets have these headings: " + ", ".join(repr(s.title) for s, _ in fit),
            code="workbook-several-sheets", where=part.name, hint="name the sheet")
    if not fit and every:
        # The widest sheet, so that an error can name its headings; a legend is narrow.
        s, cells = max(every, key=lambda pair: (len(pair[1]) > 1, len(pair[1][0])))
        fit = [(s, _guess(s, cells))]
    if not fit:
        raise InputError("all its sheets are empty", code="file-empty", where=part.name,
                         hint="copy it again")
    chosen, (rows, header) = fit[0]
    rows, filled = _filled_down(chosen, rows, header, where=part.name)
    headings, kept, units, said = body(rows, header, file=part.name)
    said += [*filled, *_hidden(chosen, header, where=part.name)]
    if formulas:
        said += formula_findings(part, chosen, header=header, headings=headings,
                                 needed=sorted(wanted_headings(needed)))
    read = note("workbook-sheet", part.name, f"sheet {chosen.title!r} of {len(names)}",
                 done=f"read, headings in row {header + 1}")
    return Table(file=part.name, source=f"sheet {chosen.title}", row_word="row",
                 headings=headings, rows=kept, units=units,
                 preamble=texts_above(rows, header), epoch=book.epoch,
                 findings=(read, *said))
