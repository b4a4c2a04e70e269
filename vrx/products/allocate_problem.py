"""The joint plan of a season as a problem: passes that may carry one of several materials each."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from vrx.model import FloatArray, Material
from vrx.products.limits import Limits
from vrx.products.requests import NUTRIENTS, Checked, PassRequest

AIMS = ("least cost", "fewest passes", "least deviation")
CEILINGS = ("S", "K2O", "N", "Cl")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPass:
    """A pass whose material and rates the joint plan chooses.

    `candidates` are one request for each material that the pass may carry, alike in id, number,
    timing, method and `kind` ("variable" by zone, "flat" one rate); `serves` and `share_of_need` of
    them do not count. `usd_per_ac` is what the trip itself costs on each acre, 0 where not given.
    """

    candidates: tuple[PassRequest, ...]
    usd_per_ac: float = 0.0

    @property
    def pass_id(self) -> str:
        """The pass's id."""
        return self.candidates[0].pass_id

    @property
    def number(self) -> int:
        """The pass's number."""
        return self.candidates[0].number


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonAim:
    """What the joint plan is to do, and what it must keep.

    `usd_per_unit` is the price of one lb or gal by material id. Ceilings are lb/ac over the season
    ("S", "K2O", "N", "Cl"; all S counts, elemental too), `k2o_per_pass` lb/ac in one pass (None
    takes the rule of thumb). `loads` are lb or gal in one load of a material that is bought by
    whole loads, `overage` the share of it that is bought beyond the rates. `steps_inside` searches
    over whole machine steps; whole loads do so by themselves.
    """

    aim: str
    usd_per_unit: Mapping[str, float] = field(default_factory=dict)
    ceilings: Mapping[str, float] = field(default_factory=dict)
    k2o_per_pass: float | None = None
    loads: Mapping[str, float] = field(default_factory=dict)
    overage: Mapping[str, float] = field(default_factory=dict)
    steps_inside: bool = False

    @property
    def in_steps(self) -> bool:
        """Whether rates are whole machine steps in the search."""
        return self.steps_inside or bool(self.loads)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A limit that can hold a plan back: in words, with the key of the plan file that sets it."""

    words: str
    key: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Top:
    """An upper limit on the rate of one pass: `rate` on machine steps, units per unit of the limit.

    `limit` is its place in the problem's list; `per` turns a unit of the limit into rate.
    """

    limit: int
    rate: float
    per: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """One material in a group of like passes; rates per pass in the material's unit per acre.

    `least` and `most` lie on machine steps (0 and infinity for none); `tops` are the upper limits.
    """

    checked: Checked
    step: float
    least: float
    most: float
    tops: tuple[Top, ...]
    usd: float | None

    @property
    def material(self) -> Material:
        """The material."""
        return self.checked.material

    def content(self, nutrient: str) -> float:
        """lb of a nutrient in a unit that serves this season; elemental S does not."""
        if nutrient == "S" and self.material.s_form == "elemental":
            return 0.0
        return self.material.nutrient_lb_per_unit(nutrient)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Group:
    """Passes that are alike in everything that the plan can see, so that their order is free.

    `acres` get one rate of a flat pass; `zone_acres` each zone's rate of the others.
    """

    passes: tuple[PlannedPass, ...]
    flat: bool
    acres: float
    zone_acres: FloatArray
    options: tuple[Option, ...]
    least_limit: int

    @property
    def usd(self) -> float:
        """What one trip costs."""
        return self.passes[0].usd_per_ac * self.acres

    @property
    def names(self) -> str:
        """"pass a" or "passes a, b"."""
        ids = [one.pass_id for one in self.passes]
        return f"pass{'es' if len(ids) > 1 else ''} {', '.join(ids)}"


class Clock:
    """Seconds since the search began, so that all its parts together keep to a time."""

    __slots__ = ("begun",)

    def __init__(self) -> None:
        self.begun: float | None = None

    def left(self, until: float) -> float:
        """Seconds from now until `until` seconds after the first question."""
        now = time.monotonic()
        if self.begun is None:
            self.begun = now
        return until - (now - self.begun)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """All that the search needs. `need` is what fixed passes leave, `room` what ceilings leave.

    `loads` are units in a load, units that fixed passes take, units bought for each one spread.
    `weight` makes pounds of both nutrients alike: shares of the field's need, times `scale`, the
    pounds of the larger one, so that the numbers stay in the solver's range.
    """

    area: FloatArray
    zone_names: tuple[str, ...]
    need: Mapping[str, FloatArray]
    weight: Mapping[str, float]
    scale: float
    groups: tuple[Group, ...]
    limits: tuple[Limit, ...]
    room: Mapping[str, tuple[int, FloatArray]]
    season_room: Mapping[str, tuple[int, FloatArray]]
    loads: Mapping[str, tuple[float, float, float]]
    aim: str
    in_steps: bool
    clock: Clock = field(default_factory=Clock)

    @property
    def priced(self) -> bool:
        """Whether every candidate has a price."""
        return all(one.usd is not None for group in self.groups for one in group.options)

    def useful(
        self, group: Group, option: Option, zone: int | None, *, lifted: bool = False
    ) -> float:
        """The greatest rate over the group's passes that can serve: it meets both needs alone.

        More only adds money and surplus, so no best plan needs it (prices are 0 or more). `lifted`
        leaves the limits of a pass out of it.
        """
        rate = 0.0
        for nutrient in NUTRIENTS:
            content = option.content(nutrient)
            need = self.need[nutrient]
            if content > 0:
                wanted = float(need.max(initial=0.0) if zone is None else need[zone])
                rate = max(rate, wanted / content)
        if rate <= 0:
            return 0.0
        rate = max(rate, option.least)
        if self.in_steps:
            rate = math.ceil(rate / option.step - 1e-9) * option.step
        return rate if lifted else min(rate, option.most * len(group.passes))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fixed:
    """What fixed passes bring and use: lb/ac by "S", "K2O", "N", "Cl"; units per acre and in all by
    material id."""

    lb: Mapping[str, FloatArray]
    units: Mapping[str, FloatArray]
    order: Mapping[str, float]


class _Register:
    """Limits in the order in which they are met; the same words are one limit."""

    def __init__(self) -> None:
        self.limits: list[Limit] = []

    def at(self, words: str, key: str, unit: str) -> int:
        one = Limit(words=words, key=key, unit=unit)
        if one not in self.limits:
            self.limits.append(one)
        return self.limits.index(one)


def make_problem(
    *,
    aim: SeasonAim,
    planned: Sequence[tuple[PlannedPass, tuple[Checked, ...]]],
    area: FloatArray,
    zone_names: Sequence[str],
    need: Mapping[str, FloatArray],
    need_left: Mapping[str, FloatArray],
    fixed: Fixed,
    limits: Limits,
) -> Problem:
    """The problem of the planned passes, after what fixed passes bring or use."""
    register = _Register()
    groups = tuple(
        _group(members, area=area, aim=aim, limits=limits, register=register)
        for members in _alike(planned, area)
    )
    total = {name: float(need[name] @ area) for name in NUTRIENTS}
    anyone = max(total.values()) or float(area.sum())
    room = {
        name: (register.at(f"the season's ceiling of {most:g} lb {name}/ac",
                           _ceiling_key(name), f"lb {name}/ac"),
               np.maximum(most - fixed.lb[name], 0.0))
        for name, most in aim.ceilings.items()
    }
    season: dict[str, tuple[int, FloatArray]] = {}
    for group in groups:
        for option in group.options:
            most = option.checked.request.label_most_season
            if most is None:
                continue
            name, unit = option.material.id, option.material.unit
            at = register.at(f"the label's {most:g} {unit} of {name} in a season",
                             f"label_most_season_{option.checked.unit}_per_ac", unit)
            left = np.maximum(most - fixed.units.get(name, np.zeros_like(area)), 0.0)
            if name not in season or (left < season[name][1]).any():
                season[name] = (at, left)
    return Problem(
        area=area, zone_names=tuple(zone_names), need=need_left,
        weight={name: anyone / (held or anyone) for name, held in total.items()}, scale=anyone,
        groups=groups,
        limits=tuple(register.limits), room=room, season_room=season,
        loads={name: (size, fixed.order.get(name, 0.0), 1.0 + aim.overage.get(name, 0.0))
               for name, size in aim.loads.items()},
        aim=aim.aim, in_steps=aim.in_steps,
    )


def _ceiling_key(name: str) -> str:
    return {"S": "[limits] s_lb_per_ac", "K2O": "[limits] k2o_lb_per_ac",
            "N": "[limits] n_lb_per_ac", "Cl": "[limits] cl_lb_per_ac"}[name]


def step_of(one: Checked, limits: Limits) -> float:
    """The machine's step, or the one assumed for the form of the material."""
    if one.request.step is not None:
        return one.request.step
    return (limits.liquid_step if one.material.form == "liquid" else limits.dry_step).value


_Members = list[tuple[PlannedPass, tuple[Checked, ...]]]


def _alike(
    planned: Sequence[tuple[PlannedPass, tuple[Checked, ...]]], area: FloatArray
) -> list[_Members]:
    """Passes gathered with those that only id, number, timing or method tell apart."""
    found: dict[object, _Members] = {}
    for told, options in planned:
        first = told.candidates[0]
        what = (first.kind, _acres(first, area), first.wetted_ac, told.usd_per_ac, tuple(
            (one.material.id, one.material.density_lb_per_gal, one.request.label_most,
             one.request.label_most_season, one.request.least, one.request.most, one.request.step)
            for one in options))
        found.setdefault(what, []).append((told, options))
    return list(found.values())


def units_of(request: PassRequest, rate: FloatArray, area: FloatArray) -> float:
    """lb or gal that a pass takes: over the zones, or over the acres that it really treats."""
    if request.wetted_ac is not None:
        return float(rate @ np.array(request.wetted_ac))
    if request.treated_ac is not None:
        return float(rate.max(initial=0.0)) * request.treated_ac
    return float(rate @ area)


def _acres(request: PassRequest, area: FloatArray) -> float:
    return float(area.sum()) if request.treated_ac is None else request.treated_ac


def _group(
    members: _Members, *, area: FloatArray, aim: SeasonAim, limits: Limits, register: _Register
) -> Group:
    first = members[0][0].candidates[0]
    passes = tuple(told for told, _ in members)
    ids = ", ".join(one.pass_id for one in passes)
    k2o_most = limits.k2o_per_pass.value if aim.k2o_per_pass is None else aim.k2o_per_pass
    options = []
    for one in members[0][1]:
        step = step_of(one, limits)
        tops = [Top(limit=register.at(words, key, of), per=per,
                    rate=math.floor(value * per / step + 1e-9) * step)
                for words, key, value, per, of in _tops(one, ids, k2o_most)]
        options.append(Option(
            checked=one, step=step, least=_least_on_steps(one.request.least or 0.0, step),
            most=min((one.rate for one in tops), default=math.inf), tops=tuple(tops),
            usd=aim.usd_per_unit.get(one.material.id),
        ))
    mentioned = sorted({f"{one.request.least:g} {one.material.unit}" for one in members[0][1]
                        if one.request.least})
    least_limit = -1 if not mentioned else register.at(
        f"the machine's least, {' or '.join(mentioned)} ({_where(ids)})",
        f"{_machine(ids)} least_{members[0][1][0].unit}_per_ac", members[0][1][0].material.unit)
    return Group(passes=passes, flat=first.kind == "flat", acres=_acres(first, area),
                 zone_acres=area if first.wetted_ac is None else np.array(first.wetted_ac),
                 options=tuple(options), least_limit=least_limit)


def _tops(
    one: Checked, ids: str, k2o_most: float
) -> list[tuple[str, str, float, float, str]]:
    """Upper limits of a pass: words, key, value, rate per unit of the value, unit."""
    request, unit = one.request, one.material.unit
    where = _where(ids)
    out = []
    if request.label_most is not None:
        out.append((f"the label's {request.label_most:g} {unit} of {one.material.id} ({where})",
                    f"label_most_{one.unit}_per_ac", request.label_most, 1.0, unit))
    if request.most is not None:
        out.append((f"the machine's most, {request.most:g} {unit} ({where})",
                    f"{_machine(ids)} most_{one.unit}_per_ac", request.most, 1.0, unit))
    k2o = one.material.nutrient_lb_per_unit("K2O")
    if k2o > 0:
        out.append((f"{k2o_most:g} lb K2O/ac in one pass",
                    "[limits] k2o_split_lb_per_ac", k2o_most, 1 / k2o, "lb K2O/ac"))
    return out


def _where(ids: str) -> str:
    return f"pass{'es' if ', ' in ids else ''} {ids}"


def _machine(ids: str) -> str:
    """The sections of the plan that describe the machines of these passes."""
    return ", ".join(f"[machine.{one}]" for one in ids.split(", "))


def _least_on_steps(least: float, step: float) -> float:
    return math.ceil(least / step - 1e-9) * step
