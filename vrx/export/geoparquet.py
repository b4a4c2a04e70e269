"""GeoParquet 1.1 (OGC): written by geopandas, read back by pyarrow and GEOS alone."""

from __future__ import annotations

import json
from pathlib import Path

import shapely

from vrx.errors import ExportError
from vrx.export import compare, frames
from vrx.export.export_set import ExportSet
from vrx.formats import layer as facts

_GEOMETRY = "geometry"


def write(meant: ExportSet, folder: Path) -> tuple[Path, ...]:
    """Write `prescription.parquet` into `folder`, read it back, and give its path.

    The coordinate system is EPSG:4326 in the order longitude, latitude, as GeoParquet has it.
    """
    path = folder / f"{facts.LAYER_NAME}.parquet"
    try:
        frames.frame(meant.layer).to_parquet(path, index=False, compression="zstd")
        _add_outside(meant, path)
    except OSError as err:
        raise ExportError(
            f"could not be written: {err}", code="export-write", where=str(path),
            hint="is the folder writable, and is there room on the disk?",
        ) from err
    _verify(meant, path)
    return (path,)


def _add_outside(meant: ExportSet, path: Path) -> None:
    """Put the rates where the map says nothing beside the other metadata of the file."""
    import pyarrow as pa
    from pyarrow.parquet import read_table, write_table

    table = read_table(pa.BufferReader(path.read_bytes()))
    told = {facts.OUTSIDE.encode(): json.dumps(meant.without_map).encode()}
    write_table(table.replace_schema_metadata({**(table.schema.metadata or {}), **told}), path,
                compression="zstd")


def _verify(meant: ExportSet, path: Path) -> None:
    import pyarrow as pa
    from pyarrow.parquet import read_table

    try:
        table = read_table(pa.BufferReader(path.read_bytes()))
    except pa.ArrowInvalid as err:
        raise ValueError(str(err)) from err
    told = json.loads((table.schema.metadata or {}).get(b"geo", b"{}"))
    column = told.get("columns", {}).get(_GEOMETRY, {})
    system = (column.get("crs") or {}).get("id")
    if column.get("encoding") != "WKB" or system != {"authority": "EPSG", "code": 4326}:
        raise compare.differs(path, f"its geometry is {column.get('encoding')} in {system}")
    said = json.loads((table.schema.metadata or {}).get(facts.OUTSIDE.encode(), b"null"))
    if said != meant.without_map:
        raise compare.differs(path, f"its rates outside the zones are {said}")
    rows = table.to_pylist()
    compare.require_equal(
        meant.layer, path=path,
        polygons=[shapely.from_wkb(row.pop(_GEOMETRY)) for row in rows], rows=rows,
    )
