"""The joint plan of a season: which material each pass carries, and how much of it in each zone.

Passes with a fixed rate come first, and what they bring is credited to both needs. All other passes
are planned together: each carries one of its candidate materials or none, by zone or flat, so that
the needs of K2O and S are met within the limits of label, machine and season. S that comes with
potash counts towards the S need and K2O that comes with S products towards the K2O need; elemental
S counts against the ceiling only. Where no plan meets the needs, the one that falls least short is
taken, and the limits that hold it back are named.

Which of several plans with the same aim is taken: the one with fewest passes, of these the one
whose materials are named first in the lists, then the one that brings least beyond the needs, then
the one that puts more on earlier passes; passes that are alike share alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from vrx.errors import ComputeError, PlanInfeasible
from vrx.model import CropTruth, Finding, FloatArray, Material, PassPlan, SeasonMix, stop
from vrx.products import allocate_solve as search
from vrx.products import allocate_telling, telling
from vrx.products.allocate_checks import check_season
from vrx.products.allocate_problem import (
    CEILINGS,
    Fixed,
    Option,
    PlannedPass,
    Problem,
    SeasonAim,
    make_problem,
)
from vrx.products.allocate_rows import usable
from vrx.products.limiting import TINY
from vrx.products.limits import Limits, load_limits
from vrx.products.requests import NUTRIENTS, Checked, PassRequest
from vrx.products.season import Season, per_zone, step_or_assumed

SLACK = 1e-6
"""What the solver's tolerance may leave in a rate or a sum."""


def allocate_passes(
    *,
    zone_ids: Sequence[int],
    zone_area_ac: FloatArray,
    needs: Mapping[str, FloatArray],
    fixed: Sequence[PassRequest],
    planned: Sequence[PlannedPass],
    materials: Mapping[str, Material],
    aim: SeasonAim,
    crop_truth: CropTruth | None = None,
    zone_names: Sequence[str] = (),
) -> tuple[tuple[PassPlan, ...], SeasonMix]:
    """Exact rates (zones,) of all passes, by number, and what was chosen and why.

    `needs` holds lb/ac of "K2O" and "S" per zone in the order of `zone_ids`, `zone_area_ac` acres,
    `zone_names` what findings call the zones. Planned passes that nothing is gained from stay at
    rate 0. Findings of the whole season hang on the last pass.

    Raises `PlanError` (one for everything wrong in what is asked), `PlanInfeasible` (limits that
    contradict each other), `ComputeError` (needs or acres that are no numbers).
    """
    names = tuple(zone_names) or tuple(str(zone) for zone in zone_ids)
    area = per_zone(zone_area_ac, zone_ids, "acres", above=0.0)
    if len(names) != len(zone_ids):
        raise ComputeError(f"{len(names)} names for {len(zone_ids)} zones", code="pass-shape",
                           hint="one name per zone, in the order of the zones, or none")
    need = {name: per_zone(needs[name], zone_ids, f"need of {name}") if name in needs
            else np.zeros_like(area) for name in NUTRIENTS}
    held, made = check_season(fixed=fixed, planned=planned, aim=aim, materials=materials,
                              needs=needs)
    limits = load_limits()
    season = Season(zone_names=names, area=area, need=need, s_most=aim.ceilings.get("S"),
                    most={name: top for name, top in aim.ceilings.items() if name != "S"},
                    known=tuple(name for name in NUTRIENTS if name in needs))
    base = {name: season.left(name) for name in NUTRIENTS}
    plans = [season.plan(one, base, limits, crop_truth) for one in held]
    problem = make_problem(
        aim=aim, planned=made, area=area, zone_names=names, need=need,
        need_left={name: season.left(name) for name in NUTRIENTS}, limits=limits,
        fixed=_by_fixed(plans, area),
    )
    never = _never_on(problem)
    found = search.best(problem)
    short = found is None
    if found is None:
        found = search.nearest(problem)
    rates, lowered = within_ceilings(problem, share_out(problem, found))
    carried = {told.pass_id for told, _, _ in rates}
    idle = [(told, options[0], np.zeros_like(area)) for told, options in made
            if told.pass_id not in carried]
    chosen = [_pass_plan(_checked_for(told, one), rate, most=most, area=area, limits=limits,
                         needs=needs, crop_truth=crop_truth)
              for told, one, rate, most in (
                  *((told, option.checked, rate, option.most) for told, option, rate in rates),
                  *((*one, math.inf) for one in idle))]
    mix = allocate_telling.season_mix(problem, found, made=made, rates=rates, short=short, aim=aim)
    plans = sorted([*plans, *chosen], key=lambda plan: plan.number)
    said = [*never, *lowered,
            *allocate_telling.findings(mix, problem, rates=rates, stopped=found.stopped)]
    if plans:
        plans[-1] = replace(plans[-1], findings=(*plans[-1].findings, *said))
    checked = [*held, *(_checked_for(told, option.checked) for told, option, _ in rates)]
    split = limits.k2o_per_pass.value if aim.k2o_per_pass is None else aim.k2o_per_pass
    return telling.with_season(
        plans, checked=checked, zone_names=names, area=area, needs=need, limits=limits,
        k2o_split=split, s_most=aim.ceilings.get("S"),
    ), mix


def _by_fixed(plans: Sequence[PassPlan], area: FloatArray) -> Fixed:
    """What fixed passes bring of what has a ceiling, in machine steps, and use of each material."""
    brought = {name: np.zeros_like(area) for name in CEILINGS}
    units: dict[str, FloatArray] = {}
    order: dict[str, float] = {}
    for plan in plans:
        rates = _rounded(plan.planned, plan.step)
        for name in CEILINGS:
            brought[name] = brought[name] + rates * plan.material.nutrient_lb_per_unit(name)
        at = plan.material.id
        units[at] = units.get(at, np.zeros_like(area)) + rates
        whole = (float(plan.planned @ area) if plan.treated_ac is None
                 else float(plan.planned.max(initial=0.0)) * plan.treated_ac)
        order[at] = order.get(at, 0.0) + whole
    return Fixed(lb=brought, units=units, order=order)


def _rounded(rates: FloatArray, step: float) -> FloatArray:
    """To the nearest step, half up, as the prescription does."""
    return np.asarray(np.floor(rates / step + 0.5 + TINY) * step, dtype=np.float64)


Rates = list[tuple[PlannedPass, Option, FloatArray]]


def within_ceilings(problem: Problem, rates: Rates) -> tuple[Rates, list[Finding]]:
    """The rates so that ceilings of the season hold after rounding, too.

    Where rounding up would break one, later passes take the step below. (S and season labels are
    held by the prescription itself.)
    """
    out, told = list(rates), list[Finding]()
    for name, (limit, room) in problem.room.items():
        if name == "S":
            continue
        for at in range(len(out) - 1, -1, -1):
            total = sum((_rounded(rate, option.step) * option.material.nutrient_lb_per_unit(name)
                         for _, option, rate in out), start=np.zeros_like(room))
            one, option, rate = out[at]
            over = (total > room + SLACK) & (option.material.nutrient_lb_per_unit(name) > 0)
            if one.candidates[0].kind != "variable":
                over = np.full_like(over, over.any())
            below = np.floor(rate / option.step + TINY) * option.step
            if (hit := over & (below < rate)).any():
                out[at] = (one, option, np.where(hit, below, rate))
                told.append(allocate_telling.step_below(problem, one, hit, limit))
    return out, told


def _never_on(problem: Problem) -> list[Finding]:
    """Candidates that no limit lets on. Raises `PlanInfeasible` for a pass that has no other."""
    out: list[Finding] = []
    stops: list[Finding] = []
    for group in problem.groups:
        lost = [(one, why) for one in group.options if (why := _why_never(problem, one))]
        out += [allocate_telling.never_on(group, one, why) for one, why in lost]
        if lost and len(lost) == len(group.options):
            stops.append(stop(
                "mix-never-on", group.names,
                "no material of it can be spread at all: "
                + "; ".join(f"{one.material.id}: {why}" for one, why in lost),
                todo="correct the limits, name another material, or take the pass out"))
    if stops:
        raise PlanInfeasible("; ".join(f"{one.where}: {one.what}" for one in stops),
                             code="mix-never-on", findings=stops, hint=stops[0].todo)
    return out


def _why_never(problem: Problem, option: Option) -> str:
    """The limit under which no rate but 0 is left; "" if there is one."""
    first = max(option.least, option.step)
    unit = option.material.unit
    if not usable(option):
        top = min(option.tops, key=lambda one: one.rate)
        return (f"{problem.limits[top.limit].words} is below the machine's first rate,"
                f" {first:g} {unit}")
    rooms = [(limit, float(room.max(initial=0.0)), option.material.nutrient_lb_per_unit(name))
             for name, (limit, room) in problem.room.items()]
    if option.material.id in problem.season_room:
        limit, room = problem.season_room[option.material.id]
        rooms.append((limit, float(room.max(initial=0.0)), 1.0))
    for limit, left, content in rooms:
        # Only a least of the machine makes a small room useless: without one the rate is small.
        if content > 0 and option.least > 0 and first * content > left + TINY:
            return (f"{problem.limits[limit].words} leaves {left:.4g}, and the machine's least of"
                    f" {first:g} {unit} brings {first * content:.4g}")
    return ""


def share_out(problem: Problem, found: search.Found) -> Rates:
    """(pass, its material, its rates by zone) of the passes that are used, by number.

    Within a group the materials named first go on the earlier passes; passes of one material share
    each zone's rate alike, on whole machine steps but for the last of them, which takes the rest.
    """
    out: Rates = []
    total = search.totals(problem, found)
    for g, group in enumerate(problem.groups):
        free = iter(group.passes)
        for o, option in enumerate(group.options):
            rate = np.array([total.get((g, o, -1 if group.flat else z), 0.0)
                             for z in range(len(problem.area))])
            if not (rate > 0).any():
                continue
            count = round(float(found.columns[found.model.count[g, o]]))
            parts = np.array([_shares(float(one), count, option) for one in rate]).T
            out += [(next(free), option, part) for part in parts if (part > 0).any()]
    return sorted(out, key=lambda item: item[0].number)


def _shares(rate: float, count: int, option: Option) -> list[float]:
    """One zone's rate shared over `count` like passes, each 0 or between least and most."""
    if rate <= 0:
        return [0.0] * count
    first = max(option.least, option.step)
    fewest = 1 if math.isinf(option.most) else math.ceil(rate / option.most - SLACK)
    n = max(1, fewest, min(count, math.floor(rate / first + SLACK)))
    each = rate / n
    step = math.floor(each / option.step + 0.5) * option.step
    rest = rate - (n - 1) * step
    top = option.most * (1 + SLACK)
    if n == 1 or not (option.least <= step <= top and option.least - SLACK <= rest <= top):
        step = rest = each
    parts = [step] * (n - 1) + [rest] + [0.0] * (count - n)
    return [_within(part, option) if part > 0 else 0.0 for part in parts]


def _within(rate: float, option: Option) -> float:
    """The rate without what the solver's tolerance leaves beyond a limit."""
    rate = min(max(rate, option.least), option.most)
    on_step = round(rate / option.step) * option.step
    return on_step if abs(rate - on_step) < SLACK * option.step else rate


def _checked_for(told: PlannedPass, one: Checked) -> Checked:
    """The option of a group as a request of this pass of it."""
    first = told.candidates[0]
    return replace(one, request=replace(
        one.request, pass_id=first.pass_id, number=first.number, timing=first.timing,
        method=first.method))


def _pass_plan(
    one: Checked, rate: FloatArray, *, most: float, area: FloatArray, limits: Limits,
    needs: Mapping[str, FloatArray], crop_truth: CropTruth | None,
) -> PassPlan:
    request, material = one.request, one.material
    serves = " and ".join(
        name for name in NUTRIENTS if name in needs and material.nutrient_lb_per_unit(name) > 0)
    one = replace(one, serves=serves)
    step, assumed = step_or_assumed(one, limits)
    return PassPlan(
        pass_id=request.pass_id, number=request.number, timing=request.timing,
        method=request.method, material=material, serves=serves, kind=request.kind, wanted=rate,
        planned=rate, step=step, most=None if math.isinf(most) else most,
        season_most=request.label_most_season, treated_ac=request.treated_ac,
        wetted_ac=None if request.wetted_ac is None else np.array(request.wetted_ac),
        findings=(*assumed, *telling.about_material(one, planned=rate, area=area, limits=limits,
                                                    crop_truth=crop_truth)),
    )
