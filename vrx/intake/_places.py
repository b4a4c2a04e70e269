"""Where samples lie: coordinates as written -> the field's CRS. Nothing is exchanged or signed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyproj
from pyproj.exceptions import ProjError

from vrx.errors import InputError
from vrx.formats.soil_words import heading_role
from vrx.geo import WGS84, field_crs, parse_crs, transform_points
from vrx.intake._numbers import number_of
from vrx.intake._odd_degrees import WORDS, Reader, reader_of
from vrx.intake._raise import listed, raise_stops
from vrx.intake._rows import no_place
from vrx.intake._table import Table
from vrx.intake.spec import SoilSpec
from vrx.model import BoolArray, Field, Finding, FloatArray, IntArray, note, stop, warn


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Coordinates as written, arrays (n,), and `systems[system_of[k]]`, the system of row k.

    `names` are the headings of the two coordinates, easting or longitude first. `section` is that
    of the plan which states them, `one_cell` the order in which one column held both ("" if not).
    """

    east: FloatArray
    north: FloatArray
    systems: tuple[pyproj.CRS, ...]
    system_of: IntArray
    names: tuple[str, str]
    section: str = "soil"
    one_cell: str = ""

    @property
    def in_degrees(self) -> bool:
        """True if the coordinates are longitude and latitude."""
        return bool(self.systems[0].is_geographic)


def moved(
    east: FloatArray, north: FloatArray, crs: pyproj.CRS, field: Field
) -> tuple[FloatArray, FloatArray]:
    """Points in the field's CRS, infinite where PROJ has no answer."""
    try:
        return transform_points(east, north, source=crs, target=field_crs(field.crs_centre),
                                errcheck=False)
    except ProjError:  # no way at all from the one to the other, such as from another planet
        return np.full(len(east), np.inf), np.full(len(east), np.inf)


def in_field_crs(places: Places, field: Field) -> tuple[FloatArray, FloatArray]:
    """All points in the field's CRS, each from its own system."""
    out = np.full((2, len(places.east)), np.inf)
    for k, crs in enumerate(places.systems):
        own = places.system_of == k
        out[0, own], out[1, own] = moved(places.east[own], places.north[own], crs, field)
    return out[0], out[1]


def _column(
    table: Table, rows: Sequence[int], heading: str, decimal: str, *, read: Reader
) -> tuple[FloatArray, list[Finding]]:
    index = table.index(heading)
    values = np.full(len(rows), np.nan)
    bad: list[str] = []
    for k, row in enumerate(rows):
        cell = table.rows[row].cells[index]
        value = read(cell, decimal)
        if value is None and no_place(cell):
            continue  # told with the samples that have no position
        if value is None:
            bad.append(f"{cell[:40]!r} ({table.row_word} {table.rows[row].number})")
        else:
            values[k] = value
    if not bad:
        return values, []
    return values, [stop("soil-coordinate-unreadable", f"{table.file}, column {heading}",
                         f"no coordinate: {listed(bad, most=5)}",
                         todo="write decimal degrees, or metres with the CRS")]


_ZONE = re.compile(r"(?:UTM)?\s*(?:ZONE)?\s*(\d{1,2})(?:\.0*)?\s*([C-HJ-NP-X]?)")


def _zone_number(text: str, field: Field) -> int:
    """15 of "15", "15N", "UTM 15T", "Zone 15"; 0 if it is no zone of the field's hemisphere.

    A letter is a hemisphere, N or S, or a latitude band; "S" in the north may only be the band of
    32 to 40 degrees. Bands: NGA.SIG.0012 (grid zone designators), from memory.
    """
    match = _ZONE.fullmatch(" ".join(text.upper().split()))
    if match is None:
        return 0
    lat, letter = field.crs_centre[1], match[2]
    band = "CDEFGHJKLMNPQRSTUVWX"[min(max(int((lat + 80.0) // 8), 0), 19)]
    near = {"", "N" if lat >= 0 else "S", band}
    return int(match[1]) if letter in near else 0


def _coarse(table: Table, rows: Sequence[int], headings: Sequence[str]) -> list[Finding]:
    """A stop or a warning for degrees that were rounded to so few decimals that places are lost."""
    decimals = 0
    for heading in headings:
        index = table.index(heading)
        for row in rows:
            match = re.fullmatch(r"[+-]?\d{1,3}(?:[.,](\d+))?", table.rows[row].cells[index])
            if match is None:
                return []
            decimals = max(decimals, len(match[1] or ""))
    if len(rows) < 3 or decimals > 3:
        return []
    step = 111_000 / 10**decimals
    make = stop if decimals < 3 else warn
    return [make("soil-coordinates-coarse", f"{table.file}, columns {' and '.join(headings)}",
                 f"degrees with {decimals} decimals: places are known to {step:,.0f} m only",
                 todo="show the columns with 6 decimals and save the file again")]


def _zone_systems(
    table: Table, rows: Sequence[int], heading: str, field: Field
) -> tuple[tuple[pyproj.CRS, ...], IntArray, list[Finding]]:
    index = table.index(heading)
    south = field.crs_centre[1] < 0
    zones: list[int] = []
    bad: list[str] = []
    for row in rows:
        text = table.rows[row].cells[index]
        zone = _zone_number(text, field)
        if 1 <= zone <= 60:
            zones.append(zone)
        else:
            bad.append(f"{text[:40]!r} ({table.row_word} {table.rows[row].number})")
    if bad:
        return (), np.zeros(0, dtype=np.int64), [
            stop("soil-zone-unknown", f"{table.file}, column {heading}",
                 f"no UTM zone 1…60 of the field's hemisphere: {listed(bad, most=5)}",
                 todo="write the zone number of every row")]
    each = sorted(set(zones))
    systems = tuple(pyproj.CRS.from_epsg((32700 if south else 32600) + zone) for zone in each)
    system_of = np.array([each.index(zone) for zone in zones], dtype=np.int64)
    names = ", ".join(crs.name for crs in systems)
    return systems, system_of, [note("soil-by-zone", table.file,
                                 f"UTM zones by column {heading}: {names}",
                                 done="each row transformed from its own zone (WGS 84 assumed)")]


def read_places(
    table: Table, rows: Sequence[int], spec: SoilSpec, field: Field, decimal: str, *,
    section: str = "soil",
) -> tuple[Places, list[Finding]]:
    """Coordinates of the rows and their systems. Raises `InputError` if they are not stated."""
    findings: list[Finding] = []
    one = np.zeros(len(rows), dtype=np.int64)
    if spec.by_geometry:
        if table.places is None or table.crs is None:
            raise InputError("its columns of coordinates are not stated",
                             code="soil-no-coordinates", where=table.file,
                             hint="state longitude_column and latitude_column; or position_column "
                             "for both in one cell; or easting_column, "
                             "northing_column and crs; or name the file that holds the places in "
                             "[soil.points]")
        own = table.places[list(rows)]
        return Places(east=own[:, 0], north=own[:, 1], systems=(table.crs,), system_of=one,
                      names=table.places_names, one_cell=table.position_order,
                      section="soil.points" if table.places_file else section), []
    degrees = bool(spec.longitude_column and spec.latitude_column)
    if degrees == bool(spec.easting_column and spec.northing_column):
        raise InputError("needs one pair of coordinates", code="soil-no-coordinates",
                         where=table.file, hint="state longitude_column and latitude_column, or "
                         "easting_column and northing_column with crs, not both")
    names = (
        (str(spec.longitude_column), str(spec.latitude_column)) if degrees
        else (str(spec.easting_column), str(spec.northing_column))
    )
    systems: tuple[pyproj.CRS, ...]
    if spec.zone_column and not degrees:
        if spec.crs:
            raise InputError("both crs and zone_column are stated", code="soil-crs-twice",
                             where=table.file, hint="keep one of them")
        systems, one, said = _zone_systems(table, rows, spec.zone_column, field)
        findings += said
        raise_stops(findings)
    else:
        systems = (_stated(spec, degrees=degrees, where=table.file),)
    read = reader_of(spec.degrees_as) if degrees else number_of
    east, bad_east = _column(table, rows, names[0], decimal, read=read)
    north, bad_north = _column(table, rows, names[1], decimal, read=read)
    if bad_east or bad_north:
        from vrx.intake._odd_places import unreadable

        raise_stops([*findings, *unreadable(
            table, rows, names, spec, field=field, decimal=decimal,
            stops=[*bad_east, *bad_north], section=section)])
    if spec.degrees_as is not None:
        findings += _otherwise(spec, east, north, names, table=table, rows=rows)
    elif degrees:
        findings += _coarse(table, rows, names)
    raise_stops(findings)
    east, north, said = _as_told(spec, east, north, names, file=table.file)
    findings += said
    if spec.crs is not None and not degrees:
        findings.append(note("soil-crs-stated", table.file, f"{names[0]} and {names[1]} are in "
                             f"{systems[0].name}", done="read so, as the plan says"))
    return Places(east=east, north=north, systems=systems, system_of=one, names=names,
                  section=section, one_cell=table.position_order), findings


def _otherwise(
    spec: SoilSpec, east: FloatArray, north: FloatArray, names: tuple[str, str], *, table: Table,
    rows: Sequence[int],
) -> list[Finding]:
    """What the plan's `degrees_as` made of the cells; a stop where there are no degrees to read."""
    if not (spec.longitude_column and spec.latitude_column):
        return [stop("soil-degrees-otherwise", table.file, "degrees_as is stated, but no columns "
                     "of longitude and latitude", todo="take degrees_as out of the plan")]
    have = np.flatnonzero(np.isfinite(east) & np.isfinite(north))
    if not len(have):
        return []
    first = rows[int(have[0])]
    said = " and ".join(
        f"{name} {table.rows[first].cells[table.index(name)]!r} is {values[have[0]]:.7f}"
        for name, values in zip(names, (east, north), strict=True))
    return [note("soil-degrees-otherwise", table.file, f"{len(have)} positions written as "
                 f"{WORDS[str(spec.degrees_as)]}; {said}", done="read so, as the plan says")]


def _as_told(
    spec: SoilSpec, east: FloatArray, north: FloatArray, names: tuple[str, str], *, file: str
) -> tuple[FloatArray, FloatArray, list[Finding]]:
    """Signs that the plan sets, and a word where it takes the columns against their headings."""
    if not (spec.longitude_column and spec.latitude_column):
        return east, north, []
    findings: list[Finding] = []
    if spec.longitudes_are_west and spec.longitudes_are_east:
        raise InputError("longitudes cannot be both west and east", code="soil-sign-twice",
                         where="[soil]", hint="keep one of longitudes_are_west and "
                         "longitudes_are_east")
    if spec.longitudes_are_west:
        findings.append(warn("soil-longitudes-made-west", f"{file}, column {names[0]}",
                             f"{int((east > 0).sum())} longitudes without a minus sign",
                             done="made negative (west), as you chose"))
        east = -np.abs(east)
    if spec.longitudes_are_east:
        findings.append(warn("soil-longitudes-made-east", f"{file}, column {names[0]}",
                             f"{int((east < 0).sum())} longitudes with a minus sign",
                             done="made positive (east), as you chose"))
        east = np.abs(east)
    if spec.latitudes_are_south:
        findings.append(warn("soil-latitudes-made-south", f"{file}, column {names[1]}",
                             f"{int((north > 0).sum())} latitudes without a minus sign",
                             done="made negative (south), as you chose"))
        north = -np.abs(north)
    if (heading_role(names[0]), heading_role(names[1])) == ("latitude_column", "longitude_column"):
        findings.append(warn("soil-columns-exchanged", file, f"column {names[0]} holds the "
                             f"longitudes, column {names[1]} the latitudes",
                             done="read so, as the plan says, against their headings"))
    return east, north, findings


def _stated(spec: SoilSpec, *, degrees: bool, where: str) -> pyproj.CRS:
    if spec.crs is None:
        if degrees:
            return WGS84
        raise InputError("eastings and northings without a CRS", code="crs-missing", where=where,
                         hint="state crs (for example EPSG:32615)")
    crs = parse_crs(spec.crs, where=where)
    if bool(crs.is_geographic) != degrees:
        raise InputError(
            f"{crs.name} is {'not ' if degrees else ''}in degrees, the columns are "
            f"{'longitude and latitude' if degrees else 'easting and northing'}",
            code="crs-kind", where=where, hint="state the columns that belong to the CRS")
    return crs


def without_zeros(
    places: Places, ids: Sequence[str], field: Field, *, where: str
) -> tuple[BoolArray, list[Finding]]:
    """Rows with a position: those at exactly 0 in either coordinate had no fix."""
    near_zero = places.in_degrees and (
        abs(field.crs_centre[0]) < 1 or abs(field.crs_centre[1]) < 1)
    missing = ~(np.isfinite(places.east) & np.isfinite(places.north))
    east, north = places.east == 0, places.north == 0
    if near_zero:
        east, north = east & north, east & north
    words = ("longitude", "latitude") if places.in_degrees else ("easting", "northing")
    groups = [
        ([i for i, k in zip(ids, missing, strict=True) if k], "no position"),
        ([i for i, k in zip(ids, east & north, strict=True) if k], "position 0, 0"),
        ([i for i, k in zip(ids, east & ~north, strict=True) if k], f"{words[0]} 0"),
        ([i for i, k in zip(ids, north & ~east, strict=True) if k], f"{words[1]} 0"),
    ]
    said = "; ".join(f"{listed(names)}: {why}" for names, why in groups if names)
    good = ~(missing | east | north)
    if not said:
        return good, []
    return good, [warn("soil-position-zero", where, said, done="left out",
                       todo="give their positions")]


def subset(places: Places, good: BoolArray) -> Places:
    """The places of some rows."""
    return replace(places, east=places.east[good], north=places.north[good],
                   system_of=places.system_of[good])
