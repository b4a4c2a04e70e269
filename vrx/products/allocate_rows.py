"""The joint plan as rows and columns of a mixed-integer program.

Like passes of a group are planned together. For each material of a group a whole number counts the
passes that carry it; in each zone the total rate over these passes lies between `on` times the
machine's least and `on` times its most, `on` being a whole number of passes up to that count. That
is exact (a total between these bounds can be shared evenly) and free of the symmetry of passes
that differ in nothing but their date, which otherwise costs the search most of its time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import csc_array

from vrx.model import FloatArray
from vrx.products.allocate_problem import Group, Option, Problem
from vrx.products.requests import NUTRIENTS

Key = tuple[int, int, int]
"""Group, option, zone; zone -1 for a flat pass."""


@dataclass(slots=True, kw_only=True, eq=False)
class Model:
    """Columns with bounds, rows with bounds, and where each quantity stands.

    `row_limit` and `row_per` name a row's limit (-1: structure) and turn a unit of the limit into
    the row's right side. Rows can be added, which makes the next search narrower.
    """

    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    row_low: list[float] = field(default_factory=list)
    row_high: list[float] = field(default_factory=list)
    row_limit: list[int] = field(default_factory=list)
    row_zone: list[int] = field(default_factory=list)
    row_per: list[float] = field(default_factory=list)
    row_on: list[int] = field(default_factory=list)
    at_row: list[int] = field(default_factory=list)
    at_column: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    count: dict[tuple[int, int], int] = field(default_factory=dict)
    on: dict[Key, int] = field(default_factory=dict)
    total: dict[Key, int] = field(default_factory=dict)
    unit: dict[Key, float] = field(default_factory=dict)
    of_zone: dict[int, list[Key]] = field(default_factory=dict)
    short: dict[tuple[str, int], int] = field(default_factory=dict)
    load: dict[str, int] = field(default_factory=dict)
    lift: dict[int, int] = field(default_factory=dict)

    def column(self, high: float = math.inf, *, whole: bool = False) -> int:
        """A new column of 0 to `high`."""
        self.low.append(0.0)
        self.high.append(high)
        self.whole.append(whole)
        return len(self.low) - 1

    def row(
        self, columns: Sequence[int], values: Sequence[float], low: float, high: float, *,
        limit: int = -1, zone: int = -1, per: float = 1.0, on: int = -1,
    ) -> None:
        """A new row: low <= values · columns <= high; `on` scales a unit of its limit."""
        row = len(self.row_low)
        self.at_row += [row] * len(columns)
        self.at_column += columns
        self.value += values
        self.row_low.append(low)
        self.row_high.append(high)
        self.row_limit.append(limit)
        self.row_zone.append(zone)
        self.row_per.append(per)
        self.row_on.append(on)

    def matrix(self) -> csc_array:
        """Rows by columns."""
        return csc_array((self.value, (self.at_row, self.at_column)),
                         shape=(len(self.row_low), len(self.low)))

    def vector(self, parts: dict[int, float]) -> FloatArray:
        """(columns,) with these coefficients."""
        out = np.zeros(len(self.low))
        for at, value in parts.items():
            out[at] += value
        return out


def build(
    problem: Problem, *, may_be_short: bool, named: bool = False, elastic: bool = False,
) -> Model:
    """The whole program. `named` keeps each limit in rows of its own, for its price.

    `elastic` gives every limit a switch that lifts it (and names the rows, too).
    """
    model = Model()
    if elastic:
        model.lift = {at: model.column(1.0, whole=True) for at in range(len(problem.limits))}
    for g, group in enumerate(problem.groups):
        for o in range(len(group.options)):
            _option(model, problem, (g, o), named=named or elastic, elastic=elastic)
        counts = [at for (of, _), at in model.count.items() if of == g]
        if counts:
            model.row(counts, [1.0] * len(counts), -math.inf, float(len(group.passes)))
    for name in NUTRIENTS:
        for z in range(len(problem.area)):
            _need(model, problem, name, z, may_be_short=may_be_short)
    _ceilings(model, problem)
    _loads(model, problem)
    if not model.low:
        model.column(0.0)  # a season without any need is a program, too
    return model


def scope(problem: Problem, group: Group) -> list[int]:
    """The zones that have a rate of their own: -1 stands for all of a flat pass."""
    return [-1] if group.flat else list(range(len(problem.area)))


def acres(problem: Problem, key: Key) -> float:
    """Acres that get the rate."""
    group = problem.groups[key[0]]
    return group.acres if key[2] < 0 else float(group.zone_acres[key[2]])


def usable(option: Option) -> bool:
    """Whether a machine can set any rate but 0 within the limits of one pass."""
    return option.most > 0 and option.most >= option.least - 1e-9 and option.most >= option.step


def _option(
    model: Model, problem: Problem, key: tuple[int, int], *, named: bool, elastic: bool
) -> None:
    g, o = key
    group, option = problem.groups[g], problem.groups[g].options[o]
    if not elastic and not usable(option):
        return
    n = len(group.passes)
    made = []
    for z in scope(problem, group):
        useful = problem.useful(group, option, None if z < 0 else z,
                                lifted=elastic or named)
        if useful > 0:
            made.append((z, useful))
    if not made:
        return
    count = model.count[key] = model.column(float(n), whole=True)
    for z, useful in made:
        _rate(model, problem, (g, o, z), useful=useful, count=count, named=named, elastic=elastic)


def _rate(
    model: Model, problem: Problem, key: Key, *, useful: float, count: int, named: bool,
    elastic: bool,
) -> None:
    """The total rate of one option in one zone, with its machine's and label's limits."""
    group, option = problem.groups[key[0]], problem.groups[key[0]].options[key[1]]
    unit = option.step if problem.in_steps else 1.0
    total = model.column(useful / unit, whole=problem.in_steps)
    if problem.in_steps:
        model.high[total] = float(math.floor(useful / unit + 1e-6))
    model.total[key], model.unit[key] = total, unit
    model.of_zone.setdefault(key[2], []).append(key)
    least, n = option.least, len(group.passes)
    on = count
    if least > 0:
        most_on = n if elastic else min(n, math.floor(useful / least + 1e-9))
        on = model.column(float(most_on), whole=True)
        model.row([on, count], [1.0, -1.0], -math.inf, 0.0)
        columns, values = [total, on], [unit, -least]
        if elastic:
            columns, values = [*columns, model.lift[group.least_limit]], [*values, least * n]
        model.row(columns, values, 0.0, math.inf, limit=group.least_limit, zone=key[2], on=on)
    model.on[key] = on
    model.row([total, on], [unit, -min(useful, math.inf if named else option.most)],
              -math.inf, 0.0)
    for top in option.tops if named else ():
        columns, values = [total, on], [unit, -top.rate]
        if elastic:
            columns, values = [*columns, model.lift[top.limit]], [*values, -useful]
        model.row(columns, values, -math.inf, 0.0, limit=top.limit, zone=key[2], per=top.per,
                  on=on)


def _keys(model: Model, z: int) -> list[Key]:
    """The rates that reach a zone: its own and those of flat passes."""
    return [*model.of_zone.get(z, []), *model.of_zone.get(-1, [])]


def _bring(
    model: Model, problem: Problem, z: int, nutrient: str, *, serves: bool
) -> dict[int, float]:
    """Column → lb/ac of a nutrient in a zone; `serves` leaves out what serves later years."""
    found: dict[int, float] = {}
    for key in _keys(model, z):
        option = problem.groups[key[0]].options[key[1]]
        content = (option.content(nutrient) if serves
                   else option.material.nutrient_lb_per_unit(nutrient))
        if content > 0:
            found[model.total[key]] = content * model.unit[key]
    return found


def _need(
    model: Model, problem: Problem, name: str, z: int, *, may_be_short: bool
) -> None:
    need = float(problem.need[name][z])
    if need <= 0:
        return
    parts = _bring(model, problem, z, name, serves=True)
    if may_be_short:
        model.short[name, z] = column = model.column(need)
        parts[column] = 1.0
    if not parts:
        # No material brings it here: an empty row cannot reach the need.
        parts = {model.column(0.0): 1.0}
    model.row(list(parts), list(parts.values()), need, math.inf)


def _ceilings(model: Model, problem: Problem) -> None:
    for name, (limit, room) in problem.room.items():
        for z in range(len(problem.area)):
            parts = _bring(model, problem, z, name, serves=False)
            _ceiling(model, parts, float(room[z]), limit=limit, zone=z)
    for material, (limit, room) in problem.season_room.items():
        for z in range(len(problem.area)):
            parts = {model.total[key]: model.unit[key] for key in _keys(model, z)
                     if problem.groups[key[0]].options[key[1]].material.id == material}
            _ceiling(model, parts, float(room[z]), limit=limit, zone=z)


def _ceiling(
    model: Model, parts: dict[int, float], room: float, *, limit: int, zone: int
) -> None:
    greatest = sum(value * model.high[column] for column, value in parts.items())
    if greatest <= room:
        return
    columns, values = list(parts), list(parts.values())
    if model.lift:
        columns, values = [*columns, model.lift[limit]], [*values, room - greatest]
    model.row(columns, values, -math.inf, room, limit=limit, zone=zone)


def _loads(model: Model, problem: Problem) -> None:
    """Whole loads are bought; what a field does not take of them is left over."""
    for material, (size, fixed) in problem.loads.items():
        parts = {column: model.unit[key] * acres(problem, key)
                 for key, column in model.total.items()
                 if problem.groups[key[0]].options[key[1]].material.id == material}
        if not parts:
            continue
        greatest = sum(value * model.high[column] for column, value in parts.items()) + fixed
        load = model.load[material] = model.column(math.ceil(greatest / size), whole=True)
        parts[load] = -size
        model.row(list(parts), list(parts.values()), -math.inf, -fixed)
