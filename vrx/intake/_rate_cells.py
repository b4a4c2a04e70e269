"""Rates in cells, of a raster or of a task's grid, as polygons with rates that touch each other."""

from __future__ import annotations

import math
import os
import re
import warnings
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj
import shapely

from vrx.errors import InputError
from vrx.formats import raster as facts
from vrx.geo import WGS84, transform
from vrx.intake._files import require_size
from vrx.intake._shape import Feature, Layer, shape_of
from vrx.model import Finding, FloatArray, IntArray, note, warn

AGAIN = "copy or export it again"
RATE, NAME = "RATE", "NAME"
_MARGIN_CELLS = 3
_MOST_BYTES = 256 << 20
_ZONE_LINE = re.compile(r"(\d+) (\S+) ([0-9.eE+-]+) ([0-9.eE+-]+)")
Place = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """Cells (rows, columns) of one system, north up: `codes` count `rows`, -1 where there is none.

    `place` is west, north, and a cell's size east and north. With `by_code` all cells of a code are
    one polygon of several parts, else each connected piece is one of its own.
    """

    codes: IntArray
    rows: Sequence[Mapping[str, object]]
    place: Place
    crs: pyproj.CRS
    by_code: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Band:
    """One band: values (rows, columns), NaN where there are none; its name and the file's words."""

    values: FloatArray
    place: Place
    crs: pyproj.CRS
    name: str
    tags: Mapping[str, str]


def read_bytes(path: Path) -> bytes:
    """All bytes of a regular file of bounded size."""
    try:
        require_size(path)
        if path.stat().st_size > _MOST_BYTES:
            raise InputError(f"has more than {_MOST_BYTES >> 20} MiB", code="file-too-large",
                             where=path.name, hint="export only the zones of this field")
        return path.read_bytes()
    except InputError:
        raise
    except (OSError, ValueError) as err:  # ValueError: NUL in a name
        raise InputError(f"cannot be read: {getattr(err, 'strerror', None) or err}",
                         code="file-unreadable", where=path.name, hint=AGAIN) from err


def raster_layer(path: Path, *, boundary: shapely.Geometry | None) -> Layer:
    """The polygons of a raster of rates; `boundary` (degrees) is the field's, where it is known.

    With a raster of zones (`zones.tif`, as vrx writes it) beside it each zone comes back as one
    polygon with its number and letter; without, neighbours of one rate are one polygon, and a
    finding names the zones that the file's own words then miss.
    """
    band = _band(path)
    told: list[Finding] = []
    if band.name == facts.ZONE_BAND:
        return _layer(_by_value(band, facts.ZONE_BAND), file=path.name,
                      columns=(facts.ZONE_BAND, NAME), boundary=boundary)
    zones = _zones_beside(path, band, told)
    if zones is not None:
        return _layer(_by_zone(band, zones), file=path.name, boundary=boundary,
                      columns=(RATE, facts.ZONE_BAND, NAME), findings=told)
    made = _layer(_by_value(band, RATE), file=path.name, columns=(RATE,), boundary=boundary,
                  findings=told)
    lost = _lost(band, made)
    return made if lost is None else Layer(
        file=made.file, name=made.name, crs=made.crs, columns=made.columns,
        features=made.features, findings=(*made.findings, lost))


def sidecar(path: Path) -> Path | None:
    """The raster of zones beside a raster of rates, where there is one."""
    beside = path.parent / f"{facts.ZONES}.tif"
    there = path.suffix.lower() in {".tif", ".tiff"} and os.path.isfile(beside)
    return beside if there and beside.name != path.name else None


def _band(path: Path) -> _Band:
    from rasterio.errors import NotGeoreferencedWarning, RasterioError
    from rasterio.io import MemoryFile

    # From memory, never by the user's own path: GDAL reads parts of an address in some names.
    data = read_bytes(path)
    try:
        if not data:
            raise InputError("is empty", code="file-empty", where=path.name, hint=AGAIN)
        # A raster without a place is refused below.
        with (warnings.catch_warnings(action="ignore", category=NotGeoreferencedWarning),
              MemoryFile(data) as memory, memory.open(driver="GTiff") as source):
            if source.count > 1:
                raise InputError(
                    f"has {source.count} bands; a raster of rates has one", code="raster-rates",
                    where=path.name, hint="name a raster of one band")
            if source.width * source.height > facts.MOST_CELLS * 4:
                raise InputError("has too many cells", code="raster-rates", where=path.name,
                                 hint="cut it to the field, or take larger cells")
            if (source.scales[0], source.offsets[0]) != (1.0, 0.0):
                raise InputError(
                    f"its numbers are to be multiplied by {source.scales[0]:g} and moved by "
                    f"{source.offsets[0]:g}", code="raster-rates", where=path.name,
                    hint="export the rates themselves")
            cells, crs, place = source.read(1, masked=True), source.crs, source.transform
            name, tags = source.descriptions[0] or "", dict(source.tags())
    except InputError:
        raise
    except (RasterioError, TypeError, ValueError) as err:
        raise InputError(f"cannot be read: {err}", code="file-unreadable", where=path.name,
                         hint=AGAIN) from err
    if place.is_identity or place.b or place.d or place.a <= 0 or place.e >= 0:
        raise InputError("has no place, or is turned: rows must run west to east, north to south",
                         code="raster-rates", where=path.name, hint="export it again, north up")
    if crs is None:
        raise InputError("names no coordinate system", code="crs-missing", where=path.name,
                         hint="export it again with its CRS")
    values = np.ma.filled(cells.astype(np.float64), np.nan)
    return _Band(values=values, place=(place.c, place.f, place.a, -place.e), name=name, tags=tags,
                 crs=pyproj.CRS.from_wkt(crs.to_wkt()))


def _plain(value: float) -> float:
    # The shortest number that a single-precision cell stands for: 183.4, not 183.3999939.
    return float(f"{value:.7g}")


def _by_value(band: _Band, column: str) -> Cells:
    held = np.isfinite(band.values)
    values, inverse = np.unique(band.values[held], return_inverse=True)
    codes = np.full(band.values.shape, -1, dtype=np.int64)
    codes[held] = inverse.ravel()
    rows: list[dict[str, object]] = [{column: _plain(one)} for one in values.tolist()]
    if column == facts.ZONE_BAND:
        letters = {k: letter for k, (letter, _, _) in zone_lines(band.tags).items()}
        rows = [{column: int(one), NAME: letters.get(int(one), str(int(one)))}
                for one in values.tolist()]
    return Cells(codes=codes, rows=rows, place=band.place, crs=band.crs,
                 by_code=column == facts.ZONE_BAND)


def _zones_beside(path: Path, band: _Band, told: list[Finding]) -> _Band | None:
    beside = sidecar(path)
    if beside is None:
        return None
    try:
        zones = _band(beside)
        why = ("" if zones.name == facts.ZONE_BAND else "its band is no ZONE_ID") or (
            "" if zones.values.shape == band.values.shape
            and np.allclose(zones.place, band.place, rtol=0, atol=1e-6 * band.place[2])
            and zones.crs.equals(band.crs) else "its cells lie elsewhere") or (
            "" if (np.isfinite(zones.values) == np.isfinite(band.values)).all()
            else "it covers other cells")
    except InputError as err:
        why = err.message
    if why:
        told.append(warn("prescription-zones-beside", f"{path.name}, {beside.name} beside it",
                         f"is no raster of the same zones: {why}", done="left aside",
                         todo="copy the whole folder of rasters again"))
        return None
    return zones


def _by_zone(band: _Band, zones: _Band) -> Cells:
    """A code for each pair of zone and rate: a rate that was changed in one place stays one."""
    held = np.isfinite(band.values)
    pairs, inverse = np.unique(
        np.column_stack([zones.values[held], band.values[held]]), axis=0, return_inverse=True)
    codes = np.full(band.values.shape, -1, dtype=np.int64)
    codes[held] = inverse.ravel()
    letters = {k: letter for k, (letter, _, _) in zone_lines(zones.tags).items()}
    rows = [
        {RATE: _plain(rate), facts.ZONE_BAND: int(zone),
         NAME: letters.get(int(zone), str(int(zone)))}
        for zone, rate in pairs.tolist()]
    return Cells(codes=codes, rows=rows, place=band.place, crs=band.crs, by_code=True)


def zone_lines(tags: Mapping[str, str]) -> dict[int, tuple[str, float, float]]:
    """Letter, rate and acres by zone, as the words of a raster of vrx tell them; {} of others."""
    found = {}
    for line in tags.get(facts.ZONE_WORDS, "").split("; "):
        said = _ZONE_LINE.fullmatch(line)
        if said:
            try:
                found[int(said[1])] = (said[2], float(said[3]), float(said[4]))
            except ValueError:
                continue
    return found


def _lost(band: _Band, made: Layer) -> Finding | None:
    """Zones of the file's own words that its cells alone do not tell apart, with their acres."""
    lines = zone_lines(band.tags)
    pieces = Counter(one.properties[RATE] for one in made.features)
    groups: dict[float, list[tuple[str, float]]] = {}
    for letter, rate, area in lines.values():
        groups.setdefault(_plain(float(np.float32(rate))), []).append((letter, area))
    told = [
        f"{', '.join(letter for letter, _ in zones)} ({math.fsum(a for _, a in zones):.2f} ac at "
        f"{rate:g}) as {pieces.get(rate, 0)}"
        for rate, zones in groups.items() if pieces.get(rate, 0) < len(zones)]
    if not told:
        return None
    return warn(
        "prescription-zones-merged", made.file, "cells hold rates alone, so that neighbouring "
        f"zones of one rate are one: {'; '.join(told)}",
        done="their rates stay, their borders are gone",
        todo=f"lay {facts.ZONES}.tif of the same run beside it, or read its GeoJSON or shapefile")


def cells_layer(
    cells: Cells, *, file: str, columns: tuple[str, ...], boundary: shapely.Geometry | None
) -> Layer:
    """The polygons of cells; see `raster_layer`."""
    return _layer(cells, file=file, columns=columns, boundary=boundary)


def _layer(
    cells: Cells, *, file: str, columns: tuple[str, ...], boundary: shapely.Geometry | None,
    findings: Sequence[Finding] = (),
) -> Layer:
    from rasterio.features import shapes
    from rasterio.transform import Affine
    from scipy.ndimage import distance_transform_edt

    if not len(cells.rows) or (cells.codes < 0).all():
        raise InputError("holds no cell with a rate", code="raster-rates", where=file, hint=AGAIN)
    pad = _MARGIN_CELLS
    west, north, wide, high = cells.place
    place = Affine(wide, 0.0, west - pad * wide, 0.0, -high, north + pad * high)
    codes = np.pad(cells.codes, pad, constant_values=-1)
    codes = _inside(codes, boundary, place, cells.crs)
    near, at = distance_transform_edt(codes < 0, return_indices=True)
    grown = np.where(near <= pad, codes[tuple(at)], -1).astype(np.int32)
    pieces = [(shapely.geometry.shape(outline), int(code)) for outline, code in shapes(
        grown, mask=grown >= 0, connectivity=4, transform=place)]
    if cells.by_code:
        parts: dict[int, list[shapely.Polygon]] = {}
        for shape, code in pieces:
            parts.setdefault(code, []).append(shape)
        pieces = [(shapely.MultiPolygon(own), code) for code, own in sorted(parts.items())]
    features = tuple(
        Feature(record=number, properties=dict(cells.rows[code]), shape=shape_of(shape))
        for number, (shape, code) in enumerate(pieces, 1))
    what = "zones" if cells.by_code else "pieces of one rate"
    told = note(
        "prescription-from-cells", file, f"rates stand in cells: {len(features)} {what}, with the "
        "cells' own edges, half a cell from those of the zones at most",
        done="grown by three cells beyond the outermost; the boundary cuts them")
    return Layer(file=file, name=file, crs=cells.crs, columns=columns, features=features,
                 findings=(told, *findings))


def _inside(
    codes: IntArray, boundary: shapely.Geometry | None, place: object, crs: pyproj.CRS
) -> IntArray:
    """Codes of cells whose centre lies in the field; all where it is not known or holds none.

    What a file says beyond the field (0, a default rate) must not creep in along its edge.
    """
    from rasterio.features import rasterize

    if boundary is None:
        return codes
    moved = transform(boundary, source=WGS84, target=crs)
    if not shapely.is_valid(moved) or not np.isfinite(shapely.bounds(moved)).all():
        return codes
    held = rasterize([(moved, 1)], out_shape=codes.shape, transform=place, fill=0, dtype="uint8")
    kept = np.where(held == 1, codes, -1)
    return kept if (kept >= 0).any() else codes
