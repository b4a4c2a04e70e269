"""What the user is told about a joint plan: what was chosen, at what cost, and what holds it."""

from __future__ import annotations

from collections.abc import Sequence

from vrx.model import (
    BoolArray,
    Finding,
    FloatArray,
    MixChoice,
    MixLimit,
    MixRival,
    MixShort,
    SeasonMix,
    note,
    warn,
)
from vrx.products import allocate_solve as search
from vrx.products.allocate_aims import value_of
from vrx.products.allocate_checks import Planned
from vrx.products.allocate_highs import (
    BACKSTOP_S,
    LEAST_S,
    RIVALS_UNTIL_S,
    STEPS_BACKSTOP_S,
)
from vrx.products.allocate_problem import (
    Group,
    Option,
    PlannedPass,
    Problem,
    SeasonAim,
    units_of,
)
from vrx.products.requests import NUTRIENTS, PassRequest

Rates = Sequence[tuple[PlannedPass, Option, FloatArray]]

WORTH_TELLING_USD = 0.5
SHORT_LB_PER_AC = 1e-3


def season_mix(
    problem: Problem, found: search.Found, *, made: Sequence[Planned], rates: Rates, short: bool,
    aim: SeasonAim,
) -> SeasonMix:
    """The plan as a value for the page and the job record."""
    carried = {told.pass_id: (option, rate) for told, option, rate in rates}
    choices = []
    for told, options in made:
        option, rate = carried.get(told.pass_id, (None, None))
        first = told.candidates[0]
        lb = {name: 0.0 if option is None or rate is None else
              float(rate @ problem.area) * option.content(name) for name in NUTRIENTS}
        choices.append(MixChoice(
            pass_id=told.pass_id, number=told.number, timing=first.timing,
            candidates=tuple(one.material.id for one in options),
            material="" if option is None else option.material.id, k2o_lb=lb["K2O"],
            s_lb=lb["S"], usd=_usd(problem, option, rate, first),
        ))
    loads = _loads(problem, found, rates)
    return SeasonMix(
        aim=problem.aim, choices=tuple(choices), usd_product=_product(problem, choices, loads, aim),
        usd_passes=sum(told.usd_per_ac * (first.treated_ac or float(problem.area.sum()))
                       for told, _, _ in rates for first in told.candidates[:1]),
        passes_used=len(rates), shortfalls=(missing := _shortfalls(problem, rates)),
        limits=() if missing else _limits(problem, found),
        must_give=tuple(tuple(problem.limits[at].words for at in one)
                        for one in (search.what_must_give(problem) if short else ())),
        rival=_rival(problem, found, short=short), gap=found.gap,
        steps_inside=problem.in_steps, loads=loads,
    )


def _usd(
    problem: Problem, option: Option | None, rate: FloatArray | None, first: PassRequest
) -> float | None:
    if option is None or rate is None:
        return 0.0
    return None if option.usd is None else units_of(first, rate, problem.area) * option.usd


def _product(
    problem: Problem, choices: Sequence[MixChoice],
    loads: Sequence[tuple[str, int, float, float]], aim: SeasonAim,
) -> float | None:
    parts = [one.usd for one in choices if one.material not in problem.loads]
    parts += [aim.usd_per_unit[name] * number * size if name in aim.usd_per_unit else None
              for name, number, size, _ in loads]
    known = [part for part in parts if part is not None]
    return sum(known) if len(known) == len(parts) else None


def _loads(
    problem: Problem, found: search.Found, rates: Rates
) -> tuple[tuple[str, int, float, float], ...]:
    out = []
    for name, (size, fixed, _) in problem.loads.items():
        used = fixed
        for told, option, rate in rates:
            if option.material.id == name:
                used += units_of(told.candidates[0], rate, problem.area)
        number = round(float(found.columns[found.model.load[name]])) if (
            name in found.model.load) else 0
        if used > 0 and number:
            out.append((name, number, size, number * size - used))
    return tuple(out)


def _limits(problem: Problem, found: search.Found) -> tuple[MixLimit, ...]:
    """What more room would save; a plan that falls short would use it to bring more instead."""
    if not problem.priced:
        return ()
    out = []
    for at, zones, usd in search.prices_of_limits(problem, found):
        if usd < WORTH_TELLING_USD:
            continue
        limit = problem.limits[at]
        names = tuple(dict.fromkeys("all" if z < 0 else problem.zone_names[z] for z in zones))
        out.append(MixLimit(words=limit.words, key=limit.key, unit=limit.unit, zones=names,
                            usd_per_unit=usd))
    return tuple(sorted(out, key=lambda one: -(one.usd_per_unit or 0.0)))


def _shortfalls(problem: Problem, rates: Rates) -> tuple[MixShort, ...]:
    out = []
    for name in NUTRIENTS:
        brought = sum((rate * option.content(name) for _, option, rate in rates),
                      start=0.0 * problem.area)
        left = problem.need[name] - brought
        hit = left > SHORT_LB_PER_AC
        if hit.any():
            out.append(MixShort(
                nutrient=name, lb=float(left[hit] @ problem.area[hit]),
                zones=tuple((problem.zone_names[z], float(left[z])) for z in hit.nonzero()[0])))
    return tuple(out)


def _rival(problem: Problem, found: search.Found, *, short: bool) -> MixRival | None:
    used = search.materials_of(problem, found)
    if not used:
        return None
    held = search.but_for_steps(problem, found, short=short)
    if held is None:
        return None
    problem, found = held
    other = search.without_one_of(problem, found, names=used, short=short)
    if other is None:
        return None
    now = search.materials_of(problem, other)
    value = value_of(problem, found.model, found.columns)
    return MixRival(
        without=tuple(name for name in used if name not in now), materials=now,
        more=value_of(problem, other.model, other.columns) - value,
        unit={"least cost": "usd", "fewest passes": "passes"}.get(problem.aim, "share of the need"),
    )


def never_on(group: Group, option: Option, why: str) -> Finding:
    """A candidate that no limit lets on."""
    return note("mix-candidate-never", group.names, f"{option.material.id} is out: {why}",
                done="planned with the other materials")


def step_below(
    problem: Problem, told: PlannedPass, hit: BoolArray, limit: int
) -> Finding:
    """Rates that took the step below for a ceiling's sake."""
    zones = ", ".join(problem.zone_names[z] for z in hit.nonzero()[0][:6])
    return note("mix-step-below", f"pass {told.pass_id}",
                f"the step below in {int(hit.sum())} zones ({zones}"
                f"{', ...' if hit.sum() > 6 else ''}): rounding up would break"
                f" {problem.limits[limit].words}", done="rounded down there")


def findings(
    mix: SeasonMix, problem: Problem, *, rates: Rates, stopped: bool
) -> list[Finding]:
    """All that is to be told of the season's joint plan."""
    area = float(problem.area.sum())
    carried = [f"{told.pass_id} {option.material.id} (mean {float(rate @ problem.area) / area:.4g}"
               f" {option.material.unit})" for told, option, rate in rates]
    money = "" if mix.usd_product is None else (
        f"; {mix.usd_product:,.0f} usd of product"
        + (f" and {mix.usd_passes:,.0f} usd of trips" if mix.usd_passes else "")
        + ("" if problem.in_steps else " before rounding to machine steps"))
    out = [note("mix-plan", "season", f"planned together for {mix.aim}: "
                + ("; ".join(carried) if carried else "no planned pass is needed") + money)]
    if mix.rival is not None and mix.choices:
        out.append(_told_rival(mix, mix.rival))
    out += [_told_limit(one) for one in mix.limits]
    out += [_told_short(one, mix, problem) for one in mix.shortfalls]
    idle = [one.pass_id for one in mix.choices if not one.material]
    if idle and rates:
        out.append(note("mix-pass-unused", "season",
                        f"pass{'es' if len(idle) > 1 else ''} {', '.join(idle)}: nothing is gained"
                        " from it" if len(idle) == 1 else
                        f"passes {', '.join(idle)}: nothing is gained from them",
                        done="it stays in the files at rate 0" if len(idle) == 1 else
                        "they stay in the files at rate 0"))
    out += [note("mix-loads", "season",
                 f"{number} whole load{'s' if number > 1 else ''} of {name}: {left:,.0f} of"
                 f" {number * size:,.0f} left over", value=f"{left:.6g}")
            for name, number, size, left in mix.loads]
    if mix.gap > 0:
        out.append(note("mix-gap", "season",
                        f"the search ended before the best plan was proved: this one is at most"
                        f" {100 * mix.gap:.2g} % above it", value=f"{mix.gap:.6g}",
                        todo="name fewer materials for a pass to have it proved"))
    if stopped:
        seconds = STEPS_BACKSTOP_S if problem.in_steps else BACKSTOP_S
        out.append(warn("mix-search-stopped", "season",
                        f"the search ran into its backstop of {seconds:g} s: the plan keeps every"
                        " limit, but a faster machine may find another" + (
                            "; the next best plan was not looked for to the end"
                            if problem.clock.left(RIVALS_UNTIL_S) < LEAST_S else ""),
                        todo="name fewer materials for a pass, or leave steps out of the search"))
    return out


def _told_rival(mix: SeasonMix, rival: MixRival) -> Finding:
    total = (mix.usd_product or 0.0) + (mix.usd_passes or 0.0)
    if rival.unit == "usd":
        more = f"{rival.more:,.0f} usd more" + (
            f" ({100 * rival.more / total:.1f} %)" if total > 0 else "")
        if rival.more < WORTH_TELLING_USD:
            more = "for the same money" + (
                ", but for machine steps" if mix.steps_inside else "")
    elif rival.unit == "passes":
        count = round(rival.more)
        more = "as many passes" if count <= 0 else (
            f"{count} pass{'es' if count > 1 else ''} more")
    else:
        more = f"{100 * rival.more:.1f} % of the needs further off"
    return note("mix-next-best", "season",
                f"the next best plan does without {' and '.join(rival.without)}:"
                f" {', '.join(rival.materials) or 'no material'}, {more}",
                value=f"{rival.more:.6g} {rival.unit}")


def _told_limit(one: MixLimit) -> Finding:
    there = "flat pass" if one.zones == ("all",) else f"zones {', '.join(one.zones[:8])}" + (
        f" and {len(one.zones) - 8} more" if len(one.zones) > 8 else "")
    return note("mix-limit-holds", "season",
                f"{one.words} holds the plan ({there}): 1 {one.unit} more room would save about"
                f" {one.usd_per_unit:,.0f} usd on the field", value=f"{one.usd_per_unit:.6g} usd",
                todo="good for small changes while the choice of materials stays; labels and law"
                     " are not yours to raise")


def _told_short(one: MixShort, mix: SeasonMix, problem: Problem) -> Finding:
    bringers = [option for group in problem.groups for option in group.options
                if option.content(one.nutrient) > 0]
    named = ", ".join(f"{zone} ({lb:.4g})" for zone, lb in one.zones[:6])
    more = f" and {len(one.zones) - 6} more" if len(one.zones) > 6 else ""
    if not bringers:
        why, todo = f"no planned pass has a material that brings {one.nutrient}", (
            f"name a material that brings {one.nutrient} with one of the passes")
    elif mix.must_give:
        sets = [" and ".join(held) for held in mix.must_give]
        why = "what holds it: " + "; or ".join(sets)
        todo = ("give way at one of these where that is yours to decide, add a pass or another"
                " material, or write down why less is enough; labels and law are not yours to"
                " raise")
    elif mix.aim == "least deviation":
        why, todo = "the aim weighs pounds short and pounds too many alike", (
            'another aim puts the need first: aim = "least cost" or "fewest passes"')
    else:
        why, todo = "these passes cannot bring more, whatever their limits", (
            "add a pass or another material")
    return warn("mix-short", "season",
                f"zone{'s' if len(one.zones) > 1 else ''} {named}{more}: {one.lb:,.0f} lb"
                f" {one.nutrient} short of the need (lb/ac in brackets); {why}",
                value=f"{one.lb:.6g} lb {one.nutrient}", done="the nearest plan is taken",
                todo=todo)
