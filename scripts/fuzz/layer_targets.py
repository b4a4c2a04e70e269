"""Targets for databases, logs, layers, rasters, task folders, workbook cells and TOML lists."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from functools import cache, partial

import wholes
from harness import Target, _put, _refused, scratch
from readers import POINTS, READERS, SOIL, YIELD, the_field

from vrx.intake import peek_table, read_soil, read_yield_logs

_PATCH = 4
# What a cell, a style or an index of a workbook never rightly is.
_CELLS = (b"", b"-1", b"0", b"99999999999999999999", b"1e400", b"nan", b"A0", b"XFE1", b"ZZZZ9",
          b"A1:", b"b", b"d", b"e", b"str", b"inlineStr", b"n", b"s", b"2958466", b"-657434.5",
          b"#REF!", b"true", b"\xc3\xa4", b"_x0000_", b"1.7976931348623157E+308", b"60", b"0:00")


def _spots(text: bytes) -> list[tuple[int, int]]:
    """Where attribute values and texts of an XML stand."""
    return [found.span(1) for found in re.finditer(rb'(?:="([^"<>]*)")', text)] + [
        found.span(1) for found in re.finditer(rb">([^<>]+)<", text)]


def _swapped_cells(part: bytes, data: bytes) -> bytes:
    """A part in which each pair of bytes (which place, which value) has swapped one value."""
    for which, what in zip(data[:16:2], data[1:16:2], strict=False):
        spots = _spots(part)
        if not spots:
            break
        begin, end = spots[which * len(spots) // 256]
        part = part[:begin] + _CELLS[what % len(_CELLS)] + part[end:]
    return part


def _workbook_cells(data: bytes) -> None:
    parts = dict(wholes.book_parts())
    names = sorted(parts)
    likely = [name for name in names if re.search(r"sheet1|styles|workbook|sharedStrings", name)]
    own = likely[data[0] % len(likely)] if data else likely[0]
    path = _put("cells.xlsx", wholes.zipped({**parts, own: _swapped_cells(parts[own], data[1:])}))
    _refused(lambda: peek_table(path))
    _refused(lambda: read_soil(path=path, field=the_field(scratch()), spec=SOIL))


def patched(whole: bytes, data: bytes) -> bytes:
    """A file in which each 4 bytes (place, place, place, value) have set one byte."""
    out = bytearray(whole)
    for k in range(0, len(data) - _PATCH + 1, _PATCH):
        at = int.from_bytes(data[k : k + 3], "big")
        out[at % len(out)] = data[k + 3]
    return bytes(out)


@cache
def _bare_database(layer: str) -> bytes:
    """A GeoPackage without its spatial index, whose triggers need functions of the library."""
    path = _put("bare.gpkg", wholes.geopackage(layer))
    with closing(sqlite3.connect(path)) as base, base:
        for (name,) in base.execute("select name from sqlite_master where type = 'trigger'"
                                    ).fetchall():
            base.execute(f'drop trigger "{name}"')
    return path.read_bytes()


def with_geometry(blob: bytes, layer: str = "polygons") -> bytes:
    """A whole database whose every geometry is `blob`."""
    path = _put("one.gpkg", _bare_database(layer))
    with closing(sqlite3.connect(path)) as base, base:
        base.execute("update one set geom = ?", (blob,))
    return path.read_bytes()


@cache
def geometry(layer: str = "polygons") -> bytes:
    """The geometry blob of a whole database."""
    path = _put("one.gpkg", _bare_database(layer))
    with closing(sqlite3.connect(path)) as base:
        return bytes(base.execute("select geom from one").fetchone()[0])


def _read(name: str, path_suffix: str, data: bytes) -> None:
    """One reader with these bytes as its file."""
    reader = READERS[name]
    path = reader.place(scratch(), name, data, path_suffix)
    _refused(lambda: reader.read(path, scratch(), path_suffix))


def _database(data: bytes) -> None:
    layer = "points" if data[:1] and data[0] & 2 else "polygons"
    if data[:1] and data[0] & 1:
        whole = with_geometry(data[1:], layer)
    else:
        whole = patched(wholes.geopackage(layer), data[1:])
    for name in ("read_soil",) if layer == "points" else ("peek_boundary", "read_boundary"):
        _read(name, ".gpkg", whole)


def _database_seeds() -> list[bytes]:
    return [b"\x01" + geometry(), b"\x03" + geometry("points"), b"\x00", b"\x02",
            b"\x00" + bytes([0, 0, 18, 9, 0, 16, 100, 1])]


def _yields(data: bytes) -> None:
    path = _put("yields.csv", data)
    _refused(lambda: read_yield_logs(path=path, field=the_field(scratch()), spec=YIELD))


def _log_seeds() -> list[bytes]:
    whole = wholes.machine_log()
    rows = whole.splitlines()
    return [b"\n".join(rows[:6]), b"\n".join(rows[:3]).replace(b",", b";"),
            b"\n".join(rows[:4]).decode().encode("utf-16"),
            b"\r\n".join(rows[:4]).replace(b",", b"\t")]


def _points(data: bytes) -> None:
    _read("read_point_layer", ".csv", data)


def _point_shapes(data: bytes) -> None:
    parts = wholes.points_shapefile()
    own = wholes.PARTS[data[0] % len(wholes.PARTS)] if data else ".shp"
    for suffix, whole in parts.items():
        _put(f"points{suffix}", data[1:] if suffix == own else whole)
    path = scratch() / "points.shp"
    _refused(lambda: read_soil(path=path, field=the_field(scratch()), spec=POINTS))
    _refused(lambda: READERS["read_point_layer"].read(path, scratch(), ".shp"))


def _task(data: bytes) -> None:
    kind = data[:1]
    if kind == b"B":
        _read("read_task_grids", ".BIN", data[1:])
    else:
        _read("read_task_grids", ".XML", data[1:])


def _time_log(data: bytes) -> None:
    _read("read_time_logs", ".TLB" if data[:1] == b"B" else ".TLX", data[1:])


TARGETS: dict[str, Target] = {
    "applied": Target(partial(_read, "applied_totals", ".csv"), _log_seeds),
    "book": Target(partial(_read, "load_books", ".toml"), lambda: [wholes.book()], 8192),
    "geopackage": Target(_database, _database_seeds, 1024),
    "layout": Target(partial(_read, "layout", ".toml"), lambda: [wholes.layout()]),
    "materials": Target(partial(_read, "load_materials", ".toml"), lambda: [wholes.materials()]),
    "point-layer": Target(_points, _log_seeds),
    "point-shapefile": Target(_point_shapes, lambda: [
        bytes([k]) + whole for k, whole in enumerate(wholes.points_shapefile().values())]),
    "raster": Target(partial(_read, "read_raster_layer", ".tif"),
                     lambda: [wholes.raster(), wholes.raster(None)]),
    "task": Target(_task, lambda: [b"X" + wholes.task_xml(), b"X" + wholes.TASK_VALUES,
                                   b"B" + wholes.TASK_CELLS]),
    "time-log": Target(_time_log, lambda: [b"X" + wholes.log_header(),
                                           b"B" + wholes.log_records()]),
    "workbook-cells": Target(_workbook_cells, lambda: [
        bytes([k, 40, k, 90, k + 7, 200, 3]) for k in range(12)], 32),
    "yields": Target(_yields, _log_seeds),
}
