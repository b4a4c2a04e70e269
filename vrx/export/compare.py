"""Read-back against what was meant to be written, whichever format it was."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import shapely

from vrx.errors import ExportError
from vrx.export.layer import ExportLayer, Value
from vrx.formats import layer as facts


def require_equal(
    layer: ExportLayer,
    *,
    path: Path,
    polygons: Sequence[shapely.Geometry],
    rows: Sequence[Mapping[str, object]],
) -> None:
    """Raise `ExportError` unless the file's records equal the layer, value by value."""
    if len(rows) != len(layer.polygons):
        raise differs(path, f"{len(rows)} records, {len(layer.polygons)} were meant")
    for number, row in enumerate(rows):
        if list(row) != list(layer.columns):
            raise differs(path, f"columns {list(row)}, {list(layer.columns)} were meant")
        for name, values in layer.columns.items():
            if not _same(row[name], values[number]):
                raise differs(
                    path, f"record {number + 1}, {name}: {row[name]!r} != {values[number]!r}")
    # Half a unit of the last decimal, and something for the arithmetic.
    slack_degrees = 0.6 * 10.0**-facts.COORDINATE_DECIMALS
    for number, (read, meant) in enumerate(zip(polygons, layer.polygons, strict=True)):
        got = shapely.get_coordinates(shapely.normalize(_as_multi(read)))
        want = shapely.get_coordinates(shapely.normalize(_as_multi(meant)))
        if got.shape != want.shape or np.abs(got - want).max() > slack_degrees:
            raise differs(path, f"record {number + 1}: the polygon read back is another one")


def _as_multi(geometry: shapely.Geometry) -> shapely.Geometry:
    if isinstance(geometry, shapely.Polygon):
        return shapely.MultiPolygon([geometry])
    return geometry


def _same(read: object, meant: Value) -> bool:
    if isinstance(meant, str):
        return read == meant
    if not isinstance(read, int | float):
        return False
    return abs(read - meant) <= 1e-12 * max(1.0, abs(meant))


def differs(path: Path, what: str) -> ExportError:
    """The error of a file that does not hold what was meant."""
    return ExportError(
        f"read back after writing, it differs: {what}", code="export-differs", where=str(path),
        hint="nothing was replaced; try again, and on another disk",
    )
