"""A corner that several zones share, moved in all of them at once."""

from __future__ import annotations

import numpy as np
import shapely

from vrx.errors import InputError
from vrx.geo.coverage import outer_vertices
from vrx.model import Field, FloatArray, Zones

_NOTHING_M = 1e-9
_SAME_M = 1e-9


def corner_near(zones: Zones, place: tuple[float, float], reach_m: float) -> FloatArray:
    """The corner (2,) nearest to a place. Raises `InputError` if none is within `reach_m`."""
    if not np.isfinite(place).all():
        raise InputError("the corner's place is not finite", code="edit-corner-none",
                         where="zones", hint="give metres in the field's own system")
    corners = shapely.get_coordinates([zone.polygon for zone in zones.zones])
    away = np.hypot(*(corners - np.asarray(place, dtype=np.float64)).T)
    nearest = int(np.argmin(away))
    if away[nearest] > reach_m:
        raise InputError(
            f"no corner within {reach_m:g} m, the nearest is {away[nearest]:.2f} m away",
            code="edit-corner-none", where="zones", hint="point at a corner of a zone",
        )
    return np.asarray(corners[nearest], dtype=np.float64)


def target_of(
    zones: Zones, field: Field, corner: FloatArray, to: tuple[float, float]
) -> FloatArray:
    """Where a corner may go (2,): anywhere, but along the field's edge if it lies there.

    Raises `InputError` for a corner of the field itself, and beyond the next corner on its edge.
    """
    if not np.isfinite(to).all():
        raise InputError("the new place of the corner is not finite", code="edit-corner-flips",
                         where="zones", hint="give metres in the field's own system")
    wanted = np.array(to, dtype=np.float64)
    # Numbers next to nothing overflow in GEOS, and nobody moves a corner by a nanometre.
    wanted[np.abs(wanted) < _NOTHING_M] = 0.0
    if np.hypot(*(wanted - corner)) < _NOTHING_M:
        return corner
    polygons = [zone.polygon for zone in zones.zones]
    outer = outer_vertices(polygons)
    at = np.flatnonzero((outer == corner).all(axis=1))
    if len(at) == 0:
        return wanted
    # Ends of outer edges stand in two halves: starts, then ends.
    half = len(outer) // 2
    ends = outer[np.where(at < half, at + half, at - half)]
    own = shapely.get_coordinates(field.boundary)
    bend = shapely.LineString([ends[0], ends[-1]]).distance(shapely.Point(corner))
    if (np.hypot(*(own - corner).T) < _SAME_M).any() and bend > _SAME_M:
        raise InputError("this is a corner of the field itself, which does not move",
                         code="edit-corner-field", where="zones",
                         hint="move a corner of a border between zones")
    run = shapely.LineString([ends[0], corner, ends[-1]])
    placed = run.project(shapely.Point(wanted))
    if len(ends) != 2 or not 0.0 < placed < run.length:
        raise InputError(
            "this corner lies on the field's edge and can only go along it, not beyond the next "
            "corner", code="edit-corner-edge", where="zones",
            hint="move it less far, or redraw the border",
        )
    # Of the field's own edge, so that the field's area stays to the last bit that can be.
    near = shapely.shortest_line(shapely.boundary(field.boundary), run.interpolate(placed))
    return np.asarray(shapely.get_coordinates(near)[0], dtype=np.float64)


def moved(polygon: shapely.Geometry, corner: FloatArray, to: FloatArray) -> shapely.Geometry:
    """A polygon with one corner moved, whatever comes of it."""
    def move(points: FloatArray) -> FloatArray:
        out = points.copy()
        out[(points == corner).all(axis=1)] = to
        return out

    return shapely.transform(polygon, move)


def turned(before: shapely.Geometry, after: shapely.Geometry) -> bool:
    """Whether a ring of a polygon crosses itself, has lost its area, or runs the other way now."""
    if not after.is_valid:
        return True
    one, two = (
        [shapely.is_ccw(ring) for part in shapely.get_parts(shape)
         for ring in (part.exterior, *part.interiors)] for shape in (before, after)
    )
    return one != two or bool((shapely.area(shapely.get_parts(after)) <= 0).any())
