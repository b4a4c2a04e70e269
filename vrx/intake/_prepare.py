"""Any form of a soil table -> the wide form with one column of depth, as the reader wants it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from vrx.errors import InputError
from vrx.formats.soil_methods import nearest
from vrx.intake._depths import chosen_label, depth_of
from vrx.intake._inside import distances
from vrx.intake._lab_file import KIND, NAMED
from vrx.intake._long import to_wide
from vrx.intake._methods import completed
from vrx.intake._modus import LATITUDE, LONGITUDE, POINT_1, POINT_2
from vrx.intake._numbers import degrees_of, number_of
from vrx.intake._one_cell import ORDERS as POINT_ORDERS
from vrx.intake._places import Places, in_field_crs
from vrx.intake._raise import listed, raise_stops
from vrx.intake._table import Row, Table
from vrx.intake.spec import ColumnSpec, SoilSpec
from vrx.model import ANALYTES, Field, Finding, FloatArray, note, stop

_LENGTHS = {"in": 1.0, "cm": 1 / 2.54, "ft": 12.0}


def adapted(table: Table, spec: SoilSpec) -> tuple[SoilSpec, list[Finding]]:
    """The statement without optional columns that the table lacks; what a result file answers.

    A result file names its samples, depths, laboratory and report itself, and so they need not be
    stated.
    """
    findings: list[Finding] = []
    columns: dict[str, ColumnSpec] = {}
    for analyte, column in spec.columns.items():
        if column.optional and column.column and not _has(table, column.column):
            findings.append(note("soil-column-absent", table.file, f"has no column "
                                 f"{column.column!r}", done=f"no {analyte} read; the plan says "
                                 "optional"))
            continue
        columns[analyte] = column
    spec = replace(spec, columns=columns)
    if table.kind != KIND:
        return spec, findings
    if spec.analyte_column or spec.value_column:
        raise InputError("a result file has no column of analytes", code="soil-not-long",
                         where=table.file, hint="leave analyte_column and value_column out; name "
                         "each analyte's method code as its column")
    stated: Mapping[str, str | None] = {
        "id_column": spec.id_column, "lab_column": spec.lab_column or spec.lab,
        "depth_column": spec.depth_column or spec.depth_top_column,
        "report_column": spec.report_column or spec.report_number}
    own = {key: heading for key, heading in NAMED.items()
           if stated[key] is None and heading in table.headings}
    if (spec.by_geometry and not spec.points and LONGITUDE in table.headings
            and spec.point_order is None):
        own |= {"longitude_column": LONGITUDE, "latitude_column": LATITUDE}
    if own:
        findings.append(note("lab-keys-from-file", table.file, "the file itself names " + ", ".join(
            f"{key} {heading!r}" for key, heading in own.items()), done="used"))
    return replace(
        spec, id_column=own.get("id_column", spec.id_column),
        lab_column=own.get("lab_column", spec.lab_column),
        depth_column=own.get("depth_column", spec.depth_column),
        report_column=own.get("report_column", spec.report_column),
        longitude_column=own.get("longitude_column", spec.longitude_column),
        latitude_column=own.get("latitude_column", spec.latitude_column)), findings


def _has(table: Table, heading: str) -> bool:
    try:
        table.index(heading)
    except InputError as err:
        return err.code != "table-column-missing"
    return True


def reshaped(
    table: Table, spec: SoilSpec, *, field: Field, decimal: str
) -> tuple[Table, SoilSpec, list[Finding]]:
    """Wide table and statement: pivoted, depth in one column, points in a stated order, methods.

    Raises `InputError` that holds every stop of a step.
    """
    findings: list[Finding] = []
    if spec.analyte_column and spec.value_column:
        table, spec, said = to_wide(table, spec)
        findings += said
    elif spec.analyte_column or spec.value_column or any(
            column.analyte_is for column in spec.columns.values()):
        raise InputError("a table of one result a row needs both its columns",
                         code="soil-not-long", where=table.file,
                         hint="state analyte_column and value_column, and analyte_is of each")
    if spec.depth_top_column or spec.depth_bottom_column:
        table, spec, said = _one_depth(table, spec, decimal)
        findings += said
    if table.kind == KIND and spec.by_geometry and not spec.points and POINT_1 in table.headings:
        spec, said = points_in_order(table, spec, field)
        findings += said
    raise_stops(findings)
    table, spec, said = completed(table, spec)
    findings += said
    raise_stops(findings)
    spec, said = _depths_from_labels(table, spec)
    findings += said
    raise_stops(findings)
    return table, spec, findings


def _one_depth(
    table: Table, spec: SoilSpec, decimal: str
) -> tuple[Table, SoilSpec, list[Finding]]:
    """The table with a column "depth (top, bottom)" of labels such as "0-6 in"."""
    top, bottom = spec.depth_top_column, spec.depth_bottom_column
    if not (top and bottom):
        return table, spec, [stop("soil-depth-pair", table.file, "a depth needs top and bottom",
                                  todo="state depth_top_column and depth_bottom_column")]
    if spec.depth_column:
        return table, spec, [stop("soil-depth-pair", table.file,
                                  "depth_column and a pair of depth columns are both stated",
                                  todo="keep one of them")]
    if spec.depth_unit not in _LENGTHS:
        said = f"{spec.depth_unit!r} is not known" if spec.depth_unit else "is not stated"
        return table, spec, [stop("soil-depth-unit", f"{table.file}, column {top}",
                                  f"the unit of depth {said}",
                                  todo=nearest(spec.depth_unit or "in", _LENGTHS))]
    at = table.index(top), table.index(bottom)
    heading = f"depth ({top}, {bottom})"
    bad: list[str] = []
    rows: list[Row] = []
    for row in table.rows:
        cells = [row.cells[k] for k in at]
        ends = [number_of(cell, decimal) for cell in cells]
        label = ""
        if ends[0] is not None and ends[1] is not None and 0 <= ends[0] < ends[1]:
            label = f"{ends[0]:g}-{ends[1]:g} {spec.depth_unit}"
        elif any(cells):
            bad.append(f"{cells[0]!r} to {cells[1]!r} ({table.row_word} {row.number})")
        rows.append(Row(number=row.number, cells=(*row.cells, label)))
    units = (*table.units, "") if table.units else ()
    made = replace(table, headings=(*table.headings, heading), rows=tuple(rows), units=units)
    spec = replace(spec, depth_column=heading, depth_top_column=None, depth_bottom_column=None)
    if bad:
        return made, spec, [stop("soil-depth-pair", f"{table.file}, columns {top} and {bottom}",
                                 f"no layer: {listed(bad, most=5)}",
                                 todo="write top and bottom, the bottom being deeper")]
    return made, spec, []


def points_in_order(table: Table, spec: SoilSpec, field: Field) -> tuple[SoilSpec, list[Finding]]:
    """Coordinates of a result file in the stated order; a stop with counts where none is stated."""
    if spec.point_order == POINT_ORDERS[0]:
        return replace(spec, longitude_column=POINT_1, latitude_column=POINT_2), []
    if spec.point_order == POINT_ORDERS[1]:
        return replace(spec, longitude_column=POINT_2, latitude_column=POINT_1), []
    at = table.index(POINT_1), table.index(POINT_2)
    pairs = np.array([
        [np.nan if (v := degrees_of(row.cells[k], ".")) is None else v for k in at]
        for row in table.rows
    ])
    said = "; ".join(
        f"as {order}: {_inside(pairs[:, k], pairs[:, 1 - k], field, spec)} of {len(pairs)} "
        f"within {spec.keep_outside_m:g} m of the field"
        for k, order in enumerate(POINT_ORDERS))
    return spec, [stop("lab-point-order", table.file, "its points do not say which number is the "
                       f"longitude, and files differ. {said}",
                       todo='state point_order, "longitude latitude" or "latitude longitude"')]


def _inside(east: FloatArray, north: FloatArray, field: Field, spec: SoilSpec) -> int:
    from vrx.geo import WGS84

    fit = np.isfinite(east) & np.isfinite(north) & (np.abs(north) <= 90) & (np.abs(east) <= 360)
    if not fit.any():
        return 0
    places = Places(east=east[fit], north=north[fit], systems=(WGS84,), names=("", ""),
                    system_of=np.zeros(int(fit.sum()), dtype=np.int64))
    away = distances(*in_field_crs(places, field), field)
    return int((away <= spec.keep_outside_m).sum())


def _depths_from_labels(table: Table, spec: SoilSpec) -> tuple[SoilSpec, list[Finding]]:
    """The statement with `depth_in` where the table's own words give it with their unit."""
    heading = spec.depth_column
    if heading is None:
        return spec, []
    index = table.index(heading)
    labels = list(dict.fromkeys(c for row in table.rows if (c := row.cells[index])))
    columns: dict[str, ColumnSpec] = {}
    found: dict[str, str] = {}
    for analyte, column in spec.columns.items():
        choice = column.depth or spec.depth
        label = chosen_label(choice, labels, heading) if choice else (
            labels[0] if len(labels) == 1 else None)
        # A bare "0-6" states no unit; it stays for the user to state.
        known = depth_of(label, heading=heading) if label and label[-1:].isalpha() else None
        if column.depth_in is None and known is not None:
            column = replace(column, depth_in=known)  # noqa: PLW2901 - completed by the file
            found[analyte] = label or ""
        columns[analyte] = column
    tops = {read[0] for label in labels if (read := depth_of(label, heading=heading))}
    asked = [a for a, c in columns.items() if not (c.depth_in or c.depth or spec.depth)
             and ANALYTES.get(a) and ANALYTES[a].needs_extractant]
    if asked and len(tops) > 1:
        return spec, [stop("soil-several-depths", f"{table.file}, column {heading}",
                           f"{len(labels)} depths ({', '.join(labels)}); choose one",
                           todo="state the depth, as it is written there")]
    said = [note("soil-depth-from-file", f"{table.file}, column {heading}",
                 ", ".join(f"{analyte} {label}" for analyte, label in found.items()),
                 done="used as the depth")] if found else []
    return replace(spec, columns=columns), said
