"""Shapefile, loose and zipped: written by GDAL through pyogrio, read back with pyshp."""

from __future__ import annotations

import warnings
import zipfile
from pathlib import Path

from shapely.geometry import shape

from vrx.export import compare, frames
from vrx.export.export_set import ExportSet
from vrx.export.layer import ExportLayer
from vrx.formats import layer as facts

# A dBASE header carries a date; pinned, so that the same run gives the same bytes.
_PINNED_DATE = "2000-01-01"
_ZIP_EPOCH = (1980, 1, 1, 0, 0, 0)


def write(meant: ExportSet, folder: Path) -> tuple[Path, ...]:
    """Write `shapefile/prescription.*` and its zip into `folder`, read back, and give all paths."""
    layer = meant.layer
    loose = folder / "shapefile"
    loose.mkdir()
    path = loose / f"{facts.LAYER_NAME}.shp"
    frames.write(
        layer, path, driver="ESRI Shapefile", DBF_DATE_LAST_UPDATE=_PINNED_DATE, ENCODING="UTF-8"
    )
    _verify(layer, path)
    parts = tuple(path.with_suffix(suffix) for suffix in facts.SHAPEFILE_PARTS)
    packed = folder / f"{facts.LAYER_NAME}_shapefile.zip"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for part in parts:
            archive.writestr(zipfile.ZipInfo(part.name, _ZIP_EPOCH), part.read_bytes())
    _verify(layer, packed)
    return (*parts, packed)


def _verify(layer: ExportLayer, path: Path) -> None:
    import shapefile

    # A file cut short makes pyshp warn, or raise its own error, which is no OSError. That a newer
    # library will drop something is no fault of the file.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for kind in (DeprecationWarning, PendingDeprecationWarning):
            warnings.simplefilter("ignore", kind)
        try:
            with shapefile.Reader(str(path)) as reader:
                records = list(reader.iterShapeRecords())
        except (shapefile.ShapefileException, Warning) as err:
            raise ValueError(str(err)) from err
    compare.require_equal(
        layer,
        path=path,
        polygons=[shape(one.shape.__geo_interface__) for one in records],
        rows=[one.record.as_dict() for one in records],
    )
