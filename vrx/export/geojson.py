"""GeoJSON by RFC 7946: written by GDAL through pyogrio, read back with plain `json`."""

from __future__ import annotations

import json
from pathlib import Path

from shapely.geometry import shape

from vrx.export import compare, frames
from vrx.export.export_set import ExportSet
from vrx.export.layer import ExportLayer
from vrx.formats import layer as facts


def write(meant: ExportSet, folder: Path) -> tuple[Path, ...]:
    """Write `prescription.geojson` into `folder`, read it back, and give its path."""
    path = folder / f"{facts.LAYER_NAME}.geojson"
    write_layer(meant.layer, path)
    _add_outside(meant, path)
    return (path,)


def _add_outside(meant: ExportSet, path: Path) -> None:
    """Put the rates where the map says nothing before the features, as a foreign member."""
    told = meant.without_map
    text = path.read_text(encoding="utf-8")
    head, mark, rest = text.partition('"features"')
    made = f"{head}{json.dumps(facts.OUTSIDE)}: {json.dumps(told)},\n{mark}{rest}"
    path.write_text(made, encoding="utf-8", newline="\n")
    before, after = json.loads(text), json.loads(path.read_text(encoding="utf-8"))
    if after.pop(facts.OUTSIDE, None) != told or after != before:
        raise compare.differs(path, "the rates outside the zones are not those that were meant")


def write_layer(layer: ExportLayer, path: Path) -> None:
    """Write one layer and read it back."""
    # GDAL takes five nines or noughts before the last digit for a rounding error and drops them
    # (42.09999999 would become 42.1); three digits more than we round to leave it none to see.
    frames.write(
        layer, path, driver="GeoJSON", RFC7946="YES", WRITE_NAME="NO",
        COORDINATE_PRECISION=str(facts.COORDINATE_DECIMALS + 3),
    )
    document = json.loads(path.read_text(encoding="utf-8"))
    features = document["features"]
    compare.require_equal(
        layer,
        path=path,
        polygons=[shape(feature["geometry"]) for feature in features],
        rows=[feature["properties"] for feature in features],
    )
