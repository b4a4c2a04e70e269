"""Rings as written -> valid polygons with their holes, on the longitude-latitude plane.

Nothing here decides a doubtful case: repairs that change less than `SAFE_CHANGE` of the area are
made and told, everything else becomes a stop with its candidates.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyproj
import shapely
from pyproj.exceptions import ProjError

from vrx.errors import InputError
from vrx.geo import WGS84, lonlat_area_m2, transform_points
from vrx.intake._nest import put_together
from vrx.intake._raise import listed
from vrx.intake._shape import Rings
from vrx.intake._spikes import without_spikes
from vrx.intake._tangles import FEW_CROSSINGS, MOST_CROSSINGS, crossings, rested_ring
from vrx.model import Finding, FloatArray, note, stop
from vrx.units import acres_from_m2

SAFE_CHANGE = 0.002
"""A repair that changes the area by no more than this share is made without asking."""

_GEOD = pyproj.Geod(ellps="WGS84")


def acres(geometry: shapely.Geometry) -> float:
    """Geodesic acres of a longitude-latitude geometry."""
    return acres_from_m2(lonlat_area_m2(geometry)) if not geometry.is_empty else 0.0


def polygons_of(geometry: shapely.Geometry) -> shapely.MultiPolygon:
    """Only the areas of a geometry, as a MultiPolygon."""
    flat: list[shapely.Polygon] = []
    for part in shapely.get_parts(geometry):
        if part.geom_type == "Polygon" and not part.is_empty:
            flat.append(part)
        elif hasattr(part, "geoms"):
            flat += list(polygons_of(part).geoms)
    return shapely.MultiPolygon(flat)


def to_lonlat_rings(
    rings: Sequence[FloatArray], source: pyproj.CRS, *, where: str
) -> list[FloatArray]:
    """Rings of any system as WGS 84 longitude, latitude; (n, 2) each."""
    moved = []
    for ring in rings:
        if source == WGS84 or not len(ring):
            moved.append(ring)
            continue
        try:
            lon, lat = transform_points(ring[:, 0], ring[:, 1], source=source, target=WGS84)
        except ProjError as err:
            raise InputError(
                f"{source.name} has no place for its coordinates: {err}", code="crs-no-such-place",
                where=where, hint="the file's coordinate system is wrong; give or mend it"
            ) from err
        moved.append(np.column_stack([lon, lat]))
    return moved


def unwrapped(rings: Sequence[FloatArray]) -> tuple[list[FloatArray], str]:
    """Rings with longitudes made continuous, and what had to be done ("" if nothing)."""
    east = np.concatenate([ring[:, 0] for ring in rings if len(ring)])
    if east.min() > 180:
        return [np.column_stack([r[:, 0] - 360.0, r[:, 1]]) for r in rings], (
            "longitudes run from 0 to 360")
    if east.min() < -180 and east.max() - east.min() < 180:
        return [np.column_stack([r[:, 0] + 360.0, r[:, 1]]) for r in rings], (
            "longitudes run below -180")
    if east.max() > 180 or east.max() - east.min() > 180:
        return [np.column_stack([np.mod(r[:, 0], 360.0), r[:, 1]]) for r in rings], (
            "the field crosses longitude 180")
    return list(rings), ""


def place(lon: float, lat: float) -> str:
    """A place for a message."""
    lon = (lon + 180.0) % 360.0 - 180.0
    return f"longitude {lon:.6f}, latitude {lat:.6f}"


def distance_m(one: FloatArray, other: FloatArray) -> float:
    """Geodesic metres between two positions (longitude, latitude)."""
    return float(_GEOD.inv(one[0], one[1], other[0], other[1])[2])


def _closed(ring: FloatArray) -> tuple[FloatArray, float | None]:
    """A ring closed, and the metres from its last corner to its first if it was not."""
    if len(ring) and not np.array_equal(ring[0], ring[-1]):
        return np.vstack([ring, ring[:1]]), distance_m(ring[-1], ring[0])
    return ring, None


def _on_a_line(ring: FloatArray) -> bool:
    """True if a ring encloses nothing and crosses nothing: there and back on one line."""
    # Under a square millimetre a metre of length: rounding of degrees, not ground.
    hull = shapely.convex_hull(shapely.LineString(ring))
    return bool(hull.area <= 1e-14 * max(hull.length, 1e-12))


def _drawn_area(ring: FloatArray) -> float:
    return abs(float(_GEOD.polygon_area_perimeter(ring[:, 0], ring[:, 1])[0]))


def drawn_ac(ring: FloatArray) -> float:
    """Geodesic acres of a closed ring as drawn; lobes of a crossing one cancel."""
    return acres_from_m2(_drawn_area(ring))


def outline_of(ring: FloatArray) -> shapely.Polygon | None:
    """The corners of a ring joined in order around their middle, if that is valid."""
    corners = np.unique(ring, axis=0)
    middle = corners.mean(axis=0)
    around = np.arctan2(corners[:, 1] - middle[1], corners[:, 0] - middle[0])
    polygon = shapely.Polygon(corners[np.argsort(around, kind="stable")])
    return polygon if polygon.is_valid and polygon.area > 0 else None


def crossing_of(ring: FloatArray) -> str:
    """Where a ring crosses itself, for a message."""
    reason = str(shapely.is_valid_reason(shapely.Polygon(ring)))
    if "[" not in reason:
        return reason
    lon, lat = reason[reason.index("[") + 1 : reason.index("]")].split()[:2]
    return place(float(lon), float(lat))


def _valid(polygon: shapely.Polygon, **how: Any) -> shapely.MultiPolygon:
    """`make_valid`, empty where the overlay gives up on a tangle."""
    try:
        return polygons_of(shapely.make_valid(polygon, **how))
    except shapely.errors.GEOSException:
        return shapely.MultiPolygon()


def _without_rest(
    ring: FloatArray, *, where: str
) -> tuple[shapely.MultiPolygon, list[Finding]] | None:
    """A ring without the tangles of a receiver at rest, if that is all that is wrong with it."""
    found = rested_ring(ring)
    if found is None:
        return None
    rested, rest_m = found
    before_ac, after_ac = drawn_ac(ring), drawn_ac(rested)
    if abs(after_ac - before_ac) > SAFE_CHANGE * after_ac:
        return None
    return shapely.MultiPolygon([shapely.Polygon(rested)]), [note(
        "boundary-repaired", where, f"crosses itself at {crossing_of(ring)}, within {rest_m:g} m",
        done=f"{len(ring) - len(rested)} vertices less than {rest_m:g} m from the one before left "
        f"out: {before_ac:.3f} ac before, {after_ac:.3f} after")]


def _as_chosen(
    ring: FloatArray, fixed: shapely.MultiPolygon, *, where: str, crossing: str | None
) -> tuple[shapely.MultiPolygon, list[Finding]]:
    """What the user chose of a ring that crosses itself, or a stop that lists the choices."""
    outline, fixed_ac = outline_of(ring), acres(fixed)
    if crossing == "as drawn" and fixed_ac > 0:
        return fixed, [note("boundary-repaired", where, f"crosses itself at {crossing_of(ring)}",
                            done=f"taken as drawn, {fixed_ac:.3f} ac, as you chose")]
    if crossing == "outline" and outline is not None:
        return shapely.MultiPolygon([outline]), [note(
            "boundary-repaired", where, f"crosses itself at {crossing_of(ring)}",
            done=f"corners joined in order around the middle, {acres(outline):.3f} ac, as you "
            "chose")]
    choices = [f"{fixed_ac:.1f} ac as drawn (crossing = \"as drawn\")"] if fixed_ac > 0 else []
    if outline is not None:
        choices.append(f"{acres(outline):.1f} ac outline (crossing = \"outline\")")
    return fixed, [stop("boundary-crosses-itself", where,
                        f"boundary crosses itself at {crossing_of(ring)}"
                        + (": " if choices else "") + ", ".join(choices),
                        todo="put the corners in order in the file, or choose one of these")]


def mend_ring(
    ring: FloatArray, *, where: str, crossing: str | None
) -> tuple[shapely.MultiPolygon, list[Finding]]:
    """One closed ring as an area; a ring that crosses itself is repaired, chosen or stopped."""
    polygon = shapely.Polygon(ring)
    if polygon.is_valid:
        return shapely.MultiPolygon([polygon]), []
    times = crossings(ring)
    rested = _without_rest(ring, where=where) if times > FEW_CROSSINGS else None
    if rested is not None:
        return rested
    if times > MOST_CROSSINGS:
        return shapely.MultiPolygon(), [stop(
            "boundary-crosses-itself", where, f"boundary crosses itself more than {MOST_CROSSINGS} "
            f"times, first at {crossing_of(ring)}", todo="draw it again: a receiver that stands "
            "still draws such tangles")]
    # By structure: a spot that the ring goes round twice stays land.
    fixed = _valid(polygon, method="structure", keep_collapsed=False)
    drawn, mended = _drawn_area(ring), lonlat_area_m2(fixed) if not fixed.is_empty else 0.0
    # Lobes may cancel in the area as drawn: what is gone round twice must be little, too.
    once = lonlat_area_m2(even) if not (even := _valid(polygon)).is_empty else 0.0
    if mended > 0 and max(abs(mended - drawn), abs(mended - once)) <= SAFE_CHANGE * mended:
        done = f"repaired: {acres_from_m2(drawn):.3f} ac before, {acres_from_m2(mended):.3f} after"
        return fixed, [note("boundary-repaired", where,
                            f"touches or crosses itself at {crossing_of(ring)}", done=done)]
    return _as_chosen(ring, fixed, where=where, crossing=crossing)


def assemble(
    polygons: Sequence[Rings], *, where: str, crossing: str | None = None
) -> tuple[shapely.MultiPolygon, list[Finding]]:
    """All rings of one feature as one valid MultiPolygon on the longitude-latitude plane.

    Rings lying inside an odd number of others are holes, whatever their winding; that is told where
    the file did not say so. `crossing` is None (stop), "as drawn" or "outline".
    """
    areas: list[shapely.MultiPolygon] = []
    said_hole: list[bool] = []
    findings: list[Finding] = []
    empty: list[str] = []
    unclosed: list[str] = []
    for rings in polygons:
        for position, raw in enumerate(rings):
            different = len(np.unique(raw, axis=0))
            if different < 3:
                empty.append(f"{different} different points")
                continue
            ring, gap = _closed(raw)
            ring, said = without_spikes(ring, where=where, safe_change=SAFE_CHANGE,
                                        keep=crossing == "as drawn")
            findings += said
            if _on_a_line(ring):
                empty.append(f"{different} different points on a line")
                continue
            area, said = mend_ring(ring, where=where, crossing=crossing)
            findings += said
            if area.is_empty:
                continue
            if gap is not None:
                unclosed.append(f"{gap:.1f} m ({acres(area):.3f} ac inside)")
            areas.append(area)
            said_hole.append(position > 0)
    if unclosed:
        findings.append(note(
            "boundary-ring-closed", where, f"{len(unclosed)} ring(s) not closed",
            done="closed with a straight line to the first corner: " + listed(unclosed)))
    if empty and not areas:
        findings.append(
            stop("boundary-zero-area", where, f"a ring of {empty[0]} has an area of 0 acres",
                 todo="draw it again") if "line" in empty[0] else
            stop("boundary-degenerate", where, f"a ring has {empty[0]}: fewer than 3 different "
                 "points", todo="draw the boundary again"))
    elif empty:
        findings.append(note("boundary-ring-no-area", where,
                             f"rings without area: {listed(empty)}", done="left out: 0 acres"))
    if not areas:
        return shapely.MultiPolygon(), findings
    whole, said = put_together(areas, said_hole, where=where, safe=SAFE_CHANGE,
                               as_drawn=crossing == "as drawn")
    return whole, [*findings, *said]
