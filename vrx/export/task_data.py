"""Task data of ISO 11783-10, version 4.3: written as text and bytes, read back by an XML parser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import shapely

from vrx import __version__
from vrx.errors import ExportError, InputError
from vrx.export import _task_verify
from vrx.export._task_plan import Task, TaskGrid, TaskSet, TaskZone, plan_tasks
from vrx.export.export_set import ExportSet
from vrx.formats import task_data as facts
from vrx.model import Finding

_ESCAPES = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;"})


def write(meant: ExportSet, folder: Path) -> tuple[Path, ...]:
    """Write `TASKDATA/` into `folder`, read it back, judge it, and give all paths.

    `meant.task_data` says in which form. Raises `ExportError` for what the format cannot hold and
    for files that read back otherwise.
    """
    tasks = plan_tasks(meant, meant.task_data)
    return write_tasks(tasks, meant, folder)


def findings(meant: ExportSet) -> tuple[Finding, ...]:
    """What `write` changes or assumes: names cut, rates rounded, cells against zones.

    Raises `ExportError` as `write` does, before anything is written.
    """
    return plan_tasks(meant, meant.task_data).findings


def write_tasks(tasks: TaskSet, meant: ExportSet, folder: Path) -> tuple[Path, ...]:
    """`write` of tasks that are planned already."""
    home = folder / facts.FOLDER
    home.mkdir()
    record = home / facts.RECORD
    record.write_text("".join(f"{line}\n" for line in _lines(tasks)), encoding="utf-8",
                      newline="\n")
    paths = [record]
    for task in tasks.tasks:
        if task.grid is not None:
            path = home / f"{task.grid.name}.bin"
            order = "<i4" if task.grid.values_code is not None else "u1"
            path.write_bytes(task.grid.cells.astype(order, copy=False).tobytes())
            paths.append(path)
    try:
        _task_verify.require_equal(tasks, home, zones=meant.layer.polygons)
    except InputError as err:
        raise ExportError(
            f"read back after writing, it differs: {err.message}", code="export-differs",
            where=err.where, hint="nothing was replaced; try again, and on another disk") from err
    return tuple(paths)


def _element(depth: int, tag: str, **attributes: str) -> str:
    """An element without children."""
    return _opened(depth, tag, **attributes).removesuffix(">") + "/>"


def _opened(depth: int, tag: str, **attributes: str) -> str:
    said = "".join(f' {name}="{value.translate(_ESCAPES)}"' for name, value in attributes.items())
    return f"{' ' * depth}<{tag}{said}>"


def _lines(tasks: TaskSet) -> Iterator[str]:
    yield '<?xml version="1.0" encoding="UTF-8"?>'
    yield _opened(
        0, facts.ROOT, VersionMajor=facts.VERSION[0], VersionMinor=facts.VERSION[1],
        ManagementSoftwareManufacturer="vrx",
        ManagementSoftwareVersion=__version__[:facts.DESIGNATOR_CHARACTERS],
        DataTransferOrigin=facts.FARM_SOFTWARE)
    yield _element(1, "CTR", A="CTR1", B=tasks.customer)
    yield _element(1, "FRM", A="FRM1", B=tasks.farm, I="CTR1")
    yield _opened(1, "PFD", A="PFD1", C=tasks.field_name, D=str(tasks.area_m2),
                   E="CTR1", F="FRM1")
    for part in tasks.boundary:
        yield from _polygon(2, facts.BOUNDARY, part)
    yield " </PFD>"
    for shown in tasks.presentations:
        yield _element(1, "VPN", A=shown.id, B="0", C=shown.scale, D=str(shown.decimals),
                       E=shown.unit)
    for key, name in dict.fromkeys((product.id, product.name) for product in tasks.products):
        yield _element(1, "PDT", A=key, B=name)
    for task in tasks.tasks:
        yield from _task(task)
    yield f"</{facts.ROOT}>"


def _task(task: Task) -> Iterator[str]:
    default, lost, outside = (str(code) for code in task.fallbacks)
    yield _opened(1, "TSK", A=task.id, B=task.name, C="CTR1", D="FRM1", E="PFD1",
                   G=facts.PLANNED, H=default, I=lost, J=outside)
    for zone in task.zones:
        yield from _zone(task, zone)
    if task.grid is not None:
        yield _grid(task.grid)
    yield " </TSK>"


def _zone(task: Task, zone: TaskZone) -> Iterator[str]:
    yield _opened(2, "TZN", A=str(zone.code), B=zone.name)
    if zone.polygon is not None:
        yield from _polygon(3, facts.TREATMENT_ZONE, zone.polygon)
    for product, raw in zip(task.products, zone.raw, strict=True):
        yield _element(3, "PDV", A=product.ddi, B=str(raw), C=product.id,
                       E=product.presentation_id)
    yield "  </TZN>"


def _grid(grid: TaskGrid) -> str:
    place = grid.place
    kind = {"I": facts.GRID_CODES} if grid.values_code is None else {
        "I": facts.GRID_VALUES, "J": str(grid.values_code)}
    size = grid.cells.size * (1 if grid.values_code is None else 4)
    return _element(
        2, "GRD", A=_degrees(place.south_deg), B=_degrees(place.west_deg),
        C=_degrees(place.north_deg_per_cell), D=_degrees(place.east_deg_per_cell),
        E=str(place.columns), F=str(place.rows), G=grid.name, H=str(size), **kind)


def _degrees(value: float) -> str:
    return f"{value + 0.0:.{facts.DECIMALS}f}"


def _polygon(depth: int, kind: str, polygon: shapely.Polygon) -> Iterator[str]:
    # Rings repeat their first point at the end, as version 4 wants them.
    outer, inner = " " * depth, " " * (depth + 1)
    yield f'{outer}<PLN A="{kind}">'
    for number, ring in enumerate((polygon.exterior, *polygon.interiors)):
        yield f'{inner}<LSG A="{facts.INTERIOR if number else facts.EXTERIOR}">'
        for longitude, latitude in shapely.get_coordinates(ring).tolist():
            yield (f'{inner} <PNT A="{facts.VERTEX}" C="{_degrees(latitude)}" '
                   f'D="{_degrees(longitude)}"/>')
        yield f"{inner}</LSG>"
    yield f"{outer}</PLN>"
