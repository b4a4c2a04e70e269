"""GeoParquet (OGC, 1.0 and 1.1) read with pyarrow and GEOS alone."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from vrx.audit._layers import Layer, columns_of, make_record
from vrx.audit._ledger import Ledger
from vrx.audit._wkb import parts_of
from vrx.errors import MissingExtra

LONLAT = "OGC:CRS84"
_MOST_RECORDS = 100_000


def read(data: bytes, name: str, ledger: Ledger) -> tuple[Layer | None, str | None]:
    """The layer and its coordinate system (PROJJSON, or "OGC:CRS84"; None where it is unknown).

    Raises `MissingExtra` without pyarrow. What cannot be read is a fault.
    """
    try:
        import pyarrow as pa
        from pyarrow.parquet import ParquetFile
    except ImportError as err:
        raise MissingExtra(
            "GeoParquet needs pyarrow, which is not installed", code="audit-extra", where=name,
            hint="pip install 'vrx[parquet]', or audit another format of the same prescription",
        ) from err
    try:
        opened = ParquetFile(pa.BufferReader(data))
        if opened.metadata.num_rows > _MOST_RECORDS:
            ledger.fault("unreadable", name, f"holds more than {_MOST_RECORDS:,} records")
            return None, None
        table = opened.read()
        told = json.loads((table.schema.metadata or {}).get(b"geo", b"{}"))
        rows = table.to_pylist()
    except (pa.ArrowException, OSError, ValueError, RecursionError) as err:
        ledger.fault("unreadable", name, f"is no whole Parquet file: {err}",
                     todo="copy or export it again")
        return None, None
    return _layer(rows, told, name, ledger)


def _layer(
    rows: list[dict[str, Any]], told: Any, name: str, ledger: Ledger
) -> tuple[Layer | None, str | None]:
    geometry = told.get("primary_column") if isinstance(told, Mapping) else None
    columns = told.get("columns") if isinstance(told, Mapping) else None
    own = columns.get(geometry) if isinstance(columns, Mapping) else None
    if not isinstance(own, Mapping) or own.get("encoding") != "WKB":
        said = own.get("encoding") if isinstance(own, Mapping) else "no geometry"
        ledger.fault("unreadable", name, f"its metadata names {said}; GeoParquet with WKB is read",
                     todo="export it as GeoParquet 1.1 with WKB, or as GeoPackage")
        return None, None
    if not rows:
        ledger.fault("empty", name, "no records")
        return None, None
    # A column that repeats the bounds of each record is no attribute of the zone.
    cover = own.get("covering")
    boxes = {str(one[0]) for one in cover["bbox"].values()} if (
        isinstance(cover, Mapping) and isinstance(cover.get("bbox"), Mapping)) else set()
    records = []
    for number, row in enumerate(rows, start=1):
        blob = row.pop(str(geometry), None)
        where = f"{name}, record {number}"
        values = {key: value for key, value in row.items() if key not in boxes}
        records.append(make_record(
            place=number, values=values,
            parts=parts_of(blob if isinstance(blob, bytes) else None, where, ledger)))
    layer = Layer(name=name, columns=columns_of(records), records=tuple(records))
    return layer, _system(own)


def _system(column: Mapping[str, Any]) -> str | None:
    """What the file says: left out is CRS84 by the specification, null is unknown."""
    if "crs" not in column:
        return LONLAT
    said = column["crs"]
    return None if said is None else json.dumps(said)
