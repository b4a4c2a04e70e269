"""A soil-test table -> samples in the field's CRS, each analyte in one unit and one form."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from vrx.errors import InputError
from vrx.formats.answers import command
from vrx.formats.soil_methods import nearest
from vrx.intake._contradictions import contradictions
from vrx.intake._convert import checked_column, same_unit
from vrx.intake._dates import age_findings, iso_dates
from vrx.intake._depths import conflict, is_sampling_depth, unstated_depths, use_of_depths
from vrx.intake._inside import judge, require_degrees
from vrx.intake._merge import group_censoring, group_mean, merged_names, place_of_each
from vrx.intake._one_cell import split_positions
from vrx.intake._places import Places, read_places, subset, without_zeros
from vrx.intake._points import joined, require_one_position
from vrx.intake._prepare import adapted, reshaped
from vrx.intake._raise import listed, raise_stops, stop_of
from vrx.intake._readings import Context, Readings, read_column
from vrx.intake._rows import (
    decimal_mark,
    not_left_out,
    optional_index,
    sample_ids,
    sample_rows,
)
from vrx.intake._table import Table, read_table
from vrx.intake._unit_rows import unit_said
from vrx.intake._unstated import unstated_columns
from vrx.intake._years import chosen_years, years_said
from vrx.intake.spec import ColumnSpec, SoilSpec
from vrx.model import (
    ANALYTES,
    Field,
    Finding,
    FloatArray,
    IntArray,
    SoilColumn,
    SoilTable,
    frozen_mapping,
    note,
    stop,
    warn,
)


def _check_headings(table: Table, spec: SoilSpec) -> None:
    findings: list[Finding] = []
    for heading in spec.needed:
        try:
            table.index(heading)
        except InputError as err:
            one = stop_of(err)
            if err.code == "table-column-missing":
                one = replace(one, todo=f"{one.todo}. {_other_column(spec, heading)}")
            findings.append(one)
    raise_stops(findings)


def _other_column(spec: SoilSpec, heading: str) -> str:
    """How the plan says that a heading is called otherwise, or that the table has none."""
    for analyte, column in spec.columns.items():
        if column.column == heading:
            return (f"Renamed: {command((f'soil.{analyte}.column', '...'))}; not in this table: "
                    f"{command((f'soil.{analyte}.optional', 'true'))}")
    own = next((key for key in type(spec).__dataclass_fields__
                if key.endswith("_column") and getattr(spec, key) == heading), "")
    return f"Renamed: {command((f'soil.{own}', '...'))}" if own else ""


def _file_unit(table: Table, column: ColumnSpec) -> str | None:
    """The unit that the file's own units row gives a column."""
    if not table.units:
        return None
    return unit_said(table.units[table.index(column.column)])


def _checked_columns(table: Table, spec: SoilSpec) -> tuple[dict[str, ColumnSpec], list[Finding]]:
    checked: dict[str, ColumnSpec] = {}
    findings: list[Finding] = []
    for analyte, column in spec.columns.items():
        if analyte not in ANALYTES:
            raise InputError(f"analyte {analyte!r} is not known", code="soil-analyte-unknown",
                             where=table.file, hint=nearest(analyte, ANALYTES))
        said = _file_unit(table, column)
        if column.unit is None and column.unit_column is None and said is not None:
            column = ColumnSpec(  # noqa: PLW2901 - the same statement, completed by the file
                column=column.column, unit=said, form=column.form, extractant=column.extractant,
                depth_in=column.depth_in, depth=column.depth,
                limit_of_detection=column.limit_of_detection)
            findings.append(note("soil-unit-from-file", f"{table.file}, column {column.column}",
                                 f"the units row says {said}", done="used"))
        checked[analyte], problems = checked_column(analyte, column, file=table.file)
        findings += problems
        unit = checked[analyte].unit
        if said is not None and unit is not None and not same_unit(said, unit):
            findings.append(stop("soil-unit-conflict", f"{table.file}, column {column.column}",
                                 f"the units row says {said}, the plan says {unit}",
                                 todo="correct the unit in the plan, or the file"))
    needs_cec = any(column.unit == "% saturation" for column in checked.values())
    if needs_cec and "cec" not in checked:
        findings.append(stop("soil-cec-missing", table.file, "a saturation needs the CEC column",
                             todo="state the column of cec"))
    raise_stops(findings)
    return checked, findings


def _column_texts(table: Table, rows: Sequence[int], heading: str | None) -> list[str]:
    index = optional_index(table, heading)
    return [table.rows[row].cells[index] if index is not None else "" for row in rows]


def _one_text(
    table: Table, rows: Sequence[int], stated: str | None, heading: str | None
) -> str:
    """A laboratory or report number: as stated, else the different values of its column."""
    if stated:
        return stated
    return ", ".join(dict.fromkeys(t for t in _column_texts(table, rows, heading) if t))


def _readings(
    table: Table, rows: Sequence[int], spec: SoilSpec, checked: dict[str, ColumnSpec], *,
    ids: Sequence[str], decimal: str, places: Places,
) -> tuple[dict[str, Readings], list[Finding]]:
    """All analytes of the rows; the CEC first, because a saturation needs it."""
    depths = _column_texts(table, rows, spec.depth_column)
    here = [f"{e:.7f} {n:.7f}" for e, n in zip(places.east, places.north, strict=True)]
    use, findings = use_of_depths(depths, here, spec, where=table.file)
    if spec.depth_column is None:
        for heading in table.headings:
            if is_sampling_depth(heading) and table.headings.count(heading) == 1:
                findings += unstated_depths(heading, _column_texts(table, rows, heading), here,
                                            spec, where=table.file)
    raise_stops(findings)
    found: dict[str, Readings] = {}
    for analyte in sorted(checked, key=lambda a: a != "cec"):
        column = checked[analyte]
        own = [d for d, k in zip(depths, use[analyte], strict=True) if k]
        findings += conflict(analyte, column, own, heading=spec.depth_column or "",
                             where=table.file, choice=spec.depth)
        if len(set(own)) > 1:
            counts = ", ".join(f"{d or 'no depth'}: {n} rows" for d, n in Counter(own).items())
            findings.append(warn("soil-depths-mixed", f"{table.file}, column {column.column}",
                                 f"samples differ in depth ({counts})",
                                 done="used together; each lb/ac by its own depth"))
        cec = found["cec"].values if "cec" in found else None
        context = Context(table=table, rows=rows, ids=ids, decimal=decimal, depths=depths,
                          depth_heading=spec.depth_column or "", cec=cec)
        found[analyte] = read_column(context, analyte, column, use[analyte])
        findings += found[analyte].findings
    raise_stops(findings)
    return {analyte: found[analyte] for analyte in checked}, findings


def _dates(
    table: Table, rows: Sequence[int], spec: SoilSpec
) -> tuple[list[str], list[Finding]]:
    where = f"{table.file}, column {spec.date_column}" if spec.date_column else table.file
    findings: list[Finding] = []
    if spec.date_column is None:
        day = spec.sampled_on.isoformat() if spec.sampled_on else ""
        dates = [day] * len(rows)
    else:
        texts = _column_texts(table, rows, spec.date_column)
        dates, findings = iso_dates(texts, where=where, order=spec.date_order, epoch=table.epoch)
        if spec.sampled_on:
            dates = [day or spec.sampled_on.isoformat() for day in dates]
    raise_stops(findings)
    return dates, findings


def _merged(values: Sequence[str], group: IntArray, count: int) -> tuple[str, ...]:
    """The earliest date of each group: the age that is safe to state."""
    out = [""] * count
    for value, k in zip(values, group, strict=True):
        out[k] = min((v for v in (out[k], value) if v), default="")
    return tuple(out)


def _ids_twice(ids: Sequence[str], where: str) -> list[Finding]:
    twice = [name for name, count in Counter(ids).items() if count > 1]
    if not twice:
        return []
    return [note("soil-id-twice", where, f"samples with one name: {listed(twice)}",
                 done="told apart by their place")]


def located(
    table: Table, spec: SoilSpec, field: Field, decimal: str
) -> tuple[Table, list[int], Places, list[Finding]]:
    """Table, rows that are samples with a place, those places, findings; stops are raised."""
    table, spec, before = split_positions(table, spec, field, decimal)
    rows, findings = sample_rows(table, spec, decimal)
    findings = [*before, *findings]
    rows, said = not_left_out(table, rows, spec)
    findings += said
    raise_stops(findings)
    if not rows:
        raise_stops([*findings, stop("soil-no-samples", table.file, "no row is a sample",
                                     todo="check the columns of id and coordinates")])
    table, rows, said = joined(table, rows, spec, field)
    findings += said
    places, said = read_places(table, rows, spec, field, decimal)
    findings += said
    names = sample_ids(table, [table.rows[r] for r in rows], spec)
    where = table.places_file or table.file
    good, said = without_zeros(places, names, field, where=where)
    findings += said
    rows = [row for row, k in zip(rows, good, strict=True) if k]
    if not rows:
        raise_stops([*findings, stop("soil-no-samples", table.file, "no sample has a position",
                                     todo="add the coordinates")])
    places = subset(places, good)
    numbers = [table.rows[row].number for row in rows]
    raise_stops(require_degrees(places, numbers, field, where=where,
                                within_m=spec.keep_outside_m))
    return table, rows, places, findings


def read_soil(
    *, path: Path, field: Field, spec: SoilSpec, season: int | None = None
) -> SoilTable:
    """The samples of a CSV, workbook or vector file that lie in `field`.

    Values come in the unit and form of `vrx.model.ANALYTES`; nothing is assumed about unit, form,
    extractant or depth. Rows that are no samples, positions at 0, samples outside and missing
    results are left out with findings; samples within `spec.merge_within_m` are merged. With
    `season` (a year), tests taken more than three years before its 1 January are warned of. Raises
    `InputError` that holds every stop found at that step.
    """
    path = Path(path)
    table = read_table(path, needed=spec.needed, sheet=spec.sheet, layer=spec.layer, crs=spec.crs,
                       need_places=spec.by_geometry and not spec.points, reruns=spec.reruns)
    spec, own = require_one_position(table, spec)
    spec, findings = adapted(table, spec)
    findings += own
    _check_headings(table, spec)
    decimal, said = decimal_mark(table, spec)
    findings = [*table.findings, *findings, *said]
    raise_stops(findings)
    read, stated = table, spec
    table, spec, said = reshaped(table, spec, field=field, decimal=decimal)
    findings += said
    checked, said = _checked_columns(table, spec)
    findings += [*said, *contradictions(read, stated, checked)]
    raise_stops(findings)
    table, rows, places, said = located(table, spec, field, decimal)
    findings += said
    ids = sample_ids(table, [table.rows[r] for r in rows], spec)
    east, north, kept, said = judge(places, ids, field, where=table.places_file or table.file,
                                    keep_outside_m=spec.keep_outside_m,
                                    only_inside=spec.only_inside)
    findings += said
    raise_stops(findings)
    rows = [row for row, k in zip(rows, kept, strict=True) if k]
    dates, said = _dates(table, rows, spec)
    findings += said
    years = years_said(
        spec, year_texts=_column_texts(table, rows, spec.year_column), dates=dates)
    use, said = chosen_years(
        spec, ids=[name for name, k in zip(ids, kept, strict=True) if k], dates=dates,
        year_texts=_column_texts(table, rows, spec.year_column),
        depths=_column_texts(table, rows, spec.depth_column), east=east[kept], north=north[kept],
        where=table.file)
    findings += said
    raise_stops(findings)
    kept[kept] = use
    rows = [row for row, k in zip(rows, use, strict=True) if k]
    dates = [day for day, k in zip(dates, use, strict=True) if k]
    ids = sample_ids(table, [table.rows[r] for r in rows], spec)
    east, north = east[kept], north[kept]
    raise_stops(unstated_columns(table, rows, spec, east=east, north=north))
    columns, said = _readings(table, rows, spec, checked, ids=ids, decimal=decimal,
                              places=subset(places, kept))
    findings += said
    where = f"{table.file}, column {spec.date_column}" if spec.date_column else table.file
    findings += age_findings(dates, season=season, where=where)
    made = _joined(table, rows, spec, file=path.name, checked=checked, columns=columns,
                   findings=findings, ids=ids, east=east, north=north, dates=dates)
    return replace(made, years=years, depths=_other_depths(table, rows, spec))


def _other_depths(table: Table, rows: Sequence[int], spec: SoilSpec) -> tuple[str, ...]:
    """The depths of the rows as written, in their order; () unless one of several is chosen."""
    chosen = spec.depth or any(column.depth for column in spec.columns.values())
    found = tuple(dict.fromkeys(
        text for text in _column_texts(table, rows, spec.depth_column) if text))
    return found if chosen and len(found) > 1 else ()


def _joined(
    table: Table, rows: Sequence[int], spec: SoilSpec, *, file: str,
    checked: dict[str, ColumnSpec], columns: dict[str, Readings], findings: list[Finding],
    ids: Sequence[str], east: FloatArray, north: FloatArray, dates: Sequence[str],
) -> SoilTable:
    """The table of samples that have a value, those at one place merged."""
    have = np.ones(len(rows), dtype=bool)
    if checked:
        have = np.any([np.isfinite(c.values) for c in columns.values()], axis=0)
    group = place_of_each(east[have], north[have], within_m=spec.merge_within_m)
    count = int(group.max()) + 1
    columns = {
        a: Readings(values=c.values[have], censored=c.censored[have], source=c.source,
                    findings=c.findings) for a, c in columns.items()
    }
    names, said = merged_names([n for n, k in zip(ids, have, strict=True) if k], group, count,
                               columns, within_m=spec.merge_within_m, where=table.file)
    findings = [*findings, *_ids_twice(names, table.file), *said]
    return SoilTable(
        file=file,
        sample_id=tuple(names),
        easting_m=group_mean(east[have], group, count),
        northing_m=group_mean(north[have], group, count),
        columns=frozen_mapping({
            analyte: SoilColumn(
                analyte=analyte, values=group_mean(c.values, group, count),
                censored=group_censoring(c, group, count),
                extractant=checked[analyte].extractant or "",
                depth_in=checked[analyte].depth_in or (0.0, 0.0), source=c.source)
            for analyte, c in columns.items()
        }),
        sampled_on=_merged([d for d, k in zip(dates, have, strict=True) if k], group, count),
        lab=_one_text(table, rows, spec.lab, spec.lab_column),
        report_number=_one_text(table, rows, spec.report_number, spec.report_column),
        findings=tuple(findings),
    )
