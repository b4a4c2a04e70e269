"""An `ExportLayer` as a GeoDataFrame, written by pyogrio (GDAL); one place for all formats."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from shutil import copyfile
from typing import TYPE_CHECKING

from vrx.errors import ExportError

if TYPE_CHECKING:
    import geopandas

    from vrx.export.layer import ExportLayer

_NO_PLAIN_PATH = re.compile(r"[!\x00-\x1f\ud800-\udfff]|://|^/vsi")
"""What the writer takes for an address or cannot spell: it writes elsewhere, then it is copied."""


def frame(layer: ExportLayer) -> geopandas.GeoDataFrame:
    """The layer with EPSG:4326 set, columns in order."""
    import geopandas

    return geopandas.GeoDataFrame(
        {name: list(values) for name, values in layer.columns.items()},
        geometry=list(layer.polygons), crs="EPSG:4326",
    )


@contextmanager
def plain_path(path: Path) -> Iterator[Path]:
    """The path, or another one to write to where GDAL cannot spell it; then all is copied over."""
    if not _NO_PLAIN_PATH.search(str(path.absolute())):
        yield path
        return
    with tempfile.TemporaryDirectory(prefix="vrx-") as folder:
        made = Path(folder) / path.name
        yield made
        for part in made.parent.iterdir():
            copyfile(part, path.with_name(part.name))


def write(layer: ExportLayer, path: Path, *, driver: str, **options: str) -> None:
    """Write one layer; a driver's failure becomes an `ExportError` that names the file."""
    from pyogrio.errors import DataLayerError, DataSourceError, FeatureError

    try:
        with plain_path(path) as plain:
            _write(layer, plain, driver, options)
    except (DataSourceError, DataLayerError, FeatureError, OSError) as err:
        raise ExportError(
            f"could not be written: {err}", code="export-write", where=str(path),
            hint="is the folder writable, and is there room on the disk?",
        ) from err


def _write(layer: ExportLayer, path: Path, driver: str, options: dict[str, str]) -> None:
    import pyogrio

    pyogrio.write_dataframe(frame(layer), path, driver=driver, layer_options=options)
