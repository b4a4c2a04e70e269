"""One GeoPackage with all of a run: written by GDAL, finished and read back through sqlite3.

GDAL (twice: vectors through pyogrio, rasters through rasterio) and Python's sqlite3 each carry
their own SQLite, whose locks do not see each other in one process: a transaction of one while
another writes corrupts the file. So every hand here opens the file, ends and closes it before the
next one touches it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vrx.errors import ExportError
from vrx.export import frames, geopackage_check
from vrx.export.export_set import ExportSet
from vrx.export.geopackage_tables import Table, tables
from vrx.export.rasters import Band, Raster, affine, crs_wkt, surface_rasters
from vrx.formats import geopackage as facts
from vrx.formats import raster as raster_facts
from vrx.formats.legend import error_key

if TYPE_CHECKING:
    import pandas as pd

_CONFIG = {"OGR_CURRENT_DATE": facts.PINNED_TIME, "OGR_SQLITE_SYNCHRONOUS": "OFF"}
_DTYPES = {"int": "Int64", "float": "float64", "bool": "bool", "text": "object"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coverage:
    """One band of a raster, as the GeoPackage holds it: a table of its own.

    GDAL writes names of raster tables in capitals, so they are capitals from the start.
    """

    table: str
    raster: Raster
    band: Band
    legend: str


def write(meant: ExportSet, folder: Path) -> tuple[Path, ...]:
    """Write `field.gpkg` into `folder`, read it back and give its path."""
    path = folder / facts.FILE
    maps = _coverages(meant)
    made = tables(meant, rasters=[(one.table, one.legend) for one in maps])
    wkt = crs_wkt(meant)
    with frames.plain_path(path) as plain, _named_errors(path):
        _write_tables(made, plain)
        for one in maps:
            _write_raster(one, plain, wkt)
        _finish(made, maps, plain)
    with _named_errors(path):
        geopackage_check.require_equal(path, made, maps, crs_centre=meant.field.crs_centre)
    return (path,)


def _coverages(meant: ExportSet) -> list[Coverage]:
    """Value and standard error of each map, each a table."""
    return [
        Coverage(
            table=f"MAP_{band.description.upper()}", raster=one, band=band,
            legend=error_key(one.key) if number else one.key)
        for one in surface_rasters(meant) for number, band in enumerate(one.bands)
    ]


@contextmanager
def _named_errors(path: Path) -> Iterator[None]:
    from pyogrio.errors import DataLayerError, DataSourceError, FeatureError
    from rasterio._err import CPLE_BaseError
    from rasterio.errors import RasterioError

    # A copy that fails raises GDAL's own error, for which rasterio has no public name.
    gdal = (DataSourceError, DataLayerError, FeatureError, RasterioError, CPLE_BaseError)
    try:
        yield
    except (*gdal, sqlite3.Error) as err:
        raise ExportError(
            f"could not be written: {err}", code="export-write", where=str(path),
            hint="is the folder writable, and is there room on the disk?",
        ) from err


def _write_tables(made: Sequence[Table], path: Path) -> None:
    import geopandas
    import pyogrio

    before = {name: pyogrio.get_gdal_config_option(name) for name in _CONFIG}
    pyogrio.set_gdal_config_options(_CONFIG)
    try:
        for one in made:
            plain = _frame(one)
            more: dict[str, Any] = {}
            options = {"IDENTIFIER": one.name, "DESCRIPTION": one.description,
                       "DATETIME_PRECISION": "MILLISECOND"}
            if one.name == facts.STYLES:
                options["FID"] = "id"  # as the programs that read this table name it
            if one.geometries is not None:
                plain = geopandas.GeoDataFrame(
                    plain, geometry=list(one.geometries), crs="EPSG:4326")
                point = one.geometries[0].geom_type == "Point" if one.geometries else False
                more = {"geometry_type": "Point" if point else "MultiPolygon",
                        "promote_to_multi": not point}
                options["GEOMETRY_NAME"] = facts.GEOMETRY
            pyogrio.write_dataframe(
                plain, path, layer=one.name, driver="GPKG", layer_options=options,
                dataset_options={"VERSION": facts.VERSION}, **more)
    finally:
        pyogrio.set_gdal_config_options(before)


def _frame(one: Table) -> pd.DataFrame:
    import pandas as pd

    made = {}
    for name, values in one.columns.items():
        kind = one.kinds[name]
        if kind == "time":
            made[name] = pd.to_datetime(pd.Series([str(value) for value in values]), utc=True)
        else:
            made[name] = pd.Series(list(values), dtype=_DTYPES[kind])
    return pd.DataFrame(made)


def _write_raster(one: Coverage, path: Path, wkt: str) -> None:
    import rasterio
    import rasterio.shutil
    from rasterio.io import MemoryFile

    grid = one.raster.grid
    # A raster written straight into a GeoPackage loses its nodata value; a copied one keeps it.
    with rasterio.Env(**_CONFIG), MemoryFile() as memory:
        with memory.open(
            driver="GTiff", width=grid.columns, height=grid.rows, count=1, dtype="float32",
            crs=wkt, transform=affine(grid), nodata=raster_facts.NODATA,
        ) as target:
            target.write(one.band.values, 1)
        with memory.open() as source:
            rasterio.shutil.copy(
                source, path, driver="GPKG", RASTER_TABLE=one.table, APPEND_SUBDATASET="YES")


def _finish(made: Sequence[Table], maps: Sequence[Coverage], path: Path) -> None:
    """Words that GDAL cannot be given: it writes options of rasters in capitals."""
    with closing(sqlite3.connect(path)) as base:
        base.execute("PRAGMA synchronous = OFF")
        for one in maps:
            base.execute(
                "UPDATE gpkg_2d_gridded_coverage_ancillary SET uom = ?, field_name = ?,"
                " quantity_definition = ? WHERE tile_matrix_set_name = ?",
                (one.band.unit, one.band.description, one.raster.title, one.table))
            base.execute(
                "UPDATE gpkg_contents SET identifier = ?, description = ? WHERE table_name = ?",
                (one.table, f"{one.raster.title}: {one.band.description}", one.table))
        base.commit()
