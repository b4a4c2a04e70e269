"""GeoJSON read back with plain `json`, held against RFC 7946 clause by clause."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from vrx.audit._layers import Layer, Part, Record, columns_of, make_record, signed_area
from vrx.audit._ledger import Ledger
from vrx.model import FloatArray


def read(data: bytes, name: str, ledger: Ledger, *, strict: bool = True) -> Layer | None:
    """The layer, or None with a fault where the file is cut short or is no GeoJSON.

    `strict` makes a wrong winding a fault (RFC 7946 3.1.6 binds the writer); readers of other
    people's files should not reject it (same clause).
    """
    document = _load(data, name, ledger)
    if document is None:
        return None
    if not strict:
        document = _collected(document)
    if document.get("type") != "FeatureCollection" or not isinstance(
        document.get("features"), list
    ):
        ledger.fault("unreadable", name, "is no FeatureCollection with a list of features")
        return None
    if "crs" in document:
        # In somebody else's file a member that names WGS 84 is old, not wrong.
        say = ledger.fault if strict or not _is_lonlat(document["crs"]) else ledger.doubt
        say(
            "geojson-crs", f"{name}, member crs",
            "has a crs member, which RFC 7946 (section 4) took out: always WGS 84",
            value=json.dumps(document["crs"])[:200], todo="export again without it",
        )
        if not _is_lonlat(document["crs"]):
            return None
    features = document["features"]
    if not features:
        ledger.fault("empty", name, "no features")
        return None
    records = [
        _record(place, feature, name, ledger, strict=strict)
        for place, feature in enumerate(features, start=1)
    ]
    return Layer(name=name, columns=columns_of(records), records=tuple(records))


def _collected(document: dict[str, Any]) -> dict[str, Any]:
    """A lone Feature or geometry, which RFC 7946 (section 2) allows too, as a collection of one."""
    kind = document.get("type")
    around = {"crs": document["crs"]} if "crs" in document else {}
    if kind in ("Polygon", "MultiPolygon"):
        document = {"type": "Feature", "properties": {}, "geometry": document}
    elif kind != "Feature":
        return document
    return {"type": "FeatureCollection", "features": [document], **around}


def _load(data: bytes, name: str, ledger: Ledger) -> dict[str, Any] | None:
    def constant(text: str) -> float:
        ledger.fault(
            "json-number", name, f"{text} is no JSON number (RFC 8259, section 6)", value=text
        )
        return float(text.replace("Infinity", "inf"))

    def pairs(items: list[tuple[str, Any]]) -> dict[str, Any]:
        keys = [key for key, _ in items]
        for key in sorted({key for key in keys if keys.count(key) > 1}):
            ledger.fault("column-twice", f"{name}, member {key}", "stands twice in one object")
        return dict(items)

    if data.startswith(b"\xef\xbb\xbf"):
        ledger.doubt("json-bom", name, "starts with a byte order mark (RFC 8259, section 8.1)")
        data = data[3:]
    try:
        document = json.loads(
            data.decode("utf-8"), parse_constant=constant, object_pairs_hook=pairs
        )
    except UnicodeDecodeError as err:
        ledger.fault("unreadable", f"{name}, byte {err.start}", "is no UTF-8 text")
        return None
    except json.JSONDecodeError as err:
        ledger.fault(
            "unreadable", f"{name}, line {err.lineno} column {err.colno}",
            f"is no whole JSON document: {err.msg}", todo="copy or export it again",
        )
        return None
    except (ValueError, RecursionError) as err:
        ledger.fault("unreadable", name, f"is nested too deeply, or a number is too long: {err}")
        return None
    if _half_a_character(data, document):
        ledger.fault("unreadable", name, "holds half a character (a lone surrogate)")
        return None
    if not isinstance(document, dict):
        ledger.fault("unreadable", name, "is no JSON object")
        return None
    return document


def _half_a_character(data: bytes, document: object) -> bool:
    """True for a lone surrogate, which JSON can escape and no text file can hold."""
    if b"\\ud" not in data.lower():
        return False
    try:
        json.dumps(document, ensure_ascii=False).encode("utf-8")
    except (UnicodeEncodeError, RecursionError):
        return True
    return False


def _is_lonlat(crs: object) -> bool:
    text = json.dumps(crs)
    return "CRS84" in text or "4326" in text


def _record(place: int, feature: Any, name: str, ledger: Ledger, *, strict: bool) -> Record:
    where = f"{name}, feature {place}"
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        ledger.fault("unreadable", where, "is no Feature")
        return make_record(place=place, values={}, parts=[])
    values = feature.get("properties")
    values = values if isinstance(values, dict) else {}
    parts = _parts(feature.get("geometry"), where, ledger)
    record = make_record(place=place, values=values, parts=parts)
    _winding(record, f"{name}, {record.name}", ledger, strict=strict)
    return record


def _parts(geometry: object, where: str, ledger: Ledger) -> list[Part]:
    if not isinstance(geometry, Mapping):
        return []
    kind, coordinates = geometry.get("type"), geometry.get("coordinates")
    if kind == "Polygon":
        coordinates = [coordinates]
    elif kind != "MultiPolygon":
        ledger.fault("geometry-kind", where, f"is a {kind}; a prescription holds polygons")
        return []
    if not isinstance(coordinates, list) or not all(isinstance(p, list) for p in coordinates):
        ledger.fault("ring", where, "coordinates are no list of rings")
        return []
    made: list[Part] = []
    for polygon in coordinates:
        rings = [_ring(ring, where, ledger) for ring in polygon]
        kept = tuple(ring for ring in rings if ring is not None)
        if kept and rings[0] is not None:
            made.append(kept)
    return made


def _ring(ring: object, where: str, ledger: Ledger) -> FloatArray | None:
    try:
        points = np.asarray(ring, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        points = np.empty((0, 0))
    if points.ndim != 2 or points.shape[1] < 2:
        ledger.fault("ring", where, "a ring is no list of positions of two numbers")
        return None
    if points.shape[1] > 2:
        ledger.doubt("geometry-kind", where, "positions carry heights; they are ignored")
        points = points[:, :2]
    if not np.isfinite(points).all():
        ledger.fault("ring", where, "a position is no number")
        return None
    if len(points) < 4 or not np.array_equal(points[0], points[-1]):
        ledger.fault("ring", where, "a ring is not closed or has fewer than four positions")
        return None
    return np.ascontiguousarray(points)


def _winding(record: Record, where: str, ledger: Ledger, *, strict: bool) -> None:
    for part in record.parts:
        for index, ring in enumerate(part):
            area = signed_area(ring)
            if math.copysign(1.0, area) == (1.0 if index == 0 else -1.0):
                continue
            kind = "an outer ring runs clockwise" if index == 0 else "a hole runs counter-clockwise"
            if strict:
                ledger.fault("winding", where, f"{kind} (RFC 7946, section 3.1.6)")
            else:
                ledger.remark("winding", where, f"{kind}; taken as it is meant")
