"""Acres that a person sees: geodesic, on WGS 84 (Karney 2013, as in GeographicLib and PROJ)."""

from __future__ import annotations

import pyproj
import shapely

from vrx.geo.crs import to_lonlat
from vrx.units import acres_from_m2

_GEOD = pyproj.Geod(ellps="WGS84")


def lonlat_area_m2(geometry: shapely.Geometry) -> float:
    """Geodesic area of a WGS 84 (longitude, latitude) polygon or multipolygon, holes taken out."""
    # Geod adds a hole that winds like its shell, so orient first.
    oriented = shapely.orient_polygons(geometry)
    area, _ = _GEOD.geometry_area_perimeter(oriented)
    return abs(float(area))


def area_ac(geometry: shapely.Geometry, crs_centre: tuple[float, float]) -> float:
    """Geodesic international acres of a geometry in the field's CRS."""
    return acres_from_m2(lonlat_area_m2(to_lonlat(geometry, crs_centre)))
