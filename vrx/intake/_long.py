"""The long form of a table, one row a result -> the wide form, one row a sample."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from vrx.formats.soil_methods import nearest, unit_spelled
from vrx.intake._convert import same_unit
from vrx.intake._gather import Result, Wide, gathered, unit_heading
from vrx.intake._raise import listed, raise_stops
from vrx.intake._table import Table, plain
from vrx.intake._unstated import tells_time_or_layer
from vrx.intake.spec import ColumnSpec, SoilSpec
from vrx.model import Finding, note, stop, warn


@dataclass(frozen=True, slots=True, kw_only=True)
class _Columns:
    """Positions of the columns of a long table; None where it has none."""

    analyte: int
    value: int
    unit: int | None
    method: int | None
    keys: tuple[int, ...]

    def said(self, cells: Sequence[str]) -> tuple[str, str, str, str]:
        """Analyte, method, value, unit of a row."""
        return (cells[self.analyte], "" if self.method is None else cells[self.method],
                cells[self.value], "" if self.unit is None else cells[self.unit])


def _columns(table: Table, spec: SoilSpec) -> _Columns:
    own = [table.index(h) for h in (spec.analyte_column, spec.value_column, spec.unit_column,
                                    spec.method_column) if h]
    keys = [table.index(h) for h in spec.places_and_names]
    # A column of depths or years that nobody stated must stay, so that it can be asked for.
    keys += [k for k, h in enumerate(table.headings)
             if "depth" in h.casefold() or tells_time_or_layer(h)]
    return _Columns(
        analyte=own[0], value=own[1],
        unit=None if spec.unit_column is None else table.index(spec.unit_column),
        method=None if spec.method_column is None else table.index(spec.method_column),
        keys=tuple(k for k in dict.fromkeys(keys) if k not in own))


def heading_of(analyte: str, method: str) -> str:
    """ "K, Mehlich 3": the heading of a column in the wide form."""
    return ", ".join(word for word in (analyte, method) if word)


def _chosen(
    analyte: str, column: ColumnSpec, texts: Counter[tuple[str, str]], spec: SoilSpec, where: str
) -> tuple[tuple[str, str] | None, list[Finding]]:
    """The (analyte, method) words of the table that the plan means, None if none, and findings."""
    wanted = plain(column.analyte_is or "")
    named = [pair for pair in texts if plain(pair[0]) == wanted]
    fit = [pair for pair in named
           if column.method_is is None or plain(pair[1]) == plain(column.method_is)]
    at = f"{where}, column {spec.analyte_column}"
    if not fit and column.optional:
        return None, [note("soil-column-absent", at, f"{column.analyte_is!r} does not occur",
                           done=f"no {analyte} read; the plan says optional")]
    if not fit and named:
        known = [method for _, method in named]
        return None, [stop("soil-method-not-in-column", f"{where}, column {spec.method_column}",
                           f"{column.method_is!r} does not occur with {column.analyte_is!r}",
                           todo=nearest(column.method_is or "", known))]
    if not fit:
        return None, [stop("soil-analyte-not-in-column", at, f"{column.analyte_is!r} of {analyte} "
                           "does not occur", todo=nearest(column.analyte_is or "", list(
                               dict.fromkeys(name for name, _ in texts))))]
    if len({plain(method) for _, method in fit}) > 1:
        told = ", ".join(f"{method or 'no method'}: {texts[name, method]} rows"
                         for name, method in fit)
        return None, [stop("soil-several-methods", at, f"{column.analyte_is!r} by {len(fit)} "
                           f"methods ({told}); choose one",
                           todo="state method_is, as it is written there")]
    return fit[0], []


@dataclass(slots=True, kw_only=True)
class _Read:
    """The rows of a long table, one result each."""

    results: list[Result]
    texts: Counter[tuple[str, str]]
    headings: dict[tuple[str, str], str]
    sources: list[int]
    bare: list[str]


def _read(table: Table, columns: _Columns) -> _Read:
    read = _Read(results=[], texts=Counter(), headings={}, sources=[], bare=[])
    for index, row in enumerate(table.rows):
        analyte, method, value, unit = columns.said(row.cells)
        if value and not analyte:
            read.bare.append(str(row.number))
            continue
        key = tuple(row.cells[k] for k in columns.keys)
        if table.places is not None:
            key = (*key, f"{table.places[index, 0]!r} {table.places[index, 1]!r}")
        heading = ""
        if analyte:
            read.texts[analyte, method] += 1
            # Spellings that differ in case or blanks are one column.
            heading = read.headings.setdefault(
                (plain(analyte), plain(method)), heading_of(analyte, method))
        read.results.append(
            Result(number=row.number, key=key, heading=heading, value=value, unit=unit))
        read.sources.append(index)
    return read


def _unstated_methods(table: Table, spec: SoilSpec, columns: _Columns) -> list[Finding]:
    """A stop where an analyte that is read occurs by several methods of an unstated column."""
    if columns.method is not None:
        return []
    wanted = {plain(column.analyte_is or "") for column in spec.columns.values()}
    for index, heading in enumerate(table.headings):
        if index in columns.keys or not re.search(r"(?i)method|extract(ant|ion)", heading):
            continue
        found: dict[str, Counter[str]] = {}
        for row in table.rows:
            analyte, method = plain(row.cells[columns.analyte]), row.cells[index]
            if analyte in wanted and method and row.cells[columns.value]:
                found.setdefault(analyte, Counter())[method] += 1
        for analyte, counts in found.items():
            if len({plain(method) for method in counts}) > 1:
                told = ", ".join(f"{method}: {count} rows" for method, count in counts.items())
                return [stop("soil-several-methods", f"{table.file}, column {heading}",
                             f"{analyte!r} by {len(counts)} methods ({told}); choose one",
                             todo="state this column as method_column, and method_is")]
    return []


def to_wide(table: Table, spec: SoilSpec) -> tuple[Table, SoilSpec, list[Finding]]:
    """A long table and its statement in the wide form. Raises `InputError` with every stop.

    Rows of one sample are those with the same cells in all columns of place, name, date and depth.
    """
    columns = _columns(table, spec)
    read = _read(table, columns)
    findings: list[Finding] = []
    if read.bare:
        findings.append(warn("soil-result-unnamed", table.file, "values without an analyte: "
                             f"{table.row_word} {listed(read.bare)}", done="left out"))
    findings += _unstated_methods(table, spec, columns)
    named = [table.headings[k] for k in columns.keys]
    name_at = columns.keys.index(table.index(spec.id_column)) if spec.id_column else None
    if table.places is not None:
        named.append("place")
    wide = gathered(read.results, named, where=table.file, word=table.row_word,
                    keep=spec.reruns, name_at=name_at)
    findings += wide.findings
    chosen: dict[str, ColumnSpec] = {}
    for analyte, column in spec.columns.items():
        pair, said = _chosen(analyte, column, read.texts, spec, table.file)
        findings += said
        if pair is not None:
            heading = read.headings[plain(pair[0]), plain(pair[1])]
            chosen[analyte], said = _with_unit(column, heading, wide, table.file)
            findings += said
    raise_stops(findings)
    used = {column.column for column in chosen.values()}
    others = Counter(r.heading for r in read.results if r.heading and r.heading not in used)
    if others:
        findings.append(note("soil-analytes-not-read", table.file, "also in the table: "
                             + listed(f"{h} ({n})" for h, n in others.items()), done="not read"))
    findings.append(note("soil-long-form", table.file, f"{len(table.rows)} rows of one result each",
                         done=f"read as {len(wide.rows)} rows of samples"))
    places = None if table.places is None else (
        table.places[[read.sources[k] for k in wide.firsts]])
    made = replace(table, headings=wide.headings, rows=wide.rows, units=(), places=places)
    return made, replace(spec, columns=chosen, analyte_column=None, value_column=None,
                         unit_column=None, method_column=None), findings


def _with_unit(
    column: ColumnSpec, heading: str, wide: Wide, where: str
) -> tuple[ColumnSpec, list[Finding]]:
    """An analyte's statement for the wide table, with the unit that its rows give."""
    index = wide.headings.index(heading)
    column = replace(column, column=heading, analyte_is=None, method_is=None)
    own = unit_heading(heading)
    if own in wide.headings:
        at = wide.headings.index(own)
        given = {r.cells[at] for r in wide.rows if r.cells[index]}
    else:
        given = {wide.units[index]}
    if column.unit is not None:
        stated = unit_spelled(column.unit) or column.unit
        strangers = [text for text in sorted(given - {""})
                     if not same_unit(unit_spelled(text) or text, stated)]
        if strangers:
            return column, [stop("soil-unit-conflict", f"{where}, {heading}",
                                 f"the rows say {listed(strangers)}, the plan says {column.unit}",
                                 todo="correct the unit in the plan, or the file; leave it out to "
                                 "take each row's own")]
        return column, []
    if own in wide.headings:
        return replace(column, unit_column=own), []
    text = next(iter(given))
    return (replace(column, unit=text), [note("soil-unit-from-file", f"{where}, {heading}",
                                             f"its rows say {text}", done="used")]
            ) if text else (column, [])
