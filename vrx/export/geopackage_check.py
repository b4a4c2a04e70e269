"""A GeoPackage read back without GDAL: tables by sqlite3, geometries by GEOS, tiles by `tiff`."""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely

from vrx.export import tiff
from vrx.export.compare import differs
from vrx.export.geopackage_tables import Cell, Table
from vrx.formats import geopackage as facts
from vrx.formats import raster as raster_facts

if TYPE_CHECKING:
    from vrx.export.geopackage import Coverage

_APPLICATION_ID = int.from_bytes(b"GPKG")
_ENVELOPE_BYTES = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}
_WGS84 = 4326


def require_equal(
    path: Path, made: Sequence[Table], maps: Sequence[Coverage], *,
    crs_centre: tuple[float, float],
) -> None:
    """Raise `ExportError` unless the file holds just these tables and rasters, cell by cell."""
    with closing(sqlite3.connect(path)) as base:
        (told,) = base.execute("PRAGMA integrity_check").fetchone()
        (kind,) = base.execute("PRAGMA application_id").fetchone()
        if told != "ok" or kind != _APPLICATION_ID:
            raise differs(path, f"it is no whole GeoPackage: {told}")
        names = {name for (name,) in base.execute("SELECT table_name FROM gpkg_contents")}
        wanted = {one.name for one in made} | {one.table for one in maps}
        if names != wanted:
            raise differs(path, f"tables {sorted(names)}, {sorted(wanted)} were meant")
        for one in made:
            _table(path, base, one)
        for each in maps:
            _coverage(path, base, each, crs_centre)


def _table(path: Path, base: sqlite3.Connection, one: Table) -> None:
    wanted = [*one.columns, *([] if one.geometries is None else [facts.GEOMETRY])]
    cursor = base.execute(f'SELECT * FROM "{one.name}" ORDER BY 1')  # noqa: S608 - our own names
    names = [column[0] for column in cursor.description]
    if set(names[1:]) != set(wanted) or len(names) != len(wanted) + 1:
        raise differs(path, f"{one.name} has columns {names[1:]}, {wanted} were meant")
    rows = cursor.fetchall()
    if len(rows) != one.rows:
        raise differs(path, f"{one.name} has {len(rows)} rows, {one.rows} were meant")
    for name, values in one.columns.items():
        at = names.index(name)
        for number, (row, value) in enumerate(zip(rows, values, strict=True)):
            if one.kinds[name] == "time":
                same = _time(row[at]) == _time(value)
            else:
                same = _same(row[at], value)
            if not same:
                raise differs(
                    path, f"{one.name}, row {number + 1}, {name}: {row[at]!r} != {value!r}")
    if one.geometries is not None:
        (system,) = base.execute(
            "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = ?", (one.name,)
        ).fetchone() or (None,)
        if system != _WGS84:
            raise differs(path, f"{one.name} is in the coordinate system {system}")
        at = names.index(facts.GEOMETRY)
        _geometries(path, one, [row[at] for row in rows])


def _same(read: object, meant: Cell) -> bool:
    if isinstance(meant, float):
        return isinstance(read, int | float) and read == meant
    return read == (int(meant) if isinstance(meant, bool) else meant)


def _time(text: object) -> datetime:
    # GDAL leaves thousandths out where they are nought; builds differ.
    return datetime.fromisoformat(str(text))


def _geometries(path: Path, one: Table, blobs: Sequence[bytes]) -> None:
    for number, (blob, meant) in enumerate(zip(blobs, one.geometries or (), strict=True)):
        read = geometry_of(blob)
        want = shapely.MultiPolygon([meant]) if isinstance(meant, shapely.Polygon) else meant
        if read.geom_type != want.geom_type or not shapely.equals_exact(read, want, 0.0):
            raise differs(path, f"{one.name}, row {number + 1}: its geometry is another one")


def geometry_of(blob: bytes) -> shapely.Geometry:
    """The geometry in a GeoPackage's binary (12-128r19, 2.1.3). Raises `ValueError`."""
    magic, _, flags, system = struct.unpack("<2sBBi", blob[:8])
    if magic != b"GP" or not flags & 1 or system != _WGS84:
        raise ValueError("no geometry in WGS 84")
    return shapely.from_wkb(blob[8 + _ENVELOPE_BYTES[flags >> 1 & 7] :])


def _coverage(
    path: Path, base: sqlite3.Connection, one: Coverage, crs_centre: tuple[float, float]
) -> None:
    grid = one.raster.grid
    nodata, unit, kind = base.execute(
        "SELECT data_null, uom, datatype FROM gpkg_2d_gridded_coverage_ancillary"
        " WHERE tile_matrix_set_name = ?", (one.table,)).fetchone() or (None, None, None)
    if (nodata, unit, kind) != (raster_facts.NODATA, one.band.unit, "float"):
        raise differs(path, f"{one.table} has nodata {nodata}, unit {unit}, values {kind}")
    west, north, wide, high, cell_m, cell_high_m, text = base.execute(
        "SELECT s.min_x, s.max_y, m.tile_width, m.tile_height, m.pixel_x_size, m.pixel_y_size,"
        " r.definition FROM gpkg_tile_matrix_set s JOIN gpkg_tile_matrix m USING (table_name)"
        " JOIN gpkg_spatial_ref_sys r USING (srs_id)"
        " WHERE table_name = ? ORDER BY zoom_level DESC", (one.table,)).fetchone()
    if (west, north, cell_m, cell_high_m) != (grid.west_m, grid.north_m, grid.cell_m, grid.cell_m):
        raise differs(path, f"{one.table}: the cells lie elsewhere")
    if "Lambert_Azimuthal_Equal_Area" not in text or not all(
        f",{figure:.15g}]" in text for figure in crs_centre
    ):
        raise differs(path, f"{one.table} names another coordinate system")
    read = np.full(grid.shape, raster_facts.NODATA, dtype=np.float32)
    tiles = base.execute(
        f'SELECT tile_column, tile_row, tile_data FROM "{one.table}"'  # noqa: S608 - our own names
        f' WHERE zoom_level = (SELECT max(zoom_level) FROM "{one.table}")')
    for column, row, data in tiles:
        block = tiff.read(data).values[:, :, 0]
        target = read[row * high : (row + 1) * high, column * wide : (column + 1) * wide]
        target[:] = block[: target.shape[0], : target.shape[1]]
    if not np.array_equal(read, one.band.values):
        raise differs(path, f"{one.table}: cells are not those that were written")
