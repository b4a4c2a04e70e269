"""Corners left out of the borders between zones, border by border (Douglas and Peucker).

A border runs from one node of the coverage to the next, so both neighbours lose the same corners.
Nothing lies farther from the new border than the tolerance; where borders would cross or a zone be
lost there is no result.
"""

from __future__ import annotations

import numpy as np
import shapely


def simplified(
    given: np.ndarray, tolerance_m: float, *, outline: bool
) -> np.ndarray | None:
    """The zones (an array of polygons of one coverage) with fewer corners, in the same order.

    With `outline` the field's own edge loses corners too. None where the new borders do not bound
    the same zones.
    """
    lines = shapely.union_all(shapely.boundary(given))
    arcs = shapely.get_parts(shapely.line_merge(lines))
    fewer = shapely.simplify(arcs, tolerance_m, preserve_topology=False)
    if not outline:
        edge = shapely.boundary(shapely.union_all(given))
        shapely.prepare(edge)
        # Corners of the edge are corners of the zones, so a middle of one segment tells.
        first = shapely.get_coordinates(shapely.get_point(arcs, 0))
        second = shapely.get_coordinates(shapely.get_point(arcs, 1))
        outer = shapely.distance(shapely.points((first + second) / 2), edge) <= 1e-6
        fewer = np.where(outer, arcs, fewer)
    faces = shapely.get_parts(shapely.polygonize(fewer))
    if not len(faces):
        return None
    # A face lies in the zone that it shares most ground with; faces outside all are holes.
    tree = shapely.STRtree(given)
    face, zone = tree.query(faces, predicate="intersects")
    shared = np.zeros((len(faces), len(given)))
    shared[face, zone] = shapely.area(shapely.intersection(faces[face], given[zone]))
    owner = np.where(shared.max(axis=1) > 0.5 * shapely.area(faces), shared.argmax(axis=1), -1)
    made = []
    for k, old in enumerate(given):
        parts = list(faces[owner == k])
        if len(parts) != shapely.get_num_geometries(old):
            return None
        made.append(parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts))
    return np.array(made, dtype=object)
