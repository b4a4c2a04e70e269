"""Coordinate systems of exported files, judged with fiona's own GDAL and PROJ and by their text."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vrx.audit._layers import Layer, Record, make_record
from vrx.model import FloatArray

_WGS84_TEXT = (
    re.compile(r'DATUM\["(D_WGS_1984|WGS_1984|WGS 84|World Geodetic System 1984)"', re.IGNORECASE),
    re.compile(
        r'(SPHEROID|ELLIPSOID)\["[^"]*",\s*6378137(\.0*)?\s*,\s*298\.2572235\d*', re.IGNORECASE
    ),
    re.compile(r'PRIMEM\["Greenwich",\s*0(\.0*)?', re.IGNORECASE),
    re.compile(r'(UNIT|ANGLEUNIT)\["degree",\s*0\.01745329\d*', re.IGNORECASE),
)
_MOST_CHARACTERS = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What a .prj says. `kind` is "wgs84", "geographic", "projected" or "unknown"."""

    kind: str
    name: str
    wkt: str


def judge(wkt: str) -> Reference:
    """The coordinate system of a .prj text (WKT), PROJJSON or "OGC:CRS84".

    "wgs84" only if GDAL and the text both say so.
    """
    from fiona import Env
    from fiona.crs import CRS
    from fiona.errors import CRSError

    if wkt.lstrip().startswith("{") or wkt == "OGC:CRS84":
        wkt = _as_wkt(wkt)
    named = re.search(r'^\s*\w+\["([^"]*)"', wkt)
    name = named.group(1) if named else "no name"
    try:
        # Inside an Env, what GDAL has to say goes to the log and not to the terminal.
        with Env():
            crs = CRS.from_wkt(wkt)
            geographic, projected = bool(crs.is_geographic), bool(crs.is_projected)
    except CRSError:
        return Reference(kind="unknown", name=name, wkt=wkt)
    if geographic and all(pattern.search(wkt) for pattern in _WGS84_TEXT):
        return Reference(kind="wgs84", name=name, wkt=wkt)
    kind = "geographic" if geographic else "projected" if projected else "unknown"
    return Reference(kind=kind, name=name, wkt=wkt)


def _as_wkt(text: str) -> str:
    """WKT of a system written otherwise; the text itself where GDAL knows no such system."""
    from fiona import Env
    from fiona.crs import CRS
    from fiona.errors import CRSError

    if len(text) > _MOST_CHARACTERS:
        return text
    try:
        with Env():
            return str(CRS.from_user_input(text).to_wkt())
    except CRSError:
        return text


def to_degrees(layer: Layer, reference: Reference) -> Layer:
    """The layer in WGS 84 degrees, vertex by vertex, by fiona's own PROJ. Raises `ValueError`."""
    from fiona.errors import FionaError
    from fiona.transform import transform

    def move(ring: FloatArray) -> FloatArray:
        east, north = transform(
            reference.wkt, "EPSG:4326", ring[:, 0].tolist(), ring[:, 1].tolist()
        )
        return np.column_stack([east, north]).astype(np.float64)

    records: list[Record] = []
    for record in layer.records:
        try:
            parts: Sequence[tuple[FloatArray, ...]] = [
                tuple(move(ring) for ring in part) for part in record.parts
            ]
        except (FionaError, RuntimeError) as err:
            raise ValueError(f"record {record.number}: {err}") from err
        records.append(make_record(place=record.number, values=record.values, parts=parts))
    return replace(layer, records=tuple(records))
