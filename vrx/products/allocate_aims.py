"""What a joint plan is asked for, as coefficients of the program's columns."""

from __future__ import annotations

from vrx.model import FloatArray
from vrx.products.allocate_problem import Problem
from vrx.products.allocate_rows import Model, acres
from vrx.products.requests import NUTRIENTS

SAME = 1e-6
"""Plans whose aim differs by less than this share are taken as equal."""

Parts = dict[int, float]


def cost(problem: Problem, model: Model) -> Parts:
    """Usd of product and trips; what is bought by whole loads costs whole loads."""
    parts: Parts = {}
    for key, column in model.total.items():
        option = problem.groups[key[0]].options[key[1]]
        if option.material.id not in problem.loads:
            parts[column] = (option.usd or 0.0) * acres(problem, key) * model.unit[key]
        elif option.material.id in model.load:
            size = problem.loads[option.material.id][0]
            parts[model.load[option.material.id]] = (option.usd or 0.0) * size
    for (g, _), column in model.count.items():
        parts[column] = problem.groups[g].usd
    return parts


def trips(model: Model) -> Parts:
    """Passes used."""
    return dict.fromkeys(model.count.values(), 1.0)


def _tied(model: Model, aim: Parts, scale: float) -> Parts:
    """The aim with what decides between equal plans: fewest passes, then materials named first.

    It weighs a millionth of `scale` a pass, less than what counts as a difference.
    """
    order = {column: scale * SAME * (1.0 + 1e-2 * o + 1e-3 * g)
             for (g, o), column in model.count.items()}
    return _add(aim, order)


def deviation(problem: Problem, model: Model) -> Parts:
    """Pounds beside the need, above or below, each nutrient by its weight.

    Without the constant of the needs themselves. Short columns must be there.
    """
    parts: Parts = {}
    for (name, z), column in model.short.items():
        parts[column] = 2.0 * problem.weight[name] * float(problem.area[z])
    return _add(parts, beyond(problem, model))


def beyond(problem: Problem, model: Model) -> Parts:
    """What is brought in all, each nutrient by its weight."""
    parts: Parts = {}
    field_ac = float(problem.area.sum())
    for key, column in model.total.items():
        option = problem.groups[key[0]].options[key[1]]
        area = field_ac if key[2] < 0 else float(problem.area[key[2]])
        parts[column] = model.unit[key] * area * sum(
            problem.weight[name] * option.content(name) for name in NUTRIENTS)
    return parts


def shortness(problem: Problem, model: Model) -> Parts:
    """Pounds short, each nutrient by its weight."""
    return {column: problem.weight[name] * float(problem.area[z])
            for (name, z), column in model.short.items()}


def early(model: Model) -> Parts:
    """Product in the order of the passes: what can go with an earlier one does."""
    return {column: (1.0 + key[0]) * model.unit[key] for key, column in model.total.items()}


def _add(one: Parts, other: Parts) -> Parts:
    return {at: one.get(at, 0.0) + other.get(at, 0.0) for at in one.keys() | other.keys()}


def aims_of(problem: Problem, model: Model) -> list[Parts]:
    """What is asked of the plan, the first aim first; the last one also decides between equals."""
    spread = deviation(problem, model) if model.short else beyond(problem, model)
    last = (cost(problem, model), _scale(problem)) if problem.priced else (spread, problem.scale)
    first = {"least cost": [], "fewest passes": [trips(model)], "least deviation": [spread]}
    return [*first[problem.aim], _tied(model, *last)]


def _scale(problem: Problem) -> float:
    """About what the needs cost, in usd: by the material that does it most cheaply alone."""
    out = 0.0
    for name in NUTRIENTS:
        each = [(option.usd or 0.0) / option.content(name) for group in problem.groups
                for option in group.options if option.content(name) > 0]
        out += min(each, default=0.0) * float(problem.need[name] @ problem.area)
    return max(out, 1.0)


def value_of(problem: Problem, model: Model, columns: FloatArray) -> float:
    """What a plan's first aim comes to: usd, passes, or shares of the needs beside them."""
    if problem.aim == "fewest passes":
        return float(sum(round(float(columns[at])) for at in model.count.values()))
    money = problem.aim == "least cost"
    parts = cost(problem, model) if money else deviation(problem, model)
    needs = 0.0 if money else sum(
        problem.weight[name] * float(problem.need[name] @ problem.area) for name in NUTRIENTS)
    value = float(sum(value * columns[at] for at, value in parts.items())) - needs
    return value if money else value / problem.scale
