"""Prescriptions in columnar files, rasters and task folders, as layers of polygons with rates."""

from __future__ import annotations

import io
import json
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element

import numpy as np
import pyproj
import shapely

from vrx.errors import InputError, MissingExtra
from vrx.formats import task_data as task_facts
from vrx.formats._task_rings import ring_points
from vrx.formats.iso11783 import known_ddis
from vrx.formats.task_read import find, read_record
from vrx.geo import WGS84
from vrx.intake._raise import listed
from vrx.intake._rate_cells import AGAIN, Cells, cells_layer, raster_layer, read_bytes
from vrx.intake._shape import Feature, Layer, shape_of
from vrx.intake.task_grid import TaskGrid, read_task_grids
from vrx.model import FloatArray, IntArray


def rate_layer(
    path: Path, *, layer: str | None, boundary: shapely.Geometry | None = None
) -> Layer | None:
    """The layer of a GeoParquet file, a raster of rates or a task folder; None for other files.

    Rasters and grids give a polygon for each zone where they tell zones apart (see `_rate_cells`),
    else for each connected piece of one rate, grown by some cells beyond the edge so that the
    field's `boundary` (degrees) can cut them; a finding says so. `layer` names the task (its id)
    where a folder holds several. Raises `InputError` for what cannot be read,
    `MissingExtra` where a file needs a part that is not installed.
    """
    kind = path.suffix.lower()
    if kind == ".parquet":
        return _parquet(path)
    if kind in {".tif", ".tiff"}:
        return raster_layer(path, boundary=boundary)
    # os.path says no where a path cannot be looked at; whoever reads it then tells why.
    if os.path.isdir(path):
        inner = path / task_facts.FOLDER
        folder = inner if os.path.isdir(inner) else path
        if find(folder, task_facts.RECORD) is not None:
            return _task_layer(folder, task=layer, boundary=boundary)
    return None


def _parquet(path: Path) -> Layer:
    try:
        import pyarrow.parquet as columnar
        from pyarrow import ArrowException
    except ImportError as err:
        raise MissingExtra("GeoParquet needs pyarrow, which is not installed", code="export-extra",
                           where=path.name, hint="pip install 'vrx[parquet]'") from err
    data = read_bytes(path)
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
                         hint=AGAIN) from err
    features = tuple(
        Feature(record=number, properties={k: _plain(v) for k, v in row.items()},
                shape=shape or shape_of(None))
        for number, (row, shape) in enumerate(zip(rows, shapes, strict=True), 1))
    return Layer(file=path.name, name=path.stem, crs=crs, columns=columns, features=features)


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


def _task_layer(
    folder: Path, *, task: str | None, boundary: shapely.Geometry | None
) -> Layer:
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
        return _of_grid(grids[0], boundary=boundary)
    return _of_zones(
        chosen, {one.get("A") or "": one.get("B") or "" for one in root.iter("PDT")})


def column_of(ddi: str, product: str) -> str:
    """How a rate of task data is called as a column: its DDI and product."""
    return f"{ddi} {product}".strip()


def _called(columns: Iterable[str], products: Mapping[str, str]) -> dict[str, str]:
    """Columns by the product's id → the same by its own name, where that names just one."""
    made = {}
    for column in columns:
        ddi, _, product = column.partition(" ")
        if products.get(product, product) != product:
            made[column] = column_of(ddi, products[product])
    names = list(made.values())
    return {column: name for column, name in made.items()
            if names.count(name) == 1 and name not in columns}


def _of_zones(task: Element, products: Mapping[str, str]) -> Layer:
    told: list[tuple[int, dict[str, object], shapely.MultiPolygon]] = []
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
                                 where=f"{task_facts.RECORD}, zone {zone.get('A')}", hint=AGAIN)
            parts.append(shapely.Polygon(shell[0], holes))
        told.append((number, row, shapely.MultiPolygon(parts)))
    called = _called(columns, products)
    features = tuple(
        Feature(record=number, shape=shape_of(shape), properties=row | {
            own: row[by] for by, own in called.items() if by in row})
        for number, row, shape in told)
    return Layer(file=task_facts.RECORD, name=task.get("A") or "", crs=WGS84,
                 columns=("CODE", "NAME", *columns, *called.values()), features=features)


def _raw(value: Element, name: str) -> float:
    text = value.get("B") or ""
    try:
        raw = int(text)
    except ValueError as err:
        raise InputError(f"{text!r} is no whole number", code="task-value",
                         where=f"{task_facts.RECORD}, {name}", hint=AGAIN) from err
    return float(raw)


def _of_grid(grid: TaskGrid, *, boundary: shapely.Geometry | None) -> Layer:
    """Polygons of a grid: of each zone code where cells hold codes, else of each piece of a rate.
    """
    products = grid.product_ids or grid.products or ("",) * len(grid.ddis)
    names = tuple(column_of(*one) for one in zip(grid.ddis, products, strict=True))
    called = _called(names, dict(zip(grid.product_ids, grid.products, strict=False)))
    flat = grid.raw.reshape(len(grid.raw), -1)
    if grid.codes is None:
        kinds, inverse = np.unique(flat, axis=1, return_inverse=True)
    else:
        found, at, inverse = np.unique(grid.codes, return_index=True, return_inverse=True)
        kinds = flat[:, at]
    table: FloatArray = kinds.T.astype(np.float64)
    rows: list[dict[str, object]] = [dict(zip(names, one, strict=True)) for one in table.tolist()]
    rows = [row | {own: row[by] for by, own in called.items()} for row in rows]
    columns = (*names, *called.values())
    if grid.codes is not None:
        labels = dict(grid.names)
        columns = ("CODE", "NAME", *columns)
        rows = [{"CODE": code, "NAME": labels.get(code, "") or str(code), **row}
                for code, row in zip(found.tolist(), rows, strict=True)]
    codes: IntArray = inverse.reshape(grid.raw.shape[1:]).astype(np.int64)
    north = grid.south_deg + grid.raw.shape[1] * grid.cell_north_deg
    return cells_layer(
        Cells(codes=codes, rows=rows, crs=WGS84, by_code=grid.codes is not None,
              place=(grid.west_deg, north, grid.cell_east_deg, grid.cell_north_deg)),
        file=grid.file, columns=columns, boundary=boundary)


def is_task_rate(column: str) -> bool:
    """Whether a column holds integers of the data dictionary."""
    return column.partition(" ")[0] in known_ddis()
