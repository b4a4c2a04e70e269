"""From the plan's `[season_plan]` to the joint plan's candidates, aim and ceilings, and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from vrx import prescription, products
from vrx.errors import PlanError
from vrx.model import Material, Prescription, Price
from vrx.plan import MachineSection, PassSection, Plan
from vrx.plan.allocate import PLANNED, CandidateSection
from vrx.units import SHORT_TON_LB

_OF_CANDIDATE = ("material", "label_most_lb_per_ac", "label_most_gal_per_ac",
                 "label_most_season_gal_per_ac", "density_lb_per_gal")
_RATES = ("least", "most", "step")


def is_planned(told: PassSection) -> bool:
    """Whether the joint plan chooses the pass's material and rates."""
    return told.rate in PLANNED


def as_candidates(
    told: PassSection, machine: MachineSection | None, materials: Mapping[str, Material]
) -> list[tuple[PassSection, MachineSection | None]]:
    """The planned pass as one pass for each of its materials, with the machine's keys for it.

    A machine may give limits in lb and in gal; each material takes those of its own unit. Raises
    `PlanError` for an unknown material and for `below_least`, which the joint plan decides.
    """
    if machine is not None and "below_least" in machine.model_fields_set:
        raise PlanError(
            f"below_least = {machine.below_least!r} does not count for a planned pass: rates are 0"
            " or at least the least, as is best for the whole season", code="plan-value",
            where=f"[machine.{told.id}]", hint="leave below_least out")
    out = []
    for one in told.materials:
        material = products.find_material(materials, one.material, where=f"[[pass]] {told.id}")
        out.append((_with(told, one), _of_unit(machine, material)))
    return out


def _with(told: PassSection, one: CandidateSection) -> PassSection:
    return told.model_copy(update={
        **{name: getattr(one, name) for name in _OF_CANDIDATE}, "materials": (),
        "rate": "flat" if told.rate == "planned flat" else "variable",
    })


def _of_unit(machine: MachineSection | None, material: Material) -> MachineSection | None:
    """The machine without the keys of the other unit, where it has keys of both."""
    if machine is None:
        return None
    own, other = ("gal", "lb") if material.form == "liquid" else ("lb", "gal")
    given = {unit: [f"{name}_{unit}_per_ac" for name in _RATES
                    if getattr(machine, f"{name}_{unit}_per_ac") is not None]
             for unit in (own, other)}
    if not given[own]:
        return machine
    return machine.model_copy(update=dict.fromkeys(given[other]))


def season_aim(
    plan: Plan, materials: Mapping[str, Material],
    planned: Sequence[products.PlannedPass],
) -> products.SeasonAim:
    """Aim, prices a unit, ceilings and whole loads of the plan. Raises `PlanError`."""
    told = plan.season_plan
    if told is None:
        raise PlanError("there is no [season_plan]", code="plan-value", hint="add one with an aim")
    densities = {
        products.find_material(materials, one.material).id: one.density_lb_per_gal
        for each in planned for one in each.candidates if one.density_lb_per_gal is not None}
    prices: dict[str, float] = {}
    for name, one in plan.prices.items():
        price = Price(material=name, usd=one.usd, per=one.per, as_of=str(one.as_of))
        material = _dense(products.find_material(materials, name, where="[prices]"), densities)
        prices[material.id] = prescription.usd_per_unit_of(price, material)
    ceilings = dict(plan.limits.ceilings())
    if plan.limits.s_lb_per_ac is not None:
        ceilings["S"] = plan.limits.s_lb_per_ac
    return products.SeasonAim(
        aim=told.aim, usd_per_unit=prices, ceilings=ceilings,
        k2o_per_pass=plan.limits.k2o_split_lb_per_ac, steps_inside=told.steps == "inside",
        loads=_loads(plan, materials, densities),
    )


def _dense(material: Material, densities: Mapping[str, float | None]) -> Material:
    own = densities.get(material.id)
    return material if own is None else replace(material, density_lb_per_gal=own)


def _loads(
    plan: Plan, materials: Mapping[str, Material], densities: Mapping[str, float | None]
) -> dict[str, float]:
    """Units of a material in one of its loads."""
    found: dict[str, float] = {}
    for name, one in (plan.season_plan.whole_loads if plan.season_plan else {}).items():
        where = f"[season_plan.whole_loads] {name}"
        material = _dense(products.find_material(materials, name, where=where), densities)
        if one.gal is not None and material.form != "liquid":
            raise PlanError(f"{material.id} is dry: a load of it has no gallons", code="plan-unit",
                            where=where, hint="give short_tons or lb")
        lb = one.lb if one.short_tons is None else one.short_tons * SHORT_TON_LB
        found[material.id] = one.gal if one.gal is not None else (lb or 0.0) / material.lb_per_unit
    return found


def trip_usd_per_ac(plan: Plan, told: PassSection) -> float:
    """What the trip costs by `[charges]`, 0 where it is not stated."""
    charges = plan.charges
    if told.method == "through irrigation":
        cost = charges.injection_usd_per_ac
    elif told.rate == "planned flat":
        cost = charges.spreading_flat_usd_per_ac
    else:
        cost = charges.spreading_variable_usd_per_ac
    return cost or 0.0


def settled(plan: Plan, planned: Prescription) -> Plan:
    """The plan as if its planned passes had named what the joint plan chose."""
    if plan.season_plan is None:
        return plan
    carried = {one.pass_id: one for one in planned.passes}
    passes = []
    for told in plan.passes:
        if is_planned(told):
            rates = carried[told.id]
            one = next((each for each in told.materials
                        if _plain(each.material) == _plain(rates.material.id)), told.materials[0])
            serves = "potassium" if rates.material.k2o_pct > 0 else "sulfur"
            passes.append(_with(told, one).model_copy(update={
                "material": rates.material.id, "serves": serves, "share_of_need": "what is left"}))
        else:
            passes.append(told)
    return plan.model_copy(update={"passes": tuple(passes), "season_plan": None})


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()
