"""Part of a coverage cut anew along lines, so that every edge is still made once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from vrx.errors import ComputeError, InputError, VrxError
from vrx.geo import (
    area_ac,
    coverage_from_polygons,
    coverage_trouble,
    dissolve,
    round_coverage,
    shared_edges,
    to_lonlat,
)
from vrx.geo.coverage import noded_faces
from vrx.model import Field, Finding, FloatArray, IntArray, Zone, Zones

SNAP_M = 0.01
"""A line goes through the corners that it passes within this distance."""
SLIVER_M = 0.02
"""Pieces that are narrower on average are nobody's intent: they join the neighbour."""
_BEYOND_M = 1e-3
_NOTHING_M = 1e-6
# As `vrx.formats.layer.COORDINATE_DECIMALS`, which this room may not import.
_EXPORT_DECIMALS = 9
_EDITED = "; edited by hand"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edited:
    """What an edit makes of zones, before it is proven: zones that are new get their acres then."""

    zones: tuple[Zone, ...]
    findings: tuple[Finding, ...] = ()
    highest_id: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cut:
    """Faces (n,) of some zones and their neighbours, and the position of the zone of each (n,)."""

    faces: FloatArray
    held: IntArray


def position_of(zones: Zones, zone_id: int) -> int:
    """Where a zone stands. Raises `InputError` for an id that is not there."""
    for position, zone in enumerate(zones.zones):
        if zone.zone_id == zone_id:
            return position
    gone = 0 < zone_id < zones.next_id
    raise InputError(
        f"there is no zone {zone_id}" + (", it was split, merged or emptied" if gone else ""),
        code="edit-zone-unknown", where="zones",
        hint="zones are " + ", ".join(f"{z.zone_id} ({z.letter})" for z in zones.zones[:40]),
    )


def checked_line(line: shapely.Geometry) -> shapely.LineString:
    """A line that can cut. Raises `InputError` for anything else."""
    if not isinstance(line, shapely.LineString) or line.is_empty:
        raise InputError(
            f"a border is a line, this is {getattr(line, 'geom_type', type(line).__name__)}",
            code="edit-line", where="zones", hint="draw a line of two or more different points",
        )
    flat = shapely.force_2d(line)
    if not np.isfinite(shapely.get_coordinates(flat)).all():
        raise InputError("a point of the line is not finite", code="edit-line", where="zones",
                         hint="give metres in the field's own system")
    flat = shapely.remove_repeated_points(flat, _NOTHING_M)
    if flat.length < SNAP_M:
        raise InputError(f"the line is {100 * flat.length:.3f} cm long", code="edit-line",
                         where="zones", hint="draw a line of two or more different points")
    return flat


def carried(
    line: shapely.LineString, within: shapely.Geometry, edges: shapely.Geometry, reach_m: float
) -> shapely.LineString:
    """A line whose ends inside a polygon, at most `reach_m` short of an edge, are carried to it."""
    points = shapely.get_coordinates(line)
    before: list[FloatArray] = []
    after: list[FloatArray] = []
    for end, held in ((points[0], before), (points[-1], after)):
        place = shapely.Point(end)
        if line.is_closed or not within.intersects(place) or edges.distance(place) > reach_m:
            continue
        near = shapely.get_coordinates(shapely.shortest_line(place, edges))[1]
        step = near - end
        length = float(np.hypot(*step))
        if length < SNAP_M:
            # On the edge already: go on as the line came.
            inner = points[1] if held is before else points[-2]
            step = end - inner
            length = float(np.hypot(*step))
        held.append(near + step / length * _BEYOND_M)
    return shapely.LineString([*before, *points, *after])


def first_that_holds(zones: Zones, field: Field, edit: Callable[..., Edited]) -> Zones:
    """An edit that cuts with the neighbours only, else, should it fail, with all zones noded.

    Noding may move a corner by its last bits where edges nearly touch; with all zones noded it does
    so in every zone that has it. Should that not survive the rounding for export either, all edges
    are made anew on a lattice of a millimetre.
    """
    done: Edited | None = None
    failed = ""
    for everyone in (False, True):
        try:
            done = edit(everyone=everyone)
            return rebuilt(zones, field, done)
        except ComputeError as err:
            failed = err.message.rpartition("exactly: ")[2]
        except shapely.errors.GEOSException as err:
            failed = str(err)
    if done is not None:
        try:
            return rebuilt(zones, field, _renoded(done, field))
        except VrxError as err:
            failed = failed or err.message
    raise _failed(failed)


def _failed(trouble: str) -> ComputeError:
    return ComputeError(
        f"after this edit the zones would not cover the field exactly: {trouble}",
        code="edit-failed", where="zones",
        hint="move the line or corner a little, away from edges that it nearly touches",
    )


def _renoded(done: Edited, field: Field) -> Edited:
    found = coverage_from_polygons(
        [zone.polygon for zone in done.zones], field.boundary, crs_centre=field.crs_centre,
        names=[zone.letter for zone in done.zones], close_m=SLIVER_M, renode=True,
    )
    return replace(done, zones=tuple(
        replace(zone, polygon=polygon)
        for zone, polygon in zip(done.zones, found.polygons, strict=True)))


def cut(
    zones: Zones, field: Field, *, area: Sequence[int], line: shapely.Geometry, everyone: bool
) -> Cut:
    """Cut the zones at the positions `area` along a line; their neighbours get its new corners.

    With `everyone` all other zones are noded along, not only the neighbours.
    """
    polygons = np.array([zone.polygon for zone in zones.zones], dtype=object)
    chosen = polygons[list(area)]
    whole = chosen[0] if len(chosen) == 1 else shapely.coverage_union_all(chosen)
    corners = shapely.multipoints(shapely.get_coordinates(chosen))
    inner = shapely.intersection(shapely.snap(line, corners, SNAP_M), whole)
    lines = [_longer(shapely.remove_repeated_points(part, _NOTHING_M))
             for part in shapely.get_parts(inner)
             if part.geom_type == "LineString" and part.length > 2 * _NOTHING_M]
    beside = shapely.STRtree(polygons).query(whole, predicate="intersects")
    involved = np.union1d(beside, np.array(area, dtype=np.int64))
    if everyone:
        involved = np.arange(len(polygons))
    # Noded at once with the neighbours: no edge is made twice.
    faces, points = noded_faces(
        [*shapely.boundary(polygons[involved]), *lines], field.boundary
    )
    face, owner = shapely.STRtree(polygons[involved]).query(points, predicate="intersects")
    held = np.full(len(faces), -1, dtype=np.int64)
    held[face[::-1]] = involved[owner[::-1]]
    return Cut(faces=faces[held >= 0], held=held[held >= 0])


def _longer(line: shapely.LineString) -> shapely.LineString:
    """A line carried on a millimetre at both ends, so that it surely crosses what it ends on."""
    points = shapely.get_coordinates(line)
    ends = []
    for end, inner in ((points[0], points[1]), (points[-1], points[-2])):
        step = end - inner
        ends.append(end + step / np.hypot(*step) * _BEYOND_M)
    return shapely.LineString([ends[0], *points, ends[1]])


def without_slivers(found: Cut, owner: IntArray, area: Sequence[int]) -> tuple[IntArray, float]:
    """Owners (n,) where slivers of the zones in `area` join a neighbour there, and their m²."""
    size, around = shapely.area(found.faces), shapely.length(found.faces)
    inside = np.isin(found.held, list(area))
    thin = inside & (size < 0.5 * SLIVER_M * around)
    if not thin.any():
        return owner, 0.0
    owner = owner.copy()
    pairs, lengths = shared_edges(list(found.faces))
    moved = 0.0
    for face in np.flatnonzero(thin).tolist():
        at = (pairs == face).any(axis=1)
        other = pairs[at].sum(axis=1) - face
        good = inside[other] & ~thin[other]
        if good.any():
            into = int(other[good][np.argmax(lengths[at][good])])
            moved += float(size[face]) * (owner[face] != owner[into])
            owner[face] = owner[into]
    return owner, moved


def dissolved(
    zones: Zones, found: Cut, owner: IntArray, area: Sequence[int]
) -> dict[int, shapely.Geometry]:
    """Polygon of every owner (n,): of new ones, and of neighbours that got a corner."""
    keys = np.unique(owner)
    made = dict(zip(keys.tolist(), dissolve(list(found.faces), owner), strict=True))
    for position in set(np.unique(found.held).tolist()) - set(area):
        old = zones.zones[position].polygon
        if same_outline(made[position], old):
            del made[position]
    return made


def same_outline(one: shapely.Geometry, other: shapely.Geometry) -> bool:
    """Whether two polygons are equal to the last bit of every corner."""
    return bool(shapely.equals_exact(
        shapely.normalize(one), shapely.normalize(other), tolerance=0.0))


def rebuilt(zones: Zones, field: Field, done: Edited) -> Zones:
    """Zones after an edit, proven to be a coverage that also survives the rounding for export.

    Zones that are not in `zones` (by identity) get their acres anew. Raises `ComputeError` with
    the trouble in words.
    """
    made = done.zones
    known = {id(zone) for zone in zones.zones}
    changed = [zone.polygon for zone in made if id(zone) not in known]
    trouble = coverage_trouble([zone.polygon for zone in made], field.boundary)
    trouble = trouble or _rounding_trouble(changed, field)
    if trouble:
        raise _failed(trouble)
    fresh = tuple(
        zone if id(zone) in known else Zone(
            zone_id=zone.zone_id, letter=zone.letter, label=zone.label,
            polygon=shapely.normalize(zone.polygon),
            area_ac=area_ac(zone.polygon, field.crs_centre),
        )
        for zone in made
    )
    return Zones(
        zones=fresh, basis=edited_basis(zones.basis), clusters=zones.clusters,
        findings=tuple(dict.fromkeys([*zones.findings, *done.findings])),
        highest_id=max(zones.next_id - 1, done.highest_id),
    )


def edited_basis(basis: str) -> str:
    """What zones were made from, with the words that they were edited."""
    return basis if basis.endswith(_EDITED) else basis + _EDITED


def _rounding_trouble(changed: Sequence[shapely.Geometry], field: Field) -> str:
    if not changed:
        return ""
    degrees = [to_lonlat(polygon, field.crs_centre) for polygon in changed]
    rounded = shapely.transform(
        np.array(degrees, dtype=object), lambda points: np.round(points, _EXPORT_DECIMALS)
    )
    if shapely.is_valid(rounded).all() and shapely.coverage_is_valid(rounded):
        return ""
    try:
        round_coverage(degrees, _EXPORT_DECIMALS)
    except VrxError as error:
        return error.message
    return ""
