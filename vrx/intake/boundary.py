"""A boundary file -> the field, in its own equal-area CRS, with geodesic acres."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely

from vrx.errors import InputError
from vrx.intake._crs import crs_for, require_in_use
from vrx.intake._finish import boundary_in, field_of, rounded_centre
from vrx.intake._lines import rings_of_lines
from vrx.intake._outline import (
    Outline,
    against_others,
    beside_polygons,
    inner_and_outer,
    named,
    several_parts,
    without_scraps,
    without_twins,
)
from vrx.intake._overlay import tangles_told
from vrx.intake._raise import listed, raise_stops
from vrx.intake._rings import (
    SAFE_CHANGE,
    acres,
    assemble,
    polygons_of,
    to_lonlat_rings,
    unwrapped,
)
from vrx.intake._shape import Feature, Layer
from vrx.intake._stated_area import stated_areas
from vrx.intake._vector import choose_layer
from vrx.model import Field, Finding, note, stop, stops, warn

NAME_COLUMNS = ("name", "field_name", "field", "fieldname", "label", "id")
NO_AREA = ("boundary-degenerate", "boundary-zero-area")
LEAST_AC = 0.01
"""A boundary smaller than this (40 square metres) is a line, not a field."""


def feature_name(feature: Feature) -> str:
    """What a feature is called in the file, "" if nothing there looks like a name."""
    by_lower = {str(key).casefold(): value for key, value in feature.properties.items()}
    for key in NAME_COLUMNS:
        value = by_lower.get(key)
        if value not in (None, ""):
            return str(value).strip()
    return ""


def lonlat_layer(layer: Layer, *, crs: str | None) -> tuple[Layer, list[Finding]]:
    """A layer with all rings and lines in continuous WGS 84 longitude, latitude."""
    source, said = crs_for(layer, stated=crs)
    findings = [*layer.findings, *said]
    if any(feature.shape.had_heights for feature in layer.features):
        findings.append(note("boundary-heights-ignored", layer.file,
                             "positions have heights or measures",
                             done="heights/measures ignored"))
    flat = [ring for f in layer.features for rings in f.shape.polygons for ring in rings]
    lines = [line for f in layer.features for line in f.shape.lines]
    if not flat and not lines:
        return layer, findings
    degrees = to_lonlat_rings([*flat, *lines], source, where=layer.file)
    findings += require_in_use(source, np.vstack([r for r in degrees if len(r)]), where=layer.file)
    moved, why = unwrapped(degrees)
    if why:
        findings.append(note("boundary-longitudes", layer.file, why,
                             done="made continuous; the field is one piece in its own projection"))
    feed = iter(moved)
    shapes = [
        tuple(tuple(next(feed) for _ in rings) for rings in f.shape.polygons)
        for f in layer.features
    ]
    features = tuple(
        replace(f, shape=replace(f.shape, polygons=polygons,
                                 lines=tuple(next(feed) for _ in f.shape.lines)))
        for f, polygons in zip(layer.features, shapes, strict=True)
    )
    return replace(layer, features=features), findings


def _outlines(
    layer: Layer, *, crossing: str | None, close_gap: bool
) -> tuple[list[Outline], list[Finding]]:
    found: list[Outline] = []
    findings: list[Finding] = []
    nothing: list[Finding] = []
    has_polygons = any(f.shape.polygons for f in layer.features)
    lines = [(f, line) for f in layer.features for line in f.shape.lines]
    if has_polygons:
        findings += beside_polygons(layer)
    for feature in layer.features if has_polygons else ():
        if not feature.shape.polygons:
            continue
        name = feature_name(feature)
        where = f"{layer.file} polygon {feature.record}" + (f" {name!r}" if name else "")
        area, said = assemble(feature.shape.polygons, where=where, crossing=crossing)
        halts = stops(said)
        if halts and all(f.code in NO_AREA for f in halts):
            nothing += halts
            continue
        findings += said
        if area.is_empty:
            continue
        values = tuple(feature.properties.values())
        found.append(Outline(record=feature.record, name=name, values=values, area=area,
                             properties=feature.properties))
    found, small = without_scraps(found, least_ac=LEAST_AC, where=layer.file)
    findings += small
    # A polygon without area stops a file that holds no other, else it is left out.
    findings += [
        warn(f.code, f.where, f.what, done="left out: 0 acres") for f in nothing
    ] if found else nothing
    if lines and not has_polygons:
        rings, said = rings_of_lines([line for _, line in lines], where=layer.file,
                                     close_gap=close_gap)
        findings += said
        name = feature_name(lines[0][0]) if len({id(f) for f, _ in lines}) == 1 else ""
        for number, ring in enumerate(rings, 1):
            area, said = assemble([(ring,)], where=f"{layer.file} line {number}",
                                  crossing=crossing)
            findings += said
            if not area.is_empty:
                found.append(Outline(record=number, name=name, values=(name,), area=area))
    return found, findings


def _cut(
    field: shapely.Geometry, inner: list[Outline], *, inside_polygons: str | None, where: str
) -> tuple[shapely.Geometry, list[Finding]]:
    """The field after the choice about polygons inside it."""
    inner = [o for o in inner if o.area.intersection(field).area > 0]
    if not inner:
        return field, []
    names = listed(o.label for o in inner)
    away = shapely.union_all([o.area for o in inner])
    cut = field.difference(away)
    verb = "lie" if len(inner) > 1 else "lies"
    word = "polygons" if len(inner) > 1 else "polygon"
    what = f"{word} {names} {verb} inside the field ({acres(away):.2f} ac)"
    if inside_polygons == "cut out":
        return cut, [note("boundary-inside-cut", where, what,
                          done=f"cut out, as you chose: {acres(cut):.3f} ac remain")]
    if inside_polygons == "keep":
        return field, [note("boundary-inside-kept", where, what,
                            done=f"kept as land, as you chose: {acres(field):.3f} ac")]
    return field, [stop(
        "boundary-polygons-inside", where, f"{what}: cut out, or keep?",
        todo=f'inside_polygons = "cut out" gives {acres(cut):.3f} ac, "keep" {acres(field):.3f} '
        "ac")]


def _finished(
    lonlat: shapely.MultiPolygon, *, name: str, crs_centre: tuple[float, float] | None,
    where: str, findings: list[Finding],
) -> Field:
    centre = rounded_centre(lonlat) if crs_centre is None else crs_centre
    return field_of(boundary_in(lonlat, centre), name=name, crs_centre=centre,
                    centre_given=crs_centre is not None, where=where, findings=findings)


@tangles_told
def read_boundary(
    *,
    path: Path,
    name: str,
    layer: str | None = None,
    crs: str | None = None,
    crs_centre: tuple[float, float] | None = None,
    select: str | None = None,
    inside_polygons: str | None = None,
    several: str | None = None,
    crossing: str | None = None,
    close_gap: bool = False,
) -> Field:
    """The field of a boundary file: GeoJSON, shapefile (loose, foldered or zipped), GeoPackage,
    KML or KMZ.

    `layer` names one of several layers, `select` one polygon by its name, `crs` the system of a
    file that states none. Doubtful cases stop until told: `inside_polygons` "cut out" or "keep",
    `several` "join", `crossing` (a boundary that crosses itself) "as drawn" or "outline",
    `close_gap` for an open line. Self-crossings, spikes and slivers are repaired with a note where
    that changes at most 0.2 % of the area. Raises `InputError` that holds every stop.
    """
    path = Path(path)
    where = path.name
    found = choose_layer(path, layer=layer, kinds=("polygon", "line"))
    if found.kind in {"point", "none"}:
        raise InputError(
            f"layer {found.name!r} holds {len(found.features)} "
            f"{'points' if found.kind == 'point' else 'records without shape'}, no polygon",
            code="boundary-no-polygon", where=where, hint="give the file of the boundary")
    moved, findings = lonlat_layer(found, crs=crs)
    empty = [f.record for f in found.features if f.shape.kind == "none"]
    if empty:
        findings.append(warn("boundary-record-empty", where,
                             f"records without shape: {listed(map(str, empty))}", done="left out"))
    outlines, said = _outlines(moved, crossing=crossing, close_gap=close_gap)
    findings += said
    raise_stops(findings)
    if not outlines:
        raise InputError("the boundary has an area of 0 acres", code="boundary-zero-area",
                         where=where, hint="draw it again")
    outlines, said = without_twins(outlines, chosen=named(outlines, select, where), where=where)
    findings += said
    inner, outer = inner_and_outer(outlines)
    chosen = outer if select is None else named(outlines, select, where)
    findings += stated_areas(chosen, where)
    findings += against_others(chosen, [o for o in outer if o not in chosen], where)
    findings += several_parts(chosen, join=several == "join", where=where)
    whole = shapely.union_all([o.area for o in chosen]) if len(chosen) > 1 else chosen[0].area
    taken, said = _cut(whole, [o for o in inner if o not in chosen],
                       inside_polygons=inside_polygons, where=where)
    findings += said
    raise_stops(findings)
    area = polygons_of(taken)
    if area.is_empty or acres(area) < LEAST_AC:
        raise InputError(f"the boundary has an area of {acres(area):.6f} acres",
                         code="boundary-zero-area", where=where, hint="draw it again")
    if not area.is_valid:
        area = polygons_of(shapely.make_valid(area))
    return _finished(area, name=name, crs_centre=crs_centre, where=where, findings=findings)


__all__ = ["NAME_COLUMNS", "SAFE_CHANGE", "feature_name", "lonlat_layer", "read_boundary"]
