"""Acres that a person sees: geodesic, on WGS 84 (Karney 2013, as in GeographicLib and PROJ)."""

from __future__ import annotations

import pyproj
import shapely

from vrx.geo.crs import to_lonlat
from vrx.units import acres_from_m2

_GEOD = pyproj.Geod(ellps="WGS84")


def lonlat_area_m2(geometry: shapely.Geometry) -> float:
    """Geodesic area of a WGS 84 (longitude, latitude) polygon or multipolygon, holes taken out."""
    # Ring by ring: Geod adds a hole that winds like its shell, and winding is not to be told in
    # planar degrees for a ring that crosses the antimeridian.
    total = 0.0
    for part in shapely.get_parts(geometry):
        total += _ring_m2(part.exterior) - sum(_ring_m2(hole) for hole in part.interiors)
    return total


def _ring_m2(ring: shapely.LinearRing) -> float:
    longitude, latitude = ring.coords.xy
    area, _ = _GEOD.polygon_area_perimeter(longitude, latitude)
    return abs(float(area))


def area_ac(geometry: shapely.Geometry, crs_centre: tuple[float, float]) -> float:
    """Geodesic international acres of a geometry in the field's CRS."""
    return acres_from_m2(lonlat_area_m2(to_lonlat(geometry, crs_centre)))
