"""Which system the coordinates of a file are in. Degrees may be assumed, nothing else."""

from __future__ import annotations

import numpy as np
import pyproj

from vrx.errors import InputError
from vrx.geo import WGS84, parse_crs
from vrx.intake._files import GEOJSON_SUFFIXES
from vrx.intake._shape import Layer
from vrx.model import Finding, FloatArray, note, warn

TOLD_DEG, FARTHEST_DEG = 3.0, 6.0
"""Degrees outside a system's area of use that are told, and that stop: a UTM zone is 6 wide."""
Extent = tuple[float, float, float, float]
_GIVE = (
    "give the CRS, for example EPSG:32615: boundary_crs in [field], crs in [soil] or polygons_crs "
    "in [zones]"
)


def extent_of(layer: Layer) -> Extent | None:
    """(west, south, east, north) in the file's own coordinates, None without coordinates."""
    every: list[FloatArray] = []
    for feature in layer.features:
        shape = feature.shape
        every += [ring for rings in shape.polygons for ring in rings]
        every += [*shape.lines, shape.points]
    every = [array for array in every if len(array)]
    if not every:
        return None
    both = np.vstack(every)
    low, high = both.min(axis=0), both.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def could_be_degrees(extent: Extent) -> bool:
    """True if all coordinates lie within longitude -360...360 and latitude -90...90."""
    west, south, east, north = extent
    return west >= -360 and east <= 360 and south >= -90 and north <= 90


def _range(extent: Extent) -> str:
    west, south, east, north = extent
    return f"{west:.10g}…{east:.10g} and {south:.10g}…{north:.10g}"


def same_system(one: pyproj.CRS, other: pyproj.CRS) -> bool:
    """True if two systems give the same coordinates, whatever their names and axis order."""
    return bool(one.equals(other, ignore_axis_order=True)) or (
        (code := one.to_epsg(min_confidence=70)) is not None
        and code == other.to_epsg(min_confidence=70)
    )


def unit_quarrel(crs: pyproj.CRS) -> str:
    """Why a projected system that bears a registered name cannot have the unit that it states.

    The registered number of a false easting under another unit of length was never converted, as
    where metres were relabelled as feet. "" where nothing speaks against it.
    """
    if not crs.is_projected or crs.to_epsg(min_confidence=70) is not None:
        return ""
    code = crs.to_epsg(min_confidence=25)
    known = None if code is None else pyproj.CRS.from_epsg(code)
    if known is None or crs.coordinate_operation is None or known.coordinate_operation is None:
        return ""
    registered = {p.name: p for p in known.coordinate_operation.params}
    for own in crs.coordinate_operation.params:
        other = registered.get(own.name)
        if other is None or not own.value or own.name not in {"False easting", "False northing"}:
            continue
        if own.value == other.value and own.unit_conversion_factor != other.unit_conversion_factor:
            return (f"{known.name} (EPSG:{code}) has {own.name.lower()} {other.value:g} "
                    f"{other.unit_name}, the file {own.value:g} {own.unit_name}")
    return ""


def require_in_use(
    crs: pyproj.CRS, lonlat: FloatArray, *, where: str
) -> tuple[Finding, ...]:
    """A warning for places (n, 2) of longitude, latitude outside the area a system is made for.

    Feet read as metres, or a wrong zone, land far from there. Raises `InputError` beyond
    `FARTHEST_DEG`; a state in one zone reaches `TOLD_DEG` beyond it.
    """
    code = crs.to_epsg(min_confidence=70)
    use = crs.area_of_use or (pyproj.CRS.from_epsg(code).area_of_use if code else None)
    if use is None or not crs.is_projected or not len(lonlat):
        return ()
    lon, lat = (lonlat.min(axis=0) + lonlat.max(axis=0)) / 2.0
    width = (use.east - use.west) % 360.0 or 360.0
    past = (lon - use.west) % 360.0
    away = max(0.0 if past <= width else min(past - width, 360.0 - past),
               use.south - lat, lat - use.north, 0.0)
    if away <= TOLD_DEG:
        return ()
    what = (f"longitude {(lon + 180.0) % 360.0 - 180.0:.4f}, latitude {lat:.4f} lies {away:.1f} "
            f"degrees outside the area of {crs.name} (longitude {use.west:g}…{use.east:g}, "
            f"latitude {use.south:g}…{use.north:g})")
    todo = "check the zone, and whether the coordinates are feet or metres"
    if away > FARTHEST_DEG:
        raise InputError(what, code="crs-area-of-use", where=where, hint=todo)
    return (warn("crs-area-of-use", where, what, done="read as stated", todo=todo),)


def crs_for(layer: Layer, *, stated: str | None) -> tuple[pyproj.CRS, tuple[Finding, ...]]:
    """The CRS of a layer: what the file says, else what the user says, else WGS 84 for degrees.

    Raises `InputError` where file and user differ, where nothing is said and the numbers cannot be
    degrees, or where the numbers cannot belong to the system.
    """
    where = layer.file
    extent = extent_of(layer)
    if extent is None:
        raise InputError("holds no coordinates", code="boundary-empty", where=where,
                         hint="export it again")
    said = parse_crs(stated, where=where) if stated else None
    findings: tuple[Finding, ...] = ()
    if layer.crs is not None and said is not None and not same_system(layer.crs, said):
        raise InputError(
            f"the file says {layer.crs.name}, the plan says {said.name}", code="crs-conflict",
            where=where, hint="take the CRS out of the plan, or mend the file's own")
    crs = layer.crs or said
    if layer.crs_fault is not None:
        if crs is None:
            raise layer.crs_fault
        findings = (warn("crs-file-unreadable", where, f"{layer.crs_fault.where}: its coordinate "
                         "system cannot be read", done=f"read as {crs.name}, as you stated"),)
    if crs is None:
        if not could_be_degrees(extent):
            what = "no .prj" if where.lower().endswith(".shp") else "no coordinate system is stated"
            raise InputError(
                f"{what}; coordinates {_range(extent)} cannot be degrees", code="crs-missing",
                where=where, hint=_GIVE)
        crs = WGS84
        if not where.lower().endswith(GEOJSON_SUFFIXES):
            what = "no .prj" if where.lower().endswith(".shp") else "no CRS"
            findings = (note("crs-assumed", where, f"{what}: degrees assumed",
                             done="read as WGS 84 (EPSG:4326)",
                             todo="give the CRS if it is another"),)
    _require_plausible(crs, extent, where=where)
    return crs, findings


def _require_plausible(crs: pyproj.CRS, extent: Extent, *, where: str) -> None:
    if not (crs.is_geographic or crs.is_projected):
        raise InputError(f"{crs.name} is neither geographic nor projected", code="crs-kind",
                         where=where, hint=_GIVE)
    if crs.is_geographic and not could_be_degrees(extent):
        raise InputError(
            f"{crs.name} is in degrees, but coordinates are {_range(extent)}",
            code="crs-not-degrees", where=where,
            hint="the file's coordinate system is wrong; give or mend it")
    if crs.is_projected and could_be_degrees(extent):
        raise InputError(
            f"{crs.name} is in metres or feet, but coordinates {_range(extent)} look like degrees",
            code="crs-looks-like-degrees", where=where,
            hint="the file's coordinate system is wrong; give or mend it")
