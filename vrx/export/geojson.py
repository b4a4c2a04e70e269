"""GeoJSON by RFC 7946: written by GDAL through pyogrio, read back with plain `json`."""

from __future__ import annotations

import json
from pathlib import Path

from shapely.geometry import shape

from vrx.export import compare, frames
from vrx.export.export_set import ExportSet
from vrx.formats import layer as facts


def write(meant: ExportSet, folder: Path) -> tuple[Path, ...]:
    """Write `prescription.geojson` into `folder`, read it back, and give its path."""
    path = folder / f"{facts.LAYER_NAME}.geojson"
    # GDAL takes five nines or noughts before the last digit for a rounding error and drops them
    # (42.09999999 would become 42.1); three digits more than we round to leave it none to see.
    frames.write(
        meant.layer, path, driver="GeoJSON", RFC7946="YES", WRITE_NAME="NO",
        COORDINATE_PRECISION=str(facts.COORDINATE_DECIMALS + 3),
    )
    document = json.loads(path.read_text(encoding="utf-8"))
    features = document["features"]
    compare.require_equal(
        meant.layer,
        path=path,
        polygons=[shape(feature["geometry"]) for feature in features],
        rows=[feature["properties"] for feature in features],
    )
    return (path,)
