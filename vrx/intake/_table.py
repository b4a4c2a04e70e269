"""Tables of any kind as text cells with their row numbers: CSV, workbook, vector attributes."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pyproj

from vrx.errors import InputError
from vrx.formats.soil_methods import nearest
from vrx.intake._crs import crs_for
from vrx.intake._file_kinds import refuse_other_kinds
from vrx.intake._files import Part, nested_zips, parts_of
from vrx.intake._numbers import Number
from vrx.intake._shape import Layer
from vrx.intake._text import cells_of, seen
from vrx.intake._unit_rows import headings_again, is_ruler, is_units
from vrx.intake._vector import LAYER_SUFFIXES, choose_layer, is_vector
from vrx.model import Finding, FloatArray, note, warn

TABLE_SUFFIXES = (".csv", ".txt", ".tsv", ".xlsx", ".xlsm")
_HEADER_WITHIN = 25
_MOST_COLUMNS = 16_384  # as many as a spreadsheet has
_BY_NUMBER = re.compile(r"column (\d{1,4})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row: its number as the user counts it in the file, and its cells, one a heading."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """A table. `units` is the units row or (). `places` (rows, 2) and `crs` are set by geometry.

    `decimal` is set where cells came as numbers; `delimiter` is "" unless the file is text. `kind`
    is "laboratory results" for a result file, whose columns are method codes, "points" for a layer
    of points. `places_file` is the file of the places if it is another, `places_names` its columns.
    `preamble` holds the texts above the headings, `position_order` the order in which one column
    held both coordinates ("" where none did).
    """

    file: str
    source: str
    row_word: str
    headings: tuple[str, ...]
    rows: tuple[Row, ...]
    units: tuple[str, ...] = ()
    decimal: str = ""
    delimiter: str = ""
    kind: str = ""
    epoch: datetime | None = None
    crs: pyproj.CRS | None = None
    places: FloatArray | None = None
    places_file: str = ""
    places_names: tuple[str, str] = ("geometry", "geometry")
    preamble: tuple[str, ...] = ()
    position_order: str = ""
    findings: tuple[Finding, ...] = ()

    def where(self, row: Row, heading: str = "") -> str:
        """ "soil.csv row 5, column K"."""
        column = f", column {heading}" if heading else ""
        return f"{self.file} {self.row_word} {row.number}{column}"

    def index(self, heading: str) -> int:
        """Position of a heading, or of "column 5". `InputError` if it is missing or there twice."""
        exact = [i for i, h in enumerate(self.headings) if h == heading]
        same = exact or [i for i, h in enumerate(self.headings) if plain(h) == plain(heading)]
        by_number = _BY_NUMBER.fullmatch(heading)
        if not same and by_number and 1 <= int(by_number[1]) <= len(self.headings):
            return int(by_number[1]) - 1
        if not same:
            known = [h for h in self.headings if h]
            raise InputError(f"has no column {heading!r}", code="table-column-missing",
                             where=self.file, hint=nearest(heading, known))
        if len(same) > 1:
            firsts = [next((r.cells[i] for r in self.rows if r.cells[i]), "") for i in same]
            raise InputError(
                f"heading {heading!r} is used {'twice' if len(same) == 2 else len(same)} "
                f"(columns {' and '.join(str(i + 1) for i in same)}; first values "
                f"{' and '.join(firsts)}); choose one", code="table-heading-twice",
                where=self.file, hint=" or ".join(f'"column {i + 1}"' for i in same)
                + " as the column's name tells which; or rename one of them in the file")
        return same[0]


def plain(heading: str) -> str:
    """A heading without case and spare blanks."""
    return " ".join(heading.replace("\ufeff", "").split()).casefold()


def wanted_headings(needed: Sequence[str]) -> set[str]:
    """The headings to look for: all needed ones but those told by their number."""
    return {plain(heading) for heading in needed if not _BY_NUMBER.fullmatch(heading)}


def text_of(value: object) -> str:
    """A typed value as the text that a person would have written."""
    if value is None:
        return ""
    if isinstance(value, int) and not isinstance(value, bool):
        return Number(value)
    if isinstance(value, float):
        if value != value:  # noqa: PLR0124 - NaN
            return ""
        whole = value.is_integer() and abs(value) < 1e15
        return Number(int(value)) if whole else Number(repr(value))
    if isinstance(value, datetime):
        midnight = (value.hour, value.minute, value.second) == (0, 0, 0)
        return value.date().isoformat() if midnight else value.isoformat()
    return value.isoformat() if isinstance(value, date) else " ".join(seen(str(value)).split())


def header_row(rows: Sequence[Sequence[str]], needed: Sequence[str]) -> int | None:
    """The first row that holds all needed headings, among the first rows that are not blank."""
    wanted = wanted_headings(needed)
    seen = 0
    for index, row in enumerate(rows):
        if not any(row):
            continue
        if wanted and wanted <= {plain(cell) for cell in row}:
            return index
        seen += 1
        if seen >= _HEADER_WITHIN:
            break
    return None


def likely_header(rows: Sequence[Sequence[str]]) -> int:
    """The first row as wide as the table's usual row: titles above a table fill fewer cells."""
    filled = [sum(1 for cell in row if cell) for row in rows[:60]]
    usual = max((n for n in filled), default=0)
    for index, count in enumerate(filled):
        if count >= 2 and count >= 0.6 * usual:
            return index
    return 0


def body(
    rows: Sequence[Sequence[str]], header: int, *, file: str, row_word: str = "row"
) -> tuple[tuple[str, ...], tuple[Row, ...], tuple[str, ...], list[Finding]]:
    """Headings, rows that are not blank, the units row or (), and findings."""
    headings = [cell.replace("\ufeff", "").strip() for cell in rows[header]]
    while headings and not headings[-1]:
        headings.pop()
    width = len(headings)
    if width > _MOST_COLUMNS:
        raise InputError(f"has {width} columns; at most {_MOST_COLUMNS} are read",
                         code="table-too-wide", where=file,
                         hint="is it turned on its side? One row a sample, one column a reading")
    kept: list[Row] = []
    units: tuple[str, ...] = ()
    findings: list[Finding] = []
    blank = 0
    again: list[int] = []
    for number, row in enumerate(rows[header + 1 :], header + 2):
        if not any(row):
            blank += 1
            continue
        if any(row[width:]):
            raise InputError(
                f"has {len(row)} cells, the headings are {width}", code="table-row-too-long",
                where=f"{file} {row_word} {number}",
                hint="a decimal comma in a file parted by commas? Put quotation marks around it")
        cells = tuple(row[:width]) + ("",) * (width - len(row))
        if is_ruler(cells) or (again and is_units(cells, ())) or headings_again(
                cells, headings, where=f"{file} {row_word} {number}"):
            again.append(number)
            continue
        if not units and is_units(cells, [row.cells for row in kept]):
            units = cells
            findings.append(note("table-units-row", f"{file} {row_word} {number}",
                                 "holds units, no sample", done="used as the units",
                                 value="; ".join(c for c in cells if c)))
            continue
        kept.append(Row(number=number, cells=cells))
    if again:
        findings.append(note("table-headings-again", file, f"{row_word} "
                             f"{', '.join(map(str, again[:12]))}: headings, units or a ruled line "
                             "once more", value=str(len(again)), done="left out"))
    findings += _short_rows(rows, header, file=file, row_word=row_word)
    if blank:
        findings.append(note("table-blank-rows", file, f"{blank} empty rows", done="left out"))
    return tuple(headings), tuple(kept), units, findings


def texts_above(rows: Sequence[Sequence[str]], header: int) -> tuple[str, ...]:
    """The texts above the headings: name, address, remarks."""
    return tuple(cell for row in rows[:header] for cell in row if cell)[:200]


def _short_rows(
    rows: Sequence[Sequence[str]], header: int, *, file: str, row_word: str
) -> list[Finding]:
    """A warning for single rows with fewer cells than all others: a lost cell moves the rest."""
    below = [(n, len(row), sum(map(bool, row))) for n, row in enumerate(
        rows[header + 1:], header + 2) if any(row)]
    if not below:
        return []
    usual = Counter(length for _, length, _ in below).most_common(1)[0][0]
    short = [n for n, length, filled in below if filled >= 3 and length < usual]
    if not short or 5 * len(short) > len(below):
        return []
    return [warn("table-row-short", file, f"{row_word} {', '.join(map(str, short[:12]))}: fewer "
                 f"cells than the {usual} of the other rows", value=str(len(short)),
                 done="taken as empty at the end", todo="was a cell lost and the rest moved?")]


def _text_table(part: Part, needed: Sequence[str]) -> Table:
    rows, delimiter, source, findings = cells_of(part.read(), where=part.name)
    header = header_row(rows, needed)
    if header is None:
        header = likely_header(rows)
    headings, kept, units, said = body(rows, header, file=part.name)
    findings.append(note("table-read", part.name, f"{source}, headings in row {header + 1}",
                         done="read"))
    return Table(file=part.name, source=source, row_word="row", headings=headings, rows=kept,
                 units=units, delimiter=delimiter, preamble=texts_above(rows, header),
                 findings=(*findings, *said))


def vector_table(layer: Layer, *, stated_crs: str | None, need_places: bool) -> Table:
    """The attributes of a vector layer; its points as `places` in `crs` where they are needed."""
    rows = tuple(
        Row(number=f.record, cells=tuple(text_of(f.properties.get(c)) for c in layer.columns))
        for f in layer.features
    )
    table = Table(file=layer.file, source=f"layer {layer.name}", row_word="record",
                  headings=layer.columns, rows=rows, findings=layer.findings,
                  kind="points" if layer.kind == "point" else "")
    if not need_places:
        return table
    if layer.kind in {"polygon", "line"}:
        raise InputError(f"layer {layer.name!r} holds {layer.kind}s, not sample points",
                         code="soil-not-points", where=layer.file,
                         hint="give the points where the samples were taken")
    crs, said = crs_for(layer, stated=stated_crs)
    places = np.full((len(rows), 2), np.nan)
    for k, feature in enumerate(layer.features):
        if len(feature.shape.points) == 1:
            places[k] = feature.shape.points[0]
        elif len(feature.shape.points) > 1:
            raise InputError("is a bundle of several points", code="soil-not-points",
                             where=f"{layer.file} record {feature.record}",
                             hint="export one point a record")
    return replace(table, crs=crs, places=places, findings=(*layer.findings, *said))


def read_table(
    path: Path,
    *,
    needed: Sequence[str] = (),
    sheet: str | None = None,
    layer: str | None = None,
    crs: str | None = None,
    need_places: bool = False,
    reruns: str = "mean",
) -> Table:
    """A table of any kind. `needed` headings help to find the header row and the sheet.

    `reruns` ("mean" or "last") says what becomes of results that a result file gives twice.

    Raises `InputError` for what is no table, an empty file or one without rows.
    """
    parts = parts_of(path)
    refuse_other_kinds(path)
    from vrx.intake._lab_file import lab_part, lab_table

    results = lab_part(parts)
    if results is not None:
        return lab_table(results, keep=reruns)
    tables = [part for part in parts if part.suffix in TABLE_SUFFIXES]
    vectors = is_vector(path) and any(
        p.suffix in LAYER_SUFFIXES for p in parts)
    if vectors and not (tables and layer is None and not need_places):
        found = choose_layer(path, layer=layer, kinds=("point", "none", "polygon"))
        table = vector_table(found, stated_crs=crs, need_places=need_places)
    else:
        if not tables and len(parts) == 1 and not is_vector(path):
            tables = list(parts)
        if len(tables) != 1:
            names = "; ".join(part.name for part in tables) or "none"
            raise InputError(f"holds {len(tables)} tables: {names}", code="table-several",
                             where=path.name, hint=(not tables and nested_zips(parts))
                             or "give one file")
        if tables[0].suffix in {".xlsx", ".xlsm"}:
            from vrx.intake._workbook import workbook_table

            table = workbook_table(tables[0], needed=needed, sheet=sheet)
        else:
            table = _text_table(tables[0], needed)
    if not table.rows:
        raise InputError("holds headings but no rows", code="table-no-rows", where=table.file,
                         hint="export it again")
    return table
