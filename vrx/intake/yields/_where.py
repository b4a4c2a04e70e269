"""Where readings of a log lie: as written -> the field's CRS; inside, near or beyond the field."""

from __future__ import annotations

import numpy as np
import pyproj
import shapely

from vrx.errors import InputError
from vrx.geo import WGS84, parse_crs
from vrx.intake._inside import distances, explanation
from vrx.intake._places import Places, moved
from vrx.intake.yields._columns import LogTable
from vrx.intake.yields.spec import PlaceColumns
from vrx.model import BoolArray, Field, Finding, FloatArray, note, warn

_EXPLAIN = 2000


def _system(table: LogTable, places: PlaceColumns) -> tuple[FloatArray, FloatArray, pyproj.CRS]:
    if places.by_geometry:
        if table.places is None or table.crs is None:
            raise InputError("has no geometry of points", code="layer-no-coordinates",
                             where=table.file, hint="state the columns of coordinates")
        return table.places[:, 0], table.places[:, 1], table.crs
    east, north = (table.numbers[heading] for heading in places.pair)
    degrees = places.longitude_column is not None
    if places.crs is None:
        if not degrees:
            raise InputError("eastings and northings without a CRS", code="crs-missing",
                             where=table.file, hint="state crs (for example EPSG:32615)")
        return east, north, WGS84
    crs = parse_crs(places.crs, where=table.file)
    if bool(crs.is_geographic) != degrees:
        raise InputError(
            f"{crs.name} is {'not ' if degrees else ''}in degrees, the columns are "
            f"{'longitude and latitude' if degrees else 'easting and northing'}", code="crs-kind",
            where=table.file, hint="state the columns that belong to the CRS")
    return east, north, crs


def require_pair(places: PlaceColumns, *, where: str) -> None:
    """Raise `InputError` unless exactly one pair of coordinates, or none at all, is stated."""
    named = [places.longitude_column, places.latitude_column, places.easting_column,
             places.northing_column]
    if not places.by_geometry and (not places.pair or sum(n is not None for n in named) != 2):
        raise InputError("needs one pair of coordinates", code="layer-no-coordinates", where=where,
                         hint="state longitude_column and latitude_column, or easting_column and "
                         "northing_column with crs, not both")


def locate(
    table: LogTable, places: PlaceColumns, field: Field
) -> tuple[FloatArray, FloatArray, BoolArray, list[Finding]]:
    """Easting, northing (n,) in the field's CRS, NaN without position, and who is in the field.

    In the field means inside the boundary or within `keep_outside_m` of it. Raises `InputError`
    where no reading is, with the reading of the coordinates that would fit.
    """
    east, north, crs = _system(table, places)
    east, north = np.array(east), np.array(north)
    degrees = bool(crs.is_geographic)
    with np.errstate(invalid="ignore"):
        missing = ~(np.isfinite(east) & np.isfinite(north)) | ((east == 0) & (north == 0))
        wild = ((np.abs(north) > 90) | (np.abs(east) > 360)) & ~missing if degrees else (
            np.zeros(len(east), dtype=bool))
    good = ~(missing | wild)
    findings: list[Finding] = []
    if missing.any():
        findings.append(warn("layer-no-position", table.file,
                             f"{int(missing.sum())} readings without position or at 0, 0",
                             done="set aside"))
    if wild.any() and good.any():
        first = int(np.flatnonzero(wild)[0])
        findings.append(warn("layer-position-wild", table.file,
                             f"{int(wild.sum())} positions cannot be degrees, such as "
                             f"{east[first]:.10g}, {north[first]:.10g} ({table.row_word} "
                             f"{table.record[first]})", done="set aside"))
    out = np.full((2, len(east)), np.nan)
    out[0, good], out[1, good] = moved(east[good], north[good], crs, field)
    out[:, ~np.isfinite(out).all(axis=0)] = np.nan
    inside = _inside(out[0], out[1], field, places.keep_outside_m)
    if not inside.any():
        raise InputError(
            f"none of {len(east)} readings lies in {field.name!r}"
            + _explained(east[~missing], north[~missing], crs, places, field),
            code="layer-outside-field", where=table.file,
            hint="check that field and layer belong together, and both coordinate systems")
    outside = int((~inside & good).sum())
    if outside:
        say = warn if 2 * outside > len(east) else note
        findings.append(say("layer-readings-outside", table.file,
                            f"{outside} of {len(east)} readings lie outside the boundary by more "
                            f"than {places.keep_outside_m:g} m", done="set aside"))
    return out[0], out[1], inside, findings


def _inside(east: FloatArray, north: FloatArray, field: Field, keep_m: float) -> BoolArray:
    shapely.prepare(field.boundary)
    inside = np.zeros(len(east), dtype=bool)
    known = np.flatnonzero(np.isfinite(east) & np.isfinite(north))
    inside[known] = shapely.contains_xy(field.boundary, east[known], north[known])
    west, south, right, top = field.boundary.bounds
    rest = known[~inside[known]]
    near = rest[(east[rest] >= west - keep_m) & (east[rest] <= right + keep_m)
                & (north[rest] >= south - keep_m) & (north[rest] <= top + keep_m)]
    inside[near] = distances(east[near], north[near], field) <= keep_m
    return inside


def _explained(
    east: FloatArray, north: FloatArray, crs: pyproj.CRS, places: PlaceColumns, field: Field
) -> str:
    step = max(1, len(east) // _EXPLAIN)
    few = Places(east=east[::step], north=north[::step], systems=(crs,),
                 system_of=np.zeros(len(east[::step]), dtype=np.int64),
                 names=("easting", "northing") if not places.pair else
                 (places.pair[0], places.pair[1]))
    if not len(few.east):
        return ""
    _, words, _ = explanation(few, field, within_m=places.keep_outside_m)
    of = f" (of {len(few.east)} looked at)" if step > 1 else ""
    return f"; {words}{of}" if words else ""


_COARSE = ((3, 111.0), (4, 11.1))
_FEWEST_ROUNDED = 20


def coarse_step(table: LogTable, places: PlaceColumns) -> tuple[float, list[Finding]]:
    """The step in metres to which degrees are rounded (three or four decimals), 0 if finer."""
    if places.longitude_column is None or places.latitude_column is None:
        return 0.0, []
    both = np.concatenate([table.numbers[heading] for heading in places.pair])
    both = both[np.isfinite(both) & (both != 0)]
    for decimals, step in _COARSE if len(both) >= 2 * _FEWEST_ROUNDED else ():
        fine = both * 10.0**decimals
        if (np.abs(fine - np.round(fine)) < 1e-6).all() and len(np.unique(both)) > 2:
            return step, [warn(
                "layer-places-coarse", table.file,
                f"coordinates have {decimals} decimals, steps of about {step:g} m",
                done="filters that follow the machine's way do not run",
                todo="export the log again with seven decimals")]
    return 0.0, []
