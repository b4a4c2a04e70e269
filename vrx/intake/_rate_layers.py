"""Prescriptions in columnar files, rasters and task folders, as layers of polygons with rates."""

from __future__ import annotations

import io
import json
import os
import warnings
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element

import numpy as np
import pyproj
import shapely

from vrx.errors import InputError, MissingExtra
from vrx.formats import raster as raster_facts
from vrx.formats import task_data as task_facts
from vrx.formats._task_rings import ring_points
from vrx.formats.iso11783 import known_ddis
from vrx.formats.task_read import find, read_record
from vrx.geo import WGS84
from vrx.intake._files import require_size
from vrx.intake._raise import listed
from vrx.intake._shape import Feature, Layer, shape_of
from vrx.intake.task_grid import TaskGrid, read_task_grids
from vrx.model import Finding, FloatArray, IntArray, note

_MARGIN_CELLS = 3
_MOST_BYTES = 256 << 20
_AGAIN = "copy or export it again"


def rate_layer(path: Path, *, layer: str | None) -> Layer | None:
    """The layer of a GeoParquet file, a raster of rates or a task folder; None for other files.

    Rasters and grids give a polygon for each connected piece of one rate, grown by some cells
    beyond the edge so that a field's boundary can cut them; a finding says so. `layer` names the
    task (its id) where a folder holds several. Raises `InputError` for what cannot be read,
    `MissingExtra` where a file needs a part that is not installed.
    """
    kind = path.suffix.lower()
    if kind == ".parquet":
        return _parquet(path)
    if kind in {".tif", ".tiff"}:
        return _raster(path)
    # os.path says no where a path cannot be looked at; whoever reads it then tells why.
    if os.path.isdir(path):
        inner = path / task_facts.FOLDER
        folder = inner if os.path.isdir(inner) else path
        if find(folder, task_facts.RECORD) is not None:
            return _task_layer(folder, task=layer)
    return None


def _parquet(path: Path) -> Layer:
    try:
        import pyarrow.parquet as columnar
        from pyarrow import ArrowException
    except ImportError as err:
        raise MissingExtra("GeoParquet needs pyarrow, which is not installed", code="export-extra",
                           where=path.name, hint="pip install 'vrx[parquet]'") from err
    data = _bytes(path)
    try:
        table = columnar.ParquetFile(io.BytesIO(data)).read()
        told = json.loads((table.schema.metadata or {}).get(b"geo", b"{}"))
        main = told.get("primary_column", "")
        about = told.get("columns", {}).get(main)
        if about is None or main not in table.column_names or about.get("encoding") != "WKB":
            raise InputError("is no GeoParquet with WKB geometry", code="parquet-geometry",
                             where=path.name, hint="export it as GeoParquet, or as GeoJSON")
        crs = _columnar_crs(about, path.name)
        shapes = [None if one is None else shape_of(shapely.from_wkb(one))
                  for one in table.column(main).to_pylist()]
        columns = tuple(name for name in table.column_names if name != main)
        rows = table.select(list(columns)).to_pylist()
    except InputError:
        raise
    except (
        ArrowException, OSError, shapely.errors.ShapelyError, ValueError, AttributeError,
    ) as err:
        raise InputError(f"cannot be read: {err}", code="file-unreadable", where=path.name,
                         hint=_AGAIN) from err
    features = tuple(
        Feature(record=number, properties={k: _plain(v) for k, v in row.items()},
                shape=shape or shape_of(None))
        for number, (row, shape) in enumerate(zip(rows, shapes, strict=True), 1))
    return Layer(file=path.name, name=path.stem, crs=crs, columns=columns, features=features)


def _bytes(path: Path) -> bytes:
    """All bytes of a regular file of bounded size."""
    try:
        require_size(path)
        if path.stat().st_size > _MOST_BYTES:
            raise InputError(f"has more than {_MOST_BYTES >> 20} MiB", code="file-too-large",
                             where=path.name, hint="export only the zones of this field")
        return path.read_bytes()
    except InputError:
        raise
    except (OSError, ValueError) as err:  # ValueError: NUL in a name
        raise InputError(f"cannot be read: {getattr(err, 'strerror', None) or err}",
                         code="file-unreadable", where=path.name, hint=_AGAIN) from err


def _columnar_crs(about: dict[str, Any], where: str) -> pyproj.CRS:
    """The CRS of a column: WGS 84 where none is told (GeoParquet 1.1.0), never where it is null."""
    told = about.get("crs", "WGS 84")
    if told is None:
        raise InputError("says that its CRS is not known", code="crs-missing", where=where,
                         hint="export it again with its CRS")
    try:
        return WGS84 if told == "WGS 84" else pyproj.CRS.from_user_input(told)
    except pyproj.exceptions.CRSError as err:
        raise InputError("its coordinate system cannot be read", code="crs-unreadable",
                         where=where, hint="export it again as WGS 84") from err


def _plain(value: object) -> object:
    return None if isinstance(value, float) and value != value else value  # noqa: PLR0124 - NaN


def _raster(path: Path) -> Layer:
    from rasterio.errors import NotGeoreferencedWarning, RasterioError
    from rasterio.io import MemoryFile

    # From memory, never by the user's own path: GDAL reads parts of an address in some names.
    data = _bytes(path)
    try:
        if not data:
            raise InputError("is empty", code="file-empty", where=path.name, hint=_AGAIN)
        # A raster without a place is refused below.
        with (warnings.catch_warnings(action="ignore", category=NotGeoreferencedWarning),
              MemoryFile(data) as memory, memory.open(driver="GTiff") as source):
            if source.count > 1:
                raise InputError(
                    f"has {source.count} bands; a raster of rates has one", code="raster-rates",
                    where=path.name, hint="name a raster of one band")
            if source.width * source.height > raster_facts.MOST_CELLS * 4:
                raise InputError("has too many cells", code="raster-rates", where=path.name,
                                 hint="cut it to the field, or take larger cells")
            band, crs = source.read(1, masked=True), source.crs
            place = source.transform
    except InputError:
        raise
    except (RasterioError, TypeError, ValueError) as err:
        raise InputError(f"cannot be read: {err}", code="file-unreadable", where=path.name,
                         hint=_AGAIN) from err
    if place.is_identity or place.b or place.d or place.a <= 0 or place.e >= 0:
        raise InputError("has no place, or is turned: rows must run west to east, north to south",
                         code="raster-rates", where=path.name, hint="export it again, north up")
    if crs is None:
        raise InputError("names no coordinate system", code="crs-missing", where=path.name,
                         hint="export it again with its CRS")
    known = np.ma.filled(band.astype(np.float64), np.nan)
    # The shortest number that a single-precision cell stands for: 183.4, not 183.3999939.
    values, inverse = np.unique(known[np.isfinite(known)], return_inverse=True)
    told = np.array([float(f"{one:.7g}") for one in values])
    codes = np.full(known.shape, -1, dtype=np.int64)
    codes[np.isfinite(known)] = inverse.ravel()
    return _of_codes(
        codes, [{"RATE": float(one)} for one in told], file=path.name, columns=("RATE",),
        crs=pyproj.CRS.from_wkt(crs.to_wkt()), corner=(place.c, place.f),
        cell=(place.a, -place.e))


def _of_codes(
    codes: IntArray, rows: list[dict[str, float]], *, file: str, columns: tuple[str, ...],
    crs: pyproj.CRS, corner: tuple[float, float], cell: tuple[float, float],
) -> Layer:
    """A polygon for each connected piece of a code (rows, columns), north up; -1 is nothing."""
    from rasterio.features import shapes
    from rasterio.transform import Affine
    from scipy.ndimage import distance_transform_edt

    if not len(rows) or (codes < 0).all():
        raise InputError("holds no cell with a rate", code="raster-rates", where=file, hint=_AGAIN)
    pad = _MARGIN_CELLS
    grown = np.pad(codes, pad, constant_values=-1)
    near, at = distance_transform_edt(grown < 0, return_indices=True)
    grown = np.where(near <= pad, grown[tuple(at)], -1).astype(np.int32)
    place = Affine(cell[0], 0.0, corner[0] - pad * cell[0], 0.0, -cell[1],
                   corner[1] + pad * cell[1])
    features = tuple(
        Feature(record=number, properties=rows[int(code)],
                shape=shape_of(shapely.geometry.shape(outline)))
        for number, (outline, code) in enumerate(
            shapes(grown, mask=grown >= 0, connectivity=4, transform=place), 1))
    told: Finding = note(
        "prescription-from-cells", file, f"rates stand in cells: {len(features)} pieces of one "
        "rate, with the cells' own edges", done="grown by three cells beyond the outermost; the "
        "boundary cuts them")
    return Layer(file=file, name=file, crs=crs, columns=columns, features=features,
                 findings=(told,))


def _task_layer(folder: Path, *, task: str | None) -> Layer:
    root = read_record(folder)
    tasks = {one.get("A") or "": one for one in root.findall("TSK")
             if one.find("GRD") is not None or one.find("TZN/PLN") is not None}
    if task is None and len(tasks) == 1:
        task = next(iter(tasks))
    if task not in tasks:
        named = [f"{key} ({one.get('B') or 'no name'})" for key, one in tasks.items()]
        raise InputError(
            f"holds {len(tasks)} tasks with zones" if task is None else f"has no task {task!r}",
            code="file-several-layers" if task is None else "file-layer-unknown",
            where=task_facts.RECORD, hint=f"name one as the layer: {listed(named) or 'none'}")
    chosen = tasks[task]
    if chosen.find("GRD") is not None:
        grids = [one for one in read_task_grids(path=folder) if one.task == task]
        return _of_grid(grids[0])
    return _of_zones(chosen)


def column_of(ddi: str, product: str) -> str:
    """How a rate of task data is called as a column: its DDI and product."""
    return f"{ddi} {product}".strip()


def _of_zones(task: Element) -> Layer:
    features = []
    columns: dict[str, None] = {}
    for number, zone in enumerate((z for z in task.findall("TZN") if z.find("PLN") is not None), 1):
        row: dict[str, object] = {"CODE": int(zone.get("A") or 0), "NAME": zone.get("B") or ""}
        for value in zone.findall("PDV"):
            name = column_of((value.get("A") or "").upper(), value.get("C") or "")
            columns[name] = None
            row[name] = _raw(value, name)
        parts = []
        for polygon in zone.findall("PLN"):
            rings = [(line.get("A"), ring_points(line)) for line in polygon.findall("LSG")]
            shell = [ring for kind, ring in rings if kind == task_facts.EXTERIOR]
            holes = [ring for kind, ring in rings if kind == task_facts.INTERIOR]
            if len(shell) != 1 or any(len(ring) < 4 for ring in (*shell, *holes)):
                raise InputError("a polygon has no single closed outer ring", code="task-ring",
                                 where=f"{task_facts.RECORD}, zone {zone.get('A')}", hint=_AGAIN)
            parts.append(shapely.Polygon(shell[0], holes))
        features.append(Feature(record=number, properties=row,
                                shape=shape_of(shapely.MultiPolygon(parts))))
    return Layer(file=task_facts.RECORD, name=task.get("A") or "", crs=WGS84,
                 columns=("CODE", "NAME", *columns), features=tuple(features))


def _raw(value: Element, name: str) -> float:
    text = value.get("B") or ""
    try:
        raw = int(text)
    except ValueError as err:
        raise InputError(f"{text!r} is no whole number", code="task-value",
                         where=f"{task_facts.RECORD}, {name}", hint=_AGAIN) from err
    return float(raw)


def _of_grid(grid: TaskGrid) -> Layer:
    flat = grid.raw.reshape(len(grid.raw), -1)
    kinds, inverse = np.unique(flat, axis=1, return_inverse=True)
    products = grid.products or ("",) * len(grid.ddis)
    names = tuple(column_of(*one) for one in zip(grid.ddis, products, strict=True))
    cells: FloatArray = kinds.T.astype(np.float64)
    rows = [dict(zip(names, one, strict=True)) for one in cells.tolist()]
    codes = inverse.reshape(grid.raw.shape[1:]).astype(np.int64)
    north = grid.south_deg + grid.raw.shape[1] * grid.cell_north_deg
    return _of_codes(codes, rows, file=grid.file, columns=names, crs=WGS84,
                     corner=(grid.west_deg, north),
                     cell=(grid.cell_east_deg, grid.cell_north_deg))


def is_task_rate(column: str) -> bool:
    """Whether a column holds integers of the data dictionary."""
    return column.partition(" ")[0] in known_ddis()
