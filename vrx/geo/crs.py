"""The only CRS authority: the field's own equal-area CRS, and transforms to and from it.

Inside vrx every coordinate is in a Lambert azimuthal equal-area projection on WGS 84, centred on
the boundary's centroid rounded to 0.01 degree, in metres. Planar area there equals geodesic area to
about 1e-7 at any longitude. Longitude always comes before latitude.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pyproj
import shapely
from pyproj.exceptions import CRSError

from vrx.errors import InputError
from vrx.model import FloatArray


@lru_cache(maxsize=64)
def field_crs(crs_centre: tuple[float, float]) -> pyproj.CRS:
    """The field's CRS for a centre (longitude, latitude) in degrees."""
    longitude, latitude = crs_centre
    return pyproj.CRS.from_dict(
        {"proj": "laea", "lat_0": latitude, "lon_0": longitude, "datum": "WGS84", "units": "m"}
    )


def centre_of(lonlat: shapely.Geometry) -> tuple[float, float]:
    """Centre for `field_crs`: the centroid of a WGS 84 geometry, rounded to 0.01 degree."""
    centroid = lonlat.centroid
    return round(float(centroid.x), 2), round(float(centroid.y), 2)


def parse_crs(text: str, *, where: str) -> pyproj.CRS:
    """A CRS from what a user wrote ("EPSG:32615", WKT). Raises `InputError`."""
    try:
        return pyproj.CRS.from_user_input(text)
    except (CRSError, UnicodeEncodeError) as err:
        raise InputError(
            f"CRS {text!r} is not known to PROJ",
            code="crs-unknown", where=where, hint="give an EPSG code, for example EPSG:32615",
        ) from err


@lru_cache(maxsize=64)
def _transformer(source: pyproj.CRS, target: pyproj.CRS) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(source, target, always_xy=True)


WGS84 = pyproj.CRS.from_epsg(4326)


def transform_points(
    easting: FloatArray, northing: FloatArray, *, source: pyproj.CRS, target: pyproj.CRS,
    errcheck: bool = True,
) -> tuple[FloatArray, FloatArray]:
    """Points from one CRS to another, easting or longitude first; arrays (n,).

    A point that PROJ has no answer for raises `ProjError`; without `errcheck` it becomes infinite.
    """
    if easting.size == 1:
        # pyproj tries an array of one as a scalar first, of which numpy before 2.4 warns.
        easting, northing = easting.tolist(), northing.tolist()
    east, north = _transformer(source, target).transform(easting, northing, errcheck=errcheck)
    return np.asarray(east, dtype=np.float64), np.asarray(north, dtype=np.float64)


def transform(
    geometry: shapely.Geometry, *, source: pyproj.CRS, target: pyproj.CRS
) -> shapely.Geometry:
    """A 2-D geometry, vertex by vertex, so that shared edges stay shared."""

    def move(coordinates: FloatArray) -> FloatArray:
        east, north = transform_points(
            coordinates[:, 0], coordinates[:, 1], source=source, target=target
        )
        return np.column_stack([east, north])

    return shapely.transform(shapely.force_2d(geometry), move)


def to_lonlat(geometry: shapely.Geometry, crs_centre: tuple[float, float]) -> shapely.Geometry:
    """A geometry of the field in WGS 84 degrees."""
    return transform(geometry, source=field_crs(crs_centre), target=WGS84)


def from_lonlat(geometry: shapely.Geometry, crs_centre: tuple[float, float]) -> shapely.Geometry:
    """A WGS 84 geometry in the field's CRS."""
    return transform(geometry, source=WGS84, target=field_crs(crs_centre))
