"""An export set → the tasks, zones and raw values that task data will hold; nothing is written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import shapely

from vrx.errors import ExportError, InputError
from vrx.export import _task_grid, _task_tell
from vrx.export._parts import Parts
from vrx.export._task_grid import GridPlace
from vrx.export.export_set import ExportSet
from vrx.export.task_options import CODES, POLYGONS, VALUES, TaskDataOptions
from vrx.formats import layer as columns
from vrx.formats import task_data as facts
from vrx.formats.iso11783 import raw_value
from vrx.model import Finding, PassRates
from vrx.units import ACRE_M2

Codes = npt.NDArray[np.uint8] | npt.NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Product:
    """PDT and what its rates are written in."""

    id: str
    name: str
    ddi: str
    unit: str
    presentation_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Presentation:
    """VPN: how raw values are shown."""

    id: str
    scale: str
    decimals: int
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TaskZone:
    """TZN: its raw values in the order of the task's products; `polygon` None for codes alone."""

    code: int
    name: str
    raw: tuple[int, ...]
    polygon: shapely.Polygon | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TaskGrid:
    """GRD: `cells` with row 0 in the SOUTH; type 1 codes, type 2 (rows, columns, products)."""

    name: str
    place: GridPlace
    cells: Codes
    values_code: int | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """TSK: `products` in the order of each zone's values; `fallbacks` the codes H, I and J.

    `raw_of_zone` are the raw values of each zone of the set, and of the ground outside at the end.
    """

    id: str
    name: str
    products: tuple[Product, ...]
    zones: tuple[TaskZone, ...]
    fallbacks: tuple[int, int, int]
    grid: TaskGrid | None
    raw_of_zone: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TaskSet:
    """All that goes into one TASKDATA folder, and what must be told about it."""

    customer: str
    farm: str
    field_name: str
    area_m2: int
    boundary: tuple[shapely.Polygon, ...]
    products: tuple[Product, ...]
    presentations: tuple[Presentation, ...]
    tasks: tuple[Task, ...]
    findings: tuple[Finding, ...] = field(default=())


def plan_tasks(meant: ExportSet, options: TaskDataOptions) -> TaskSet:
    """The tasks of a set. Raises `ExportError` for what the format cannot hold, with a hint."""
    if options.form:
        return _planned(meant, options)
    try:
        return _planned(meant, replace(options, form=POLYGONS))
    except ExportError as err:
        if err.code != "task-too-many-zones":
            raise
        told = _task_tell.grid_instead(err)
    made = _planned(meant, replace(options, form=VALUES))
    return replace(made, findings=(told, *made.findings))


def _planned(meant: ExportSet, options: TaskDataOptions) -> TaskSet:
    chosen = _chosen(meant, options)
    names = _task_tell.Names()
    presentations, products = _products(chosen, names)
    groups = [list(range(len(chosen)))] if options.one_task else [[k] for k in range(len(chosen))]
    burnt = None if options.form == POLYGONS else _Burnt.of(meant, options)
    field_name = names.take(meant.field.name, "field", "the field")
    tasks = []
    for number, group in enumerate(groups, 1):
        passes = [chosen[k] for k in group]
        _require_one_each(passes)
        tasks.append(_task(
            meant, options, passes=passes, burnt=burnt, number=number,
            products=tuple(products[one.pass_id] for one in passes),
            name=names.take(_task_name(passes, meant.field.name), "task",
                            " and ".join(one.pass_id for one in passes)),
        ))
    return TaskSet(
        customer=names.take(options.customer, "customer", "customer") or "not named",
        farm=names.take(options.farm, "farm", "farm") or "not named",
        field_name=field_name or "not named",
        area_m2=round(meant.field.area_ac * ACRE_M2),
        boundary=tuple(_parts(meant.boundary)),
        products=tuple(dict.fromkeys(products.values())), presentations=presentations,
        tasks=tuple(tasks),
        findings=(
            *names.findings, *_task_tell.unnamed(options), *_task_tell.rounding(chosen),
            *_task_tell.outside(chosen, options),
            *(burnt.findings(chosen) if burnt is not None else ()),
        ),
    )


def _chosen(meant: ExportSet, options: TaskDataOptions) -> list[PassRates]:
    passes = {one.pass_id: one for one in meant.prescription.passes}
    unknown = [one for one in (*options.passes, *dict(options.fallbacks)) if one not in passes]
    if unknown:
        raise ExportError(
            f"{unknown[0]!r} is no pass of this prescription", code="task-pass-unknown",
            where="[export.task_data]", hint=f"its passes: {', '.join(passes)}")
    if options.form not in {POLYGONS, CODES, VALUES}:
        raise ExportError(
            f"{options.form!r} is no form of task data", code="task-form",
            where="[export.task_data] form", hint=f"known: {POLYGONS}, {CODES}, {VALUES}")
    return [one for name, one in passes.items() if name in options.passes or not options.passes]


def _require_one_each(passes: Sequence[PassRates]) -> None:
    ids = [one.material.id for one in passes]
    twice = next((one for one in ids if ids.count(one) > 1), None)
    if twice is not None:
        both = [one.pass_id for one in passes if one.material.id == twice]
        raise ExportError(
            f"{twice} is applied in the passes {' and '.join(both)}, and one task holds a product "
            "once", code="task-product-twice", where="[export.task_data] tasks",
            hint='write tasks = "one per pass", or name the passes that go together in passes')


def _products(
    chosen: Sequence[PassRates], names: _task_tell.Names
) -> tuple[tuple[Presentation, ...], dict[str, Product]]:
    """Presentations, and the product of each pass id; passes of one material share a product."""
    shown: dict[tuple[str, str, int], Presentation] = {}
    products: dict[tuple[str, str], Product] = {}
    of_pass = {}
    for one in chosen:
        unit = one.material.unit
        scale, decimals = facts.presentation(unit, step=one.step)
        key = (unit, scale, decimals)
        if key not in shown:
            shown[key] = Presentation(id=f"VPN{len(shown) + 1}", scale=scale, decimals=decimals,
                                      unit=unit)
        own = (one.material.id, shown[key].id)
        if own not in products:
            known = next((p for (material, _), p in products.items() if material == own[0]), None)
            products[own] = Product(
                id=known.id if known else f"PDT{len({p.id for p in products.values()}) + 1}",
                name=known.name if known else names.take(one.material.id, "product",
                                                         one.material.id, unique=True),
                ddi=facts.SETPOINT[unit], unit=unit, presentation_id=shown[key].id)
        of_pass[one.pass_id] = products[own]
    return tuple(shown.values()), of_pass


def _task_name(passes: Sequence[PassRates], field_name: str) -> str:
    numbers = "+".join(f"P{one.number}" for one in passes)
    if len(passes) > 4:
        numbers = f"P{passes[0].number}-P{passes[-1].number}"
    own = f" {passes[0].pass_id}" if len(passes) == 1 else ""
    return f"{numbers}{own} {field_name}"


def _raws(passes: Sequence[PassRates], rates: Sequence[float], where: str) -> tuple[int, ...]:
    try:
        return tuple(
            raw_value(float(rate), one.material.unit, facts.SETPOINT[one.material.unit],
                      where=f"{where}, pass {one.pass_id}")
            for one, rate in zip(passes, rates, strict=True))
    except InputError as err:
        raise ExportError(err.message, code=err.code, where=err.where, hint=err.hint) from err


def _task(
    meant: ExportSet, options: TaskDataOptions, *, passes: Sequence[PassRates],
    products: tuple[Product, ...], burnt: _Burnt | None, number: int, name: str,
) -> Task:
    letters = [str(one) for one in meant.layer.columns[columns.ZONE_LETTER]]
    rates = [[float(one.rates[k]) for one in passes] for k in range(len(letters))]
    raws = [_raws(passes, row, f"zone {letter}")
            for row, letter in zip(rates, letters, strict=True)]
    wanted = {
        what: _raws(passes, [getattr(options.fallback(one.pass_id), key) for one in passes], what)
        for what, key in (("outside", "outside"), ("default", "default"),
                          ("position lost", "position_lost"))}
    zones: list[TaskZone] = []
    for raw in dict.fromkeys(wanted.values()):
        words = "off" if not any(raw) else ", ".join(w for w, own in wanted.items() if own == raw)
        zones.append(TaskZone(code=len(zones), name=facts.designator(words), raw=raw))
    code = {zone.raw: zone.code for zone in zones}
    fallbacks = code[wanted["default"]], code[wanted["position lost"]], code[wanted["outside"]]
    grid = None
    if burnt is None:
        zones += _polygon_zones(meant, _names(letters, rates, passes), raws, first=len(zones))
    elif options.form == CODES:
        made, of_zone = _code_zones(_names(letters, rates, passes), raws, first=len(zones))
        zones += made
        table = np.array([*of_zone, fallbacks[2]], dtype=np.uint8)
        grid = TaskGrid(name=f"GRD{number:05d}", place=burnt.place, cells=table[burnt.zone],
                        values_code=None)
    else:
        zones.append(TaskZone(code=len(zones), name="values of the grid", raw=(0,) * len(passes)))
        # The last row is what index -1 (outside) takes.
        values = np.array([*raws, wanted["outside"]], dtype=np.int32)
        grid = TaskGrid(name=f"GRD{number:05d}", place=burnt.place, cells=values[burnt.zone],
                        values_code=zones[-1].code)
    return Task(id=f"TSK{number}", name=name or f"P{number}", products=products,
                zones=tuple(zones), fallbacks=fallbacks, grid=grid,
                raw_of_zone=(*raws, wanted["outside"]))


def _names(
    letters: Sequence[str], rates: Sequence[Sequence[float]], passes: Sequence[PassRates]
) -> list[str]:
    """What the operator sees of each zone: its letter and, where they fit, its rates."""
    made = []
    for letter, row in zip(letters, rates, strict=True):
        full = f"{letter} " + " + ".join(
            f"{rate:g} {one.material.unit}" for one, rate in zip(passes, row, strict=True))
        made.append(full if len(full) <= facts.DESIGNATOR_CHARACTERS else letter)
    return made


def _polygon_zones(
    meant: ExportSet, names: Sequence[str], raws: Sequence[tuple[int, ...]], *, first: int
) -> list[TaskZone]:
    """One zone a polygon: a treatment zone holds one, and one outer ring."""
    parts = [(k, part) for k, whole in enumerate(meant.layer.polygons) for part in _parts(whole)]
    if first + len(parts) - 1 > facts.HIGHEST_ZONE:
        raise ExportError(
            f"{len(parts)} polygons need zone codes of their own, and with {first} for the rates "
            f"outside a task holds {facts.HIGHEST_ZONE + 1 - first}", code="task-too-many-zones",
            where="[export.task_data] form",
            hint='write form = "grid type 2", which has no such limit, or make fewer zones')
    return [TaskZone(code=first + n, name=names[k], raw=raws[k], polygon=part)
            for n, (k, part) in enumerate(parts)]


def _code_zones(
    names: Sequence[str], raws: Sequence[tuple[int, ...]], *, first: int
) -> tuple[list[TaskZone], list[int]]:
    """Zones of a grid of codes, and the code of each zone; equal rates share one if need be."""
    room = facts.HIGHEST_ZONE + 1 - first
    if len(raws) <= room:
        return ([TaskZone(code=first + k, name=name, raw=raw)
                 for k, (name, raw) in enumerate(zip(names, raws, strict=True))],
                [first + k for k in range(len(raws))])
    shared = {raw: first + k for k, raw in enumerate(dict.fromkeys(raws))}
    if len(shared) > room:
        raise ExportError(
            f"{len(shared)} different rates, and a grid of codes holds {room}",
            code="task-too-many-zones", where="[export.task_data] form",
            hint='write form = "grid type 2", which has no such limit, or larger rate steps')
    label = {raw: name for name, raw in zip(reversed(names), reversed(raws), strict=True)}
    return ([TaskZone(code=code, name=label[raw].partition(" ")[2] or label[raw], raw=raw)
             for raw, code in shared.items()], [shared[raw] for raw in raws])


def _parts(geometry: shapely.Geometry) -> list[shapely.Polygon]:
    return [one for one in shapely.get_parts(geometry) if isinstance(one, shapely.Polygon)]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Burnt:
    """The zones as cells: index of the zone, -1 outside; row 0 in the SOUTH.

    `lost` are parts (degrees) without a cell, of zones that have others with cells.
    """

    meant: ExportSet
    place: GridPlace
    zone: npt.NDArray[np.int32]
    lost: Mapping[int, Sequence[shapely.Geometry]]

    @classmethod
    def of(cls, meant: ExportSet, options: TaskDataOptions) -> _Burnt:
        polygons = _task_grid.onward(meant.layer.polygons)
        place = _task_grid.place_grid(polygons, cell_m=options.cell_m)
        parts = Parts.of(polygons)
        burnt = _task_grid.burn(parts.shapes, place)
        zone = parts.zone_of(burnt)
        if not (zone >= 0).any():
            raise ExportError(
                f"no cell of {options.cell_m:g} m has its centre in the field",
                code="task-grid-empty", where="[export.task_data] cell_m",
                hint='take smaller cells, or form = "polygons"')
        return cls(meant=meant, place=place, zone=zone, lost=parts.without_cell(burnt))

    def findings(self, chosen: Sequence[PassRates]) -> tuple[Finding, ...]:
        return (*_task_tell.cells(self.meant, self.place, self.zone, chosen),
                *_task_tell.parts(self.meant, self.place, self.lost))
