"""Samples against the boundary: inside, near, in a hole, beyond; and what would explain a miss."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyproj
import shapely

from vrx.formats.answers import command
from vrx.geo import to_lonlat
from vrx.intake._odd_degrees import SCALED, WAYS
from vrx.intake._on_earth import in_words
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


def inside_count(
    east: FloatArray, north: FloatArray, crs: pyproj.CRS, field: Field, *, within_m: float
) -> int:
    """How many points (n,), as written in a system, lie in the field or this near to it."""
    fit = np.isfinite(east) & np.isfinite(north)
    if crs.is_geographic:
        fit &= (np.abs(north) <= 90) & (np.abs(east) <= 360)
    if not fit.any():
        return 0
    away = distances(*moved(east[fit], north[fit], crs, field), field)
    return int((away <= within_m).sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Variant:
    """A reading that is wrong in a well-known way, and the command that applies it ("" if none).

    `of_boundary` tells what would be wrong with the boundary if the samples are right.
    """

    code: str
    words: str
    east: FloatArray
    north: FloatArray
    crs: pyproj.CRS
    answer: str
    of_boundary: str = ""


def _variants(places: Places, field: Field) -> list[Variant]:
    if len(places.systems) > 1:
        return []
    east_name, north_name = places.names
    own = [*_of_degrees(places), *_other_degrees(places)] if places.in_degrees else [Variant(
        code="soil-coordinates-exchanged", words=f"{north_name} and {east_name} are exchanged",
        east=places.north, north=places.east, crs=places.systems[0],
        answer=_answered(places, *_exchanged(places)))]
    return own + _of_systems(places, field)


def _answered(places: Places, *keys: tuple[str, str], drop: tuple[str, ...] = ()) -> str:
    """The command for keys of the section that states the places; "" for a file's geometry."""
    if places.names[0] == places.names[1]:
        return ""
    at = places.section
    return command(*((f"{at}.{key}", value) for key, value in keys),
                   drop=tuple(f"{at}.{key}" for key in drop))


_WEST, _EAST = ("longitudes_are_west", "true"), ("longitudes_are_east", "true")
_SOUTH = ("latitudes_are_south", "true")


def _of_degrees(places: Places) -> list[Variant]:
    """Signs and order of decimal degrees."""
    east, north, crs = places.east, places.north, places.systems[0]
    exchanged = _exchanged(places)
    swap = ("longitude and latitude of each cell are exchanged" if places.one_cell else
            f"{places.names[1]} and {places.names[0]} are exchanged")
    sign, turn = "soil-longitude-sign", "soil-coordinates-exchanged"
    lacking = "the minus sign of its longitudes is missing"
    rows = [
        (sign, "the longitudes are negative", -np.abs(east), north, (_WEST,),
         "the minus sign of its longitudes is too much"),
        (sign, "the longitudes are positive", np.abs(east), north, (_EAST,), lacking),
        ("soil-latitude-sign", "the latitudes are negative", east, -np.abs(north), (_SOUTH,),
         "the minus sign of its latitudes is too much"),
        ("soil-latitude-sign", "the latitudes are positive", east, np.abs(north), None,
         "the minus sign of its latitudes is missing"),
        ("soil-latitude-sign", "the longitudes and the latitudes are negative", -np.abs(east),
         -np.abs(north), (_WEST, _SOUTH), "its minus signs are too much"),
        (turn, swap, north, east, exchanged, "its longitudes and latitudes are exchanged"),
        (turn, f"{swap} and the longitudes are negative", -np.abs(north), east,
         (*exchanged, _WEST), ""),
    ]
    return [Variant(code=code, words=words, east=lon, north=lat, crs=crs, of_boundary=boundary,
                    answer="" if keys is None else _answered(places, *keys))
            for code, words, lon, lat, keys, boundary in rows]


def _other_degrees(places: Places) -> list[Variant]:
    """Degrees and minutes run together, millionths of a degree and their kin, either sign."""
    if places.one_cell and places.section == "soil.points":
        return []
    found = []
    for way, (words, turn) in SCALED.items():
        east, north = (np.array([turn(float(v)) for v in values])
                       for values in (places.east, places.north))
        key = ("degrees_as", way)
        found += [Variant(code="soil-degrees-otherwise", words=f"they are {words}{more}", east=lon,
                          north=lat, crs=places.systems[0], answer=_answered(places, key, *also))
                  for more, lon, lat, also in (
                      ("", east, north, ()),
                      (" and the longitudes are negative", -np.abs(east), north, (_WEST,)),
                      (" and the latitudes are negative", east, -np.abs(north), (_SOUTH,)),
                      (" and both are negative", -np.abs(east), -np.abs(north), (_WEST, _SOUTH)))]
    return found


def _of_systems(places: Places, field: Field) -> list[Variant]:
    """Metres in a UTM zone of the field or beside it."""
    east, north = places.east, places.north
    east_name, north_name = places.names
    old = ("longitude_column", "latitude_column") if places.in_degrees else ()
    straight = (("easting_column", east_name), ("northing_column", north_name))
    turned = (("easting_column", north_name), ("northing_column", east_name))
    found = []
    for other in _utm_systems(field):
        if other == places.systems[0]:
            continue
        code = f"EPSG:{other.to_epsg()}"
        system = ("crs", code)
        for more, keys in (("", straight if old else ()),
                           (f", {north_name} and {east_name} exchanged", turned)):
            pair = (north, east) if more else (east, north)
            found.append(Variant(
                code="soil-wrong-crs", words=f"they are {other.name} ({code}){more}", east=pair[0],
                north=pair[1], crs=other,
                answer="" if places.one_cell else _answered(places, *keys, system, drop=old)))
    return found


def _exchanged(places: Places) -> tuple[tuple[str, str], ...]:
    """The plan's keys with the two coordinates in each other's place."""
    if places.one_cell:
        other = "latitude longitude" if places.one_cell.startswith("lon") else "longitude latitude"
        return (("point_order", other),)
    keys = ("longitude_column", "latitude_column") if places.in_degrees else (
        "easting_column", "northing_column")
    return (keys[0], places.names[1]), (keys[1], places.names[0])


def best_reading(places: Places, field: Field, *, within_m: float) -> tuple[Variant, int] | None:
    """The reading that puts most samples inside, if it puts half of them there, and how many."""
    best: tuple[Variant, int] | None = None
    for one in _variants(places, field):
        if not one.crs.is_geographic and not np.abs(one.east).max() > 360:
            continue
        inside = inside_count(one.east, one.north, one.crs, field, within_m=within_m)
        if inside > (best[1] if best else 0):
            best = one, inside
    return best if best and best[1] * 2 >= len(places.east) else None


def explanation(places: Places, field: Field, *, within_m: float) -> tuple[str, str, str]:
    """(code, "16 of 16 inside if ...", answer) of the reading that puts most inside, or empty."""
    best = best_reading(places, field, within_m=within_m)
    if best is None:
        return "", "", ""
    one, inside = best
    return one.code, f"{inside} of {len(places.east)} inside if {one.words}", one.answer


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
            looks = {"soil-degrees-otherwise": "cannot be decimal degrees",
                     "soil-wrong-crs": "cannot be degrees; looks like UTM or other metres"}.get(
                code, "cannot be degrees; looks like UTM or other metres, or like degrees and "
                "minutes run together (ddmm.mmmm)")
            return [stop(code if code == "soil-degrees-otherwise" else "soil-not-degrees",
                         f"{where}, column {name}",
                         f"{name} {first} (row {rows[bad[0]]}) {looks}"
                         + (f"; {fits}" if fits else ""),
                         todo=apply
                         or "state easting_column, northing_column and crs (the zone); or "
                         f"degrees_as, one of {', '.join(map(repr, WAYS))}")]
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


def _miss(
    places: Places, field: Field, away: FloatArray, *, where: str, keep_outside_m: float
) -> Finding:
    """The stop for half of the samples or more outside: extents, systems, and both culprits."""
    best = best_reading(places, field, within_m=keep_outside_m)
    inside = int((away == 0).sum())
    near_enough = int((away <= keep_outside_m).sum())
    if best is not None and best[1] <= near_enough:
        best = None
    if best is None and near_enough:
        strays = _strays(places, field, away > keep_outside_m, where=where,
                         keep_outside_m=keep_outside_m)
        if strays is not None:
            return strays
    what = f"{inside} of {len(away)} samples inside {field.name!r}"
    if not near_enough:
        what += f", nearest {_nearest(places, away, field)} away"
    if best is None:
        own = f"{places.section}.only_inside"
        many = inside and places.section == "soil"
        return stop("soil-outside-field", where, f"{what}. {_extents(places, field)}",
                    todo="check that boundary and samples belong to one field, and both systems"
                    + (f"; if the table holds other fields, too: {command((own, 'true'))}"
                       if many else ""))
    one, count = best
    fits = f"{count} of {len(away)} inside if {one.words}"
    todo = f"if that is so: {one.answer}" if one.answer else "mend the coordinates in the file"
    if one.of_boundary and not near_enough:
        fits += (f" (samples wrong), or if of the boundary {one.of_boundary} (boundary wrong: it "
                 f"lies {in_words(field)})")
        todo = ("if the boundary is wrong, mend its file and make the plan again; if the samples "
                + ("are: " + one.answer if one.answer else "are, mend their file"))
    return stop(one.code, where, f"{what}; {fits}. {_extents(places, field)}", todo=todo)


def _strays(
    places: Places, field: Field, far: BoolArray, *, where: str, keep_outside_m: float
) -> Finding | None:
    """A stop for samples outside of which a wrong reading is known; None if none is."""
    count = int(far.sum())
    if count < 2 or 10 * count < len(far):
        return None
    code, fits, _ = explanation(subset(places, far), field, within_m=keep_outside_m)
    if not code:
        return None
    return stop(code, where, f"{count} of {len(far)} samples lie outside {field.name!r}; of these "
                f"{fits}", todo={
                    "soil-longitude-sign": "mend these rows; where all are west, "
                    "longitudes_are_west = true does it",
                    "soil-wrong-crs": "state the zone of every row as zone_column",
                }.get(code, "mend these rows"))


def judge(
    places: Places, ids: Sequence[str], field: Field, *, where: str, keep_outside_m: float,
    only_inside: bool = False,
) -> tuple[FloatArray, FloatArray, BoolArray, list[Finding]]:
    """Easting, northing (n,) in the field's CRS, which samples are kept, and the findings."""
    east, north = in_field_crs(places, field)
    away = distances(east, north, field)
    near_enough = int((away <= keep_outside_m).sum())
    if len(away) and 2 * near_enough <= len(away) and not (only_inside and near_enough):
        return east, north, np.zeros(len(away), bool), [_miss(
            places, field, away, where=where, keep_outside_m=keep_outside_m)]
    filled = shapely.MultiPolygon([shapely.Polygon(p.exterior) for p in field.boundary.geoms])
    filled = shapely.union_all(filled) if len(filled.geoms) > 1 else filled
    finite = np.isfinite(east)
    in_hole = np.zeros(len(away), dtype=bool)
    in_hole[finite] = shapely.covers(filled, shapely.points(east[finite], north[finite]))
    in_hole &= away > 0
    near = (away > 0) & (away <= keep_outside_m) & ~in_hole
    far = (away > keep_outside_m) & ~in_hole
    fits = ""
    if far.any() and not only_inside:
        strays = _strays(places, field, far, where=where, keep_outside_m=keep_outside_m)
        if strays is not None:
            return east, north, np.zeros(len(away), bool), [strays]
        fits = explanation(subset(places, far), field, within_m=keep_outside_m)[1]

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


__all__ = ["best_reading", "distances", "explanation", "inside_count", "judge",
           "require_degrees"]
