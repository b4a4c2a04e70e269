"""Faults of the polygons of a part field or of a task's zones."""

from __future__ import annotations

from collections.abc import Iterator
from xml.etree.ElementTree import Element

import numpy as np
import shapely

from vrx.formats import task_data as facts
from vrx.formats._task_numbers import number
from vrx.model import Finding, stop, warn

Ring = list[tuple[float, float]]
_SLIVER_M2 = 1.0
"""Overlap that coordinates of few decimals can make is told from one that gets two rates."""


def polygon_faults(holder: Element, where: str) -> Iterator[Finding]:
    """Rings that are open, too short, crossing or astray; zones of a task that overlap."""
    shapes: list[tuple[str, shapely.Polygon]] = []
    zones = [(f"{where}, zone {zone.get('A')}", zone) for zone in holder.findall("TZN")]
    for place, parent in [(where, holder), *zones]:
        for polygon in parent.findall("PLN"):
            rings = [(line.get("A") or "", ring_points(line)) for line in polygon.findall("LSG")]
            faults = list(_rings(rings, place))
            yield from faults
            if not faults:
                shape = shapely.Polygon(
                    next(ring for kind, ring in rings if kind == facts.EXTERIOR),
                    [ring for kind, ring in rings if kind == facts.INTERIOR])
                if not shape.is_valid:
                    yield stop("task-check-ring", place,
                               f"is no simple polygon: {shapely.is_valid_reason(shape)}")
                elif parent.tag == "TZN":
                    shapes.append((place, shape))
    yield from _overlaps(shapes)


def ring_points(line: Element) -> Ring:
    """(longitude, latitude) of the points of an LSG, NaN for what is no number."""
    points = line.findall("PNT")
    try:
        return [(float(at.get("D") or "nan"), float(at.get("C") or "nan")) for at in points]
    except ValueError:
        return [(number(at.get("D")), number(at.get("C"))) for at in points]


def _rings(rings: list[tuple[str, Ring]], where: str) -> Iterator[Finding]:
    outer = sum(kind == facts.EXTERIOR for kind, _ in rings)
    if outer != 1:
        yield stop("task-check-ring", where,
                   f"a polygon has {outer} outer rings; it has exactly one")
    for kind, points in rings:
        if kind not in {facts.EXTERIOR, facts.INTERIOR}:
            continue
        if not points or not np.isfinite(points).all():
            yield stop("task-check-ring", where, "a point of a ring has no place")
        elif points[0] != points[-1]:
            yield stop("task-check-ring", where, "a ring is open: its last point is not its first")
        elif len(points) < 4:
            yield stop("task-check-ring", where, f"a ring has {len(points)} points; 4 are the "
                       "least, the first one repeated")


def _overlaps(shapes: list[tuple[str, shapely.Polygon]]) -> Iterator[Finding]:
    if len(shapes) < 2:
        return
    polygons = np.array([shape for _, shape in shapes])
    tree = shapely.STRtree(polygons)
    one, other = tree.query(polygons, predicate="intersects")
    pairs = one < other
    common = shapely.area(shapely.intersection(polygons[one[pairs]], polygons[other[pairs]]))
    for k in np.flatnonzero(common > 0.0):
        first, second = int(one[pairs][k]), int(other[pairs][k])
        north, east = facts.metres_per_degree(float(polygons[first].centroid.y))
        if common[k] * north * east > _SLIVER_M2:
            yield warn("task-check-overlap", shapes[first][0],
                       f"overlaps {shapes[second][0].rpartition(', ')[2]} by "
                       f"{common[k] * north * east:.0f} m2: two rates on one ground")
