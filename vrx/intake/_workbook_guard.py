"""What a workbook may not be: a bomb, a document type, a formula that nobody has calculated."""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Sequence
from typing import Any

from vrx.errors import InputError
from vrx.intake._files import Part, member_bytes
from vrx.intake._raise import listed
from vrx.intake._rows import not_a_sample
from vrx.model import Finding, note, warn

MOST_BOOK_BYTES = 256 << 20
MOST_BOOK_PARTS = 5000
MOST_CELLS = 5_000_000
_TYPED = tuple("<!DOCTYPE".encode(code) for code in ("utf-8", "utf-16-le", "utf-16-be")) + tuple(
    "<!ENTITY".encode(code) for code in ("utf-8", "utf-16-le", "utf-16-be"))
_AGGREGATE = re.compile(
    r"(?i)=\s*(round\()?\s*(average|sum|min|max|median|std|stdev|count|subtotal|aggregate|var|mode"
    r"|percentile|quartile|large|small)[a-z.]*\(")
_RANGE = re.compile(r"\$?[A-Z]{1,3}\$?(\d+):\$?[A-Z]{1,3}\$?(\d+)")
_FORMULA = (b"<f>", b"<f ", b"<f/", b":f>", b":f ")


def guarded(data: bytes, *, where: str) -> bool:
    """Whether a workbook holds formulas. Raises `InputError` for what must not be unpacked.

    The sizes that a zip states for its parts bound what is ever unpacked of them.
    """
    formulas = False
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        infos = archive.infolist()
        total = sum(info.file_size for info in infos)
        if total > MOST_BOOK_BYTES or len(infos) > MOST_BOOK_PARTS:
            raise InputError(
                f"unpacks to {total:,} bytes in {len(infos)} parts; at most {MOST_BOOK_BYTES:,} "
                f"bytes and {MOST_BOOK_PARTS} parts are read", code="workbook-too-large",
                where=where, hint="save the sheet as .csv")
        if len({info.filename for info in infos}) < len(infos):
            raise InputError("holds one of its parts twice", code="workbook-broken", where=where,
                             hint="save it again from a spreadsheet program, or as .csv")
        for info in infos:
            # Every part is unpacked within its stated size once: openpyxl has no such bound.
            content = member_bytes(archive, info, where=where)
            if not info.filename.endswith((".xml", ".rels")):
                continue
            if any(word in content for word in _TYPED):
                raise InputError(
                    f"its part {info.filename!r} declares a document type or entity, which no "
                    "workbook needs", code="xml-doctype", where=where, hint="save it as .csv")
            formulas |= "worksheets/" in info.filename and any(f in content for f in _FORMULA)
    return formulas


def require_area(sheet: Any, *, where: str) -> None:
    """Raise `InputError` for a sheet whose used area is no table of one field."""
    if sheet.max_row * sheet.max_column > MOST_CELLS:
        raise InputError(
            f"sheet {sheet.title!r} spans {sheet.max_row} rows and {sheet.max_column} columns; at "
            f"most {MOST_CELLS:,} cells", code="workbook-too-large", where=where,
            hint="delete empty rows and columns at its end, or save it as .csv")


def _is_summary(row: Sequence[Any]) -> bool:
    """True for a row that is no sample: named "Average" and the like, or nothing but totals.

    Totals without a name: every cell that is filled is an aggregate of cells of other rows.
    """
    filled = [cell for cell in row if cell.value is not None and str(cell.value).strip()]
    words = [str(cell.value) for cell in filled if cell.data_type != "f"]
    if words and not_a_sample(" ".join(words[0].split())):
        return True
    return not words and all(_of_other_rows(cell) for cell in filled)


def _of_other_rows(cell: Any) -> bool:
    """True for a formula that aggregates a range of rows above or below its own."""
    if not _AGGREGATE.match(str(cell.value)):
        return False
    rows = [int(n) for pair in _RANGE.findall(str(cell.value)) for n in pair]
    return bool(rows) and not any(a <= cell.row <= b for a, b in zip(rows[::2], rows[1::2],
                                                                     strict=True))


def formula_findings(
    part: Part, sheet: Any, *, header: int, headings: Sequence[str], needed: Sequence[str],
) -> list[Finding]:
    """What is known of the formulas of the sheet that was read, below its headings.

    `needed` are the plain headings whose cells must have a value: a formula without one there
    raises `InputError` with its cells, since its number is in no file. A row that is no sample
    stops nothing: its number would not be used.
    """
    import openpyxl

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book = openpyxl.load_workbook(io.BytesIO(part.read()), data_only=False)
    counted = 0
    empty: dict[str, list[str]] = {}
    summaries: list[str] = []
    for row in book[sheet.title].iter_rows(min_row=header + 2, max_col=max(1, len(headings))):
        summary = _is_summary(row)
        for cell in row:
            if cell.data_type != "f":
                continue
            stored = sheet.cell(row=cell.row, column=cell.column)
            # A formula whose result is the empty text has a type of text; one never run has none.
            if stored.value is None and stored.data_type == "n":
                if summary:
                    summaries.append(cell.coordinate)
                else:
                    empty.setdefault(headings[cell.column - 1], []).append(cell.coordinate)
            else:
                counted += 1
    where = f"{part.name}, sheet {sheet.title!r}"
    wanted = [cell for heading, cells in empty.items()
              if " ".join(heading.split()).casefold() in needed for cell in cells]
    if wanted:
        raise InputError(
            f"formulas without a stored result: {listed(wanted)}", code="workbook-formula-empty",
            where=where, hint="open the workbook in a spreadsheet program and save it, so that "
            "results are stored, or paste the values; vrx calculates no formulas")
    findings: list[Finding] = []
    if empty:
        cells = listed(cell for found in empty.values() for cell in found)
        findings.append(warn("workbook-formula-empty", where,
                             f"formulas without a stored result: {cells}",
                             done="taken as empty cells",
                             todo="open and save the workbook in a spreadsheet program"))
    if summaries:
        findings.append(note("workbook-formula-empty", where, "formulas without a stored result in "
                             f"rows that sum up others: {listed(summaries)}",
                             done="taken as empty cells"))
    if counted:
        findings.append(note("workbook-formulas", where, f"{counted} cells are formulas",
                             done="their stored results are used"))
    return findings
