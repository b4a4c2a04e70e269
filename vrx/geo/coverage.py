"""Polygon coverages: the check, shared edges, noding, and rounding that keeps edges shared.

A coverage of a boundary is a list of polygons without gap or overlap whose shared edges are equal
vertex by vertex. Nothing here moves a vertex of one polygon without moving its neighbour's.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from vrx.errors import ComputeError
from vrx.model import FloatArray, IntArray

CLOSURE = 1e-9
"""Greatest relative difference between the areas of a coverage and of its boundary."""


_CLOSE_HINT = "look for zones or edges less than a millimetre apart and move or join them"


def coverage_trouble(polygons: Sequence[shapely.Geometry], boundary: shapely.Geometry) -> str:
    """Why polygons are not a true coverage of the boundary, in words; "" when they are one.

    Checked: all are valid polygons, edges match vertex by vertex and planar areas add up to the
    boundary's within `CLOSURE`. Edges match where `shapely.coverage_is_valid` says so, or else
    where `edges_match` proves it (GEOS 3.14.1 takes a polygon whose hole touches its shell in a
    point of the boundary for an overlap).
    """
    if not polygons:
        return "there is no polygon"
    array = np.array(polygons, dtype=object)
    if not np.isin(shapely.get_type_id(array), (3, 6)).all():
        return "a part is not a polygon"
    if not shapely.is_valid(array).all():
        first = array[~shapely.is_valid(array)][0]
        return f"a polygon is not valid: {shapely.is_valid_reason(first)}"
    if not shapely.coverage_is_valid(array) and not edges_match(polygons, boundary):
        return "edges of neighbours do not match vertex by vertex"
    whole = float(shapely.area(boundary))
    error = abs(float(shapely.area(array).sum()) - whole) / whole
    if error > CLOSURE:
        return f"areas differ from the boundary's by {error:.2e} of it (limit {CLOSURE:.0e})"
    return ""


def edges_match(polygons: Sequence[shapely.Geometry], boundary: shapely.Geometry) -> bool:
    """Whether every edge has exactly one twin in another polygon or lies on the boundary.

    With valid polygons and closed areas this alone proves a coverage: how many polygons lie over a
    point can then change at the boundary only.
    """
    segments, _ = _segments(polygons)
    unique, counts = np.unique(segments, axis=0, return_counts=True)
    if counts.max() > 2:
        return False
    single = unique[counts == 1]
    edge = shapely.boundary(boundary)
    length = float(np.hypot(single[:, 2] - single[:, 0], single[:, 3] - single[:, 1]).sum())
    if abs(length - edge.length) > CLOSURE * edge.length:
        return False
    shapely.prepare(edge)
    middle = shapely.points((single[:, :2] + single[:, 2:]) / 2)
    return bool((shapely.distance(middle, edge) <= CLOSURE * edge.length).all())


def require_coverage(
    polygons: Sequence[shapely.Geometry], boundary: shapely.Geometry, *, where: str
) -> None:
    """Raise `ComputeError` unless the polygons are a true coverage of the boundary."""
    trouble = coverage_trouble(polygons, boundary)
    if trouble:
        raise ComputeError(
            f"the zones do not cover the field exactly: {trouble}",
            code="coverage-invalid", where=where,
            hint="check the boundary for edges that nearly touch, or use another cell size",
        )


def _segments(polygons: Sequence[shapely.Geometry]) -> tuple[FloatArray, IntArray]:
    """All ring segments, (n, 4) with the smaller end first, and the polygon of each, (n,)."""
    # get_rings passes over multipolygons, so take their parts.
    parts, of_part = shapely.get_parts(np.array(polygons, dtype=object), return_index=True)
    rings, of_ring = shapely.get_rings(parts, return_index=True)
    owner = of_part[of_ring]
    coordinates, ring = shapely.get_coordinates(rings, return_index=True)
    same = ring[1:] == ring[:-1]
    start, end = coordinates[:-1][same], coordinates[1:][same]
    swap = (start[:, 0] > end[:, 0]) | ((start[:, 0] == end[:, 0]) & (start[:, 1] > end[:, 1]))
    low = np.where(swap[:, None], end, start)
    high = np.where(swap[:, None], start, end)
    return np.hstack([low, high]), np.asarray(owner[ring[:-1][same]], dtype=np.int64)


def noded_faces(
    lines: Sequence[shapely.Geometry], boundary: shapely.Geometry, *, lattice_m: float | None = None
) -> tuple[FloatArray, FloatArray]:
    """Faces inside a boundary of lines noded together, so that every edge is made once.

    `lines` hold the boundary's own too; with `lattice_m` all vertices move onto multiples of it.
    Returns polygons (faces,) and a point inside each (faces,), both arrays of geometries.
    """
    noded = shapely.union_all(np.array(lines, dtype=object), grid_size=lattice_m)
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    inner = shapely.point_on_surface(faces)
    shapely.prepare(boundary)
    held = shapely.intersects(boundary, inner)
    return faces[held], inner[held]


def outer_vertices(polygons: Sequence[shapely.Geometry]) -> FloatArray:
    """Ends (n, 2) of all edges of a coverage that no two polygons share."""
    segments, _ = _segments(polygons)
    unique, counts = np.unique(segments, axis=0, return_counts=True)
    single = unique[counts == 1]
    return np.vstack([single[:, :2], single[:, 2:]])


def shared_edges(polygons: Sequence[shapely.Geometry]) -> tuple[IntArray, FloatArray]:
    """Which polygons of a coverage are neighbours, and along what length.

    Returns pairs (n, 2) of positions, first below second and ascending, and metres (n,). Edges
    count only where they are equal vertex by vertex, as in a valid coverage; a corner is no edge.
    """
    segments, owner = _segments(polygons)
    order = np.lexsort(segments.T[::-1])
    segments, owner = segments[order], owner[order]
    twin = np.all(segments[1:] == segments[:-1], axis=1) & (owner[1:] != owner[:-1])
    if not twin.any():
        return np.empty((0, 2), dtype=np.int64), np.empty(0)
    ends = segments[1:][twin]
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    both = np.sort(np.column_stack([owner[1:][twin], owner[:-1][twin]]), axis=1)
    pairs, which = np.unique(both, axis=0, return_inverse=True)
    return pairs.astype(np.int64), np.bincount(which.ravel(), weights=length).astype(np.float64)


def dissolve(
    polygons: Sequence[shapely.Geometry], owner: Sequence[int] | IntArray
) -> list[shapely.Geometry]:
    """Polygons of a coverage joined by `owner` (n,), in ascending order of owner.

    Only shared edges vanish; every remaining vertex stays where it is.
    """
    array, keys = np.array(polygons, dtype=object), np.asarray(owner, dtype=np.int64)
    return [
        members[0] if len(members) == 1
        else _joined(shapely.get_parts(shapely.coverage_union_all(members)))
        for members in (array[keys == key] for key in np.unique(keys))
    ]


def _joined(parts: Sequence[shapely.Polygon]) -> shapely.Geometry:
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(list(parts))


def round_coverage(
    polygons: Sequence[shapely.Geometry], decimals: int
) -> list[shapely.Geometry]:
    """Round every vertex to a number of decimals, so that the coverage stays one.

    Equal vertices move equally, so shared edges stay shared. Repeated vertices, spikes and rings
    without area that rounding leaves are dropped. Any coordinates will do; for longitude and
    latitude 9 decimals are 0.1 mm.

    Raises:
        ComputeError: a polygon vanishes or becomes invalid, or edges no longer match.
    """
    rounded = [
        _rounded(polygon, decimals, position) for position, polygon in enumerate(polygons, start=1)
    ]
    invalid = [str(n) for n, polygon in enumerate(rounded, start=1) if not polygon.is_valid]
    array = np.array(rounded, dtype=object)
    if invalid or not (
        shapely.coverage_is_valid(array) or edges_match(rounded, shapely.union_all(array))
    ):
        what = f"polygons {', '.join(invalid)} cross themselves" if invalid else "edges cross"
        raise ComputeError(
            f"rounding to {decimals} decimals breaks the zones: {what}",
            code="coverage-rounding", hint=_CLOSE_HINT,
        )
    return rounded


def _rounded(polygon: shapely.Geometry, decimals: int, position: int) -> shapely.Geometry:
    parts = []
    for part in shapely.get_parts(polygon):
        shell = _rounded_ring(part.exterior, decimals)
        if shell is None:
            continue
        holes = [_rounded_ring(ring, decimals) for ring in part.interiors]
        parts.append(shapely.Polygon(shell, [hole for hole in holes if hole is not None]))
    if not parts:
        raise ComputeError(
            f"polygon {position} has no area left after rounding to {decimals} decimals",
            code="coverage-rounding", hint=_CLOSE_HINT,
        )
    return _joined(parts)


def _rounded_ring(ring: shapely.Geometry, decimals: int) -> FloatArray | None:
    """The closed ring without repeats and spikes, or None when nothing is left."""
    points: list[tuple[float, float]] = []
    # Adding 0.0 turns -0.0 into 0.0.
    for east, north in np.round(shapely.get_coordinates(ring)[:-1], decimals) + 0.0:
        point = (float(east), float(north))
        if points and points[-1] == point:
            continue
        if len(points) > 1 and points[-2] == point:
            points.pop()
            continue
        points.append(point)
    while len(points) > 2:
        if points[0] == points[-1]:
            points.pop()
        elif points[1] == points[-1]:
            points = points[1:-1]
        elif points[0] == points[-2]:
            points.pop()
            points.pop()
        else:
            break
    if len(points) < 3:
        return None
    closed = np.array([*points, points[0]])
    # From the first vertex, or the digits that matter are lost.
    east, north = (closed - closed[0]).T
    twice = abs(float(np.sum(east[:-1] * north[1:] - east[1:] * north[:-1])))
    # On a lattice of step s no ring holds less than s * s / 2.
    return closed if twice > 0.5 * 10.0 ** (-2 * decimals) else None
