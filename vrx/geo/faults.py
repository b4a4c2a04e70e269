"""Polygons that a user drew: what keeps them from covering the field once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity

from vrx.errors import InputError
from vrx.geo.crs import WGS84, field_crs, transform_points
from vrx.units import acres_from_m2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fault:
    """One connected gap, overlap or part outside the boundary, in the field's CRS.

    `area_ac` is from the planar area, which the field's CRS keeps; `easting_m`, `northing_m` lie
    inside it; `polygons` are the positions, from 0, of the polygons that it touches.
    """

    area_ac: float
    easting_m: float
    northing_m: float
    polygons: tuple[int, ...]
    geometry: shapely.Polygon

    def wider_than(self, width_m: float) -> bool:
        """Whether a circle of that diameter in metres fits in."""
        return not self.geometry.buffer(-width_m / 2).is_empty


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoverageFaults:
    """All faults of a set of polygons, each kind with the largest first."""

    gaps: tuple[Fault, ...]
    overlaps: tuple[Fault, ...]
    outside: tuple[Fault, ...]

    @property
    def gap_ac(self) -> float:
        """Acres of the boundary that lie in no polygon."""
        return sum(fault.area_ac for fault in self.gaps)

    @property
    def overlap_ac(self) -> float:
        """Acres that lie in two polygons or more, counted once."""
        return sum(fault.area_ac for fault in self.overlaps)

    @property
    def outside_ac(self) -> float:
        """Acres of the polygons that lie outside the boundary."""
        return sum(fault.area_ac for fault in self.outside)


def valid_polygon(polygon: shapely.Geometry, *, where: str) -> shapely.Geometry:
    """A 2-D valid polygon or multipolygon of the same area.

    A ring that touches itself in a point is taken as the parts or holes that it encloses: its area
    is not in doubt. A ring that crosses itself is refused.

    Raises:
        InputError: no polygon, empty, or crossing itself.
    """
    if shapely.get_type_id(polygon) not in (3, 6) or polygon.is_empty:
        raise InputError(
            f"a zone must be a polygon, this is {polygon.geom_type}"
            f"{' without coordinates' if polygon.is_empty else ''}",
            code="zone-not-polygon", where=where, hint="draw the zone as a closed outline",
        )
    flat = shapely.force_2d(polygon)
    if flat.is_valid:
        return flat
    reason = shapely.is_valid_reason(flat)
    made = shapely.make_valid(flat, method="structure", keep_collapsed=False)
    drawn = sum(
        shapely.area(shapely.Polygon(part.exterior))
        - sum(shapely.area(shapely.Polygon(ring)) for ring in part.interiors)
        for part in shapely.get_parts(flat)
    )
    if "Self-intersection" not in reason or abs(made.area - drawn) > 1e-6 * drawn:
        raise InputError(
            f"the outline is not a valid polygon: {reason}",
            code="zone-invalid", where=where, hint="redraw the outline so that it does not cross "
            "itself",
        )
    return made


def coverage_faults(
    polygons: Sequence[shapely.Geometry], boundary: shapely.Geometry
) -> CoverageFaults:
    """Gaps, overlaps and parts outside of valid polygons over a boundary, all in the field's CRS.

    Nothing is judged or rounded away here: a gap of a square millimetre is listed too.
    """
    array = np.array(polygons, dtype=object)
    union = shapely.union_all(array)
    tree = shapely.STRtree(array)
    one, two = tree.query(array, predicate="intersects")
    below = one < two
    common = shapely.intersection(array[one[below]], array[two[below]])
    return CoverageFaults(
        gaps=_faults(shapely.difference(boundary, union), tree),
        overlaps=_faults(shapely.union_all(common), tree),
        outside=_faults(shapely.difference(union, boundary), tree),
    )


def _faults(geometry: shapely.Geometry, tree: shapely.STRtree) -> tuple[Fault, ...]:
    parts = shapely.get_parts(geometry)
    parts = parts[(shapely.get_type_id(parts) == 3) & (shapely.area(parts) > 0)]
    found = []
    for part in parts:
        inner = part.representative_point()
        near = tree.query(part, predicate="intersects")
        found.append(Fault(
            area_ac=acres_from_m2(float(part.area)), easting_m=float(inner.x),
            northing_m=float(inner.y),
            polygons=tuple(sorted(int(position) for position in near)), geometry=part,
        ))
    return tuple(sorted(found, key=lambda fault: (-fault.area_ac, fault.easting_m)))


def width_m(polygon: shapely.Geometry) -> float:
    """Diameter of the largest circle that fits into a zone, metres, to 1 %.

    For specks and slivers thinner than about 2 mm: four times area over perimeter, which is no
    less.
    """
    best = 0.0
    for part in shapely.get_parts(polygon):
        # Area over perimeter is at most the radius of the circle, and at least half of it.
        scale = float(part.area / part.length) if part.length else 0.0
        if scale < 1e-3:
            best = max(best, 4.0 * scale)
            continue
        radius = shapely.maximum_inscribed_circle(part, tolerance=0.01 * scale).length
        best = max(best, 2.0 * float(radius))
    return best


def width_across_m(polygon: shapely.Geometry, driving_deg: float) -> float:
    """The longest straight run inside a zone across the driving direction, metres.

    `driving_deg` are compass degrees. Runs are measured on 200 lines over each part and as long as
    the part is wide there; holes and bays end a run.
    """
    best = 0.0
    for part in shapely.get_parts(polygon):
        # Turned so that the driving direction points north and runs lie east and west.
        turned = affinity.rotate(part, driving_deg, origin=part.centroid)
        west, south, east, north = turned.bounds
        levels = south + (north - south) * (np.arange(200) + 0.5) / 200
        ends = np.stack([
            np.column_stack([np.full(200, west - 1.0), levels]),
            np.column_stack([np.full(200, east + 1.0), levels]),
        ], axis=1)
        runs = shapely.intersection(shapely.linestrings(ends), turned)
        best = max(best, float(shapely.length(shapely.get_parts(runs)).max(initial=0.0)))
    return best


def fault_place(fault: Fault, crs_centre: tuple[float, float]) -> str:
    """Longitude and latitude of a fault, in words."""
    longitude, latitude = transform_points(
        np.array([fault.easting_m]), np.array([fault.northing_m]),
        source=field_crs(crs_centre), target=WGS84,
    )
    return f"longitude {longitude[0]:.6f}, latitude {latitude[0]:.6f}"
