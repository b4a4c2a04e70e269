"""Field CRS, geodesic acres, grids, polygon coverages, rasterise and trace."""

from vrx.geo.area import area_ac, lonlat_area_m2
from vrx.geo.crs import (
    WGS84,
    centre_of,
    field_crs,
    from_lonlat,
    parse_crs,
    to_lonlat,
    transform,
    transform_points,
)
from vrx.geo.grid import cells_within, grid_over

__all__ = [
    "WGS84",
    "area_ac",
    "cells_within",
    "centre_of",
    "field_crs",
    "from_lonlat",
    "grid_over",
    "lonlat_area_m2",
    "parse_crs",
    "to_lonlat",
    "transform",
    "transform_points",
]
