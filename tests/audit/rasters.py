"""Rasters of rates made by rasterio from the invented field's polygons; no code of vrx."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import audit_builders as make
import numpy as np
import pyproj
import rasterio
import shapely
from rasterio.features import rasterize
from rasterio.transform import Affine

NODATA = -9999.0
LAEA = (f"+proj=laea +lat_0={make.CENTRE[1]} +lon_0={make.CENTRE[0]} +datum=WGS84 +units=m "
        "+no_defs")
STEMS = {make.K: ("lb/ac", make.POTASH), make.A: ("lb/ac", make.SULFATE),
         make.T: ("gal/ac", make.THIO)}


def burnt(
    values: list[float], *, crs: Any = LAEA, cell: float = 4.0, shapes: Any = None,
    touched: bool = False,
) -> tuple[np.ndarray, Affine]:
    """Cells (rows, columns) with the value of the zone at their centre, in a system of choice."""
    shapes = make.polygons() if shapes is None else shapes
    move = pyproj.Transformer.from_crs(4326, crs, always_xy=True)
    moved = [shapely.transform(one, lambda at: np.column_stack(move.transform(*at.T)))
             for one in shapes]
    west, south, east, north = shapely.total_bounds(moved)
    columns, rows = int((east - west) / cell) + 3, int((north - south) / cell) + 3
    place = Affine(cell, 0, west - 1.3 * cell, 0, -cell, north + 1.2 * cell)
    cells = rasterize(zip(moved, values, strict=True), out_shape=(rows, columns), fill=NODATA,
                      transform=place, dtype="float32", all_touched=touched)
    return cells, place


def write(
    path: Path, cells: np.ndarray, place: Affine, *, crs: Any = LAEA, name: str = "",
    unit: str = "", nodata: float | None = NODATA, tags: dict[str, str] | None = None,
    **options: Any,
) -> Path:
    path.parent.mkdir(exist_ok=True)
    cells = cells if cells.ndim == 3 else cells[None]
    with rasterio.open(
        path, "w", driver="GTiff", width=cells.shape[2], height=cells.shape[1],
        count=len(cells), dtype=cells.dtype, crs=crs, transform=place, nodata=nodata, **options,
    ) as target:
        target.write(cells)
        if name:
            target.descriptions = [name] * len(cells)
        if unit:
            target.units = [unit] * len(cells)
        target.update_tags(**(tags or {}))
    return path


def rates(column: str = make.K) -> list[float]:
    return [float(one) for one in make.frame()[column]]


def add(run: make.Run, **changed: Any) -> None:
    """A raster for each pass of the run; `changed` are options of `write` for the first."""
    for k, (column, (unit, material)) in enumerate(STEMS.items()):
        cells, place = burnt(rates(column))
        options: dict[str, Any] = {
            "name": column, "unit": unit, "tags": {"MATERIAL": material, "UNIT": unit}}
        if not k:
            options |= changed
            cells, place = options.pop("cells", cells), options.pop("place", place)
        write(run.folder / "geotiff" / f"rate_{column}.tif", cells, place, **options)


def seal(run: make.Run) -> None:
    """Sealed, with the formats' names as a run records them."""
    run.seal()

    def named(record: dict[str, Any]) -> None:
        for node in record["files"]:
            if node["path"].startswith("geotiff/"):
                node["format"] = "geotiff"

    run.edit_record(named)
    run.point()
