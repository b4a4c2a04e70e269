"""Grids of an ISO 11783-10 task folder (`TASKDATA.XML` with its binaries) → raw values, north up.

In the file the first cell is the south-west one, rows run south to north (ISO 11783-10, grid;
row order as two open-source readers have it). Here arrays are north up as everywhere.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from vrx.errors import InputError
from vrx.formats.iso11783 import rate_from_raw, require_raw
from vrx.formats.xml_tree import MOST_BYTES, xml_tree
from vrx.intake._files import require_size
from vrx.model import FloatArray, IntArray
from vrx.model.arrays import array_value

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

MOST_CELLS = 20_000_000
Rate = tuple[str, str]
"""DDI, and the id of the product that it is a rate of."""
_RECORD = "TASKDATA.XML"
_AGAIN = "copy the whole TASKDATA folder again"
# As XML Schema writes integers and decimals; Python would also take "1_000" and digits of any
# script.
_WHOLE = re.compile(r"\s*[+-]?[0-9]{1,10}\s*")
_DECIMAL = re.compile(r"\s*[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?\s*")


@array_value
class TaskGrid:
    """One grid; `raw` (DDIs, rows, columns) are the file's integers, row 0 in the north.

    `ddis` are four hex digits each, `products` what each is a rate of ("" where the file does not
    say), `product_ids` by their ids; one DDI may stand for several products. Where cells hold codes
    of zones (type 1), `codes` (rows, columns) are these, and `names` what the task calls each.
    Degrees: the south and west edges and the size of a cell.
    """

    task: str
    file: str
    kind: int
    ddis: tuple[str, ...]
    south_deg: float
    west_deg: float
    cell_north_deg: float
    cell_east_deg: float
    raw: IntArray
    products: tuple[str, ...] = ()
    product_ids: tuple[str, ...] = ()
    codes: IntArray | None = None
    names: tuple[tuple[int, str], ...] = ()

    def rates(self, unit: str, *, number: int = 0) -> FloatArray:
        """Rates (rows, columns) of the `number`th DDI in `unit`.

        `InputError` for a unit of another kind, a DDI that is not there, and negative values.
        """
        if not 0 <= number < len(self.ddis):
            raise InputError(f"has {len(self.ddis)} DDI ({', '.join(self.ddis)}), none number "
                             f"{number}", code="task-ddi-unknown", where=self.file,
                             hint="they are counted from 0")
        one = rate_from_raw(1, unit, self.ddis[number], where=self.file)
        raw = self.raw[number]
        if (raw < 0).any():
            row, column = np.argwhere(raw < 0)[0].tolist()
            raise InputError(
                f"{int((raw < 0).sum())} cells of DDI {self.ddis[number]} are negative, first "
                f"{raw[row, column]} in row {row + 1} from the north, column {column + 1} from the "
                "west", code="task-rate", where=self.file,
                hint="a rate is 0 or more; export the task again, with 0 where nothing is applied")
        return np.asarray(raw * one)

    def centres_deg(self) -> tuple[FloatArray, FloatArray]:
        """Latitudes (rows,) north to south and longitudes (columns,) of the cells' centres."""
        _, rows, columns = self.raw.shape
        lat = self.south_deg + (np.arange(rows)[::-1] + 0.5) * self.cell_north_deg
        lon = self.west_deg + (np.arange(columns) + 0.5) * self.cell_east_deg
        return np.asarray(lat, dtype=np.float64), np.asarray(lon, dtype=np.float64)


def _unreadable(where: str, err: OSError) -> InputError:
    return InputError(f"cannot be read: {err.strerror or err}", code="file-unreadable", where=where,
                      hint="give yourself the right to read it, or copy it again")


def _bytes(path: Path, most: int) -> bytes:
    """All bytes of a regular file, of at most `most`."""
    require_size(path)
    try:
        if path.stat().st_size > most:
            raise InputError(f"has more than {most:,} bytes", code="task-grid-size",
                             where=path.name, hint=_AGAIN)
        return path.read_bytes()
    except OSError as err:
        raise _unreadable(path.name, err) from err


def _find(folder: Path, name: str) -> Path:
    """A file by its name in either case."""
    try:
        found = sorted(p for p in folder.iterdir() if p.name.upper() == name.upper())
    except OSError as err:
        raise _unreadable(str(folder), err) from err
    if len(found) > 1:
        raise InputError(f"{' and '.join(p.name for p in found)} differ in case only",
                         code="file-name-twice", where=str(folder), hint="keep the right one")
    if not found:
        raise InputError(f"{name} is missing", code="task-file-missing", where=str(folder),
                         hint=_AGAIN)
    return found[0]


def _number(element: Element, key: str, where: str) -> float:
    said = element.get(key) or ""
    value = float(said) if _DECIMAL.fullmatch(said) else math.nan
    if not math.isfinite(value):
        raise InputError(f"attribute {key} of {element.tag} is {said!r}, which is no number",
                         code="task-attribute", where=where, hint="export the task again")
    return value


def _whole(element: Element, key: str, where: str) -> int:
    said = element.get(key) or ""
    if not _WHOLE.fullmatch(said):
        raise InputError(f"attribute {key} of {element.tag} is {said!r}, which is no whole number "
                         "of at most 10 digits", code="task-attribute", where=where,
                         hint="export the task again")
    return int(said)


def _value(pdv: Element, where: str) -> int:
    return require_raw(_whole(pdv, "B", where), where=f"{where}, DDI {pdv.get('A') or 'missing'}")


def _zones(task: Element, where: str) -> dict[int, dict[Rate, int]]:
    """Zone code → (DDI and product → raw value), in the order of the file."""
    zones: dict[int, dict[Rate, int]] = {}
    for zone in task.iter("TZN"):
        code = _whole(zone, "A", where)
        values = {((pdv.get("A") or "").upper(), pdv.get("C") or ""): _value(pdv, where)
                  for pdv in zone.findall("PDV")}
        if code in zones or len(values) != len(zone.findall("PDV")):
            raise InputError(f"zone {code} or one of its DDI stands twice for one product",
                             code="task-zone-twice", where=where,
                             hint="two products without a name in a task? Export a task for each")
        zones[code] = values
    return zones


def _cells(path: Path, *, count: int, size: int, told: int, where: str) -> IntArray:
    data = _bytes(path, MOST_CELLS * size)
    # An exporter that does not count the bytes leaves H out or 0.
    for needed in (count * size, told):
        if needed and len(data) != needed:
            raise InputError(f"{path.name} has {len(data)} bytes, the task needs {needed}",
                             code="task-grid-size", where=where, hint=_AGAIN)
    return np.frombuffer(data, dtype="<i4" if size == 4 else "u1").astype(np.int64)


def _by_code(cells: IntArray, zones: dict[int, dict[Rate, int]], where: str
             ) -> tuple[tuple[Rate, ...], IntArray]:
    """DDIs with their products, and (cells, DDIs) raw values of the zone that each cell names."""
    codes, place = np.unique(cells, return_inverse=True)
    unknown = [str(code) for code in codes.tolist() if code not in zones]
    if unknown:
        raise InputError(f"cells name zones {', '.join(unknown)}, which the task does not define",
                         code="task-zone-unknown", where=where, hint="export the task again")
    ddis = tuple(dict.fromkeys(d for code in codes.tolist() for d in zones[code]))
    for code in codes.tolist():
        missing = [one[0] for one in ddis if one not in zones[code]]
        if missing or not ddis:
            raise InputError(f"zone {code} has no value for {', '.join(missing) or 'anything'}",
                             code="task-zone-empty", where=where, hint="export the task again")
    table = np.array([[zones[code][ddi] for ddi in ddis] for code in codes.tolist()])
    return ddis, np.asarray(table[place])


def _grid(
    folder: Path, task: Element, grid: Element, *, name: str, products: dict[str, str]
) -> TaskGrid:
    stem = grid.get("G") or ""
    where = f"{name}, task {task.get('A')}, grid {stem}"
    columns, rows = (_whole(grid, key, where) for key in "EF")
    kind = _whole(grid, "I", where)
    south, west, high, wide = (_number(grid, key, where) for key in "ABCD")
    if not (rows > 0 and columns > 0 and rows * columns <= MOST_CELLS and high > 0 and wide > 0):
        raise InputError(
            f"{rows} rows and {columns} columns of {high:g} by {wide:g} degrees (at most "
            f"{MOST_CELLS:,} cells)", code="task-grid-size", where=where,
            hint="export the task again")
    if not (-90 <= south <= south + rows * high <= 90.0
            and -180 <= west <= 180 and columns * wide <= 360):
        raise InputError(
            f"from latitude {south:g} and longitude {west:g}, {rows * high:g} degrees north and "
            f"{columns * wide:g} east, is no place on earth", code="task-grid-place", where=where,
            hint="A and B of GRD are latitude and longitude (WGS 84) of the south-west corner: "
            "swapped, or metres? Export the task again")
    if kind not in (1, 2) or not stem.isalnum():
        raise InputError(f"grid type {kind} in file {stem!r} cannot be read",
                         code="task-grid-kind", where=where, hint="types 1 and 2 are read")
    zones, path = _zones(task, where), _find(folder, f"{stem}.BIN")
    codes: IntArray | None = None
    told = _whole(grid, "H", where) if grid.get("H") else 0
    if kind == 1:
        cells = _cells(path, count=rows * columns, size=1, told=told, where=where)
        ddis, values = _by_code(cells, zones, where)
        codes = np.ascontiguousarray(cells.reshape(rows, columns)[::-1])
    else:
        code = _whole(grid, "J", where)
        ddis = tuple(zones.get(code, {}))
        if not ddis:
            raise InputError(f"zone {code} with the grid's DDI is not defined",
                             code="task-zone-unknown", where=where, hint="export the task again")
        cells = _cells(path, count=rows * columns * len(ddis), size=4, told=told, where=where)
        values = cells.reshape(-1, len(ddis))
    raw = values.reshape(rows, columns, len(ddis))[::-1].transpose(2, 0, 1)
    return TaskGrid(task=task.get("A") or "", file=path.name, kind=kind,
                    ddis=tuple(ddi for ddi, _ in ddis),
                    products=tuple(products.get(product, product) for _, product in ddis),
                    product_ids=tuple(product for _, product in ddis),
                    south_deg=south, west_deg=west, cell_north_deg=high, cell_east_deg=wide,
                    raw=np.ascontiguousarray(raw), codes=codes,
                    names=tuple((_whole(one, "A", where), one.get("B") or "")
                                for one in task.iter("TZN")))


def read_task_grids(*, path: Path) -> tuple[TaskGrid, ...]:
    """All grids of a task folder, or of the folder that holds it; file names in either case.

    Grid type 1 (a zone code in each cell) and 2 (values). Raises `InputError` for broken XML or one
    with a document type, missing files, binaries of another size than the task says, grids that lie
    nowhere on earth, values beyond 32 bits, zones that are not defined, tasks in files of their own
    (XFR), and folders without a grid.
    """
    try:
        inner = [p for p in sorted(path.iterdir()) if p.is_dir() and p.name.upper() == "TASKDATA"] \
            if path.is_dir() else []
        folder = inner[0] if inner else path
        there = folder.is_dir()
    except OSError as err:
        raise _unreadable(str(path), err) from err
    if not there:
        raise InputError("is no folder", code="task-file-missing", where=str(path), hint=_AGAIN)
    record = _find(folder, _RECORD)
    root = xml_tree(_bytes(record, MOST_BYTES), where=record.name)
    outside = [x.get("A") or "" for x in root.iter("XFR") if (x.get("A") or "").startswith("TSK")]
    if outside:
        raise InputError(f"keeps tasks in files of their own ({', '.join(outside)})",
                         code="task-outside", where=record.name,
                         hint="export it with all tasks in TASKDATA.XML")
    products = {one.get("A") or "": one.get("B") or "" for one in root.iter("PDT")}
    found = tuple(_grid(folder, task, grid, name=record.name, products=products)
                  for task in root.iter("TSK") for grid in task.findall("GRD"))
    if not found:
        raise InputError("holds no grid", code="task-no-grid", where=record.name,
                         hint="is it a task with a prescription?")
    return found
