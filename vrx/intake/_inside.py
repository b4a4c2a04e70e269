"""Samples against the boundary: inside, near, in a hole, beyond; and what would explain a miss."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyproj
import shapely

from vrx.formats.answers import command
from vrx.geo import to_lonlat
from vrx.intake._places import Places, in_field_crs, moved, subset
from vrx.intake._raise import listed
from vrx.model import BoolArray, Field, Finding, FloatArray, note, stop, warn

_GEOD = pyproj.Geod(ellps="WGS84")


def distances(east: FloatArray, north: FloatArray, field: Field) -> FloatArray:
    """Metres from each point (n,) to the field, 0 inside, infinite where there is no point."""
    finite = np.isfinite(east) & np.isfinite(north)
    out = np.full(len(east), np.inf)
    shapely.prepare(field.boundary)
    out[finite] = shapely.distance(field.boundary, shapely.points(east[finite], north[finite]))
    return out


def _utm_systems(field: Field) -> list[pyproj.CRS]:
    lon, lat = field.crs_centre
    zone = min(int((lon + 180.0) // 6) + 1, 60)
    codes = [(32600 if lat >= 0 else 32700) + z for z in (zone - 1, zone, zone + 1) if 1 <= z <= 60]
    if lat >= 0 and zone <= 23:
        codes.append(26900 + zone)
    return [pyproj.CRS.from_epsg(code) for code in codes]


def _variants(places: Places, field: Field) -> list[tuple[str, str, FloatArray, FloatArray,
                                                         pyproj.CRS, str]]:
    """(code, words, east, north, CRS, answer) of readings wrong in a well-known way.

    The answer is the command that applies it; "" where only the file can be mended.
    """
    east, north, crs = places.east, places.north, places.systems[0]
    east_name, north_name = places.names
    if len(places.systems) > 1:
        return []
    by_column = east_name != north_name
    found = []
    west = ("soil.longitudes_are_west", "true")
    exchanged = _exchanged(places)
    swap = f"{north_name} and {east_name} are exchanged"

    def answered(*keys: tuple[str, str], drop: tuple[str, ...] = ()) -> str:
        return command(*keys, drop=drop) if by_column else ""

    if places.in_degrees:
        south = ("soil.latitudes_are_south", "true")
        found += [
            ("soil-longitude-sign", "the longitudes are negative", -np.abs(east), north, crs,
             answered(west)),
            ("soil-longitude-sign", "the longitudes are positive", np.abs(east), north, crs,
             answered(("soil.longitudes_are_east", "true"))),
            ("soil-latitude-sign", "the latitudes are negative", east, -np.abs(north), crs,
             answered(south)),
            ("soil-latitude-sign", "the longitudes and the latitudes are negative",
             -np.abs(east), -np.abs(north), crs, answered(west, south)),
            ("soil-coordinates-exchanged", swap, north, east, crs, answered(*exchanged)),
            ("soil-coordinates-exchanged", f"{swap} and the longitudes are negative",
             -np.abs(north), east, crs, answered(*exchanged, west)),
        ]
    else:
        found.append(("soil-coordinates-exchanged", swap, north, east, crs, answered(*exchanged)))
    old = ("soil.longitude_column", "soil.latitude_column") if places.in_degrees else ()
    straight = (("soil.easting_column", east_name), ("soil.northing_column", north_name))
    turned = (("soil.easting_column", north_name), ("soil.northing_column", east_name))
    for other in _utm_systems(field):
        if other != crs:
            code = f"EPSG:{other.to_epsg()}"
            system = ("soil.crs", code)
            found.append(("soil-wrong-crs", f"they are {other.name} ({code})", east, north, other,
                          answered(*(straight if old else ()), system, drop=old)))
            swapped = f"they are {other.name} ({code}), {north_name} and {east_name} exchanged"
            found.append(("soil-wrong-crs", swapped, north, east, other,
                          answered(*turned, system, drop=old)))
    return found


def _exchanged(places: Places) -> tuple[tuple[str, str], ...]:
    """The plan's keys with the two columns in each other's place."""
    keys = ("soil.longitude_column", "soil.latitude_column") if places.in_degrees else (
        "soil.easting_column", "soil.northing_column")
    return (keys[0], places.names[1]), (keys[1], places.names[0])


def explanation(places: Places, field: Field, *, within_m: float) -> tuple[str, str, str]:
    """(code, "16 of 16 inside if ...", answer) of the reading that puts most inside, or empty."""
    best = ("", "", 0, "")
    for code, words, east, north, crs, answer in _variants(places, field):
        fit = np.ones(len(east), dtype=bool)
        if crs.is_geographic:
            fit = (np.abs(north) <= 90) & (np.abs(east) <= 360)
        elif np.abs(east).max() <= 360:
            continue
        if not fit.any():
            continue
        away = np.full(len(east), np.inf)
        away[fit] = distances(*moved(east[fit], north[fit], crs, field), field)
        inside = int((away <= within_m).sum())
        if inside > best[2]:
            best = (code, words, inside, answer)
    if best[2] * 2 < len(places.east):
        return "", "", ""
    return best[0], f"{best[2]} of {len(places.east)} inside if {best[1]}", best[3]


def require_degrees(
    places: Places, rows: Sequence[int], field: Field, *, where: str, within_m: float
) -> list[Finding]:
    """A stop for coordinates that cannot be degrees, with the reading that they would fit."""
    if not places.in_degrees:
        return []
    for values, limit, k in ((places.north, 90.0, 1), (places.east, 360.0, 0)):
        bad = np.flatnonzero(np.abs(values) > limit)
        if not len(bad):
            continue
        name = places.names[k]
        first = f"{values[bad[0]]:.10g}"
        code, fits, answer = explanation(places, field, within_m=within_m)
        apply = f"if that is so: {answer}" if answer else ""
        if abs(values[bad[0]]) > 1000:
            return [stop("soil-not-degrees", f"{where}, column {name}",
                         f"{name} {first} (row {rows[bad[0]]}) cannot be degrees; looks like UTM "
                         "or other metres" + (f"; {fits}" if fits else ""),
                         todo=apply
                         or "state easting_column, northing_column and crs (the zone)")]
        if code == "soil-coordinates-exchanged":
            fits = fits.replace("inside if", "rows fit if")
        return [stop(code or "soil-not-degrees", f"{where}, column {name}",
                     f"{first} (row {rows[bad[0]]}) is outside -{limit:g}…{limit:g}"
                     + (f"; {fits}" if fits else ""),
                     todo=apply or "mend the file")]
    return []


def _extents(places: Places, field: Field) -> str:
    west, south, east, north = to_lonlat(field.boundary, field.crs_centre).bounds
    systems = " and ".join(crs.name for crs in places.systems)
    return (
        f"samples {places.names[0]} {places.east.min():.9g}…{places.east.max():.9g}, "
        f"{places.names[1]} {places.north.min():.9g}…{places.north.max():.9g} ({systems}); "
        f"boundary longitude {west:.6f}…{east:.6f}, latitude {south:.6f}…{north:.6f} (WGS 84)"
    )


def _nearest(places: Places, away: FloatArray, field: Field) -> str:
    least = float(np.min(away))
    if least < 50_000:
        return f"{least:,.0f} m"
    # The field's CRS is honest nearby only; far away the geodesic counts.
    fine = np.isfinite(away)
    if not fine.any() or not places.in_degrees:
        return f"{least / 1000:,.0f} km"
    lon, lat = field.crs_centre
    n = int(fine.sum())
    metres = _GEOD.inv(places.east[fine], places.north[fine], [lon] * n, [lat] * n)[2]
    return f"about {np.round(np.min(metres) / 1e5) * 100:,.0f} km"


def judge(
    places: Places, ids: Sequence[str], field: Field, *, where: str, keep_outside_m: float
) -> tuple[FloatArray, FloatArray, BoolArray, list[Finding]]:
    """Easting, northing (n,) in the field's CRS, which samples are kept, and the findings."""
    east, north = in_field_crs(places, field)
    away = distances(east, north, field)
    if len(away) and 2 * int((away <= keep_outside_m).sum()) < len(away):
        code, fits, answer = explanation(places, field, within_m=keep_outside_m)
        inside = int((away == 0).sum())
        what = (
            f"{inside} of {len(away)} samples inside {field.name!r}, nearest "
            f"{_nearest(places, away, field)} away" + (f"; {fits}" if fits else "")
            + ". " + _extents(places, field))
        todo = f"if that is so: {answer}" if answer else (
            "mend the coordinates in the file" if code else
            "check that boundary and samples belong to one field, and both systems")
        return east, north, np.zeros(len(away), bool), [
            stop(code or "soil-outside-field", where, what, todo=todo)]
    filled = shapely.MultiPolygon([shapely.Polygon(p.exterior) for p in field.boundary.geoms])
    filled = shapely.union_all(filled) if len(filled.geoms) > 1 else filled
    finite = np.isfinite(east)
    in_hole = np.zeros(len(away), dtype=bool)
    in_hole[finite] = shapely.covers(filled, shapely.points(east[finite], north[finite]))
    in_hole &= away > 0
    near = (away > 0) & (away <= keep_outside_m) & ~in_hole
    far = (away > keep_outside_m) & ~in_hole
    code, fits = ("", "")
    if far.any():
        code, fits, _ = explanation(subset(places, far), field, within_m=keep_outside_m)
    if code and 10 * int(far.sum()) >= len(far) and int(far.sum()) > 1:
        return east, north, np.zeros(len(away), bool), [
            stop(code, where, f"{int(far.sum())} of {len(away)} samples lie outside "
                 f"{field.name!r}; of these {fits}",
                 todo={
                     "soil-longitude-sign": "mend these rows; where all are west, "
                     "longitudes_are_west = true does it",
                     "soil-wrong-crs": "state the zone of every row as zone_column",
                 }.get(code, "mend these rows"))]

    def names(which: BoolArray) -> str:
        return listed(f"{ids[int(k)]} {away[k]:.1f} m" for k in np.flatnonzero(which))

    findings: list[Finding] = []
    if near.any():
        findings.append(note("soil-sample-near", where, f"outside the boundary: {names(near)}",
                             done=f"kept (within {keep_outside_m:g} m)"))
    if far.any():
        findings.append(warn("soil-sample-outside", where, f"outside the boundary: {names(far)}"
                             + (f"; {fits}" if fits else ""),
                             done=f"left out (beyond {keep_outside_m:g} m)",
                             todo="check that they belong to this field"))
    if in_hole.any():
        findings.append(warn("soil-sample-in-hole", where,
                             f"inside a hole of the field, distance to it: {names(in_hole)}",
                             done="left out"))
    return east, north, (away == 0) | near, findings


__all__ = ["distances", "explanation", "judge", "require_degrees"]
