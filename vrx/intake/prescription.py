"""Prescription polygons come back: zones as drawn, and their rates, from any open format."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

from vrx.errors import InputError
from vrx.formats import iso11783
from vrx.formats import task_data as task_facts
from vrx.intake._raise import listed
from vrx.intake._rate_layers import is_task_rate
from vrx.intake.polygons import ZoneShapes, read_zone_shapes
from vrx.model import Field, Finding, FloatArray, note

_SAME_RATE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilePrescription:
    """Polygons (n,) in the field's CRS with a label each; `rates` (n,) by column, in its `unit`.

    `labels` are the labels as text; nothing of the file is changed.
    """

    file: str
    polygons: tuple[shapely.Polygon | shapely.MultiPolygon, ...]
    labels: tuple[str, ...]
    rates: dict[str, FloatArray]
    unit: str
    findings: tuple[Finding, ...] = ()


def read_prescription(
    *, path: Path, field: Field, columns: Sequence[str], unit: str, layer: str | None = None,
    crs: str | None = None, label_column: str | None = None,
) -> FilePrescription:
    """Polygons and rates of a shapefile, GeoJSON, GeoPackage, GeoParquet, KML, raster of rates or
    task data.

    `unit` is what the user says that `columns` are in; the integers of task data are converted to
    it by their DDI. Columns of task data are called by DDI and product ("0006 PDT1"), that of a
    raster "RATE". Raises `InputError` for a column that is not there, and for a polygon without a
    rate, with text, a negative or an infinite one.
    """
    read = read_zone_shapes(path=path, field=field, layer=layer, crs=crs,
                            label_column=label_column, crossing=None)
    if unit not in iso11783.UNITS:
        raise InputError(f"{unit!r} is no unit of a rate", code="prescription-unit",
                         where=read.file, hint=f"known: {', '.join(iso11783.UNITS)}")
    rates = {name: _rates(read, name, unit) for name in columns}
    return FilePrescription(file=read.file, polygons=read.polygons, labels=read.labels, rates=rates,
                            unit=unit, findings=read.findings)


def _rates(read: ZoneShapes, column: str, unit: str) -> FloatArray:
    if column not in read.columns:
        raise InputError(f"has no column {column!r}", code="prescription-column-unknown",
                         where=read.file, hint=f"columns: {listed(list(read.columns))}")
    of_task = read.file.upper() == task_facts.RECORD or is_task_rate(column)
    found = []
    for label, feature in zip(read.labels, read.features, strict=True):
        where = f"{read.file}, polygon {feature.record} {label!r}, column {column}"
        value = feature.properties.get(column)
        if value is None or isinstance(value, bool) or not isinstance(value, int | float) or (
                not math.isfinite(value) or value < 0):
            shown = "no rate" if value is None else f"{str(value)[:40]!r}"
            raise InputError(f"has {shown}: every zone needs a number of 0 or more",
                             code="prescription-rate", where=where,
                             hint="mend the file, or take the polygon out; 0 is off")
        number = float(value)
        if of_task and is_task_rate(column):
            number = iso11783.rate_from_raw(int(value), unit, column.partition(" ")[0], where=where)
        found.append(number)
    return np.array(found, dtype=np.float64)


def rates_for_zones(
    *, read: FilePrescription, column: str, zones: Sequence[shapely.Geometry],
    names: Sequence[str], shared: tuple[np.ndarray, np.ndarray, np.ndarray], least_share: float,
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """The rate (zones,) of each zone: that of the polygons it lies in.

    `shared` are (polygon, zone, area) of what they share. A zone must lie by `least_share` of its
    area in polygons of one rate: else `InputError`, since a mean would be a rate that nobody wrote.
    """
    polygon, zone, area = shared
    rate = read.rates[column]
    found = np.zeros(len(zones))
    told: list[Finding] = []
    for k, (shape, name) in enumerate(zip(zones, names, strict=True)):
        own = zone == k
        kinds, inverse = np.unique(rate[polygon[own]], return_inverse=True)
        where = f"zone {name}"
        if not len(kinds):
            raise InputError(f"{where} lies in no polygon of the file", code="prescription-bare",
                             where=f"{read.file}, column {column}",
                             hint="give it a polygon with a rate; 0 is off")
        by_rate = np.bincount(inverse, weights=area[own])
        main = int(by_rate.argmax())
        share = float(by_rate[main] / shape.area)
        if share < least_share:
            others = ", ".join(f"{value:g} on {100 * part / shape.area:.1f} %"
                               for value, part in zip(kinds, by_rate, strict=True))
            raise InputError(f"{where} has no one rate in the file: {others}",
                             code="prescription-several-rates",
                             where=f"{read.file}, column {column}",
                             hint="draw zones along the file's polygons: from = \"own polygons\" "
                             "with the same file")
        if share < 1 - _SAME_RATE:
            told.append(note("prescription-edges", f"{read.file}, {where}",
                             f"{100 * share:.4f} % of it lies in polygons of {kinds[main]:g}",
                             done="that rate is taken for the whole zone"))
        found[k] = kinds[main]
    return found, tuple(told)
