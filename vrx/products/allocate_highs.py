"""One search with HiGHS: over whole numbers, over whole machine steps, over rates alone."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from vrx.model import FloatArray
from vrx.products.allocate_aims import SAME, Parts, beyond, early
from vrx.products.allocate_problem import Clock, Problem
from vrx.products.allocate_rows import Model

NODES = 400
"""Nodes of the search tree for one aim: beyond, the best plan found is taken and its gap told."""
BACKSTOP_S = 8.0
"""Seconds after which a search stops in any case."""
STEPS_BACKSTOP_S = 3.5
"""The same where machine steps are part of it."""
NEIGHBOURS = 12
"""Choices of materials that are tried next to an unproved plan in machine steps."""
NEIGHBOUR_S = 0.5
"""Seconds for each of them."""
NEIGHBOURS_UNTIL_S, LATER_UNTIL_S, RIVALS_UNTIL_S = 7.0, 8.0, 9.3
"""Seconds since the season's first search until which neighbours, later aims and the next best
plan may be looked for; what has no time left is left out, and the gap told."""
LEAST_S = 0.3
"""What is asked with less than this left is not asked."""
_INFEASIBLE = 2

Done = tuple[FloatArray, float, float, bool]


def search(
    model: Model, aim: Parts, *, gap: float = 0.0, seconds: float = BACKSTOP_S,
    known: Done | None = None,
) -> Done | None:
    """Columns, value, open share and whether time ran out; None where no plan was found.

    `known` is a plan that the search need only improve on.
    """
    rows = len(model.row_low)
    if known is not None and aim:
        model.row(list(aim), list(aim.values()), -math.inf,
                  known[1] + 1e-9 * max(1.0, abs(known[1])))
    done = milp(
        model.vector(aim), integrality=np.array(model.whole, dtype=np.int64),
        bounds=Bounds(np.array(model.low), np.array(model.high)),
        constraints=LinearConstraint(model.matrix(), np.array(model.row_low),
                                     np.array(model.row_high)),
        options={"mip_rel_gap": gap, "node_limit": NODES, "time_limit": seconds},
    )
    forget(model, rows)
    late = "ime limit" in str(done.message)
    columns, value = (None, math.inf) if done.x is None else (
        np.asarray(done.x, dtype=np.float64), float(done.fun))
    if known is not None and known[1] <= value:
        columns, value = known[0], known[1]
    if columns is None:
        return None
    whole = np.array(model.whole)
    columns[whole] = np.round(columns[whole])
    bound = done.mip_dual_bound
    if done.status == _INFEASIBLE or bound is None or not math.isfinite(bound):
        # Without a bound of its own the search for something better than `known` says it all.
        bound = value if done.status == _INFEASIBLE or known is None else -math.inf
    missing = max(value - float(bound), 0.0)
    share = 0.0 if missing <= 1e-8 * max(1.0, abs(value)) else missing / max(abs(value), 1e-12)
    return columns, value, min(share, 1.0), late


def hold(model: Model, aim: Parts, reached: float) -> None:
    """From here on the aim may not get worse."""
    if aim:
        model.row(list(aim), list(aim.values()), -math.inf, reached + SAME * max(1.0, abs(reached)))


def polish(
    problem: Problem, model: Model, aims: Sequence[Parts], columns: FloatArray
) -> FloatArray:
    """Rates with all whole numbers fixed, aim after aim, then least beyond the need, then early."""
    whole = np.array(model.whole)
    low, high = np.array(model.low), np.array(model.high)
    low[whole] = high[whole] = columns[whole]
    rows = len(model.row_low)
    sharp = columns
    for aim in (*aims, beyond(problem, model), early(model)):
        done = _linear(model, aim, low, high)
        if done is None:
            break
        sharp, reached = done
        model.row(list(aim), list(aim.values()), -math.inf,
                  reached + 1e-9 * max(1.0, abs(reached)))
    forget(model, rows)
    sharp[whole] = columns[whole]
    return sharp


def _linear(
    model: Model, aim: Parts, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, float] | None:
    done = milp(model.vector(aim), bounds=Bounds(low, high), constraints=LinearConstraint(
        model.matrix(), np.array(model.row_low), np.array(model.row_high)))
    return None if done.x is None else (np.asarray(done.x, dtype=np.float64), float(done.fun))


def forget(model: Model, rows: int) -> None:
    """Drop the rows from this number on."""
    keep = [i for i, row in enumerate(model.at_row) if row < rows]
    model.at_row[:] = [model.at_row[i] for i in keep]
    model.at_column[:] = [model.at_column[i] for i in keep]
    model.value[:] = [model.value[i] for i in keep]
    for bounds in (model.row_low, model.row_high, model.row_per):
        del bounds[rows:]
    for names in (model.row_limit, model.row_zone, model.row_on):
        del names[rows:]


def search_in_steps(
    model: Model, aim: Parts, begin: dict[tuple[int, int], float] | None, *, clock: Clock,
    seconds: float = STEPS_BACKSTOP_S,
) -> Done | None:
    """The search over whole steps, begun from a choice of materials, and widened around it."""
    known = None if begin is None else _with_counts(model, aim, begin, seconds=seconds)
    done = search(model, aim, seconds=seconds, known=known)
    if done is None or done[2] == 0:
        return done
    bound = done[1] * (1 - done[2])
    tried = {_choice(model, done[0])}
    at, left = done, NEIGHBOURS
    improved = True
    while improved and left > 0:
        improved = False
        for choice in _near(model, at[0]):
            if choice in tried or left == 0 or clock.left(NEIGHBOURS_UNTIL_S) < LEAST_S:
                continue
            tried.add(choice)
            left -= 1
            one = _with_counts(model, aim, dict(choice), below=at[1])
            if one is not None and one[1] < at[1] - SAME * max(1.0, abs(at[1])):
                at, improved = one, True
                break
    share = max(at[1] - bound, 0.0) / max(abs(at[1]), 1e-12)
    return at[0], at[1], share, done[3]


Choice = tuple[tuple[tuple[int, int], float], ...]


def _choice(model: Model, columns: FloatArray) -> Choice:
    return tuple((key, float(columns[at])) for key, at in model.count.items())


def _near(model: Model, columns: FloatArray) -> list[Choice]:
    """Choices of materials that differ by one pass: exchanged, added or left out."""
    now = dict(_choice(model, columns))
    out = []
    for key in now:
        for other in (None, *now):
            if other is not None and (other[0] != key[0] or other == key):
                continue
            changed = dict(now)
            if other is None:
                changed[key] += 1.0 if changed[key] == 0 else -1.0
            elif changed[other] > 0:
                changed[other] -= 1.0
                changed[key] += 1.0
            if changed != now and all(changed[at] <= model.high[model.count[at]] for at in changed):
                out.append(tuple(changed.items()))
    return out


def _with_counts(
    model: Model, aim: Parts, counts: dict[tuple[int, int], float], *, below: float = math.inf,
    seconds: float = STEPS_BACKSTOP_S,
) -> Done | None:
    """The best plan with this choice of materials, if its aim is not above `below`."""
    before = {at: (model.low[at], model.high[at]) for at in model.count.values()}
    for key, at in model.count.items():
        model.low[at] = model.high[at] = min(round(counts.get(key, 0.0)), before[at][1])
    rows = len(model.row_low)
    if math.isfinite(below) and aim:
        model.row(list(aim), list(aim.values()), -math.inf, below)
    done = search(model, aim, seconds=seconds if math.isinf(below) else NEIGHBOUR_S)
    forget(model, rows)
    for at, (low, high) in before.items():
        model.low[at], model.high[at] = low, high
    return done
