"""A valid area -> the field: its own projection, slivers between its parts, its acres."""

from __future__ import annotations

import shapely

from vrx.errors import InputError
from vrx.geo import CLOSE_M, area_ac, centre_of, from_lonlat
from vrx.intake._raise import raise_stops
from vrx.intake._rings import SAFE_CHANGE, polygons_of
from vrx.model import Field, Finding, note, stop

FARTHEST_M = 100_000.0
"""Beyond this from its centre the field's CRS is no longer what it promises."""
FARTHEST_LAT = 75.0
"""No field is nearer to a pole (common practice, no source)."""
SLIVER_M = CLOSE_M
"""A gap or hole narrower than this is nobody's land: it comes from drawing, not from the ground."""
_SHORTEST_M = 2.0
"""Where parts touch in a point there is a short narrow gap beside it, which is none to close."""
_LATTICE_M = 1e-3
_NOISE_M = 1e-6


def _without_slits(boundary: shapely.MultiPolygon) -> tuple[shapely.MultiPolygon, int]:
    """A boundary without its narrow holes, and how many there were."""
    parts, slits = [], 0
    for part in boundary.geoms:
        wide = [r for r in part.interiors
                if not shapely.Polygon(r).buffer(-SLIVER_M / 2.0).is_empty]
        slits += len(part.interiors) - len(wide)
        parts.append(shapely.Polygon(part.exterior, wide))
    return (shapely.MultiPolygon(parts) if slits else boundary), slits


def _gaps(boundary: shapely.MultiPolygon) -> list[shapely.Polygon]:
    """Long narrow gaps between two parts of a boundary."""
    if len(boundary.geoms) < 2:
        return []
    half = SLIVER_M / 2.0
    near = boundary.buffer(half, join_style="mitre").buffer(-half, join_style="mitre")
    try:
        between = near.difference(boundary)
    except shapely.errors.GEOSException:
        # Crossings a rounding apart: on a lattice the overlay has an answer.
        between = shapely.difference(near, boundary, grid_size=_LATTICE_M)
    tree = shapely.STRtree(boundary.geoms)
    return [
        piece for piece in polygons_of(between).geoms
        if piece.length / 2.0 > _SHORTEST_M and piece.area > _NOISE_M * piece.length / 2.0
        and len(tree.query(piece.buffer(_LATTICE_M), predicate="intersects")) > 1
    ]


def without_slivers(
    boundary: shapely.MultiPolygon, crs_centre: tuple[float, float], *, where: str
) -> tuple[shapely.MultiPolygon, list[Finding]]:
    """A boundary in its own CRS whose gaps and holes under 0.5 m of width are closed and told.

    A stop, if they are more than the share that is repaired without asking.
    """
    closed, slits = _without_slits(boundary)
    gaps = _gaps(closed)
    if gaps:
        # Noded on a lattice, so that edges which agree within rounding become one.
        closed = polygons_of(shapely.union_all([closed, *gaps], grid_size=_LATTICE_M))
    if not gaps and not slits:
        return boundary, []
    closed = shapely.orient_polygons(closed)
    before, after = area_ac(boundary, crs_centre), area_ac(closed, crs_centre)
    what = f"{len(gaps)} gaps between parts and {slits} holes narrower than {SLIVER_M:g} m"
    if abs(after - before) > SAFE_CHANGE * before:
        return boundary, [stop(
            "boundary-slivers", where, f"{what}: {before:.3f} ac with them, {after:.3f} ac closed",
            todo="draw the parts with shared edges")]
    return closed, [note("boundary-slivers-closed", where, what,
                         done=f"closed: {before:.3f} ac before, {after:.3f} after")]


def rounded_centre(lonlat: shapely.Geometry) -> tuple[float, float]:
    """The centre of a field's CRS, longitude within -180...180."""
    lon, lat = centre_of(lonlat)
    # 0.0 + also turns a negative zero into zero.
    return round((lon + 180.0) % 360.0 - 180.0, 2), 0.0 + lat


def field_of(
    boundary: shapely.MultiPolygon, *, name: str, crs_centre: tuple[float, float],
    centre_given: bool, where: str, findings: list[Finding],
) -> Field:
    """The field of an area in its own CRS. Raises `InputError` if it reaches too far."""
    boundary = shapely.orient_polygons(boundary)
    west, south, east, north = boundary.bounds
    far = max(abs(west), abs(south), abs(east), abs(north))
    if far > FARTHEST_M:
        what = (
            f"reaches {far / 1000:.0f} km from the plan's centre {crs_centre}" if centre_given
            else f"reaches {far / 1000:.0f} km from its middle"
        )
        raise InputError(f"{what}: no single field does", code="boundary-too-far", where=where,
                         hint="check the CRS, and the centre in the plan" if centre_given
                         else "check the CRS, and whether several fields are in the file")
    if abs(crs_centre[1]) > FARTHEST_LAT:
        lon, lat = crs_centre
        raise InputError(
            f"lies at longitude {lon:.2f}, latitude {lat:.2f}: no field is beyond latitude "
            f"{FARTHEST_LAT:g}", code="boundary-latitude", where=where,
            hint="check the CRS, and whether longitude and latitude are exchanged (exchanged it "
            f"lies at longitude {lat:.2f}, latitude {lon:.2f})" if abs(lon) <= FARTHEST_LAT
            else "check the file's coordinates and its CRS")
    boundary, said = without_slivers(boundary, crs_centre, where=where)
    findings = [*findings, *said]
    raise_stops(findings)
    total = area_ac(boundary, crs_centre)
    parts = shapely.get_num_geometries(boundary)
    if parts > 1:
        findings.append(note("boundary-parts", where, f"the field has {parts} parts",
                             done=f"all are kept: {total:.3f} ac"))
    return Field(name=name, crs_centre=crs_centre, boundary=boundary, area_ac=total,
                 findings=tuple(findings))


def boundary_in(
    lonlat: shapely.MultiPolygon, crs_centre: tuple[float, float]
) -> shapely.MultiPolygon:
    """A longitude-latitude area as a valid one in the CRS of a centre."""
    boundary = polygons_of(from_lonlat(lonlat, crs_centre))
    return boundary if boundary.is_valid else polygons_of(shapely.make_valid(boundary))
