"""What must be told about task data: names cut, rates rounded, cells against zones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import shapely

from vrx import geo
from vrx.errors import ExportError
from vrx.export import _parts
from vrx.export._task_grid import GridPlace
from vrx.export.export_set import ExportSet
from vrx.export.task_options import TaskDataOptions
from vrx.formats import layer as columns
from vrx.formats import task_data as facts
from vrx.formats.iso11783 import rate_from_raw, raw_value
from vrx.model import Finding, PassRates, note, warn
from vrx.units import ACRE_M2

_MUCH_PCT = 1.0


class Names:
    """Cuts names to what a terminal holds, and keeps what was cut."""

    def __init__(self) -> None:
        self.findings: list[Finding] = []
        self._taken: set[str] = set()

    def take(self, text: str, what: str, where: str, *, unique: bool = False) -> str:
        """The name as it is written; with `unique` never one that was given before."""
        name, number = facts.designator(text), 2
        while unique and name in self._taken:
            name = f"{facts.designator(text)[:facts.DESIGNATOR_CHARACTERS - 4].rstrip()} #{number}"
            number += 1
        if unique:
            self._taken.add(name)
        if name != text:
            self.findings.append(warn(
                "task-name-cut", f"task data, {what} {where}",
                f"the name {text!r} does not fit ({facts.DESIGNATOR_CHARACTERS} characters, one "
                "line)", value=name, done=f"written as {name!r}",
                todo="give it a shorter name if the operator could mistake it"))
        return name


def unnamed(options: TaskDataOptions) -> list[Finding]:
    """Customer or farm that nobody named."""
    missing = [what for what, name in (("customer", options.customer), ("farm", options.farm))
               if not facts.designator(name)]
    if not missing:
        return []
    return [note("task-unnamed", "task data", f"no {' and no '.join(missing)} is named, and some "
                 "terminals list tasks by them", done='written as "not named"',
                 todo=f"write {' and '.join(missing)} into [export.task_data]")]


def grid_instead(err: ExportError) -> Finding:
    """The form that was taken because polygons do not fit."""
    return warn(
        "task-form-chosen", "task data", f"polygons do not fit: {err.message}",
        value="grid type 2", done="written as a grid of rates (type 2)",
        todo="ask whether the terminal reads it; form in [export.task_data] takes another")


def rounding(chosen: Sequence[PassRates]) -> list[Finding]:
    """How far whole raw values lie from the rates; a warning beyond a hundredth of a rate step."""
    found = []
    for one in chosen:
        unit = one.material.unit
        ddi = facts.SETPOINT[unit]
        rates = np.unique(one.rates)
        try:
            kept = [rate_from_raw(raw_value(float(rate), unit, ddi), unit, ddi) for rate in rates]
        except ValueError:
            continue  # refused where the values are made
        off = float(np.abs(np.array(kept) - rates).max())
        limit = one.step / 100.0
        tell = warn if off > limit else note
        found.append(tell(
            "task-rounding", f"task data, pass {one.pass_id}",
            f"rates stand as whole numbers of {rate_from_raw(1, unit, ddi):.2g} {unit} (DDI {ddi}),"
            f" at most {off:.2g} {unit} off" + (
                f", more than a hundredth of the step of {one.step:g}" if off > limit else ""),
            value=f"{off:.3g} {unit}", done="rounded to the nearest whole number"))
    return found


def outside(chosen: Sequence[PassRates], options: TaskDataOptions) -> list[Finding]:
    """Rates that are applied where the map says nothing."""
    found = []
    for one in chosen:
        rates = options.fallback(one.pass_id)
        told = [f"{getattr(rates, key):g} {one.material.unit} {words}" for key, words in (
            ("outside", "outside the field"), ("default", "where no zone applies"),
            ("position_lost", "while the position is lost")) if getattr(rates, key) > 0]
        if told:
            found.append(warn(
                "task-rate-without-map", f"task data, pass {one.pass_id}",
                f"the machine is to apply {', '.join(told)}", done="written as the plan says",
                todo="0 is off; keep it where water, roads or a neighbour lie beside the field"))
        if one.rates.size and max(rates.outside, rates.default, rates.position_lost) > max(
                float(one.rates.max()), 0.0):
            found.append(warn(
                "task-rate-above-map", f"task data, pass {one.pass_id}",
                "a rate for where the map says nothing is above every rate of the map",
                value=f"{max(rates.outside, rates.default, rates.position_lost):g}",
                todo="check it against the label's and the machine's most"))
    return found


def cells(
    meant: ExportSet, place: GridPlace, zone: npt.NDArray[np.int32], chosen: Sequence[PassRates]
) -> tuple[Finding, ...]:
    """The cell's size, what the cells add up to against the zones, and zones without a cell."""
    letters = [str(one) for one in meant.layer.columns[columns.ZONE_LETTER]]
    acres = np.zeros(len(letters))
    for row_area, row in zip(place.cell_m2() / ACRE_M2, zone, strict=True):
        acres += row_area * np.bincount(row[row >= 0], minlength=len(letters))
    north_m, east_m = place.cell_m()
    drawn = np.array([one.area_ac for one in meant.zones.zones])
    parts, worst = [], 0.0
    for one in chosen:
        want = float((one.rates * drawn).sum())
        pct = 100.0 * (float((one.rates * acres).sum()) / want - 1.0) if want else 0.0
        parts.append(f"{one.pass_id} {pct:+.2f} %")
        worst = max(worst, abs(pct))
    tell = warn if worst > _MUCH_PCT else note
    found = [tell(
        "task-grid-cells", "task data, grid",
        f"{place.rows} rows of {place.columns} cells, {place.north_deg_per_cell:.9f} degrees north "
        f"by {place.east_deg_per_cell:.9f} east ({north_m:.2f} by {east_m:.2f} m); a cell has the "
        f"rate of the zone that holds its centre, which moves totals by {', '.join(parts)}",
        value=f"{worst:.2f} %", done="order and totals stay those of the zones",
        todo="smaller cells (cell_m) follow the borders more closely" if worst > _MUCH_PCT else "")]
    lost = [letter for letter, area in zip(letters, acres, strict=True) if area == 0.0]
    if lost:
        found.append(warn(
            "task-zone-without-cell", "task data, grid",
            f"the zones {', '.join(lost[:12])} hold no cell's centre", value=str(len(lost)),
            done="their ground has the rate of the cells around it",
            todo='take smaller cells (cell_m), or form = "polygons"'))
    return tuple(found)


def parts(
    meant: ExportSet, place: GridPlace, lost: Mapping[int, Sequence[shapely.Geometry]]
) -> list[Finding]:
    """Parts of zones (degrees) that hold no cell's centre."""
    letters = [str(one) for one in meant.layer.columns[columns.ZONE_LETTER]]
    north_m, east_m = place.cell_m()
    if not lost:
        return []
    what, acres = _parts.words(
        {letters[zone]: [geo.lonlat_area_m2(one) / ACRE_M2 for one in shapes]
         for zone, shapes in lost.items()}, cell=f"{north_m:.2f} by {east_m:.2f} m")
    return [warn("task-part-without-cell", "task data, grid", what, value=acres, done=_parts.DONE,
                 todo='take smaller cells (cell_m), or form = "polygons"')]
