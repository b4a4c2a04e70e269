"""A GeoTIFF of rates as a layer: acres of each rate by cells, and where they lie."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from vrx.audit import _geotiff, _raster_cells, _units
from vrx.audit._geotiff import Cells
from vrx.audit._layers import Layer, Record
from vrx.audit._ledger import Ledger
from vrx.audit._raster_cells import Ground, Levels
from vrx.audit._task_cells import MOST_ZONES
from vrx.formats import raster as facts
from vrx.model import FloatArray

RATE, ZONE = "RATE", "ZONE"
OUTSIDE_AC = 0.001
_WORST_ROWS = 3
Mask = npt.NDArray[np.bool_]
Turn = Callable[[npt.NDArray[Any]], npt.NDArray[Any]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Raster:
    """A raster with its ground, the acres of its cells (rows, columns) and its levels."""

    name: str
    cells: Cells
    ground: Ground
    acres: FloatArray
    levels: Levels


def read(data: bytes, name: str, ledger: Ledger) -> Raster | None:
    """The raster of a file's bytes; None with faults where it cannot be read or lies nowhere."""
    cells = _geotiff.read(data, name, ledger)
    if cells is None:
        return None
    try:
        ground = _raster_cells.ground_of(cells)
    except ValueError as err:
        ledger.fault("crs-wrong", name, str(err), todo="export it again with its own system")
        return None
    if not cells.held.any():
        ledger.fault("empty", name, "no cell holds a number")
        return None
    place = cells.place
    if place[2] or place[4]:
        ledger.remark("raster-turned", name, "its rows do not run west to east; read as it says")
    elif place[1] < 0 or place[5] > 0:
        ledger.doubt(
            "raster-turned", name, "its rows run from south to north, or its columns from east to "
            "west; read as it says", todo="a reader that takes the first row for the northern one "
            "turns the field over: export it again, north up")
    acres = ground.acres()
    return Raster(name=name, cells=cells, ground=ground, acres=acres,
                  levels=_raster_cells.levels_of(cells, acres))


def layer_of(raster: Raster, ledger: Ledger) -> Layer:
    """The levels of a raster as records of a gridded layer; a map or zones hold no rates."""
    cells, levels = raster.cells, raster.levels
    if "ANALYTE" in cells.tags or cells.names == (facts.ZONE_BAND,):
        what = "of zones" if "ANALYTE" not in cells.tags else f"of {cells.tags['ANALYTE']}"
        ledger.doubt("raster-no-rate", raster.name, f"is a map {what}, and holds no rates",
                     todo="never load it as rates")
        record = _record(1, float(levels.acres.sum()), {ZONE: "all cells"})
        return Layer(name=raster.name, columns={ZONE: "text"}, records=(record,), gridded=True,
                     raster=raster)
    columns = _columns(cells)
    said = cells.units
    units = {column: unit for column, unit in zip(columns, said, strict=True)
             if unit in _units.KNOWN}
    whole = cells.tags.get("UNIT", "")
    if len(columns) == 1 and not said[0] and whole in _units.KNOWN:
        units[columns[0]] = whole
    product = cells.tags.get("MATERIAL", "")
    total_ac = float(levels.acres.sum())
    half = {column: float(slack) / total_ac
            for column, slack in zip(columns, levels.slack_total, strict=True)}
    _tell_borders(raster, columns, units, ledger)
    return Layer(
        name=raster.name, columns={ZONE: "text", **dict.fromkeys(columns, "float")},
        records=tuple(_records(raster, columns, ledger)), units=units, half_steps=half,
        products={columns[0]: product} if product and len(columns) == 1 else {}, gridded=True,
        raster=raster)


def _tell_borders(
    raster: Raster, columns: tuple[str, ...], units: dict[str, str], ledger: Ledger
) -> None:
    """By how much the cells on borders may move acres and totals: half a cell for each side."""
    for column, slack in zip(columns, raster.levels.slack_total, strict=True):
        unit = units.get(column, "unknown")
        ledger.shown("most that cells on borders move the total", f"{raster.name}, column {column}",
                     unit.partition("/")[0], float(slack))
    if raster.ground.kind != "wgs84":
        ledger.remark("raster-system", raster.name,
                      f"is in {_system(raster)}; its cells were measured on WGS 84")


def _system(raster: Raster) -> str:
    name = raster.ground.name
    return "a system of its own" if name in {"unknown", "no name"} else name


def _columns(cells: Cells) -> tuple[str, ...]:
    """A name for each band: its own, where no other has it."""
    count = len(cells.names)
    own = [name.strip() for name in cells.names]
    return tuple(
        name if name and own.count(name) == 1 and name.upper() != ZONE
        else RATE if count == 1 else f"BAND_{k + 1}"
        for k, name in enumerate(own))


def _records(raster: Raster, columns: tuple[str, ...], ledger: Ledger) -> list[Record]:
    rates, acres = raster.levels.rates, raster.levels.acres
    if len(acres) > MOST_ZONES:
        ledger.remark("grid-many", raster.name,
                      f"{len(acres):,} sets of rates: shown as one, by acres")
        odd = ~np.isfinite(rates).all(axis=1) | (rates < 0).any(axis=1)
        out = []
        if (~odd).any():
            mean = acres[~odd] @ rates[~odd] / acres[~odd].sum()
            out.append(_record(1, float(acres[~odd].sum()), {
                ZONE: "all cells, mean", **dict(zip(columns, mean.tolist(), strict=True))}))
        worst = np.flatnonzero(odd)[np.argsort(-acres[odd], kind="stable")]
        out += [_of_level(len(out) + 1, raster, int(k), columns) for k in worst[:_WORST_ROWS]]
        if len(worst) > _WORST_ROWS:
            ledger.fault("rate-odd", raster.name,
                         f"{len(worst) - _WORST_ROWS} more sets of rates are no numbers of 0 or "
                         f"more ({acres[worst[_WORST_ROWS:]].sum():.3f} ac)")
        return out
    return [_of_level(k + 1, raster, k, columns) for k in range(len(acres))]


def _of_level(number: int, raster: Raster, k: int, columns: tuple[str, ...]) -> Record:
    own = [None if math.isnan(one) else one for one in raster.levels.rates[k].tolist()]
    shown = ", ".join("none" if one is None else f"{one:g}" for one in own)
    return _record(number, float(raster.levels.acres[k]), {
        ZONE: f"of rate {shown}", **dict(zip(columns, own, strict=True))})


def _record(number: int, acres: float, values: dict[str, object]) -> Record:
    return Record(number=number, values=values, parts=(), shape=None, area_ac=acres)


def against_boundary(raster: Raster, edge: Layer, ledger: Ledger) -> None:
    """Cells with a rate beyond the boundary, ground within it without one, and a field turned over.

    A cell belongs to the field where its centre lies in it. Cells that only touch the boundary may
    hold a rate; what lies further out is a fault.
    """
    shapes = [one.shape for one in edge.records if one.shape is not None]
    if not shapes or not all(one.is_valid for one in shapes):
        ledger.fault("invalid-ring", edge.name, "the boundary is no valid polygon")
        return
    inside = within(shapely.union_all(shapes), *raster.ground.centres())
    where = f"{raster.name} against {edge.name}"
    spread = raster.cells.held & _any_rate(raster)[raster.levels.codes]
    reached = _grown(inside)
    slack = _border_ac(inside, raster.acres)
    held_ac = float(raster.acres[raster.cells.held & inside].sum())
    field_ac = math.fsum(one.area_ac for one in edge.records)
    beyond = float(raster.acres[spread & ~reached].sum())
    bare = float(raster.acres[inside & ~raster.cells.held].sum())
    ledger.shown("cells with a rate that touch the boundary from outside", where, "ac",
                 float(raster.acres[spread & reached & ~inside].sum()))
    fits = ledger.figure("field under cells, to half a cell along its edge", where, "ac",
                         found=held_ac, expected=field_ac, within=slack)
    out = ledger.figure("rates outside the field", where, "ac", found=beyond, expected=0.0,
                        within=OUTSIDE_AC)
    if not out:
        ledger.fault("outside", where, f"{beyond:.4f} ac with a rate lie outside the field, first "
                     f"{place(raster, spread & ~reached)}")
    if not fits and bare:
        ledger.fault("gap", where, f"{bare:.4f} ac of the field lie under no cell with a number, "
                     f"first {place(raster, inside & ~raster.cells.held)}")
    if not (fits and out):
        tell_turned(raster, lambda turned: bool(
            (turned(raster.cells.held) == inside).mean() > 0.999), where, ledger)


def _any_rate(raster: Raster) -> Mask:
    # One more at the end, which code -1 (no data) finds.
    known = np.nan_to_num(raster.levels.rates, nan=1.0)
    return np.append((known != 0.0).any(axis=1), False)


def _border_ac(inside: Mask, acres: FloatArray) -> float:
    framed = np.pad(inside, 1)
    sides = (framed[1:] != framed[:-1]).sum() + (framed[:, 1:] != framed[:, :-1]).sum()
    return float(sides) * float(acres.mean()) / 2.0


def _grown(inside: Mask) -> Mask:
    """Cells inside, and their eight neighbours."""
    framed = np.pad(inside, 1)
    rows = framed[:-2] | framed[1:-1] | framed[2:]
    return np.asarray(rows[:, :-2] | rows[:, 1:-1] | rows[:, 2:])


def within(shape: shapely.Geometry, longitude: FloatArray, latitude: FloatArray) -> Mask:
    """Whether places (rows, columns) in degrees lie in a shape."""
    west, south, east, north = shape.bounds
    if east > 180.0 - 1e-9 and west < -180.0 + 1e-9:  # parts on either side of longitude 180
        longitude = np.where(longitude > 180.0, longitude - 360.0, longitude)
    near = (longitude >= west) & (longitude <= east) & (latitude >= south) & (latitude <= north)
    found = np.zeros(longitude.shape, dtype=bool)
    shapely.prepare(shape)
    found[near] = shapely.contains_xy(shape, longitude[near], latitude[near])
    return found


def place(raster: Raster, those: Mask) -> str:
    """Longitude and latitude of the first of some cells."""
    row, column = np.argwhere(those)[0].tolist()
    longitude, latitude = raster.ground.places(np.array([row + 0.5]), np.array([column + 0.5]))
    return f"at longitude {longitude[0, 0]:.6f}, latitude {latitude[0, 0]:.6f}"


TURNS: dict[str, Turn] = {
    "upside down (its first row is the southern one)": lambda one: one[::-1],
    "mirrored (its first column is the eastern one)": lambda one: one[:, ::-1],
    "turned by half a circle": lambda one: one[::-1, ::-1],
    "with rows and columns exchanged": lambda one: one.T,
}


def tell_turned(
    raster: Raster, fits: Callable[[Turn], bool], where: str, ledger: Ledger
) -> bool:
    """Name the turn that would make the cells fit, where there is one."""
    for words, turned in TURNS.items():
        if turned(raster.cells.held).shape == raster.cells.shape and fits(turned):
            ledger.fault("raster-turned-over", where, f"the cells lie {words}",
                         todo="do not load it: every rate would go to the wrong end")
            return True
    return False
