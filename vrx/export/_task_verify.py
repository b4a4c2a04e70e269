"""Task data read back: an XML parser and a decoder of cells against what was planned."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from xml.etree.ElementTree import Element

import numpy as np
import shapely

from vrx.errors import ExportError
from vrx.export import _task_grid
from vrx.export._task_plan import Task, TaskGrid, TaskSet
from vrx.formats import task_data as facts
from vrx.formats.task_check import judge_record
from vrx.formats.task_read import read_cells, read_record
from vrx.model import Severity

_LOOKED_AT = 20_000
"""Cells whose place is looked up in the zones' polygons, spread over the grid."""
_BORDER_DEG = 2e-9
"""So near a border (0.2 mm) the two ways of asking which side may differ."""


def require_equal(tasks: TaskSet, home: Path, *, zones: Sequence[shapely.Geometry]) -> None:
    """Raise `ExportError` unless the folder holds `tasks`, value by value, and the judge is silent.

    `zones` are the polygons that cells were made from; cells are looked up in them by their own
    centres, without the rasteriser. Raises `InputError` where the folder cannot be read.
    """
    root = read_record(home)
    faults = [one for one in judge_record(home, root) if one.severity is Severity.STOP]
    if faults:
        _differs(home, f"{faults[0].where}: {faults[0].what}")
    _attributes(home, root, [{
        "VersionMajor": facts.VERSION[0], "VersionMinor": facts.VERSION[1],
        "DataTransferOrigin": facts.FARM_SOFTWARE}], [root])
    _attributes(home, root, [{"A": "CTR1", "B": tasks.customer}], root.findall("CTR"))
    _attributes(home, root, [{"A": "FRM1", "B": tasks.farm, "I": "CTR1"}], root.findall("FRM"))
    _attributes(home, root, [{"C": tasks.field_name, "D": str(tasks.area_m2)}], root.findall("PFD"))
    _polygons(home, "the boundary", tasks.boundary, root.findall("PFD/PLN"))
    _attributes(home, root, [
        {"A": one.id, "C": one.scale, "D": str(one.decimals), "E": one.unit}
        for one in tasks.presentations], root.findall("VPN"))
    products = dict.fromkeys((one.id, one.name) for one in tasks.products)
    _attributes(home, root, [{"A": key, "B": name} for key, name in products], root.findall("PDT"))
    _attributes(home, root, [
        {"A": one.id, "B": one.name, "H": str(one.fallbacks[0]), "I": str(one.fallbacks[1]),
         "J": str(one.fallbacks[2])} for one in tasks.tasks], root.findall("TSK"))
    for task, element in zip(tasks.tasks, root.findall("TSK"), strict=True):
        _zones(home, task, element)
        grids = element.findall("GRD")
        if len(grids) != (task.grid is not None):
            _differs(home, f"{task.id} has {len(grids)} grids")
        if task.grid is not None:
            _cells(home, task, task.grid, element, _task_grid.onward(zones))


def _attributes(
    home: Path, root: Element, meant: Sequence[dict[str, str]], read: Sequence[Element]
) -> None:
    if len(meant) != len(read):
        _differs(home, f"{len(read)} elements of {root.tag}, {len(meant)} were meant")
    for want, element in zip(meant, read, strict=True):
        for name, value in want.items():
            if element.get(name) != value:
                _differs(home, f"{element.tag} {name} is {element.get(name)!r}, not {value!r}")


def _zones(home: Path, task: Task, element: Element) -> None:
    read = element.findall("TZN")
    _attributes(home, element, [{"A": str(one.code), "B": one.name} for one in task.zones], read)
    for zone, own in zip(task.zones, read, strict=True):
        _attributes(home, own, [
            {"A": product.ddi, "B": str(raw), "C": product.id, "E": product.presentation_id}
            for product, raw in zip(task.products, zone.raw, strict=True)], own.findall("PDV"))
        _polygons(home, f"{task.id}, zone {zone.code}",
                  () if zone.polygon is None else (zone.polygon,), own.findall("PLN"))


def _polygons(
    home: Path, what: str, meant: Sequence[shapely.Polygon], read: Sequence[Element]
) -> None:
    if len(meant) != len(read):
        _differs(home, f"{what} has {len(read)} polygons, {len(meant)} were meant")
    for want, element in zip(meant, read, strict=True):
        rings = [shapely.get_coordinates(one) for one in (want.exterior, *want.interiors)]
        lines = element.findall("LSG")
        kinds = [facts.EXTERIOR, *[facts.INTERIOR] * (len(rings) - 1)]
        if [one.get("A") for one in lines] != kinds:
            _differs(home, f"{what} has other rings")
        for ring, line in zip(rings, lines, strict=True):
            got = np.array([[float(at.get("D") or "nan"), float(at.get("C") or "nan")]
                            for at in line.findall("PNT")])
            # Half a unit of the last decimal, and something for the arithmetic.
            if got.shape != ring.shape or not np.abs(got - ring).max() <= 0.6 * 10**-facts.DECIMALS:
                _differs(home, f"{what}: a ring read back is another one")


def _cells(
    home: Path, task: Task, grid: TaskGrid, read_task: Element, zones: Sequence[shapely.Geometry]
) -> None:
    element, zones_read = read_task.findall("GRD")[0], read_task.findall("TZN")
    rows, columns = int(element.get("F") or 0), int(element.get("E") or 0)
    read = read_cells(home, element.get("G") or "", rows=rows, columns=columns,
                      values=0 if grid.values_code is None else len(task.products))
    if not np.array_equal(read, grid.cells):
        _differs(home, f"{grid.name}: cells read back are others")
    # The places as the file tells them, not as they were planned.
    told = _task_grid.GridPlace(
        south_deg=float(element.get("A") or "nan"), west_deg=float(element.get("B") or "nan"),
        north_deg_per_cell=float(element.get("C") or "nan"),
        east_deg_per_cell=float(element.get("D") or "nan"), rows=rows, columns=columns)
    step = max(rows * columns // _LOOKED_AT, 1)
    row, column = np.divmod(np.arange(0, rows * columns, step, dtype=np.int64), columns)
    longitude, latitude = told.centres_deg(row, column)
    places = shapely.points(longitude, latitude)
    inside = np.full(len(row), _task_grid.OUTSIDE)
    at, zone = shapely.STRtree(np.array(zones, dtype=object)).query(places, predicate="intersects")
    inside[at] = zone
    borders = shapely.STRtree(shapely.boundary(np.array(zones, dtype=object)))
    on_border, _ = borders.query(places, predicate="dwithin", distance=_BORDER_DEG)
    sure = np.ones(len(row), dtype=bool)
    sure[on_border] = False
    cells = read[row, column]
    if grid.values_code is None:
        codes = {int(one.get("A") or -1): [int(v.get("B") or -1) for v in one.findall("PDV")]
                 for one in zones_read}
        got = np.array([codes[int(code)] for code in cells])
    else:
        got = np.asarray(cells)
    want = np.array(task.raw_of_zone)[inside]
    wrong = sure & (got != want).any(axis=1)
    if wrong.any():
        k = int(np.flatnonzero(wrong)[0])
        _differs(home, f"{grid.name}: the cell at {latitude[k]:.6f}, {longitude[k]:.6f} has "
                 f"{got[k].tolist()}, its zone {want[k].tolist()}")


def _differs(home: Path, what: str) -> None:
    raise ExportError(
        f"read back after writing, it differs: {what}", code="export-differs", where=str(home),
        hint="nothing was replaced; try again, and on another disk",
    )
