"""A first look at a raster: driver, bands, system, pixels, share of the field. Decides nothing."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely

from vrx.errors import InputError
from vrx.geo import field_crs, grid_over, transform_points
from vrx.intake._fills import fill_values, zero_background
from vrx.intake._raise import stop_of
from vrx.intake._table import TABLE_SUFFIXES
from vrx.intake._vector import is_vector
from vrx.intake.raster_layer import (
    crs_of,
    opened_raster,
    pixel_m_at,
    placing,
    reach,
    require_north_up,
    require_small_blocks,
)
from vrx.model import Field, Finding, FloatArray

# Enough to see a layer's range; beyond it every k-th pixel of a raster is looked at.
_LOOK_AT = 1_000_000
_LATTICE = 150
# Of further bands only what the file states is told.
_MOST_BANDS = 12
_RASTERS = (".tif", ".tiff", ".asc", ".img", ".nc", ".jp2", ".png", ".jpg", ".jpeg", ".hgt", ".bil",
            ".flt", ".vrt")


@dataclass(frozen=True, slots=True, kw_only=True)
class BandPeek:
    """A band as stored: what the file says of it, and its pixels over the field.

    `unit`, `no_data` and `description` are "" where the file states none. `least`, `mean` and
    `greatest` are of pixels whose centre lies in the field, after the file's scale and offset, None
    where there is none; `share` is the share of the field that has a value. `may_be_no_data` are
    pixel values that look as if nothing was measured there: proposals.
    """

    number: int
    kind: str
    description: str
    unit: str
    no_data: str
    scale: float
    offset: float
    pixels: int = 0
    least: float | None = None
    mean: float | None = None
    greatest: float | None = None
    share: float | None = None
    may_be_no_data: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterPeek:
    """A raster as stored: `crs` "" where none is stated, `pixel_m` at the field (None: unknown).

    `every` is 1 where all pixels over the field were looked at, k where every k-th was. `findings`
    tell what would stop its reading.
    """

    file: str
    driver: str
    width: int
    height: int
    crs: str
    pixel: tuple[float, float]
    pixel_m: float | None
    bands: tuple[BandPeek, ...]
    every: int = 1
    findings: tuple[Finding, ...] = ()


def looks_like_raster(path: Path) -> bool:
    """Whether a file's name looks like a raster's, not like a table's or a vector file's."""
    suffix = path.suffix.lower()
    if suffix in _RASTERS:
        return True
    return suffix not in TABLE_SUFFIXES and not (path.exists() and is_vector(path))


def peek_raster(path: Path, *, field: Field | None, crs: str | None = None) -> RasterPeek:
    """What a raster holds; with a field also what lies over it. `crs` is what the user states.

    Raises `InputError` for a file that is missing or no raster; that it has no CRS, is turned or
    lies elsewhere is among the findings.
    """
    path = Path(path)
    with opened_raster(path) as source:
        place, found = source.transform, []
        own: pyproj.CRS | None = None
        own_name, pixel_m = "", None
        over: _Over | None = None
        try:
            own = crs_of(source, path.name, crs)
            own_name = own.name
            require_north_up(place, path.name)
            if field is not None:
                for band in range(1, source.count + 1):
                    require_small_blocks(source, band, path.name)
                with placing(path.name):
                    pixel_m = pixel_m_at(place, own, field)
                    over = _over(source, own, field, path.name)
        except InputError as err:
            found.append(stop_of(err))
        bands = tuple(_band(source, k, over) for k in range(1, source.count + 1))
        return RasterPeek(
            file=path.name, driver=source.driver, width=source.width, height=source.height,
            crs=own_name, pixel=(float(abs(place.a)), float(abs(place.e))), pixel_m=pixel_m,
            bands=bands, every=1 if over is None else over.every, findings=tuple(found))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Over:
    """The window over the field, in rows and columns, and which of its pixels lie in the field.

    `inside` (rows, columns) is of the pixels looked at; `row` and `column` are those of points
    spread over the field, -1 off the window.
    """

    window: tuple[tuple[int, int], tuple[int, int]]
    shape: tuple[int, int]
    every: int
    inside: Any
    row: Any
    column: Any


def _over(source: Any, own: pyproj.CRS, field: Field, file: str) -> _Over:
    west, south, east, north = field.boundary.bounds
    lattice = grid_over(field.boundary, cell_m=max(east - west, north - south) / _LATTICE)
    rows, columns = reach(source, own, field, lattice, file)
    tall, wide = rows[1] - rows[0], columns[1] - columns[0]
    every = max(1, int(np.ceil(np.sqrt(tall * wide / _LOOK_AT))))
    shape = (max(1, tall // every), max(1, wide // every))
    place = source.transform
    down, right = tall / shape[0], wide / shape[1]
    x = place.c + place.a * (columns[0] + (np.arange(shape[1]) + 0.5) * right)
    y = place.f + place.e * (rows[0] + (np.arange(shape[0]) + 0.5) * down)
    mesh = np.meshgrid(x, y)
    own_field = field_crs(field.crs_centre)
    shapely.prepare(field.boundary)
    at = transform_points(mesh[0].ravel(), mesh[1].ravel(), source=own, target=own_field)
    inside = shapely.contains_xy(field.boundary, *at).reshape(shape)
    points = np.meshgrid(lattice.easting_m, lattice.northing_m)
    within = shapely.contains_xy(field.boundary, points[0].ravel(), points[1].ravel())
    lx, ly = transform_points(points[0].ravel()[within], points[1].ravel()[within],
                              source=own_field, target=own)
    column = np.floor(((lx - place.c) / place.a - columns[0]) / right).astype(np.int64)
    row = np.floor(((ly - place.f) / place.e - rows[0]) / down).astype(np.int64)
    off = (row < 0) | (row >= shape[0]) | (column < 0) | (column >= shape[1])
    return _Over(window=(rows, columns), shape=shape, every=every, inside=inside,
                 row=np.where(off, -1, row), column=np.where(off, -1, column))


def _band(source: Any, number: int, over: _Over | None) -> BandPeek:
    k = number - 1
    no_data = source.nodatavals[k]
    bare = BandPeek(
        number=number, kind=str(source.dtypes[k]), description=source.descriptions[k] or "",
        unit=source.units[k] or "", no_data="" if no_data is None else f"{no_data:g}",
        scale=float(source.scales[k]), offset=float(source.offsets[k]))
    if over is None or k >= _MOST_BANDS or "complex" in bare.kind:
        return bare
    read = source.read(number, window=over.window, out_shape=over.shape, masked=True)
    values = np.where(np.ma.getmaskarray(read), np.nan, read.data.astype(np.float64))
    values[~np.isfinite(values)] = np.nan
    share = np.where(over.row >= 0, np.isfinite(values[over.row, over.column]), False)
    looked = values[over.inside] if over.inside.any() else values[
        over.row[over.row >= 0], over.column[over.row >= 0]]
    looked = looked[np.isfinite(looked)]
    odd = list(fill_values(looked))
    if no_data is None and zero_background(looked, ""):
        odd.append(0.0)
    scaled: FloatArray = looked * bare.scale + bare.offset
    covered = float(share.mean()) if len(share) else 0.0
    if not len(scaled):
        return replace(bare, share=covered)
    return replace(
        bare, pixels=len(scaled), least=float(scaled.min()), mean=float(scaled.mean()),
        greatest=float(scaled.max()), share=covered, may_be_no_data=tuple(odd))
