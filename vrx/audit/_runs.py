"""The other formats of a run held against its job record: GeoPackage, GeoParquet, rasters, tasks.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import shapely

from vrx.audit import (
    _crs,
    _files,
    _geopackage,
    _geoparquet,
    _outside,
    _raster,
    _raster_maps,
    _raster_record,
    _record,
    _sources,
    _task,
)
from vrx.audit._layers import Layer, Record
from vrx.audit._ledger import Ledger, number
from vrx.errors import MissingExtra
from vrx.formats import layer as facts
from vrx.formats import task_data as task_facts
from vrx.formats.iso11783 import rate_from_raw

GRID_PCT = 2.0
_TASK = re.compile(r"task \S+ P(\d+(?:\+P\d+)*)(?: |$)")


def paths_of(record: _record.RunRecord, kind: str, ending: str) -> list[str]:
    """Recorded files of a format with an ending."""
    return sorted(path for path, node in record.files.items()
                  if node.get("format") == kind and path.lower().endswith(ending))


def vector_layers(run: Path, record: _record.RunRecord, ledger: Ledger) -> list[Layer]:
    """The prescription of GeoPackage and GeoParquet, which both must be in WGS 84."""
    found: list[tuple[Layer | None, str | None]] = [
        _geopackage.read(run / path, path, ledger, table=facts.LAYER_NAME)
        for path in paths_of(record, "geopackage", ".gpkg") if (run / path).is_file()
    ]
    for path in paths_of(record, "geoparquet", ".parquet"):
        if (run / path).is_file():
            try:
                found.append(_geoparquet.read(_sources.sized_bytes(run / path), path, ledger))
            except MissingExtra as err:
                ledger.doubt("format-unread", path, f"{err.message}: only its bytes were judged",
                             todo=err.hint)
    return [layer for layer, system in found
            if layer is not None and _in_wgs84(layer, system, ledger)]


def _in_wgs84(layer: Layer, system: str | None, ledger: Ledger) -> bool:
    kind = "unknown" if system is None else _crs.judge(system).kind
    if not ledger.text("coordinate system", layer.name, found=kind, expected="wgs84"):
        ledger.fault("crs-wrong", layer.name, f"is {kind}; a prescription is in WGS 84 longitude "
                     "and latitude")
    return True


def check_tasks(
    run: Path, record: _record.RunRecord, reference: Layer | None, ledger: Ledger
) -> bool:
    """Task data against the record, rate by rate; gives whether there are any.

    `reference` is a layer of the same run whose zones the places of the task data are looked up in.
    """
    folders = {Path(path).parent for path in paths_of(record, "iso11783", task_facts.RECORD.lower())
               if (run / path).is_file()}
    for folder in sorted(folders):
        for layer in _task.read(run / folder, folder.as_posix(), ledger):
            check_task(layer, record, reference, ledger)
    return bool(folders)


def check_rasters(
    run: Path, record: _record.RunRecord, reference: Layer | None, ledger: Ledger
) -> bool:
    """GeoTIFFs of rates and of zones against the record; gives whether one holds rates.

    Every pass has a raster of its own where there are any. `reference` as in `check_tasks`.
    """
    seen: set[str] = set()
    for path in paths_of(record, "geotiff", ".tif"):
        if not Path(path).name.startswith("map_") and (run / path).is_file():
            raster = _raster.read(_sources.sized_bytes(run / path), path, ledger)
            line = None if raster is None else _raster_record.check(
                raster, record, reference, ledger)
            seen |= set() if line is None else {line.pass_id}
    for line in record.passes:
        if seen and line.pass_id not in seen:
            ledger.fault("raster-pass", run.name, f"no raster holds the rates of {line.place}",
                         todo="export again")
    return bool(seen)


def check_maps(
    run: Path, record: _record.RunRecord, reference: Layer | None, ledger: Ledger
) -> None:
    """GeoTIFFs of soil tests against the record's maps and readings; every map has its raster.

    `reference` as in `check_tasks`.
    """
    told: list[str] = []
    unread: list[str] = []
    seen = set()
    paths = _files.maps(record)
    for path in paths:
        if (run / path).is_file():
            raster = _raster.read(_sources.sized_bytes(run / path), path, ledger)
            if raster is not None:
                seen.add(raster.cells.tags.get("ANALYTE"))
                worked = _raster_maps.check(raster, record, reference, ledger)
                (told if worked else unread).append(path)
    for one in record.maps if paths else ():
        if one.get("analyte") not in seen:
            ledger.fault("map-unrecorded", run.name, f"no raster holds the map of "
                         f"{one.get('analyte')}", todo="export again")
    _raster_maps.unread(told, ledger)
    if unread:
        ledger.remark("format-unread", ", ".join(unread), "maps of soil tests: no layer of zones, "
                      "or no reading of zones in the job record, to work them out with")


def check_task(
    layer: Layer, record: _record.RunRecord, reference: Layer | None, ledger: Ledger
) -> None:
    """One task against the record: acres, the rates of each zone, and those without a map.

    `reference` as in `check_tasks`.
    """
    if layer.gridded:
        ledger.shown("acres by cells", layer.name, "ac", layer.area_ac)
    else:
        ledger.figure(
            "acres of the field in the job record against all polygons", layer.name, "ac",
            found=record.area_ac, expected=layer.area_ac, pct=facts.FIELD_AREA_TOLERANCE * 100.0)
    zones = {} if layer.gridded or reference is None else _zones(layer, reference, ledger)
    for column, product in layer.products.items():
        line = _pass_of(layer, product, record, ledger)
        if line is not None:
            _rates_of(layer, column, line, zones, ledger)
            _outside.check_task(layer, column, line, ledger)
    if layer.gridded and not ledger.figure(
            "acres of cells outside the field with another rate than the one outside", layer.name,
            "ac", found=layer.stray_ac, expected=0.0, within=_raster.OUTSIDE_AC):
        ledger.fault("outside", layer.name, f"{layer.stray_ac:.4f} ac of cells outside the field "
                     "hold another rate than the task's for outside",
                     todo="run again; do not load this folder")


def _pass_of(
    layer: Layer, product: str, record: _record.RunRecord, ledger: Ledger
) -> _record.PassLine | None:
    """The pass that a task's product stands for: by the numbers in its name and the material."""
    named = _TASK.search(layer.name)
    numbers = {int(one) for one in named.group(1).split("+P")} if named else set()
    found = [one for one in record.passes if not numbers or one.number in numbers]
    found = [one for one in found if task_facts.designator(one.material) == product] or (
        found if len(found) == 1 else [])
    if len(found) == 1:
        return found[0]
    ledger.fault("task-pass", f"{layer.name}, {product}",
                 "is no one pass of the job record" if not found else
                 f"may be pass {' or '.join(str(one.number) for one in found)}",
                 todo="the task data are of another run, or were changed")
    return None


def _zones(layer: Layer, reference: Layer, ledger: Ledger) -> dict[int, int]:
    """Record number → zone of the reference in which the record's polygon lies."""
    held = [one for one in reference.records if one.shape is not None and one.zone_id is not None]
    tree = shapely.STRtree([one.shape for one in held])
    found: dict[int, int] = {}
    for one in layer.records:
        if one.shape is None or not one.shape.is_valid:
            continue
        at = tree.query(one.shape.representative_point(), predicate="intersects")
        zone = held[int(at[0])].zone_id if len(at) else None
        if zone is None:
            ledger.fault("outside", f"{layer.name}, {one.name}", "lies in no zone of the field")
        else:
            found[one.number] = zone
    return found


def _rates_of(
    layer: Layer, column: str, line: _record.PassLine, zones: dict[int, int], ledger: Ledger
) -> None:
    """Each rate is the pass's in that zone, to half a raw value; totals follow."""
    where = f"{layer.name}, {line.place}"
    ledger.text("unit", where, found=layer.units.get(column, "unknown"), expected=line.unit)
    half = 0.5 * rate_from_raw(1, line.unit, task_facts.SETPOINT[line.unit]) * (1.0 + 1e-9)
    meant = {zone: steps * line.step for zone, steps in line.steps.items()}
    good = 0
    for one in layer.records:
        rate = number(one.values.get(column))
        zone = zones.get(one.number)
        choices = list(meant.values()) if zone is None else [meant.get(zone, math.nan)]
        # Ground outside the field has the rate of no zone.
        fits = any(abs(rate - choice) <= half for choice in choices) or (
            layer.gridded and rate == 0.0)
        good += fits
        if not fits:
            ledger.fault("rate-unrecorded", f"{layer.name}, {one.name}, column {column}",
                         f"{rate:g} {line.unit} is not the rate of {_whose(one, zone)} in the job "
                         "record", todo="run again; do not load this folder")
    ledger.figure("rates as in the job record", where, "", found=good,
                  expected=len(layer.records), within=0)
    total = math.fsum(number(one.values.get(column)) * one.area_ac for one in layer.records)
    if not layer.gridded:
        ledger.figure(
            "material by the task's polygons, against the job record", where, line.quantity_unit,
            found=total, expected=line.prescription_total,
            within=half * layer.area_ac + ledger.pct / 100.0 * abs(line.prescription_total))
        return
    ledger.shown("material by the task's cells", where, line.quantity_unit, total)
    if abs(total - line.prescription_total) > GRID_PCT / 100.0 * abs(line.prescription_total):
        ledger.doubt("grid-total", where, f"{total:,.1f} {line.quantity_unit} over cells, "
                     f"{line.prescription_total:,.1f} over zones",
                     todo="smaller cells follow the zones better ([export.task_data] cell_m)")


def _whose(one: Record, zone: int | None) -> str:
    return "any zone" if zone is None else f"zone {zone}, in which it lies"
