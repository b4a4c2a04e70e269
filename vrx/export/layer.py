"""Prescription and zones → one checked layer of plain columns and WGS 84 polygons."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from vrx import geo
from vrx.errors import ExportError
from vrx.formats import layer as facts
from vrx.model import Prescription, Zones

Value = int | float | str

AREA_DECIMALS = 6
"""Acres as printed in the files; totals are computed from the unrounded ones."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExportLayer:
    """What every format writes: polygons in WGS 84 rounded for export, and columns by name.

    Each column is (zones,) long. `meaning` explains each column for people.
    """

    polygons: tuple[shapely.Polygon | shapely.MultiPolygon, ...]
    columns: dict[str, tuple[Value, ...]]
    meaning: dict[str, str]


def build_layer(
    *, zones: Zones, prescription: Prescription, crs_centre: tuple[float, float]
) -> ExportLayer:
    """The layer of a prescription. Raises `ExportError` for rates or names that do not fit."""
    polygons = in_degrees([zone.polygon for zone in zones.zones], crs_centre)
    columns: dict[str, tuple[Value, ...]] = {
        facts.ZONE_ID: tuple(zone.zone_id for zone in zones.zones),
        facts.ZONE_LETTER: tuple(zone.letter for zone in zones.zones),
        facts.AREA_AC: tuple(round(zone.area_ac, AREA_DECIMALS) for zone in zones.zones),
    }
    meaning = {
        facts.ZONE_ID: "zone number, north to south, then west to east",
        facts.ZONE_LETTER: "zone letter, as printed on the maps",
        facts.AREA_AC: "geodesic acres on WGS 84 (international acre)",
    }
    for one in prescription.passes:
        if one.column in columns:
            raise ExportError(
                f"two columns would be called {one.column}", code="export-name-collision",
                where=f"pass {one.pass_id}", hint="this is a fault of vrx: report it",
            )
        columns[one.column] = tuple(float(rate) for rate in one.rates)
        meaning[one.column] = (
            f"pass {one.number} '{one.pass_id}': {one.material.id}, {one.material.unit} of "
            f"material, {one.method}, {one.timing}"
        )
    layer = ExportLayer(polygons=polygons, columns=columns, meaning=meaning)
    _check(layer)
    return layer


def in_degrees(
    polygons: Sequence[shapely.Geometry], crs_centre: tuple[float, float]
) -> tuple[shapely.Polygon | shapely.MultiPolygon, ...]:
    """Zones of the field's CRS as files hold them: WGS 84, cut at 180 degrees, rounded together."""
    lonlat = tuple(_cut_at_180(geo.to_lonlat(one, crs_centre)) for one in polygons)
    return tuple(geo.round_coverage(lonlat, decimals=facts.COORDINATE_DECIMALS))


def _cut_at_180(lonlat: shapely.Geometry) -> shapely.Geometry:
    """A polygon across longitude 180 in parts on either side (RFC 7946, 3.1.9); others as given.

    No zone is half the Earth wide, so longitudes that far apart mean that it runs across.
    """
    west, south, east, north = lonlat.bounds
    if east - west < 180.0:
        return lonlat
    onward = shapely.transform(
        lonlat, lambda at: np.column_stack([np.mod(at[:, 0], 360.0), at[:, 1]]))
    before, beyond = (
        shapely.intersection(onward, shapely.box(side, south - 1.0, side + 180.0, north + 1.0))
        for side in (0.0, 180.0))
    beyond = shapely.transform(beyond, lambda at: at - [360.0, 0.0])
    return shapely.MultiPolygon([
        part for half in (before, beyond) for part in shapely.get_parts(half)
        if isinstance(part, shapely.Polygon)
    ])


def _check(layer: ExportLayer) -> None:
    letters = layer.columns[facts.ZONE_LETTER]
    for name, values in layer.columns.items():
        if not facts.DBF_NAME.match(name):
            raise ExportError(
                f"column name {name!r} is no dBASE name (10 characters, A-Z 0-9 _)",
                code="export-name", where=name, hint="this is a fault of vrx: report it",
            )
        for letter, value in zip(letters, values, strict=True):
            if isinstance(value, str):
                continue
            if not math.isfinite(value) or value < 0:
                raise ExportError(
                    f"zone {letter} has {value!r}; every zone needs a number of 0 or more",
                    code="export-value", where=name, hint="this is a fault of vrx: report it",
                )


def columns_text(
    layer: ExportLayer, *, rasters: bool = False,
    without_map: Mapping[str, Mapping[str, str | float]] | None = None,
) -> str:
    """The text file that lies beside the export: what each column means, and what is outside.

    `without_map` are rates by column where the map says nothing, 0 where it is left out.
    """
    metres = ["Rasters: the field's own equal-area system, metres, as each file says; outside the",
              "field -9999 (no data)."] if rasters else []
    lines = [
        "Columns of the prescription layer (the same in every format)",
        "",
        *(f"{name:<10}  {text}" for name, text in layer.meaning.items()),
        "",
        *_outside_lines(without_map or {}),
        "Rates are amounts of material, never of nutrient.",
        "Coordinates: WGS 84 longitude, latitude.",
        *metres,
        "",
    ]
    return "\n".join(lines)


def _outside_lines(without_map: Mapping[str, Mapping[str, str | float]]) -> list[str]:
    if not any(one["outside"] or one["position_lost"] for one in without_map.values()):
        return [
            "Outside every polygon, and where the position is lost, the rate is 0 (off).",
            "A shapefile cannot carry that: enter 0 on the rate controller."]
    return [
        "Outside every polygon, and where the position is lost (a shapefile cannot carry that:",
        "enter it on the rate controller):",
        *(f"{name:<10}  outside {one['outside']:g}, position lost {one['position_lost']:g} "
          f"{one['unit']}" for name, one in without_map.items())]
