"""An `ExportLayer` as a GeoDataFrame, written by pyogrio (GDAL); one place for both formats."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from vrx.errors import ExportError

if TYPE_CHECKING:
    import geopandas

    from vrx.export.layer import ExportLayer


def frame(layer: ExportLayer) -> geopandas.GeoDataFrame:
    """The layer with EPSG:4326 set, columns in order."""
    import geopandas

    return geopandas.GeoDataFrame(
        {name: list(values) for name, values in layer.columns.items()},
        geometry=list(layer.polygons), crs="EPSG:4326",
    )


def write(layer: ExportLayer, path: Path, *, driver: str, **options: str) -> None:
    """Write one layer; a driver's failure becomes an `ExportError` that names the file."""
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError, FeatureError

    try:
        pyogrio.write_dataframe(frame(layer), path, driver=driver, layer_options=options)
    except (DataSourceError, DataLayerError, FeatureError, OSError) as err:
        raise ExportError(
            f"could not be written: {err}", code="export-write", where=str(path),
            hint="is the folder writable, and is there room on the disk?",
        ) from err
