"""Will it load? What each file holds against what a controller takes, limit by limit.

Limits are the user's (from the maker's manual) or an open standard's. One that nobody stated is
said to be unknown; it is never taken for kept.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from vrx import geo
from vrx.export._reduce import counted
from vrx.export._task_plan import plan_tasks
from vrx.export.export_set import ExportSet
from vrx.export.machine_files import PlannedFile, machine_formats
from vrx.formats import layer as layer_facts
from vrx.formats import task_data as task_facts
from vrx.model import (
    FITS,
    MAY_NOT,
    NOT_KNOWN,
    Finding,
    FitLine,
    LoadCheck,
    MachineLimits,
    PassRates,
    Zones,
    warn,
)
from vrx.units import FT_M

WGS84 = "WGS 84 longitude, latitude"
_OWN = "the field's own system, metres"
_FILES = {
    "shapefile": "shapefile/prescription.shp", "geojson": "prescription.geojson",
    "geopackage": "field.gpkg", "geoparquet": "prescription.parquet",
}
_DBASE = "dBASE: names of 10 characters, A-Z 0-9 _"
_TASKS = "ISO 11783-10, version 4.3"
_NOT_STATED = "not stated"
_PLAN = "[machine] of the plan"


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFacts:
    """What one file holds; None where the format has no such thing."""

    format: str
    file: str
    name: str
    passes: tuple[PassRates, ...]
    polygons: int | None = None
    vertices: int | None = None
    largest: int | None = None
    cells: int | None = None
    holes: int = 0
    parts: int = 0
    system: str = WGS84
    columns: tuple[str, ...] = ()
    codes: int | None = None
    shapes: tuple[shapely.Geometry, ...] = ()


def load_checks(
    meant: ExportSet, *, formats: Sequence[str], files: Sequence[PlannedFile],
    limits: Mapping[str, MachineLimits], driving_deg: float | None,
) -> tuple[LoadCheck, ...]:
    """Every file that a machine might be given against the machine of each pass in it.

    `limits` is by pass id; passes that it does not name are left out. `driving_deg` are compass
    degrees. Raises `ExportError` for what task data cannot hold.
    """
    made: list[LoadCheck] = []
    width = _narrowest(meant.zones, driving_deg)
    for held in (*_facts(meant, formats), *_own_facts(files, formats)):
        chosen = [one for one in held.passes if one.pass_id in limits]
        alike: dict[MachineLimits, list[PassRates]] = {}
        for one in chosen:
            # Rates are looked at pass by pass; all else once for machines that take the same.
            key = replace(limits[one.pass_id], unit="", least=None, most=None, step=None)
            alike.setdefault(key, []).append(one)
        for key, group in alike.items():
            lines = [*_size_lines(held, key, group), *_kind_lines(held, key),
                     _width_line(width, key, driving_deg)]
            for one in group:
                lines += _rate_lines(one, limits[one.pass_id])
            made.append(LoadCheck(format=held.format, file=held.file, lines=tuple(lines),
                                  pass_ids=tuple(one.pass_id for one in group)))
    return tuple(made)


def load_findings(checks: Sequence[LoadCheck]) -> tuple[Finding, ...]:
    """A warning for each file that may not load, where a pass in it has no file that may."""
    served = {name for one in checks if one.verdict != MAY_NOT for name in one.pass_ids}
    return tuple(
        warn("load-may-not", f"{one.file}, pass {', '.join(one.pass_ids)}",
             f"may not load: {'; '.join(one.because)}", value=str(len(one.because)),
             done="written as it is",
             todo="look into the controller's manual; fewer zones, larger rate steps, "
                  "one_product_per_file or reduce_within_ft may help")
        for one in checks if one.verdict == MAY_NOT and not served.issuperset(one.pass_ids))


def _facts(meant: ExportSet, formats: Sequence[str]) -> list[FileFacts]:
    passes = meant.prescription.passes
    made = []
    shapes = meant.layer.polygons
    total, largest = counted(shapes)
    for name in dict.fromkeys(formats):
        if name in _FILES:
            file = _FILES[name]
            made.append(FileFacts(
                format=name, file=file, name=file.rpartition("/")[2].partition(".")[0],
                passes=passes, polygons=_count_parts(shapes), vertices=total, largest=largest,
                holes=_with_holes(shapes), parts=_in_parts(shapes),
                columns=tuple(meant.layer.columns)))
        elif name == "geotiff":
            made += [FileFacts(
                format=name, file=f"geotiff/rate_{one.column}.tif", name=f"rate_{one.column}",
                passes=(one,), system=_OWN) for one in passes]
        elif name == "iso11783":
            made += _task_facts(meant)
    return made


def _task_facts(meant: ExportSet) -> list[FileFacts]:
    tasks = plan_tasks(meant, meant.task_data).tasks
    named = meant.task_data.passes
    chosen = [one for one in meant.prescription.passes if not named or one.pass_id in named]
    groups = [chosen] if meant.task_data.one_task else [[one] for one in chosen]
    made = []
    for task, group in zip(tasks, groups, strict=True):
        shapes = [one.polygon for one in task.zones if one.polygon is not None]
        total, largest = counted(shapes) if shapes else (None, None)
        made.append(FileFacts(
            format="iso11783", file=f"{task_facts.FOLDER}, {task.id}", name="TASKDATA",
            passes=tuple(group), polygons=len(shapes) or None, vertices=total, largest=largest,
            cells=None if task.grid is None else task.grid.place.rows * task.grid.place.columns,
            holes=_with_holes(shapes), codes=len(task.zones)))
    return made


def _own_facts(files: Sequence[PlannedFile], formats: Sequence[str]) -> list[FileFacts]:
    made = []
    for one in files:
        shapes = one.layer.polygons
        total, largest = counted(shapes)
        for kind in machine_formats(formats):
            end = {"shapefile": "shp", "geojson": "geojson"}[kind]
            made.append(FileFacts(
                format=kind, file=f"{one.told.folder}/{one.told.name}.{end}", name=one.told.name,
                passes=one.passes, polygons=_count_parts(shapes), vertices=total, largest=largest,
                holes=_with_holes(shapes), parts=_in_parts(shapes),
                columns=tuple(one.layer.columns)))
    return made


def _count_parts(shapes: Sequence[shapely.Geometry]) -> int:
    return len(shapely.get_parts(np.array(shapes, dtype=object)))


def _with_holes(shapes: Sequence[shapely.Geometry]) -> int:
    return sum(any(len(part.interiors) for part in shapely.get_parts(one)) for one in shapes)


def _in_parts(shapes: Sequence[shapely.Geometry]) -> int:
    return sum(shapely.get_num_geometries(one) > 1 for one in shapes)


def _narrowest(zones: Zones, driving_deg: float | None) -> tuple[str, float]:
    """The letter of the narrowest zone and its width in feet."""
    widths = [
        geo.width_m(one.polygon) if driving_deg is None
        else geo.width_across_m(one.polygon, driving_deg) for one in zones.zones]
    at = int(np.argmin(widths))
    return zones.zones[at].letter, widths[at] / FT_M


def _at_most(item: str, found: float, limit: float | None, source: str) -> FitLine:
    return FitLine(
        item=item, found=f"{found:,}",
        limit=_NOT_STATED if limit is None else "none" if math.isinf(limit) else f"{limit:,.0f}",
        verdict=NOT_KNOWN if limit is None else FITS if found <= limit else MAY_NOT,
        source="" if limit is None else source)


def _size_lines(
    held: FileFacts, limits: MachineLimits, group: Sequence[PassRates]
) -> list[FitLine]:
    source = limits.source
    takes = bool(limits.takes)
    lines = [FitLine(
        item="format", found=held.format,
        limit=", ".join(limits.takes) if takes else _NOT_STATED,
        verdict=NOT_KNOWN if not takes else FITS if held.format in limits.takes else MAY_NOT,
        source=source if takes else "")]
    for item, found, limit in (
        ("polygons", held.polygons, limits.most_polygons),
        ("vertices", held.vertices, limits.most_vertices),
        ("vertices of one polygon", held.largest, limits.most_vertices_polygon),
        ("cells", held.cells, limits.most_cells),
    ):
        if found is not None:
            lines.append(_at_most(item, found, limit, source))
    rates = max(len(np.unique(one.steps)) for one in group)
    return [*lines, _at_most("different rates", rates, limits.most_rates, source),
            _at_most("products in the file", len(held.passes), limits.most_products, source),
            _at_most("characters of the file's name", len(held.name),
                     limits.most_name_characters, source)]


def _kind_lines(held: FileFacts, limits: MachineLimits) -> list[FitLine]:
    lines = []
    for item, count, takes in (("zones with holes", held.holes, limits.holes),
                               ("zones in several parts", held.parts, limits.parts)):
        if count:
            lines.append(_taken(item, f"{count}", takes=takes, source=limits.source))
    if held.system == WGS84:
        lines.append(FitLine(item="coordinate system", found=WGS84, limit=WGS84, verdict=FITS,
                             source="fixed for files of zones"))
    else:
        lines.append(_taken("coordinate system", held.system, takes=limits.other_crs,
                            source=limits.source))
    if held.format == "shapefile":
        fit = all(layer_facts.DBF_NAME.match(one) for one in held.columns)
        lines.append(FitLine(
            item="column names", found=", ".join(held.columns), limit="10 characters",
            verdict=FITS if fit else MAY_NOT, source=_DBASE))
    if held.codes is not None:
        lines.append(_at_most("zone codes", held.codes, task_facts.HIGHEST_ZONE + 1, _TASKS))
    return lines


def _taken(item: str, found: str, *, takes: bool | None, source: str) -> FitLine:
    words = {None: _NOT_STATED, True: "loaded", False: "not loaded"}[takes]
    verdict = {None: NOT_KNOWN, True: FITS, False: MAY_NOT}[takes]
    return FitLine(item=item, found=found, limit=words, verdict=verdict,
                   source="" if takes is None else source)


def _width_line(
    width: tuple[str, float], limits: MachineLimits, driving_deg: float | None
) -> FitLine:
    letter, feet = width
    way = "in any direction" if driving_deg is None else "across the driving direction"
    least = limits.narrowest_ft
    # A hundredth, as tracing cells does not give a width to the foot.
    return FitLine(
        item=f"least zone width {way}", found=f"{feet:,.0f} ft (zone {letter})",
        limit=_NOT_STATED if least is None else f"{least:g} ft",
        verdict=NOT_KNOWN if least is None else FITS if feet >= 0.99 * least else MAY_NOT,
        source="" if least is None else limits.narrowest_from or limits.source)


def _rate_lines(one: PassRates, limits: MachineLimits) -> list[FitLine]:
    """Rates 0 or in range, and on the steps that the machine can set."""
    on = one.rates[one.rates > 0]
    unit = one.material.unit
    if not on.size:
        return []
    low, high = float(on.min()), float(on.max())
    known = limits.least is not None and limits.most is not None
    slack = 1e-9 * high
    inside = (limits.least or 0.0) - slack <= low and high <= (limits.most or math.inf) + slack
    lines = [FitLine(
        item=f"rates of {one.pass_id}", found=f"0 or {low:g} to {high:g} {unit}",
        limit=f"0 or {_said(limits.least)} to {_said(limits.most)} {unit}",
        verdict=MAY_NOT if not inside else FITS if known else NOT_KNOWN,
        source=_PLAN if known else "")]
    if limits.step is None:
        return [*lines, FitLine(item=f"rate steps of {one.pass_id}", found=f"{one.step:g} {unit}",
                                limit=_NOT_STATED, verdict=NOT_KNOWN)]
    counts = on / limits.step
    on_step = bool(np.abs(counts - np.round(counts)).max() <= 1e-6)
    return [*lines, FitLine(
        item=f"rate steps of {one.pass_id}", found=f"{one.step:g} {unit}",
        limit=f"{limits.step:g} {unit}", verdict=FITS if on_step else MAY_NOT,
        source=_PLAN)]


def _said(value: float | None) -> str:
    return _NOT_STATED if value is None else f"{value:g}"
