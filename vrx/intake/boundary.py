"""A boundary file -> the field, in its own equal-area CRS, with geodesic acres."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import shapely

from vrx.errors import InputError
from vrx.geo import area_ac, centre_of, from_lonlat
from vrx.intake._crs import crs_for
from vrx.intake._lines import rings_of_lines
from vrx.intake._raise import listed, raise_stops
from vrx.intake._rings import (
    SAFE_CHANGE,
    acres,
    assemble,
    polygons_of,
    to_lonlat_rings,
    unwrapped,
)
from vrx.intake._shape import Feature, Layer, Shape
from vrx.intake._vector import choose_layer
from vrx.model import Field, Finding, note, stop, warn

NAME_COLUMNS = ("name", "field_name", "field", "fieldname", "label", "id")
FARTHEST_M = 100_000.0
"""Beyond this from its centre the field's CRS is no longer what it promises."""
LEAST_AC = 0.01
"""A boundary smaller than this (40 square metres) is a line, not a field."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """One feature as a valid area on the longitude-latitude plane."""

    record: int
    name: str
    values: tuple[str, ...]
    area: shapely.MultiPolygon

    @property
    def label(self) -> str:
        """ "2 'Yard'"."""
        return f"{self.record} {self.name!r}" if self.name else str(self.record)


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
    moved, why = unwrapped(to_lonlat_rings([*flat, *lines], source, where=layer.file))
    if why:
        findings.append(note("boundary-longitudes", layer.file, why,
                             done="made continuous; the field is one piece in its own projection"))
    feed = iter(moved)
    shapes = [
        tuple(tuple(next(feed) for _ in rings) for rings in f.shape.polygons)
        for f in layer.features
    ]
    features = tuple(
        replace(f, shape=Shape(polygons=polygons, lines=tuple(next(feed) for _ in f.shape.lines)))
        for f, polygons in zip(layer.features, shapes, strict=True)
    )
    return replace(layer, features=features), findings


def _outlines(
    layer: Layer, *, crossing: str | None, close_gap: bool
) -> tuple[list[Outline], list[Finding]]:
    found: list[Outline] = []
    findings: list[Finding] = []
    has_polygons = any(f.shape.polygons for f in layer.features)
    lines = [(f, line) for f in layer.features for line in f.shape.lines]
    if lines and has_polygons:
        findings.append(note("boundary-lines-left-out", layer.file,
                             f"{len(lines)} lines beside the polygons", done="left out"))
    for feature in layer.features if has_polygons else ():
        if not feature.shape.polygons:
            continue
        name = feature_name(feature)
        where = f"{layer.file} polygon {feature.record}" + (f" {name!r}" if name else "")
        area, said = assemble(feature.shape.polygons, where=where, crossing=crossing)
        findings += said
        if area.is_empty:
            continue
        values = tuple(str(value) for value in feature.properties.values())
        found.append(Outline(record=feature.record, name=name, values=values, area=area))
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


def _without_twins(
    outlines: list[Outline], where: str
) -> tuple[list[Outline], list[Finding]]:
    """Outlines without those drawn a second time."""
    kept: list[Outline] = []
    twins: list[str] = []
    for one in outlines:
        twin = next((k for k in kept if k.area.equals(one.area)), None)
        if twin is None:
            kept.append(one)
        else:
            twins.append(f"{one.label} as {twin.label}")
    if not twins:
        return kept, []
    return kept, [note("boundary-drawn-twice", where, f"the same polygon twice: {listed(twins)}",
                       done="counts once")]


def _inner_and_outer(outlines: list[Outline]) -> tuple[list[Outline], list[Outline]]:
    """Outlines that lie wholly in another, and the others."""
    inner: list[Outline] = []
    outer: list[Outline] = []
    for i, one in enumerate(outlines):
        inside = any(
            j != i and other.area.area > one.area.area and other.area.covers(one.area)
            for j, other in enumerate(outlines)
        )
        (inner if inside else outer).append(one)
    return inner, outer


def _one_name(outlines: list[Outline], select: str | None, where: str) -> list[Outline]:
    if select is None:
        return outlines
    fit = [o for o in outlines if o.name == select] or [
        o for o in outlines if select in o.values
    ] or [o for o in outlines if o.name.casefold() == select.casefold()]
    if not fit:
        names = listed(o.name or str(o.record) for o in outlines)
        raise InputError(f"no polygon is called {select!r}", code="boundary-name-unknown",
                         where=where, hint=f"polygons: {names}")
    return fit


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


def _overlap(outer: list[Outline]) -> list[tuple[str, float]]:
    tree = shapely.STRtree([o.area for o in outer])
    found = []
    for i, one in enumerate(outer):
        for j in sorted(int(k) for k in tree.query(one.area, predicate="intersects")):
            if j > i:
                shared = acres(polygons_of(one.area.intersection(outer[j].area)))
                if shared > 1e-4:
                    names = f"{one.name or one.record} and {outer[j].name or outer[j].record}"
                    found.append((names, shared))
    return found


def _several(
    outer: list[Outline], *, join: bool, where: str
) -> list[Finding]:
    """Several polygons, none inside another: parts of one field, or several fields?"""
    if len(outer) < 2:
        return []
    overlaps = [f"{names} overlap by {shared:.3f} ac" for names, shared in _overlap(outer)]
    parts = listed(f"{o.name or o.record} ({acres(o.area):.3f} ac)" for o in outer)
    if join:
        found = [note("boundary-joined", where, f"{len(outer)} polygons: {parts}",
                      done="joined into one field, as you chose")]
        if overlaps:
            found.append(warn("boundary-overlap", where, "; ".join(overlaps),
                              done="the shared strip counts once"))
        return found
    if overlaps:
        return [stop("boundary-overlap", where, "; ".join(overlaps),
                     todo="name one of them as the field, after its neighbour gives up the strip")]
    return [stop("boundary-several", where, f"{len(outer)} polygons: {parts}",
                 todo="name one of them as the field, or ask for all to be joined "
                 "(several = \"join\")")]


def _finished(
    lonlat: shapely.MultiPolygon, *, name: str, crs_centre: tuple[float, float] | None,
    where: str, findings: list[Finding],
) -> Field:
    given = crs_centre is not None
    if crs_centre is None:
        lon, lat = centre_of(lonlat)
        # 0.0 + also turns a negative zero into zero.
        crs_centre = (round((lon + 180.0) % 360.0 - 180.0, 2), 0.0 + lat)
    boundary = polygons_of(from_lonlat(lonlat, crs_centre))
    if not boundary.is_valid:
        boundary = polygons_of(shapely.make_valid(boundary))
    boundary = shapely.orient_polygons(boundary)
    west, south, east, north = boundary.bounds
    far = max(abs(west), abs(south), abs(east), abs(north))
    if far > FARTHEST_M:
        what = (
            f"reaches {far / 1000:.0f} km from the plan's centre {crs_centre}" if given
            else f"reaches {far / 1000:.0f} km from its middle"
        )
        raise InputError(f"{what}: no single field does", code="boundary-too-far", where=where,
                         hint="check the CRS, and the centre in the plan" if given
                         else "check the CRS, and whether several fields are in the file")
    total = area_ac(boundary, crs_centre)
    parts = shapely.get_num_geometries(boundary)
    if parts > 1:
        findings.append(note("boundary-parts", where, f"the field has {parts} parts",
                             done=f"all are kept: {total:.3f} ac"))
    return Field(name=name, crs_centre=crs_centre, boundary=boundary, area_ac=total,
                 findings=tuple(findings))


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
    """The field of a boundary file: GeoJSON, shapefile (loose, foldered or zipped), GeoPackage.

    `layer` names one of several layers, `select` one polygon by its name, `crs` the system of a
    file that states none. Doubtful cases stop until told: `inside_polygons` "cut out" or "keep",
    `several` "join", `crossing` (a boundary that crosses itself) "as drawn" or "outline",
    `close_gap` for an open line. A self-crossing that changes at most 0.2 % of the area is
    repaired with a note. Raises `InputError` that holds every stop.
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
    outlines, said = _without_twins(outlines, where)
    findings += said
    inner, outer = _inner_and_outer(outlines)
    chosen = _one_name(outlines if select is not None else outer, select, where)
    rest = [o for o in outer if o not in chosen]
    if select is not None and rest:
        findings.append(note("boundary-others-left-out", where,
                             f"other polygons: {listed(o.label for o in rest)}", done="left out"))
    findings += _several(chosen, join=several == "join", where=where)
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
