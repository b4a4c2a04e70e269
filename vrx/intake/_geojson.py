"""GeoJSON (RFC 7946) by the standard library, kind to what other programs get wrong."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pyproj

from vrx.errors import InputError
from vrx.geo import WGS84, parse_crs
from vrx.intake._json import half_a_character, no_key_twice
from vrx.intake._shape import NO_POINTS, Feature, Layer, Shape, flat
from vrx.model import Finding, note

_DEEPEST = 8
_BARE = ("Polygon", "MultiPolygon", "LineString", "MultiLineString", "Point", "MultiPoint",
         "GeometryCollection")


def _loads(data: bytes, *, where: str) -> tuple[dict[str, Any], list[Finding]]:
    findings: list[Finding] = []

    def no_number(text: str) -> None:
        if not findings:
            findings.append(note("geojson-nan", where, f"holds {text}, which is not legal JSON",
                                 done="read as missing"))

    if not data.strip():
        raise InputError("is empty", code="file-empty", where=where, hint="copy it again")
    try:
        encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
        found = json.loads(data.decode(encoding), parse_constant=no_number,
                           object_pairs_hook=no_key_twice(where))
    except InputError:
        raise
    except UnicodeDecodeError as err:
        raise InputError(f"is not UTF-8 text (byte {err.start})", code="geojson-encoding",
                         where=where, hint="save it as UTF-8") from err
    except (ValueError, RecursionError) as err:
        texts = _texts(data, encoding)
        if len(texts) < 2 and b"\x1e" not in data[:4]:
            raise InputError(f"is not complete JSON: {err}", code="geojson-broken", where=where,
                             hint="export or copy it again") from err
        found = _collected(texts, no_number, where=where)
        findings.append(note("geojson-lines", where, f"holds {len(texts)} JSON texts, a line each "
                             "(GeoJSON text sequence)", done="read as one collection"))
    if encoding != "utf-16" and half_a_character(data, found):
        raise InputError("holds half a character (a lone surrogate)", code="geojson-encoding",
                         where=where, hint="save it as UTF-8")
    if not isinstance(found, dict) or "type" not in found:
        raise InputError('is JSON but not GeoJSON: it has no "type"', code="geojson-not-one",
                         where=where, hint="export the boundary as GeoJSON")
    return found, findings


def _texts(data: bytes, encoding: str) -> list[tuple[int, str]]:
    """(line number, text) of JSON texts one below the other, [] if the file is no such sequence.

    RFC 8142 puts a record separator before each text, which may run over lines; the plain kind has
    one text a line.
    """
    text = data.decode(encoding)
    if "\x1e" in text:
        found, line = [], 1
        for part in text.split("\x1e"):
            if part.strip():
                found.append((line + len(part) - len(part.lstrip("\r\n")), part))
            line += part.count("\n")
        return found
    lines = [(n, line) for n, line in enumerate(text.split("\n"), 1) if line.strip()]
    return lines if all(line.strip().startswith("{") for _, line in lines) else []


def _collected(
    texts: list[tuple[int, str]], no_number: Callable[[str], None], *, where: str
) -> dict[str, Any]:
    """One collection of the features of all texts. Raises `InputError` with the line at fault."""
    features: list[Any] = []
    for line, text in texts:
        at = f"{where} line {line}"
        try:
            one = json.loads(text, parse_constant=no_number, object_pairs_hook=no_key_twice(at))
        except InputError:
            raise
        except (ValueError, RecursionError) as err:
            raise InputError(f"is not complete JSON: {err}", code="geojson-broken", where=at,
                             hint="export or copy the file again: its end may be missing") from err
        kind = one.get("type") if isinstance(one, dict) else None
        if not isinstance(kind, str):
            raise InputError('is JSON but not GeoJSON: it has no "type"', code="geojson-not-one",
                             where=at, hint="export it as GeoJSON")
        if "crs" in one:
            raise InputError('a line has a "crs" member of its own', code="geojson-not-one",
                             where=at, hint="export it as one FeatureCollection")
        inner = one.get("features") if kind == "FeatureCollection" else [one]
        if not isinstance(inner, list):
            raise InputError('has no list of "features"', code="geojson-not-one", where=at,
                             hint="export it again")
        features += inner
    return {"type": "FeatureCollection", "features": features}


def _position_length(coordinates: Any) -> int:
    for _ in range(_DEEPEST):
        if not isinstance(coordinates, list) or not coordinates:
            return 2
        if not isinstance(coordinates[0], list):
            return len(coordinates)
        coordinates = coordinates[0]
    return 2


def _shape(geometry: Any, *, where: str, depth: int = 0) -> Shape:
    if not geometry:
        return Shape()
    if not isinstance(geometry, dict):
        raise InputError("its geometry is no object of GeoJSON", code="geojson-type", where=where,
                         hint="export it as Polygon or MultiPolygon")
    kind, coordinates = geometry.get("type"), geometry.get("coordinates") or []
    heights = _position_length(coordinates) > 2
    try:
        if kind == "Polygon":
            return Shape(polygons=(tuple(flat(r) for r in coordinates),) if coordinates else (),
                         had_heights=heights)
        if kind == "MultiPolygon":
            parts = tuple(tuple(flat(r) for r in part) for part in coordinates if part)
            return Shape(polygons=parts, had_heights=heights)
        if kind in {"LineString", "MultiLineString"}:
            each = [coordinates] if kind == "LineString" else coordinates
            return Shape(lines=tuple(flat(line) for line in each if line), had_heights=heights)
        if kind in {"Point", "MultiPoint"}:
            each = [coordinates] if kind == "Point" and coordinates else coordinates
            return Shape(points=flat(each), had_heights=heights)
        if kind == "GeometryCollection" and depth < _DEEPEST:
            members = geometry.get("geometries") or []
            inner = [_shape(m, where=where, depth=depth + 1) for m in members]
            points = [s.points for s in inner if len(s.points)]
            return Shape(
                polygons=tuple(p for s in inner for p in s.polygons),
                lines=tuple(line for s in inner for line in s.lines),
                points=np.vstack(points) if points else NO_POINTS,
                had_heights=any(s.had_heights for s in inner))
    except InputError:
        raise
    except (TypeError, ValueError, LookupError, AttributeError, OverflowError) as err:
        raise InputError(f"its coordinates cannot be read: {err}", code="geojson-coordinates",
                         where=where, hint="export it again") from err
    if kind == "GeometryCollection":
        raise InputError(f"holds collections in collections, more than {_DEEPEST} deep",
                         code="geojson-too-deep", where=where,
                         hint="export it as Polygon or MultiPolygon")
    raise InputError(f"geometry type {kind!r} is not one of GeoJSON", code="geojson-type",
                     where=where, hint="export it as Polygon or MultiPolygon")


def _crs(found: Mapping[str, Any], *, where: str) -> tuple[pyproj.CRS | None, list[Finding]]:
    """The CRS of the 2008 draft's member; without one, WGS 84 unless the numbers cannot be."""
    member = found.get("crs")
    if not isinstance(member, dict):
        return None, []
    properties = member.get("properties")
    name = properties.get("name") if isinstance(properties, dict) else None
    if not isinstance(name, str):
        raise InputError('its "crs" member names no system', code="crs-unreadable", where=where,
                         hint="give the CRS in the plan, for example EPSG:32615")
    crs = parse_crs(name, where=where)
    if name.upper().endswith("CRS84"):
        return WGS84, []
    return crs, [note("geojson-crs-member", where,
                      f'has a "crs" member, {name}, which RFC 7946 no longer knows',
                      done=f"honoured: read as {crs.name}")]


def read_geojson(data: bytes, *, file: str, name: str) -> Layer:
    """All features of a GeoJSON text. A file without "crs" gives None: the numbers must agree."""
    found, findings = _loads(data, where=file)
    kind = found["type"]
    if kind == "FeatureCollection":
        raw = found.get("features")
        if not isinstance(raw, list):
            raise InputError('has no list of "features"', code="geojson-not-one", where=file,
                             hint="export it again")
    elif kind == "Feature":
        raw = [found]
    elif kind == "Topology":
        raise InputError("is TopoJSON, not GeoJSON", code="geojson-not-one", where=file,
                         hint="export it as GeoJSON")
    else:
        raw = [{"type": "Feature", "properties": {}, "geometry": found}]
    features, columns = [], {}
    for number, item in enumerate(raw, 1):
        where = f"{file} feature {number}"
        if not isinstance(item, dict):
            raise InputError("is no feature", code="geojson-not-one", where=where,
                             hint="export it again")
        if item.get("type") in _BARE:
            item = {"type": "Feature", "properties": {}, "geometry": item}  # noqa: PLW2901
        elif item.get("type", "Feature") != "Feature":
            raise InputError(f"is a {str(item['type'])[:40]!r}, not a Feature",
                             code="geojson-not-one", where=where, hint="export it again")
        properties = item.get("properties") or {}
        if not isinstance(properties, dict):
            raise InputError("its properties are no object", code="geojson-not-one", where=where,
                             hint="export it again")
        columns.update(dict.fromkeys(properties))
        features.append(Feature(record=number, properties=properties,
                                shape=_shape(item.get("geometry"), where=where)))
    crs, said = _crs(found, where=file)
    return Layer(file=file, name=name, crs=crs, columns=tuple(columns), features=tuple(features),
                 findings=(*findings, *said))
