"""Rates and soil-test maps as rasters on the maps' grid, in the field's own CRS."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from vrx import geo
from vrx.errors import ExportError
from vrx.export import _parts
from vrx.export.export_set import ExportSet
from vrx.formats import layer as layer_facts
from vrx.formats import raster as facts
from vrx.formats.crew import printable
from vrx.model import ANALYTES, Finding, FloatArray, Grid, IntArray, PassRates, Surface, warn
from vrx.units import ACRE_M2

Float32Array = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Band:
    """Values (rows, columns), `NODATA` where nothing is known, with their unit and what they are.

    Single precision: a rate or reading keeps 7 digits.
    """

    values: Float32Array
    unit: str
    description: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Raster:
    """Bands on one grid. `key` is the rate column or analyte they come from."""

    name: str
    key: str
    title: str
    grid: Grid
    bands: tuple[Band, ...]
    tags: Mapping[str, str]


def crs_wkt(meant: ExportSet) -> str:
    """The field's CRS as WKT 1, with a name by which a person knows it."""
    longitude, latitude = meant.field.crs_centre
    name = f"WGS 84 / equal area at {longitude:g}, {latitude:g}"
    text = geo.field_crs(meant.field.crs_centre).to_wkt("WKT1_GDAL")
    return str(text).replace('PROJCS["unknown"', f'PROJCS["{name}"', 1)


def affine(grid: Grid) -> Any:
    """The grid as an affine transform, north up."""
    from rasterio import Affine

    return Affine(grid.cell_m, 0.0, grid.west_m, 0.0, -grid.cell_m, grid.north_m)


def rate_rasters(meant: ExportSet) -> tuple[Raster, ...]:
    """One raster a pass, a cell with the rate of the zone that holds its centre, and one of zones.

    Neighbours of one rate are one patch in a raster of rates; that of zones (its band holds their
    numbers) keeps them apart, so that all zones can come back. Cells are those of the maps, else
    5 m, halved until every zone holds a cell. Raises `ExportError` where that would take too many.
    """
    grid, parts, burnt = _part_of_cells(meant)
    zone = parts.zone_of(burnt)
    cell_ac = grid.cell_m**2 / ACRE_M2
    count = np.bincount(zone[zone >= 0], minlength=len(meant.zones.zones))
    made = []
    for number, one in enumerate(meant.prescription.passes):
        unit = one.material.unit
        values = np.where(zone >= 0, one.rates[zone], facts.NODATA)
        band = _band(values, unit, one.column, where=f"pass {one.pass_id}")
        tags = {
            **_tags(meant, grid),
            "PASS": f"{one.number} {one.pass_id}", "MATERIAL": one.material.id, "UNIT": unit,
            "METHOD": one.method, "TIMING": one.timing, "RATE_STEP": f"{one.step:.12g}",
            "RATE_OUTSIDE": f"{meant.rate_outside[number]:.12g}",
            "RATE_POSITION_LOST": f"{meant.rate_position_lost[number]:.12g}",
            "TOTAL_PRESCRIBED": f"{_total(meant, one):.12g}",
            "TOTAL_BY_CELLS": f"{math.fsum(one.rates * count * cell_ac):.12g}",
            facts.ZONE_WORDS: _zone_words(meant, one.rates),
        }
        made.append(Raster(
            name=f"rate_{one.column}", key=one.column, grid=grid,
            title=f"{one.material.id}, {unit}, pass {one.number}",
            bands=(band,), tags=_plain(tags)))
    numbers = np.array(meant.layer.columns[layer_facts.ZONE_ID], dtype=np.float64)
    values = np.where(zone >= 0, numbers[zone], facts.NODATA)
    tags = {**_tags(meant, grid), "TITLE": "numbers of zones, no rates",
            facts.ZONE_WORDS: _zone_words(meant, np.zeros(len(numbers)))}
    made.append(Raster(
        name=facts.ZONES, key=layer_facts.ZONE_ID, title="zones", grid=grid, tags=_plain(tags),
        bands=(_band(values, "", facts.ZONE_BAND, where=facts.ZONES),)))
    return tuple(made)


def _zone_words(meant: ExportSet, rates: FloatArray) -> str:
    """All zones in one word, see `vrx.formats.raster.ZONE_WORDS`."""
    return "; ".join(
        f"{zone.zone_id} {''.join(letter.split()) or '-'} {float(rate):.12g} {zone.area_ac:.6f}"
        for zone, letter, rate in zip(
            meant.zones.zones, map(str, meant.layer.columns[layer_facts.ZONE_LETTER]), rates,
            strict=True))


def surface_rasters(meant: ExportSet) -> tuple[Raster, ...]:
    """One raster a soil-test map: value and standard error, in all cells that touch the field."""
    made = []
    for one in meant.surfaces:
        known = ANALYTES.get(one.analyte)
        column = known.column if known else layer_name(one.analyte)
        inside = _touched(meant, one.grid)
        bands = tuple(
            _band(np.where(inside, values, facts.NODATA), one.unit, text, where=one.analyte)
            for values, text in ((one.values, column), (one.standard_error, f"{column}_se"))
        )
        title = known.label if known else f"{one.analyte}, {one.unit}"
        tags = {**_tags(meant, one.grid), **_method(one), "TITLE": title, "UNIT": one.unit}
        made.append(Raster(
            name=f"map_{column}", key=one.analyte, title=title, grid=one.grid, bands=bands,
            tags=_plain(tags)))
    return tuple(made)


def layer_name(text: str) -> str:
    """Letters, digits and underscores that can name a file and a table."""
    kept = "".join(c if c.isascii() and c.isalnum() else "_" for c in text.lower())
    return kept.strip("_") or "map"


def _method(one: Surface) -> dict[str, str]:
    drift = {"DRIFT": ", ".join(one.drift)} if one.drift else {}
    return {"ANALYTE": one.analyte, "METHOD": one.method, **drift}


def _tags(meant: ExportSet, grid: Grid) -> dict[str, str]:
    tags = {
        "FIELD": meant.field.name, "CELL_M": f"{grid.cell_m:.12g}",
        "CELL_AC": f"{grid.cell_m**2 / ACRE_M2:.12g}",
    }
    if meant.crop:
        tags["CROP"] = meant.crop
    if meant.season is not None:
        tags["SEASON"] = str(meant.season)
    return tags


def _plain(tags: Mapping[str, str]) -> dict[str, str]:
    # A line break or control character in a tag does not come back as it was.
    return {name: " ".join(printable(text).split()) for name, text in tags.items()}


def _total(meant: ExportSet, one: PassRates) -> float:
    return math.fsum(
        float(rate) * zone.area_ac for rate, zone in zip(one.rates, meant.zones.zones, strict=True))


def _band(values: FloatArray, unit: str, text: str, *, where: str) -> Band:
    if not np.isfinite(values).all() or np.abs(values).max() > np.finfo(np.float32).max:
        raise ExportError(
            "a cell holds no number, or one too large for a raster", code="export-value",
            where=where, hint="this is a fault of vrx: report it",
        )
    return Band(values=values.astype(np.float32), unit=unit, description=text)


def rate_findings(meant: ExportSet) -> tuple[Finding, ...]:
    """Parts of zones that the rasters of rates do not show. Raises as `rate_rasters` does."""
    if all(len(shapely.get_parts(zone.polygon)) == 1 for zone in meant.zones.zones):
        return ()
    grid, parts, burnt = _part_of_cells(meant)
    letters = meant.layer.columns[layer_facts.ZONE_LETTER]
    lost = {
        str(letters[zone]): [geo.area_ac(one, meant.field.crs_centre) for one in shapes]
        for zone, shapes in parts.without_cell(burnt).items()}
    if not lost:
        return ()
    what, acres = _parts.words(lost, cell=f"{grid.cell_m:g} m")
    return (warn(
        "raster-part-without-cell", "rasters of rates", what, value=acres, done=_parts.DONE,
        todo="smaller cells ([surface] cell_m) would show them, or join them to their neighbours"),)


def _part_of_cells(meant: ExportSet) -> tuple[Grid, _parts.Parts, IntArray]:
    """The grid, parts of zones, and position of the part that holds each cell's centre, else -1."""
    grid = meant.surfaces[0].grid if meant.surfaces else _own_grid(meant)
    parts = _parts.Parts.of([zone.polygon for zone in meant.zones.zones])
    while True:
        burnt = _burn(parts, grid)
        zone = parts.zone_of(burnt)
        count = np.bincount(zone[zone >= 0], minlength=len(meant.zones.zones))
        if (count > 0).all():
            return grid, parts, burnt
        finer = Grid(west_m=grid.west_m, north_m=grid.north_m, cell_m=grid.cell_m / 2,
                     rows=grid.rows * 2, columns=grid.columns * 2)
        if finer.rows * finer.columns > facts.MOST_CELLS:
            missing = meant.layer.columns[layer_facts.ZONE_LETTER][int(np.argmin(count))]
            raise ExportError(
                f"cells of {grid.cell_m:g} m miss zone {missing}: no raster of rates would show it",
                code="export-raster-zone", where=f"zone {missing}",
                hint="take geotiff out of [export] formats, or join such small zones to others",
            )
        grid = finer


def _own_grid(meant: ExportSet) -> Grid:
    cell_m = facts.CELL_M
    grid = geo.grid_over(meant.field.boundary, cell_m=cell_m)
    while grid.rows * grid.columns > facts.MOST_CELLS:
        cell_m *= 2
        grid = geo.grid_over(meant.field.boundary, cell_m=cell_m)
    return grid


def _burn(parts: _parts.Parts, grid: Grid) -> IntArray:
    from rasterio.features import rasterize

    found = rasterize(
        [(one, number) for number, one in enumerate(parts.shapes)], out_shape=grid.shape,
        transform=affine(grid), fill=-1, dtype="int32")
    return np.asarray(found, dtype=np.int64)


def _touched(meant: ExportSet, grid: Grid) -> npt.NDArray[np.bool_]:
    from rasterio.features import rasterize

    found = rasterize(
        [(meant.field.boundary, 1)], out_shape=grid.shape, transform=affine(grid), fill=0,
        dtype="uint8", all_touched=True)
    return np.asarray(found == 1)
