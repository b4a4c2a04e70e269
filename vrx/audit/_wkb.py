"""Polygons out of well-known binary, as rings in the order of the file."""

from __future__ import annotations

import numpy as np
import shapely

from vrx.audit._layers import Part
from vrx.audit._ledger import Ledger
from vrx.model import FloatArray


def parts_of(data: bytes | None, where: str, ledger: Ledger) -> list[Part]:
    """The polygons of one geometry in WKB; [] with a fault for anything else, [] for none."""
    if data is None:
        return []
    try:
        shape = shapely.from_wkb(data)
    except (shapely.errors.GEOSException, TypeError, ValueError) as err:
        ledger.fault("ring", where, f"its geometry cannot be read: {err}", todo="export it again")
        return []
    if shape is None:
        return []
    if shape.geom_type not in {"Polygon", "MultiPolygon"}:
        ledger.fault(
            "geometry-kind", where, f"is a {shape.geom_type}; a prescription holds polygons")
        return []
    if shape.has_z:
        ledger.doubt("geometry-kind", where, "positions carry heights; they are ignored")
    return [
        tuple(_ring(one) for one in (polygon.exterior, *polygon.interiors))
        for polygon in shapely.get_parts(shape) if not polygon.is_empty
    ]


def _ring(ring: shapely.LinearRing) -> FloatArray:
    return np.ascontiguousarray(shapely.get_coordinates(ring)[:, :2], dtype=np.float64)
