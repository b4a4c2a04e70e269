"""Tables for spreadsheets: CSV that no program takes for formulas, read back by another reader."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

from vrx.errors import ExportError
from vrx.formats.crew import printable, safe_cell


def write_table(path: Path, columns: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Rows as CSV (UTF-8 with a mark), read back and compared. None is an empty cell.

    Texts that begin with =, +, -, @ or a blank get an apostrophe; numbers stay numbers. Raises
    `ExportError` where the file does not hold what was meant.
    """
    import pandas as pd

    meant = [
        ["" if cell is None else safe_cell(printable(cell)) if isinstance(cell, str)
         else str(cell) for cell in row] for row in rows
    ]
    # The mark at the beginning lets spreadsheets read the letters of names rightly.
    with path.open("w", encoding="utf-8-sig", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\r\n")
        writer.writerow(columns)
        writer.writerows(meant)
    read = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    got = read.to_numpy().tolist()
    same = list(read.columns) == list(columns) and [
        [_one_line(cell) for cell in row] for row in got
    ] == [[_one_line(cell) for cell in row] for row in meant]
    if not same:
        raise ExportError(
            "read back after writing, it differs: cells are not those that were written",
            code="export-differs", where=str(path),
            hint="nothing was replaced; try again, and on another disk",
        )


def _one_line(text: str) -> str:
    # A line break within a cell may come back as another one.
    return text.replace("\r\n", "\n").replace("\r", "\n")
