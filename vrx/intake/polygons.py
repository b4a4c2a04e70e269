"""A user's own zone polygons -> polygons in the field's CRS and their labels."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import shapely

from vrx.errors import InputError
from vrx.formats.soil_methods import nearest
from vrx.geo import from_lonlat, to_lonlat
from vrx.intake._outline import beside_polygons
from vrx.intake._overlay import tangles_told
from vrx.intake._raise import listed, raise_stops
from vrx.intake._rate_layers import rate_layer
from vrx.intake._rings import acres, assemble, polygons_of
from vrx.intake._shape import Feature, Layer
from vrx.intake._vector import choose_layer
from vrx.intake.boundary import NO_AREA, feature_name, lonlat_layer
from vrx.model import Field, Finding, note, stop, stops, warn

_NOTHING_AC = 1e-6
"""Below this (40 square centimetres) a polygon is a line."""


def _label(feature: Feature, column: str | None) -> str:
    if column is None:
        return feature_name(feature) or str(feature.record)
    value = feature.properties.get(column)
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return "" if value is None else str(value).strip()


def _alike(labels: Sequence[str], *, where: str) -> list[Finding]:
    """A warning of labels that differ in case, blanks, marks or zeros (1, 1.0, 01) only."""
    groups: dict[str, list[str]] = {}
    for label in dict.fromkeys(labels):
        key = re.sub(r"[\s_.-]+", "", label.casefold())
        with suppress(ValueError):
            number = float(label.replace(",", "."))
            key = f"{number:g}" if math.isfinite(number) else key
        groups.setdefault(key, []).append(label)
    alike = [" and ".join(map(repr, group)) for group in groups.values() if len(group) > 1]
    if not alike:
        return []
    return [warn("polygons-labels-alike", where, "labels that differ in spelling only: "
                 + listed(alike), done="taken as different zones",
                 todo="write one label alike everywhere if it means one zone")]


def _require_column(layer: Layer, column: str | None) -> None:
    if column is not None and column not in layer.columns:
        raise InputError(f"has no column {column!r}", code="polygons-column-unknown",
                         where=layer.file, hint=nearest(column, layer.columns))


def read_polygons(
    *,
    path: Path,
    field: Field,
    layer: str | None = None,
    crs: str | None = None,
    label_column: str | None = None,
    crossing: str | None = None,
) -> tuple[
    tuple[shapely.Polygon | shapely.MultiPolygon, ...], tuple[str, ...], tuple[Finding, ...]
]:
    """Valid polygons in the CRS of `field`, one label each, and the findings.

    Gaps, overlaps and what reaches beyond the boundary are left as drawn: `vrx.geo` and `vrx.zones`
    judge them. Records without area, and polygons that do not touch the field, are left out with a
    finding. `crossing` as in `read_boundary`.
    Raises `InputError` for a polygon that crosses itself, a missing label, a wrong CRS, or when no
    polygon touches the field.
    """
    read = read_zone_shapes(path=path, field=field, layer=layer, crs=crs,
                            label_column=label_column, crossing=crossing)
    return read.polygons, read.labels, read.findings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZoneShapes:
    """Polygons in the field's CRS with label and record each, from layer `file`."""

    file: str
    columns: tuple[str, ...]
    polygons: tuple[shapely.Polygon | shapely.MultiPolygon, ...]
    labels: tuple[str, ...]
    features: tuple[Feature, ...]
    findings: tuple[Finding, ...]


@tangles_told
def read_zone_shapes(
    *, path: Path, field: Field, layer: str | None, crs: str | None, label_column: str | None,
    crossing: str | None,
) -> ZoneShapes:
    """As `read_polygons`, with the records that the polygons come from."""
    path = Path(path)
    found = rate_layer(
        path, layer=layer, boundary=to_lonlat(field.boundary, field.crs_centre)
    ) or choose_layer(path, layer=layer, kinds=("polygon",))
    _require_column(found, label_column)
    moved, findings = lonlat_layer(found, crs=crs)
    if found.kind == "polygon":
        findings += beside_polygons(found)
    polygons: list[shapely.Polygon | shapely.MultiPolygon] = []
    labels: list[str] = []
    kept: list[Feature] = []
    empty: list[str] = []
    outside: list[str] = []
    for feature in moved.features:
        label = _label(feature, label_column)
        where = f"{found.file} polygon {feature.record}"
        area, said = assemble(feature.shape.polygons, where=where, crossing=crossing)
        halts = stops(said)
        if halts and all(f.code in NO_AREA for f in halts):
            empty.append(label or str(feature.record))
            continue
        findings += said
        if area.is_empty or acres(area) < _NOTHING_AC:
            empty.append(label or str(feature.record))
            continue
        if not label:
            findings.append(stop("polygons-label-missing", where,
                                 f"has no value in column {label_column!r}",
                                 todo="fill in the label of every polygon"))
        polygon = polygons_of(from_lonlat(area, field.crs_centre))
        if not polygon.is_valid:
            polygon = polygons_of(shapely.make_valid(polygon))
        if polygon.intersection(field.boundary).area <= 0:
            outside.append(label or str(feature.record))
            continue
        polygons.append(polygon.geoms[0] if len(polygon.geoms) == 1 else polygon)
        labels.append(label)
        kept.append(feature)
    findings += _told(found.file, labels, empty=empty, outside=outside, field=field)
    raise_stops(findings)
    return ZoneShapes(file=found.file, columns=found.columns, polygons=tuple(polygons),
                      labels=tuple(labels), features=tuple(kept), findings=tuple(findings))


def _told(
    file: str, labels: Sequence[str], *, empty: Sequence[str], outside: Sequence[str],
    field: Field,
) -> list[Finding]:
    """What was left out, and what stops: no polygon at all, or none on the field."""
    findings = _alike(labels, where=file)
    if empty:
        findings.append(warn("polygons-no-area", file, f"no area: {listed(empty)}",
                             done="left out"))
    if outside and not labels:
        findings.append(stop(
            "polygons-outside", file,
            f"none of {len(outside)} polygons touches the field {field.name!r}",
            todo="check the file and its CRS"))
    elif outside:
        findings.append(note("polygons-beside-field", file,
                             f"outside the field: {listed(outside)}", done="left out"))
    elif not labels:
        findings.append(stop("polygons-none", file, "holds no polygon with an area",
                             todo="give the file of the zones"))
    return findings
