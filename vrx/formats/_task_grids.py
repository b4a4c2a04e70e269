"""Faults of the grids of a task."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from xml.etree.ElementTree import Element

import numpy as np

from vrx.errors import InputError
from vrx.formats import task_data as facts
from vrx.formats._task_numbers import number, whole
from vrx.formats.task_read import MOST_CELL_BYTES, find, read_cells
from vrx.model import Finding, stop, warn


def grid_faults(folder: Path, task: Element, where: str) -> Iterator[Finding]:
    """Number, size, place and cells of a task's grids."""
    grids = task.findall("GRD")
    if len(grids) > 1:
        yield stop("task-check-grid", where, f"has {len(grids)} grids; a task has one at most",
                   todo="export a task for each")
    for grid in grids:
        yield from _grid(folder, task, grid, f"{where}, grid {grid.get('G')}")


def _grid(folder: Path, task: Element, grid: Element, where: str) -> Iterator[Finding]:
    rows, columns = whole(grid.get("F")), whole(grid.get("E"))
    high, wide = number(grid.get("C")), number(grid.get("D"))
    if not (rows and columns and rows > 0 and columns > 0 and 0 < high <= 1 and 0 < wide <= 1):
        yield stop("task-check-grid", where, f"has {grid.get('F')} rows and {grid.get('E')} "
                   f"columns of {grid.get('C')} by {grid.get('D')} degrees")
        return
    south, west = number(grid.get("A")), number(grid.get("B"))
    if not (south >= -90 and south + rows * high <= 90 and -180 <= west <= 180
            and columns * wide <= 360):
        yield stop("task-check-grid", where, f"from latitude {grid.get('A')} and longitude "
                   f"{grid.get('B')} it leaves the earth", todo="are they swapped?")
    for name in "AB":
        if len((grid.get(name) or "").partition(".")[2]) > facts.DECIMALS:
            yield stop("task-check-attribute", where,
                       f"{name} has more than {facts.DECIMALS} decimals")
    yield from _cells(folder, task, grid, rows=rows, columns=columns, where=where)


def _cells(
    folder: Path, task: Element, grid: Element, *, rows: int, columns: int, where: str
) -> Iterator[Finding]:
    zones = {whole(zone.get("A")): len(zone.findall("PDV")) for zone in task.findall("TZN")}
    kind, values = grid.get("I"), 0
    if kind == facts.GRID_VALUES:
        values = zones.get(whole(grid.get("J")), 0) if grid.get("J") else 0
        if not values:
            yield stop("task-check-grid", where, f"is of type 2, and its zone J {grid.get('J')!r} "
                       "is no zone of the task with a rate: nobody knows what its values mean")
            return
    elif kind != facts.GRID_CODES:
        yield stop("task-check-grid", where, f"is of type {kind!r}; types 1 and 2 are known")
        return
    needed = rows * columns * (4 * values if values else 1)
    told = whole(grid.get("H")) if grid.get("H") else needed
    if told != needed:
        yield stop("task-check-grid", where, f"says {grid.get('H')} bytes (H), {rows} rows of "
                   f"{columns} columns need {needed}")
    if needed > MOST_CELL_BYTES:
        yield stop("task-check-grid", where, f"has more than {MOST_CELL_BYTES:,} bytes")
        return
    try:
        cells = read_cells(folder, grid.get("G") or "", rows=rows, columns=columns, values=values)
    except InputError as err:
        yield stop(err.code, f"{where}, {err.where}", err.message, todo=err.hint)
        return
    if find(folder, f"{grid.get('G')}.bin") != folder / f"{grid.get('G')}.bin":
        yield warn("task-check-file", where, "the ending of its file is not .bin in small letters",
                   todo="rename it: not every machine finds it")
    if not values:
        strange = [code for code in np.unique(cells).tolist() if code not in zones]
        if strange:
            yield stop("task-check-grid", where,
                       f"cells name zones {', '.join(map(str, strange[:8]))}, which the task does "
                       "not define")
    elif negative := int(np.count_nonzero(np.less(cells, 0))):
        yield stop("task-check-grid", where,
                   f"{negative} values are negative; a rate is 0 or more")
