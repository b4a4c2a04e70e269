"""Search for the best joint plan with HiGHS, in a fixed order of aims, and price its limits.

Aims follow each other: the first is met as well as it can be, each next one among the plans that
keep those before it (to a millionth). No clock decides, so the same problem gives the same plan;
only a search that runs out of its backstop of seconds does not, and says so. All searches of a
season with steps or loads together keep to about ten seconds.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import vstack

from vrx.errors import ComputeError
from vrx.model import FloatArray
from vrx.products.allocate_aims import SAME, Parts, aims_of, cost, shortness
from vrx.products.allocate_highs import (
    BACKSTOP_S,
    LATER_UNTIL_S,
    LEAST_S,
    RIVALS_UNTIL_S,
    STEPS_BACKSTOP_S,
    hold,
    polish,
    search,
    search_in_steps,
)
from vrx.products.allocate_problem import Problem
from vrx.products.allocate_rows import Key, Model, build

RIVAL_GAP = 1e-4
"""The next best plan is good to this share of its aim."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """A plan as values of the model's columns.

    `value` is its first aim. `gap` is the greatest share by which an aim that was searched for may
    lie above the best possible, `stopped` tells of a search that ran out of time. `free` is the
    same season without machine steps and its plan, where steps are part of the search.
    """

    model: Model
    columns: FloatArray
    value: float
    gap: float
    stopped: bool
    free: tuple[Problem, Found] | None = None


def best(problem: Problem) -> Found | None:
    """The best plan that meets the needs, None where none does."""
    model = build(problem, may_be_short=problem.aim == "least deviation")
    return _best_of(problem, model, aims_of(problem, model), short=False)


def nearest(problem: Problem) -> Found:
    """The plan that falls least short of the needs, and among these the best for the aim."""
    model = build(problem, may_be_short=True)
    aims = [shortness(problem, model), *aims_of(problem, model)]
    found = _best_of(problem, model, aims, short=True)
    if found is None:
        raise ComputeError("the season's plan has no solution at all", code="mix-solver",
                           hint="this is a fault of vrx; please report it with the plan file")
    return found


def but_for_steps(
    problem: Problem, found: Found, *, short: bool
) -> tuple[Problem, Found] | None:
    """The season and the plan's own materials without machine steps, to hold other mixes against.

    Steps would only blur the difference, and cost the search its time; whole loads stay. None
    where the time is over.
    """
    used = materials_of(problem, found)
    if not problem.in_steps:
        return problem, found
    if found.free is not None and not problem.loads and set(materials_of(*found.free)) == set(used):
        return found.free
    problem = replace(problem, in_steps=False)
    model = build(problem, may_be_short=short or problem.aim == "least deviation")
    _leave_out(problem, model, {one.material.id for group in problem.groups
                                for one in group.options} - set(used))
    aim = aims_of(problem, model)[0]
    done = None
    for asked in [shortness(problem, model), aim] if short else [aim]:
        left = problem.clock.left(RIVALS_UNTIL_S)
        if left < LEAST_S:
            return None
        done = search(model, asked, gap=RIVAL_GAP, seconds=min(left, BACKSTOP_S))
        if done is None:
            break
        hold(model, asked, done[1])
    if done is None and problem.clock.left(RIVALS_UNTIL_S) < LEAST_S:
        return None
    if done is None:
        raise ComputeError("a plan in machine steps has none without them", code="mix-solver",
                           hint="this is a fault of vrx; please report it with the plan file")
    return problem, Found(model=model, columns=done[0], value=done[1], gap=done[2], stopped=done[3])


def _leave_out(problem: Problem, model: Model, names: Collection[str]) -> None:
    for (g, o), at in model.count.items():
        if problem.groups[g].options[o].material.id in names:
            model.high[at] = 0.0


def without_one_of(
    problem: Problem, found: Found, *, names: Sequence[str], short: bool
) -> Found | None:
    """The best plan for the first aim that does without at least one of these materials.

    To a share of `RIVAL_GAP`, as far as there is time; `short` keeps it no shorter of the needs
    than `found` is.
    """
    rival: Found | None = None
    for name in names:
        model = build(problem, may_be_short=short or problem.aim == "least deviation")
        if short:
            held = shortness(problem, found.model)
            hold(model, shortness(problem, model),
                  sum(value * found.columns[at] for at, value in held.items()))
        _leave_out(problem, model, (name,))
        aim = aims_of(problem, model)[0]
        if rival is not None:
            model.row(list(aim), list(aim.values()), -math.inf, rival.value)
        left = problem.clock.left(RIVALS_UNTIL_S)
        if left < LEAST_S:
            break
        done = search(model, aim, gap=RIVAL_GAP, seconds=min(left, BACKSTOP_S))
        if done is not None:
            rival = Found(model=model, columns=done[0], value=done[1], gap=done[2],
                          stopped=done[3])
    return rival


def materials_of(problem: Problem, found: Found) -> tuple[str, ...]:
    """Materials of which the plan brings any, in the order of the candidates."""
    return tuple(dict.fromkeys(
        problem.groups[g].options[o].material.id
        for (g, o, _), column in found.model.total.items() if found.columns[column] > SAME))


def _best_of(
    problem: Problem, model: Model, aims: Sequence[Parts], *, short: object
) -> Found | None:
    """Aim after aim over whole numbers, then the rates alone, which makes them sharp.

    With machine steps in the search, the plan without them says first which materials to begin
    from.
    """
    problem.clock.left(RIVALS_UNTIL_S)
    begin: dict[tuple[int, int], float] | None = None
    free, before = replace(problem, in_steps=False, loads={}), None
    if problem.in_steps:
        before = nearest(free) if short else best(free)
        if before is not None:
            begin = {key: before.columns[at] for key, at in before.model.count.items()}
    value, gap, stopped = 0.0, 0.0, False
    columns: FloatArray | None = None
    for rank, aim in enumerate(aims):
        seconds = STEPS_BACKSTOP_S if rank == 0 else min(
            STEPS_BACKSTOP_S, max(problem.clock.left(LATER_UNTIL_S), LEAST_S))
        done = (search_in_steps(model, aim, begin, clock=problem.clock, seconds=seconds)
                if problem.in_steps else search(model, aim))
        if done is None:
            if columns is None:
                return None
            break
        columns, reached, open_share, late = done
        if rank == 0 and before is not None:
            # No plan in steps or loads is below the best one without them.
            floor = before.value * (1 - before.gap)
            above = max(reached - floor, 0.0) / max(abs(reached), 1e-12)
            open_share = min(open_share, above if above > SAME else 0.0)
        begin = {key: columns[at] for key, at in model.count.items()}
        stopped, gap = stopped or late, max(gap, open_share)
        if rank == 0:
            value = reached
        hold(model, aim, reached)
    if columns is None:
        columns = np.zeros(len(model.low))
    return Found(model=model, columns=polish(problem, model, aims, columns), value=value, gap=gap,
                 stopped=stopped, free=None if before is None else (free, before))


def prices_of_limits(problem: Problem, found: Found) -> list[tuple[int, tuple[int, ...], float]]:
    """(limit, zones, usd that one more unit of it saves) with the whole numbers of `found` fixed.

    Dual values of the linear program that is left (least cost of what the plan's materials and
    switched-on zones allow); where a step is part of the search, rates are freed from it here.
    """
    model = build(problem, may_be_short=bool(found.model.short), named=True)
    aim = cost(problem, model)
    low, high = np.array(model.low), np.array(model.high)
    now = found.columns
    for pair, column in model.count.items():
        low[column] = high[column] = now[found.model.count[pair]]
    for key, column in model.on.items():
        low[column] = high[column] = now[found.model.on[key]]
    for missing, column in model.short.items():
        high[column] = now[found.model.short[missing]] + 1e-7
    matrix = model.matrix().tocsr()
    upper = np.isfinite(model.row_high)
    lower = np.isfinite(model.row_low)
    rows = [*np.flatnonzero(upper), *np.flatnonzero(lower)]
    done = linprog(
        model.vector(aim), method="highs-ds", bounds=np.column_stack([low, high]),
        A_ub=vstack([matrix[upper], -matrix[lower]]),
        b_ub=np.concatenate([np.array(model.row_high)[upper], -np.array(model.row_low)[lower]]),
    )
    if done.x is None:
        return []
    saved: dict[int, list[tuple[int, float]]] = {}
    for row, marginal in zip(map(int, rows), done.ineqlin.marginals, strict=True):
        limit = model.row_limit[row]
        if limit >= 0 and marginal < -1e-9:
            on = model.row_on[row]
            times = 1.0 if on < 0 else float(low[on])
            saved.setdefault(limit, []).append(
                (model.row_zone[row], -float(marginal) * model.row_per[row] * times))
    return [(limit, tuple(z for z, _ in held), sum(usd for _, usd in held))
            for limit, held in sorted(saved.items())]


def what_must_give(problem: Problem, *, most: int = 4) -> tuple[tuple[int, ...], ...]:
    """The smallest sets of limits of which one, lifted, lets the needs be met.

    "Met" is as far as these passes and materials can at all. Up to `most` sets of the least size;
    none where no limit holds the plan back.
    """
    model = build(problem, may_be_short=True, elastic=True)
    short = shortness(problem, model)
    freed = _with_fixed(model, short, dict.fromkeys(model.lift.values(), 1.0))
    if freed is None:
        return ()
    hold(model, short, freed)
    switches = {at: 1.0 + 1e-3 * limit for limit, at in model.lift.items()}
    sets: list[tuple[int, ...]] = []
    while len(sets) < most:
        done = search(model, switches)
        if done is None:
            break
        lifted = tuple(limit for limit, at in model.lift.items() if done[0][at] > 0.5)
        if not lifted or (sets and len(lifted) > len(sets[0])):
            break
        sets.append(lifted)
        model.row([model.lift[one] for one in lifted], [1.0] * len(lifted), -math.inf,
                  len(lifted) - 1.0)
    return tuple(sets)


def _with_fixed(model: Model, aim: Parts, fixed: Parts) -> float | None:
    """The aim's value with some columns fixed for this search only."""
    before = {at: model.low[at] for at in fixed}
    for at, value in fixed.items():
        model.low[at] = value
    done = search(model, aim)
    for at, value in before.items():
        model.low[at] = value
    return None if done is None else done[1]


def totals(problem: Problem, found: Found) -> dict[Key, float]:
    """Rate over a group's passes by group, option and zone (-1: flat), without noise."""
    return {key: float(found.columns[column]) * found.model.unit[key]
            for key, column in found.model.total.items() if found.columns[column] > SAME / 10}
