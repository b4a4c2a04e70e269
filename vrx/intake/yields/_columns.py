"""Chosen columns of a log as arrays: text in pieces by a compiled parser, the rest by `_table`."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyproj

from vrx.errors import InputError
from vrx.intake._files import MOST_FILE_BYTES, Part, parts_of
from vrx.intake._numbers import decide_mark, mark_of
from vrx.intake._raise import raise_stops
from vrx.intake._table import TABLE_SUFFIXES, Table, body, header_row, likely_header, read_table
from vrx.intake._text import cells_of, decoded
from vrx.intake._vector import is_vector
from vrx.intake.yields._cells import (
    SPELLED_MISSING,
    LabelColumn,
    NumberColumn,
    TimeColumn,
    unreadable,
)
from vrx.intake.yields.spec import PlaceColumns
from vrx.model import Finding, FloatArray, IntArray, note

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

Progress = Callable[[str, float], None]
"""Called with the step in words and the share of it that is done, 0 to 1."""

MOST_READINGS = 5_000_000
PIECE = 250_000
_HEAD_BYTES = 1 << 17


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """The headings to read, by what they hold."""

    numbers: tuple[str, ...] = ()
    degrees: tuple[str, ...] = ()
    labels: tuple[str, ...] = ()
    moments: tuple[str, ...] = ()
    moment_unit: str = "ISO 8601"

    @property
    def every(self) -> tuple[str, ...]:
        """All headings once."""
        return tuple(dict.fromkeys((*self.numbers, *self.degrees, *self.labels, *self.moments)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LogTable:
    """Columns of a log by heading, (n,); `places` (n, 2) in `crs` where geometry gives them."""

    file: str
    row_word: str
    record: IntArray
    numbers: dict[str, FloatArray]
    labels: dict[str, tuple[IntArray, tuple[str, ...]]]
    moments: dict[str, FloatArray]
    crs: pyproj.CRS | None = None
    places: FloatArray | None = None
    findings: tuple[Finding, ...] = ()


class _Sink:
    """Gathers pieces of all wanted columns."""

    def __init__(self, wanted: Wanted, decimal: str) -> None:
        self.numbers = {
            h: NumberColumn(heading=h, decimal=decimal, degrees=h in wanted.degrees)
            for h in (*wanted.numbers, *wanted.degrees)
        }
        self.labels = {h: LabelColumn(heading=h) for h in wanted.labels}
        self.moments = {
            h: TimeColumn(heading=h, unit=wanted.moment_unit) for h in wanted.moments}
        self.record: list[IntArray] = []

    def add(self, frame: pd.DataFrame, record: IntArray) -> None:
        self.record.append(record)
        for heading, column in self.numbers.items():
            column.add(frame[heading], record)
        for heading, labels in self.labels.items():
            labels.add(frame[heading])
        for heading, moments in self.moments.items():
            moments.add(frame[heading], record)

    def table(self, *, file: str, row_word: str, findings: Iterable[Finding]) -> LogTable:
        record = np.concatenate(self.record) if self.record else np.empty(0, dtype=np.int64)
        if not len(record):
            raise InputError("holds headings but no rows", code="table-no-rows", where=file,
                             hint="export it again")
        columns: list[NumberColumn | TimeColumn] = [
            *self.numbers.values(), *self.moments.values()]
        units, said = unreadable(columns, file=file, row_word=row_word, first=int(record[0]))
        raise_stops(said)
        skip = int(units)
        return LogTable(
            file=file, row_word=row_word, record=record[skip:],
            numbers={h: c.values()[skip:] for h, c in self.numbers.items()},
            labels={h: (c.values()[0][skip:], c.values()[1]) for h, c in self.labels.items()},
            moments={h: c.values()[skip:] for h, c in self.moments.items()},
            findings=(*findings, *said))


def _mark(
    table: Table, wanted: Wanted, stated: str | None
) -> str:
    """The decimal mark over all columns of the first rows. `InputError` where nothing decides."""
    if stated is not None or table.decimal:
        return stated or table.decimal
    named = [(h, [row.cells[k] for row in table.rows]) for k, h in enumerate(table.headings)]
    mark, dot, comma = decide_mark(named, delimiter=table.delimiter)
    if dot and comma:
        raise InputError(f"decimal points ({dot}) and decimal commas ({comma}) in one table",
                         code="table-decimal-mixed", where=table.file,
                         hint="write all numbers with one decimal mark")
    for heading in (*wanted.numbers, *wanted.degrees) if not mark else ():
        index = table.index(heading)
        cell = next((r.cells[index] for r in table.rows if mark_of(r.cells[index]) == "?"), None)
        if cell is not None:
            raise InputError(f"{cell!r} can be read with a decimal point or a decimal comma",
                             code="table-decimal-unclear", where=f"{table.file}, column {heading}",
                             hint='state decimal_mark, "." or ","')
    return mark or "."


def _head(part: Part, needed: Sequence[str]) -> tuple[Table, int, int]:
    """Headings and first rows of a text table, where the headings stand, and the widest row."""
    if part.member:
        data = part.read()
    else:
        try:
            if part.path.stat().st_size > MOST_FILE_BYTES:
                part.read()  # raises with its own words
            with part.path.open("rb") as stream:
                data = stream.read(_HEAD_BYTES)
        except OSError:
            data = part.read()  # raises with its own words
    wide = data[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in data[:200]
    if wide and not part.member:
        data = part.read()
    elif len(data) >= _HEAD_BYTES and not wide:
        data = data[: data.rfind(b"\n", 0, _HEAD_BYTES) + 1] or data
    rows, delimiter, source, findings = cells_of(data, where=part.name)
    header = header_row(rows, needed)
    header = likely_header(rows) if header is None else header
    headings, kept, _, _ = body(rows, header, file=part.name)
    findings = [*findings, note("table-read", part.name,
                                f"{source}, headings in row {header + 1}", done="read")]
    table = Table(file=part.name, source=source, row_word="row", headings=headings, rows=kept,
                  delimiter=delimiter, findings=tuple(findings))
    return table, header, max(len(row) for row in rows[header:])


def _frames(
    stream: io.StringIO | Path, *, table: Table, header: int, width: int, decimal: str,
    places: dict[str, int], wanted: Wanted,
) -> Iterable[pd.DataFrame]:
    import pandas as pd

    words = {str(places[h]) for h in (*wanted.labels, *wanted.moments)}
    numbers = {str(places[h]) for h in (*wanted.numbers, *wanted.degrees)}
    # Without usecols: with it the parser cuts rows that are too long and says nothing.
    reader = pd.read_csv(
        stream, sep=table.delimiter, header=None, names=[str(k) for k in range(width)],
        skiprows=header + 1, skip_blank_lines=False, skipinitialspace=True, decimal=decimal,
        dtype=dict.fromkeys(words - numbers, "str"), keep_default_na=False,
        na_values={k: list(SPELLED_MISSING) for k in numbers}, low_memory=False,
        chunksize=PIECE, encoding="utf-8-sig")
    with reader:
        yield from reader


def _text_log(
    part: Part, wanted: Wanted, stated: str | None, progress: Progress | None
) -> LogTable:
    import pandas as pd

    table, header, width = _head(part, wanted.every)
    places = {heading: table.index(heading) for heading in wanted.every}
    decimal = _mark(table, wanted, stated)
    plain = table.source.startswith("UTF-8") and not part.member
    streams: list[Callable[[], io.StringIO | Path]] = [
        lambda: io.StringIO(decoded(part.read(), where=part.name)[0], newline="")]
    if plain:
        streams.insert(0, lambda: part.path)
    for attempt, opened in enumerate(streams):
        sink, blank, first = _Sink(wanted, decimal), 0, header + 2
        try:
            for frame in _frames(opened(), table=table, header=header, width=width,
                                 decimal=decimal, places=places, wanted=wanted):
                record = first + np.arange(len(frame), dtype=np.int64)
                first += len(frame)
                _require_few(first - header - 2, part.name)
                own = pd.DataFrame({h: frame[str(k)] for h, k in places.items()}, copy=False)
                empty = own.replace("", np.nan).isna().all(axis=1).to_numpy()
                blank += int(empty.sum())
                sink.add(own[~empty] if empty.any() else own, record[~empty])
                if progress is not None:
                    progress(f"reading {part.name}", _share(part, first - header - 2, table))
            break
        except pd.errors.EmptyDataError:
            break
        except UnicodeDecodeError:
            # The first lines were plain; a later one is not UTF-8.
            if attempt + 1 == len(streams):
                raise
        except pd.errors.ParserError as err:
            raise InputError(f"cannot be parted into cells: {err}", code="table-row-too-long",
                             where=part.name, hint="a decimal comma in a file parted by commas? "
                             "Put quotation marks around it") from err
    findings = list(table.findings)
    if blank:
        findings.append(note("table-blank-rows", part.name, f"{blank} empty rows",
                             done="left out"))
    return sink.table(file=part.name, row_word="row", findings=findings)


def _share(part: Part, rows: int, table: Table) -> float:
    """About how much has been read, from the length of the first rows."""
    if part.member or not table.rows:
        return 1.0
    size = part.path.stat().st_size
    per_row = min(size, _HEAD_BYTES) / len(table.rows)
    return min(rows * per_row / max(size, 1), 1.0)


def _require_few(rows: int, file: str) -> None:
    if rows > MOST_READINGS:
        raise InputError(f"holds more than {MOST_READINGS:,} readings", code="layer-too-many",
                         where=file, hint="cut it to one field and one harvest first")


def read_columns(
    path: Path, *, wanted: Wanted, places: PlaceColumns, progress: Progress | None = None
) -> LogTable:
    """The wanted columns of a CSV, TSV, workbook or vector file of points.

    Raises `InputError` for missing headings, cells that are no numbers, and beyond
    `MOST_READINGS` rows.
    """
    text = [p for p in parts_of(path) if p.suffix in TABLE_SUFFIXES and p.suffix[:4] != ".xls"]
    if len(text) == 1 and not places.by_geometry:
        return _text_log(text[0], wanted, places.decimal_mark, progress)
    if text and places.by_geometry and not is_vector(path):
        raise InputError("its columns of coordinates are not stated", code="layer-no-coordinates",
                         where=path.name, hint="state longitude_column and latitude_column, or "
                         "easting_column, northing_column and crs")
    table = read_table(path, needed=wanted.every, sheet=places.sheet, layer=places.layer,
                       crs=places.crs, need_places=places.by_geometry)
    return _of_table(table, wanted, places)


def _of_table(table: Table, wanted: Wanted, places: PlaceColumns) -> LogTable:
    import pandas as pd

    _require_few(len(table.rows), table.file)
    decimal = _mark(table, wanted, places.decimal_mark)
    index = {heading: table.index(heading) for heading in wanted.every}
    frame = pd.DataFrame({
        heading: pd.Series([row.cells[k] for row in table.rows], dtype=object)
        for heading, k in index.items()
    })
    sink = _Sink(wanted, decimal)
    sink.add(frame, np.array([row.number for row in table.rows], dtype=np.int64))
    made = sink.table(file=table.file, row_word=table.row_word, findings=table.findings)
    own = None if table.places is None else table.places[len(table.places) - len(made.record):]
    return LogTable(
        file=made.file, row_word=made.row_word, record=made.record, numbers=made.numbers,
        labels=made.labels, moments=made.moments, crs=table.crs, places=own,
        findings=made.findings)
