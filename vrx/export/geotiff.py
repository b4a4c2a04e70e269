"""Rates and soil-test maps as Cloud-Optimised GeoTIFF: written by GDAL, read back by `tiff`."""

from __future__ import annotations

import html
import re
from pathlib import Path

import numpy as np

from vrx.errors import ExportError
from vrx.export import tiff
from vrx.export.compare import differs
from vrx.export.export_set import ExportSet
from vrx.export.rasters import (
    Raster,
    affine,
    crs_wkt,
    rate_findings,
    rate_rasters,
    surface_rasters,
)
from vrx.formats import raster as facts
from vrx.model import Finding

_SCALE, _TIEPOINT, _KEYS, _DOUBLES = 33550, 33922, 34735, 34736
_METADATA, _NODATA = 42112, 42113
_PROJECTION_KEY, _EQUAL_AREA = 3075, 10


def write(meant: ExportSet, folder: Path) -> tuple[Path, ...]:
    """Write `geotiff/rate_*.tif` and `geotiff/map_*.tif` into `folder`, read back, give paths."""
    place = folder / facts.FOLDER
    place.mkdir()
    wkt = crs_wkt(meant)
    paths = []
    for one in (*rate_rasters(meant), *surface_rasters(meant)):
        path = place / f"{one.name}.tif"
        path.write_bytes(_made(one, wkt))
        _verify(one, path, meant)
        paths.append(path)
    return tuple(paths)


def findings(meant: ExportSet) -> tuple[Finding, ...]:
    """What the rasters leave out: parts of zones smaller than a cell.

    A set that cannot be written as rasters has none: `write` says why.
    """
    try:
        return rate_findings(meant)
    except ExportError:
        return ()


def _made(one: Raster, wkt: str) -> bytes:
    """The file, made in memory: GDAL's temporary files and addresses never meet the disk."""
    from rasterio.io import MemoryFile

    with MemoryFile() as memory:
        with memory.open(
            driver="COG", width=one.grid.columns, height=one.grid.rows, count=len(one.bands),
            dtype="float32", nodata=facts.NODATA, crs=wkt, transform=affine(one.grid),
            compress="DEFLATE", predictor=3, blocksize=facts.BLOCK, bigtiff="NO",
            overview_resampling="NEAREST", num_threads="1",
        ) as target:
            target.write(np.stack([band.values for band in one.bands]))
            target.units = [band.unit for band in one.bands]
            target.descriptions = [band.description for band in one.bands]
            target.update_tags(**one.tags)
        return bytes(memory.read())


def _verify(one: Raster, path: Path, meant: ExportSet) -> None:
    """Cells, place, CRS, nodata and words of the file against the raster that was meant."""
    read = tiff.read(path.read_bytes())
    if not np.array_equal(read.values, np.stack([band.values for band in one.bands], axis=-1)):
        raise differs(path, "cells are not those that were written")
    grid = one.grid
    corner = (0.0, 0.0, 0.0, grid.west_m, grid.north_m, 0.0)
    if read.numbers[_SCALE][:2] != (grid.cell_m, grid.cell_m) or read.numbers[_TIEPOINT] != corner:
        raise differs(path, "the cells lie elsewhere")
    keys = read.numbers[_KEYS]
    kinds = {keys[k]: keys[k + 3] for k in range(4, len(keys), 4)}
    doubles = read.numbers[_DOUBLES]
    if kinds.get(_PROJECTION_KEY) != _EQUAL_AREA or not set(meant.field.crs_centre) <= set(doubles):
        raise differs(path, "it names another coordinate system")
    if float(read.texts[_NODATA]) != facts.NODATA:
        raise differs(path, f"nodata is {read.texts[_NODATA]}")
    told = _items(read.texts[_METADATA])
    words: dict[tuple[str, int | None], str] = {
        (name, None): text for name, text in one.tags.items()}
    for number, band in enumerate(one.bands):
        words["UNITTYPE", number] = band.unit
        words["DESCRIPTION", number] = band.description
    for key, text in words.items():
        if told.get(key, "") != text:
            raise differs(path, f"{key[0]} is {told.get(key)!r}, {text!r} was meant")


def _items(metadata: str) -> dict[tuple[str, int | None], str]:
    """GDAL's tag of words: name and band (from 0; None for the whole file) to text."""
    found: dict[tuple[str, int | None], str] = {}
    for attributes, text in re.findall(r"<Item ([^>]*)>([^<]*)</Item>", metadata):
        named = dict(re.findall(r'(\w+)="([^"]*)"', attributes))
        band = int(named["sample"]) if "sample" in named else None
        # GDAL escapes twice here, and undoes it twice.
        found[html.unescape(named["name"]), band] = html.unescape(html.unescape(text))
    return found
