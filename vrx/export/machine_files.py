"""Files made for one machine: one product in each where asked, short names, fewer corners."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely

from vrx import geo
from vrx.export import esri_shapefile, geojson
from vrx.export._reduce import Wanted, counted, moved_acres, reduced
from vrx.export.export_set import ExportSet
from vrx.export.layer import AREA_DECIMALS, ExportLayer, in_degrees
from vrx.export.write import write_together
from vrx.formats import layer as facts
from vrx.model import MachineFile, MachineLimits, PassRates, VertexReduction
from vrx.units import FT_M

FOLDER = "machine"
NAME_CHARACTERS = 8
"""Base names of 8 characters, A-Z 0-9 _, are read by every file system that memory cards had."""
NOTES = "NOTES.TXT"
_ALL = "RATES"
_PLAIN = str.maketrans({"ß": "ss", "æ": "ae", "Æ": "AE", "ø": "o", "Ø": "O", "ł": "l", "Ł": "L",
                        "đ": "d", "Đ": "D", "–": "-", "—": "-", "’": "'", "·": " "})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlannedFile:
    """A file that will be written: what it is, its zones and rates, the passes in it, its note."""

    told: MachineFile
    layer: ExportLayer
    passes: tuple[PassRates, ...]
    notes: str


def plan_machine_files(
    meant: ExportSet, *, limits: Mapping[str, MachineLimits], one_product: bool
) -> tuple[PlannedFile, ...]:
    """The files of the passes that `limits` names, () where neither of the two is asked for.

    One file a pass where `one_product`, else one for the passes whose machine takes the same
    corners. Raises `ExportError` where corners cannot be left out.
    """
    passes = [one for one in meant.prescription.passes if one.pass_id in limits]
    reduce = any(limits[one.pass_id].reduce_within_ft is not None for one in passes)
    if not passes or not (one_product or reduce):
        return ()
    names: list[str] = []
    made = []
    for group in _groups(passes, limits, one_product=one_product):
        shared = limits[group[0].pass_id]
        stem = f"P{group[0].number}_{group[0].material.code}" if len(group) == 1 else _ALL
        name = _short(stem, names, shared.most_name_characters)
        names.append(name)
        made.append(_planned(meant, group, shared, name))
    return tuple(made)


def write_machine_files(
    files: Sequence[PlannedFile], *, formats: Sequence[str], folder: Path
) -> tuple[tuple[str, Path], ...]:
    """Write `machine/NAME/` of each file in shapefile and GeoJSON, where `formats` names them.

    Read back and compared as all exports are. Raises `ExportError` as `write_formats` does; nothing
    is written without files.
    """
    if not files:
        return ()
    own = machine_formats(formats)

    def write(scratch: Path) -> list[Path]:
        paths: list[Path] = []
        for one in files:
            home = scratch / one.told.folder
            home.mkdir(parents=True)
            if "shapefile" in own:
                paths += esri_shapefile.write_loose(one.layer, home / f"{one.told.name}.shp")
            if "geojson" in own:
                path = home / f"{one.told.name}.geojson"
                geojson.write_layer(one.layer, path)
                paths.append(path)
            note = home / NOTES
            note.write_bytes(one.notes.encode("ascii"))
            paths.append(note)
        return paths

    return write_together(folder, [("machine files", write)])


def machine_formats(formats: Sequence[str]) -> tuple[str, ...]:
    """Which of the plan's formats machine files are written in."""
    return tuple(one for one in ("shapefile", "geojson") if one in formats)


def _groups(
    passes: Sequence[PassRates], limits: Mapping[str, MachineLimits], *, one_product: bool
) -> list[list[PassRates]]:
    if one_product:
        return [[one] for one in passes]
    alike: dict[object, list[PassRates]] = {}
    for one in passes:
        own = limits[one.pass_id]
        key = (own.reduce_within_ft, own.most_vertices, own.most_vertices_polygon,
               own.most_name_characters)
        if own.reduce_within_ft is not None:
            alike.setdefault(key, []).append(one)
    return list(alike.values())


def _short(stem: str, taken: Sequence[str], most: float | None) -> str:
    """A base name of letters, digits and underscores, of its own, no longer than allowed."""
    room = int(min(NAME_CHARACTERS, most or NAME_CHARACTERS))
    plain = re.sub(r"[^A-Z0-9_]", "_", plain_text(stem).upper())
    name = plain[:room]
    for number in range(2, len(taken) + 3):
        if name not in taken:
            break
        tail = str(number)
        name = plain[:max(room - len(tail), 0)] + tail
    return name


def plain_text(text: str) -> str:
    """ASCII of a text: letters without their marks, "?" for what has no such letter."""
    flat = unicodedata.normalize("NFKD", text.translate(_PLAIN))
    kept = "".join(one for one in flat if not unicodedata.combining(one))
    return "".join(one if " " <= one <= "~" else "?" for one in kept)


def _planned(
    meant: ExportSet, group: Sequence[PassRates], limits: MachineLimits, name: str
) -> PlannedFile:
    given = [zone.polygon for zone in meant.zones.zones]
    keep = [facts.ZONE_ID, facts.ZONE_LETTER, facts.AREA_AC, *(one.column for one in group)]
    layer = ExportLayer(
        polygons=meant.layer.polygons, columns={key: meant.layer.columns[key] for key in keep},
        meaning={key: meant.layer.meaning[key] for key in keep})
    folder = f"{FOLDER}/{name}"
    told = MachineFile(name=name, folder=folder, pass_ids=tuple(one.pass_id for one in group))
    if limits.reduce_within_ft is not None:
        fewer = reduced(given, Wanted(
            within_m=limits.reduce_within_ft * FT_M, most=_number(limits.most_vertices),
            most_polygon=_number(limits.most_vertices_polygon)))
        if fewer is not None:
            layer, acres = _relayered(meant, layer, fewer.polygons)
            moved, outside = moved_acres(given, fewer.polygons, meant.field.crs_centre)
            told = replace(told, reduction=VertexReduction(
                file=folder, vertices_before=counted(meant.layer.polygons)[0],
                vertices_after=counted(layer.polygons)[0], edge_ft=fewer.edge_m / FT_M,
                outline_kept=fewer.outline_kept, moved_ac=moved, outside_ac=outside,
                totals=tuple(
                    (one.pass_id, one.material.unit.split("/")[0], one.prescription_total,
                     float(one.rates @ acres)) for one in group)))
    return PlannedFile(told=told, layer=layer, passes=tuple(group),
                       notes=_notes(meant, layer, group, told))


def _number(limit: float | None) -> float | None:
    return None if limit is None or not np.isfinite(limit) else limit


def _relayered(
    meant: ExportSet, layer: ExportLayer, polygons: Sequence[shapely.Geometry]
) -> tuple[ExportLayer, np.ndarray]:
    """The layer with other polygons and their acres, and the unrounded acres."""
    centre = meant.field.crs_centre
    acres = np.array([geo.area_ac(one, centre) for one in polygons])
    columns = {**layer.columns,
               facts.AREA_AC: tuple(round(float(one), AREA_DECIMALS) for one in acres)}
    return replace(layer, polygons=in_degrees(polygons, centre), columns=columns), acres


def _notes(
    meant: ExportSet, layer: ExportLayer, group: Sequence[PassRates], told: MachineFile
) -> str:
    """What the operator reads beside the file, in plain ASCII."""
    run = dict(meant.record).get("run", "")
    position = {one.pass_id: k for k, one in enumerate(meant.prescription.passes)}
    lines = [f"{told.name}: {meant.field.name}", f"season {meant.season}, run {run}", ""]
    for one in group:
        at = position[one.pass_id]
        unit = one.material.unit
        on = one.rates[one.rates > 0]
        total = one.prescription_total
        if told.reduction is not None:
            total = next(after for name, _, _, after in told.reduction.totals
                         if name == one.pass_id)
        lines += [
            f"Column   {one.column}", f"Product  {one.material.id}",
            f"Pass     {one.number}, {one.pass_id}, {one.method}",
            f"Unit     {unit} of product, not of nutrient",
            f"Rates    {_range(on)} {unit}" + (", and 0" if (one.rates == 0).any() else ""),
            f"Total    {total:,.1f} {unit.split('/')[0]}",
            f"Outside the field       {meant.rate_outside[at]:g} {unit}: enter it by hand",
            f"Where position is lost  {meant.rate_position_lost[at]:g} {unit}: enter it by hand",
            ""]
    zones = len(layer.polygons)
    acres = sum(float(one) for one in layer.columns[facts.AREA_AC])
    lines += [f"{zones} zones, {acres:,.2f} ac. WGS 84 longitude and latitude."]
    if told.reduction is not None:
        cut = told.reduction
        lines += [
            f"Corners were left out: {cut.vertices_before} came down to {cut.vertices_after};",
            f"edges moved {cut.edge_ft:.1f} ft at most, {cut.moved_ac:.3f} ac have another rate.",
            "The order stays that of the full zones."]
    lines += ["", "Label and local law overrule these numbers.", ""]
    return "\r\n".join(plain_text(line) for line in lines)


def _range(on: np.ndarray) -> str:
    if not on.size:
        return "0"
    low, high = float(on.min()), float(on.max())
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"
