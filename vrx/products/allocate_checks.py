"""Whether a joint plan can be asked: candidates, prices, ceilings and loads, all faults at once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from vrx.errors import PlanError, PlanInfeasible, VrxError
from vrx.model import Finding, FloatArray, Material, stop
from vrx.products.allocate_problem import AIMS, CEILINGS, PlannedPass, SeasonAim
from vrx.products.materials import find_material
from vrx.products.requests import NUTRIENTS, Checked, PassRequest, check_requests

Planned = tuple[PlannedPass, tuple[Checked, ...]]


def check_season(
    *, fixed: Sequence[PassRequest], planned: Sequence[PlannedPass], aim: SeasonAim,
    materials: Mapping[str, Material], needs: Mapping[str, FloatArray],
) -> tuple[tuple[Checked, ...], tuple[Planned, ...]]:
    """Fixed passes and planned ones with their materials, each by number.

    Raises one `PlanError` that lists everything wrong, or `PlanInfeasible` where nothing but
    contradicting limits is wrong.
    """
    problems = [*_aim(aim), *_together(fixed, planned)]
    impossible: list[Finding] = []
    held: tuple[Checked, ...] = ()
    try:
        held = check_requests(fixed, materials=materials, needs=needs) if fixed else ()
    except VrxError as error:
        (impossible if isinstance(error, PlanInfeasible) else problems).extend(_told(error))
    made: list[Planned] = []
    for one in sorted(planned, key=lambda item: item.number):
        options: list[Checked] = []
        for asked in one.candidates:
            try:
                options += check_requests([_serving(asked, materials, needs)],
                                          materials=materials, needs=needs)
            except VrxError as error:
                found = _told(error)
                (impossible if isinstance(error, PlanInfeasible) else problems).extend(found)
        made.append((one, tuple(options)))
    every = [*held, *(one for _, options in made for one in options)]
    problems += [*_densities(every), *_late(every), *_prices(made, aim)]
    everything = [*dict.fromkeys(problems), *dict.fromkeys(impossible)]
    if everything:
        kind = PlanError if problems else PlanInfeasible
        raise kind("; ".join(f"{item.where}: {item.what}" for item in everything),
                   code=everything[0].code, findings=everything,
                   hint="; ".join(dict.fromkeys(item.todo for item in everything if item.todo)))
    return held, tuple(made)


def _told(error: VrxError) -> tuple[Finding, ...]:
    return error.findings or (stop(error.code, error.where, error.message, todo=error.hint),)


def _serving(
    asked: PassRequest, materials: Mapping[str, Material], needs: Mapping[str, FloatArray]
) -> PassRequest:
    """The request as one that serves what its material brings of the plan's needs."""
    material = find_material(materials, asked.material, where=f"pass {asked.pass_id}")
    brings = [name for name in NUTRIENTS if material.nutrient_lb_per_unit(name) > 0]
    wanted = [name for name in brings if name in needs] or brings or list(needs) or ["K2O"]
    return replace(asked, material=material.id, serves=wanted[0], share_of_need="what is left")


def _aim(aim: SeasonAim) -> list[Finding]:
    out: list[Finding] = []
    if aim.aim not in AIMS:
        out.append(stop("mix-aim", "[season_plan]", f"aim = {aim.aim!r} is none of"
                        f" {', '.join(AIMS)}", todo="choose one of them"))
    numbers = {
        **{f"ceiling of {name}": (value, 0.0) for name, value in aim.ceilings.items()},
        **{f"price of {name}": (value, 0.0) for name, value in aim.usd_per_unit.items()},
        **{f"load of {name}": (value, 1e-9) for name, value in aim.loads.items()},
    }
    if aim.k2o_per_pass is not None:
        numbers["k2o_split_lb_per_ac"] = (aim.k2o_per_pass, 1e-9)
    out += [stop("mix-value", "[season_plan]", f"{name} = {value:g}",
                 todo="give a number of 0 or more" if least == 0 else "give a number above 0")
            for name, (value, least) in numbers.items()
            if not (math.isfinite(value) and value >= least)]
    out += [stop("mix-value", "[season_plan]", f"a ceiling of {name} is not known",
                 todo=f"give ceilings of {', '.join(CEILINGS)}")
            for name in aim.ceilings if name not in CEILINGS]
    return out


def _together(fixed: Sequence[PassRequest], planned: Sequence[PlannedPass]) -> list[Finding]:
    """Ids and numbers once; a pass has its candidates once; all other passes are fixed."""
    out: list[Finding] = []
    passes = [*((one.pass_id, one.number) for one in fixed),
              *((one.pass_id, one.number) for one in planned)]
    for at, name in enumerate(("id", "number")):
        values = [one[at] for one in passes]
        out += [stop("pass-twice", f"pass {value}", f"the {name} {value} is given twice",
                     todo=f"give every pass its own {name}")
                for value in sorted(set(values), key=str) if values.count(value) > 1]
    out += [stop("mix-other-pass", f"pass {one.pass_id}",
                 f"rate = {one.kind!r} follows the need on its own, beside passes that are planned"
                 " together", todo='set rate = "planned", or give the pass a fixed rate')
            for one in fixed if one.kind != "fixed"]
    for told in planned:
        names = [one.material.casefold() for one in told.candidates]
        out += [stop("mix-candidate-twice", f"pass {told.pass_id}",
                     f"{name} stands twice among the materials", todo="keep one of them")
                for name in sorted(set(names)) if names.count(name) > 1]
        if not math.isfinite(told.usd_per_ac) or told.usd_per_ac < 0:
            out.append(stop("mix-value", f"pass {told.pass_id}",
                            f"a trip at {told.usd_per_ac:g} usd/ac",
                            todo="give [charges] of 0 or more"))
    return out


def _densities(every: Sequence[Checked]) -> list[Finding]:
    first: dict[str, float | None] = {}
    for one in every:
        first.setdefault(one.material.id, one.material.density_lb_per_gal)
    return [stop("pass-density", one.where, f"{one.material.id} has two densities in one plan",
                 todo="give every pass of the material the same density")
            for one in every if first[one.material.id] != one.material.density_lb_per_gal]


def _late(every: Sequence[Checked]) -> list[Finding]:
    return [stop("pass-elemental-s", one.where,
                 f"{one.material.id} cannot meet this season's S need: it must first oxidise in the"
                 " soil, which takes months",
                 todo="take it off the list; elemental S only as a fixed pass for later years")
            for one in every
            if one.material.s_form == "elemental" and one.material.k2o_pct == 0
            and one.request.kind != "fixed"]


def _prices(made: Sequence[Planned], aim: SeasonAim) -> list[Finding]:
    if aim.aim != "least cost":
        return []
    names = dict.fromkeys(one.material.id for _, options in made for one in options)
    missing = [name for name in names if name not in aim.usd_per_unit]
    return [stop("mix-price-missing", "[prices]",
                 f'aim = "least cost" and no price of {name}',
                 todo=f'add a line like "{name}" = {{ usd = ..., per = "short ton", as_of = ... }}'
                      ", or choose another aim")
            for name in missing]
