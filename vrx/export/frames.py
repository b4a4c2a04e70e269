"""An `ExportLayer` as a GeoDataFrame, written by pyogrio (GDAL); one place for both formats."""

from __future__ import annotations

import re
import tempfile
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


def write(layer: ExportLayer, path: Path, *, driver: str, **options: str) -> None:
    """Write one layer; a driver's failure becomes an `ExportError` that names the file."""
    from pyogrio.errors import DataLayerError, DataSourceError, FeatureError

    try:
        if _NO_PLAIN_PATH.search(str(path.absolute())):
            with tempfile.TemporaryDirectory(prefix="vrx-") as folder:
                made = Path(folder) / path.name
                _write(layer, made, driver, options)
                for part in made.parent.iterdir():
                    copyfile(part, path.with_name(part.name))
        else:
            _write(layer, path, driver, options)
    except (DataSourceError, DataLayerError, FeatureError, OSError) as err:
        raise ExportError(
            f"could not be written: {err}", code="export-write", where=str(path),
            hint="is the folder writable, and is there room on the disk?",
        ) from err


def _write(layer: ExportLayer, path: Path, driver: str, options: dict[str, str]) -> None:
    import pyogrio

    pyogrio.write_dataframe(frame(layer), path, driver=driver, layer_options=options)
