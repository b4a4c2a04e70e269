"""Which pieces of a cut zone become zones."""

from __future__ import annotations

import numpy as np
import shapely

from vrx.errors import InputError
from vrx.model import FloatArray, IntArray, Zone


def pieces_of(
    zone: Zone, faces: FloatArray, labels: IntArray, line: shapely.LineString
) -> IntArray:
    """Labels (n,) of the faces of a zone by the zone that they become, two or more.

    `labels` are one for each piece that the line cut off. Raises `InputError` for a line that does
    not divide the zone.
    """
    found = _with_uncut_parts(zone.polygon, faces, labels)
    if len(np.unique(found)) < 2:
        found = _by_side(zone.polygon, faces, line, int(labels[0]))
    if len(np.unique(found)) < 2:
        raise _no_cut(zone, line)
    return found


def _with_uncut_parts(
    polygon: shapely.Geometry, faces: FloatArray, labels: IntArray
) -> IntArray:
    """Labels (n,) where parts of one face stay with the largest piece of the cut parts."""
    parts = shapely.get_parts(polygon)
    face, part = shapely.STRtree(parts).query(
        shapely.point_on_surface(faces), predicate="intersects")
    of = np.zeros(len(faces), dtype=np.int64)
    of[face] = part
    uncut = np.array([len(np.unique(labels[of == k])) == 1 for k in of])
    if uncut.all():
        return np.full(len(faces), labels[0])
    sizes = {label: shapely.area(faces[labels == label]).sum() for label in labels[~uncut]}
    return np.where(uncut, max(sizes, key=lambda label: (sizes[label], -label)), labels)


def _by_side(
    polygon: shapely.Geometry, faces: FloatArray, line: shapely.LineString,
    first: int,
) -> IntArray:
    """Labels (n,) of whole parts by the side of a line that runs between them."""
    hull = shapely.boundary(shapely.convex_hull(polygon).buffer(1.0))
    noded = shapely.union_all([hull, line])
    sides = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    if len(sides) < 2 or shapely.crosses(line, polygon):
        return np.full(len(faces), first)
    face, side = shapely.STRtree(sides).query(
        shapely.point_on_surface(faces), predicate="intersects")
    labels = np.full(len(faces), first, dtype=np.int64)
    labels[face] = first + side
    return labels


def _no_cut(zone: Zone, line: shapely.LineString) -> InputError:
    where = f"zone {zone.letter}"
    inner = zone.polygon.buffer(-0.02)
    ends = [shapely.Point(line.coords[0]), shapely.Point(line.coords[-1])]
    if not line.is_closed and any(inner.intersects(end) for end in ends):
        return InputError("the line ends inside the zone and does not cut it",
                          code="edit-line-short", where=where,
                          hint="draw it from one edge of the zone to another")
    return InputError("the line does not cross the zone", code="edit-line-misses", where=where,
                      hint="draw it from one edge of the zone to another")
