"""Needs and passes: from what the soil reads to a prescription, its order and its crop truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vrx import prescription, products, rules
from vrx.errors import PlanError
from vrx.model import (
    CropTruth,
    Finding,
    FloatArray,
    Material,
    Need,
    PassPlan,
    Prescription,
    Price,
    SeasonMix,
    Source,
    Yield,
    Zones,
    note,
    warn,
)
from vrx.model.by_hand import RateOverride
from vrx.pipeline import allocate, file_rates
from vrx.pipeline.ground import find_book
from vrx.pipeline.inputs import Inputs
from vrx.plan import FROM_FILE, MachineSection, NeedSection, PassSection, Plan

NUTRIENT = {"potassium": "K2O", "sulfur": "S"}

# Shown beside uptake where the plan's own book has no removal figure; it moves no rate. Wisconsin's
# 5.75 lb S lies in the middle of the published figures (5 to 8 lb per ton of hay).
_REMOVAL: dict[str, tuple[str, Mapping[str, object]]] = {
    "K2O": ("removal-potassium", {"removal_source": "nebraska"}),
    "S": ("removal-sulfur", {"removal_source": "wisconsin"}),
}


def expected_yield(plan: Plan) -> Yield:
    """The plan's yield goal."""
    return Yield(
        tons_per_ac=plan.yield_goal.tons_per_ac, moisture_pct=plan.yield_goal.moisture_pct
    )


def need_sections(plan: Plan) -> dict[str, NeedSection]:
    """Nutrient ("K2O", "S") → its section, for those that the plan asks for."""
    held = {"K2O": plan.need.potassium, "S": plan.need.sulfur}
    return {nutrient: section for nutrient, section in held.items() if section is not None}


def removal(plan: Plan, inputs: Inputs, hay: Yield) -> dict[str, tuple[float, str]]:
    """Nutrient → (lb/ac that this hay removes, source): the plan's book, else a stated one."""
    removed: dict[str, tuple[float, str]] = {}
    sections = need_sections(plan)
    for nutrient, (fallback, options) in _REMOVAL.items():
        found = None
        if nutrient in sections:
            section = sections[nutrient]
            found = rules.removes(
                book=find_book(inputs.books, section.book), expected_yield=hay,
                options=section.options(),
            )
        if found is None:
            found = rules.removes(
                book=inputs.books[fallback], expected_yield=hay, options=options
            )
        if found is not None:
            removed[nutrient] = found
    return removed


def crop_truth(plan: Plan, inputs: Inputs) -> CropTruth:
    """What the crop takes up and, where a book says it, what the hay removes; each with its source.

    The two are never mixed: they differ in substance, moisture basis and source.
    """
    goal = expected_yield(plan)
    k2o, sulfur, source = rules.takes_up(plan.field.crop, goal)
    removed = removal(plan, inputs, goal)
    k2o_removed, s_removed = (removed.get(nutrient, (None, ""))[0] for nutrient in ("K2O", "S"))
    return CropTruth(
        takes_up_k2o_lb_per_ac=k2o, takes_up_s_lb_per_ac=sulfur, takes_up_source=source,
        removes_k2o_lb_per_ac=k2o_removed, removes_s_lb_per_ac=s_removed,
        removes_source="; ".join(f"{nutrient} {words}" for nutrient, (_, words) in removed.items()),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Planned:
    """Exact rates of all passes, and what the joint plan chose (None where there is none)."""

    passes: tuple[PassPlan, ...]
    mix: SeasonMix | None


def prescribe(
    plan: Plan, inputs: Inputs, made: Zones, needs: Mapping[str, Sequence[Need]],
    truth: CropTruth, *, wetted: Mapping[str, tuple[float, ...]] | None = None,
) -> Prescription:
    """Exact rates of all passes, then machine steps, order and balance; no rate by hand.

    `wetted` holds acres by zone of passes that a pivot's sectors vary, by pass id.
    """
    exact = plan_rates(plan, inputs, made, needs, truth, wetted=wetted)
    return rated((), plan=plan, inputs=inputs, made=made, needs=needs, exact=exact)


def plan_rates(
    plan: Plan, inputs: Inputs, made: Zones, needs: Mapping[str, Sequence[Need]],
    truth: CropTruth, *, wetted: Mapping[str, tuple[float, ...]] | None = None,
) -> Planned:
    """Exact rates of all passes, as `prescribe`."""
    plans, mix = _plan_passes(
        plan, inputs, made, zone_ids=[zone.zone_id for zone in made.zones],
        area_ac=np.array([zone.area_ac for zone in made.zones]),
        letters=[zone.letter for zone in made.zones], needs=_lb_per_ac(needs), truth=truth,
        wetted=wetted or {})
    return Planned(passes=plans, mix=mix)


def rated(
    by_hand: Sequence[RateOverride], *, plan: Plan, inputs: Inputs, made: Zones,
    needs: Mapping[str, Sequence[Need]], exact: Planned,
) -> Prescription:
    """Machine steps, order and balance of exact rates, with the rates by hand in their zones."""
    split = plan.limits.k2o_split_lb_per_ac
    done = prescription.prescribe_by_hand(
        by_hand=by_hand, zone_ids=[zone.zone_id for zone in made.zones],
        zone_area_ac=np.array([zone.area_ac for zone in made.zones]), plans=exact.passes,
        needs=_lb_per_ac(needs), s_most_lb_per_ac=plan.limits.s_lb_per_ac,
        zone_names=[zone.letter for zone in made.zones],
        limits=_limits(plan, inputs, exact) if by_hand else {},
        most_lb_per_ac=plan.limits.ceilings(),
        k2o_split_lb_per_ac=products.load_limits().k2o_per_pass.value if split is None else split,
        prices=[
            Price(material=name, usd=one.usd, per=one.per, as_of=str(one.as_of))
            for name, one in plan.prices.items()
            if name not in allocate.passed_over(plan, exact.passes)
        ],
    )
    said = done.findings
    if by_hand and exact.mix is not None:
        said = (*said, note(
            "prescription-by-hand-mix", "[season_plan]",
            "sums and costs of the joint plan are those before rates were set by hand",
            done="order, totals and balance count the rates by hand"))
    return replace(done, mix=exact.mix, findings=said)


def _lb_per_ac(needs: Mapping[str, Sequence[Need]]) -> dict[str, FloatArray]:
    return {nutrient: np.array([one.lb_per_ac for one in found])
            for nutrient, found in needs.items()}


def _limits(
    plan: Plan, inputs: Inputs, exact: Planned
) -> dict[str, prescription.RateLimits]:
    """Limits of machine and label for each pass, with the material that it carries."""
    carried = {one.pass_id: one for one in exact.passes}
    found = {}
    for number, told in enumerate(plan.passes, 1):
        ways = [(told, plan.machine.get(told.id))]
        if allocate.is_planned(told):
            ways = [
                one for one in allocate.as_candidates(told, ways[0][1], inputs.materials)
                if products.find_material(inputs.materials, one[0].material or "").id
                == carried[told.id].material.id]
        one = pass_request(ways[0][0], number, ways[0][1], inputs.materials)
        found[told.id] = prescription.RateLimits(
            least=one.least, most=one.most, label_most=one.label_most)
    return found


def _plan_passes(
    plan: Plan, inputs: Inputs, made: Zones, *, zone_ids: Sequence[int], area_ac: FloatArray,
    letters: Sequence[str], needs: Mapping[str, FloatArray], truth: CropTruth,
    wetted: Mapping[str, tuple[float, ...]],
) -> tuple[tuple[PassPlan, ...], SeasonMix | None]:
    """Exact rates of all passes: one after the other, or together where the plan says so."""
    fixed: list[products.PassRequest] = []
    said: dict[str, tuple[Finding, ...]] = {}
    planned: list[products.PlannedPass] = []
    for number, told in enumerate(plan.passes, 1):
        machine, acres = plan.machine.get(told.id), wetted.get(told.id)
        if not allocate.is_planned(told):
            request = pass_request(told, number, machine, inputs.materials, wetted_ac=acres)
            request, said[told.id] = file_rates.with_file_rates(request, told, plan, inputs, made)
            fixed.append(request)
            continue
        planned.append(products.PlannedPass(
            candidates=tuple(
                pass_request(one, number, of_unit, inputs.materials, wetted_ac=acres)
                for one, of_unit in allocate.as_candidates(told, machine, inputs.materials)),
            usd_per_ac=allocate.trip_usd_per_ac(plan, told)))
    mix: SeasonMix | None = None
    if plan.season_plan is None:
        plans = products.plan_passes(
            zone_ids=zone_ids, zone_area_ac=area_ac, needs=needs, requests=fixed,
            materials=inputs.materials, s_most_lb_per_ac=plan.limits.s_lb_per_ac,
            crop_truth=truth, zone_names=letters, most_lb_per_ac=plan.limits.ceilings(),
            k2o_split_lb_per_ac=plan.limits.k2o_split_lb_per_ac,
        )
    else:
        plans, mix = products.allocate_passes(
            zone_ids=zone_ids, zone_area_ac=area_ac, needs=needs, fixed=fixed, planned=planned,
            materials=inputs.materials, crop_truth=truth, zone_names=letters,
            aim=allocate.season_aim(plan, inputs.materials, planned))
    return tuple(
        replace(one, findings=(*said.get(one.pass_id, ()), *one.findings)) for one in plans), mix


def limit_findings(plan: Plan, planned: Prescription) -> tuple[Finding, ...]:
    """What the plan says, or leaves open, about the season's sulfur."""
    buys_sulfur = any(line.s_lb > 0 for line in planned.order)
    if plan.limits.s_lb_per_ac is None and buys_sulfur:
        return (note(
            "plan-no-s-ceiling", "[limits]", "no ceiling is set for the season's sulfur",
            todo="set s_lb_per_ac, lb of S per acre over the whole season",
        ),)
    if plan.limits.s_reason is not None and plan.limits.s_lb_per_ac is not None:
        return (note(
            "plan-s-reason", "[limits]",
            f"ceiling of {plan.limits.s_lb_per_ac:g} lb S/ac, reason given: {plan.limits.s_reason}",
        ),)
    return ()


def nothing_needed(
    needs: Mapping[str, Sequence[Need]], planned: Prescription
) -> tuple[Finding, ...]:
    """A note for a nutrient that no zone needs, with the terms that cover it."""
    found = []
    for nutrient, per_zone in needs.items():
        if any(one.lb_per_ac > 0 for one in per_zone):
            continue
        name = "sulfur" if nutrient == "S" else nutrient
        covering = dict.fromkeys(
            f"{line.term} {-line.lb_per_ac:,.0f} lb/ac"
            for line in per_zone[0].lines if line.lb_per_ac < 0
        )
        because = f" ({', '.join(covering)})" if covering else ""
        bought = sum(line.s_lb if nutrient == "S" else line.k2o_lb for line in planned.order)
        serving = [one.pass_id for one in planned.passes
                   if one.rates.any() and nutrient in one.serves.split(" and ")]
        what = f"no {name} needed in any zone by {per_zone[0].book}{because}"
        if serving:
            found.append(warn(
                f"need-none-{nutrient.lower()}", "season", what,
                done=f"{bought:,.0f} lb come all the same: pass {', '.join(serving)} serves it at a"
                     " rate of its own",
                todo="leave that pass out, or write down why it is spread"))
            continue
        found.append(note(
            f"need-none-{nutrient.lower()}", "season", what,
            done="none is bought" if bought == 0 else f"{bought:,.0f} lb come with other products",
        ))
    return tuple(found)


def sources(plan: Plan, inputs: Inputs) -> tuple[Source, ...]:
    """The guides that the plan's needs rest on."""
    return tuple(
        find_book(inputs.books, section.book).source for section in need_sections(plan).values()
    )


def pass_request(
    told: PassSection, number: int, machine: MachineSection | None,
    materials: Mapping[str, Material], *, wetted_ac: tuple[float, ...] | None = None,
) -> products.PassRequest:
    """A pass with its machine's limits in the unit of its material (lb or gal)."""
    where = f"[[pass]] {told.id}"
    material = products.find_material(materials, told.material or "", where=where)
    unit = "gal" if material.form == "liquid" else "lb"
    limits = machine or MachineSection()

    def in_unit(section: PassSection | MachineSection, name: str) -> float | None:
        other = {"gal": "lb", "lb": "gal"}[unit]
        if getattr(section, f"{name}_{other}_per_ac", None) is not None:
            raise PlanError(
                f"{name}_{other}_per_ac does not fit {material.id}, a {material.form} material",
                code="plan-unit", where=where, hint=f"use {name}_{unit}_per_ac",
            )
        value = getattr(section, f"{name}_{unit}_per_ac", None)
        return None if value is None else float(value)

    treated = told.treated_ac if wetted_ac is None else sum(wetted_ac)
    return products.PassRequest(
        pass_id=told.id, number=number, timing=told.timing, method=told.method,
        material=material.id,
        kind="fixed" if told.rate in (None, FROM_FILE) else told.rate,
        serves="" if told.serves is None else NUTRIENT[told.serves],
        share_of_need=told.share_of_need or products.WHAT_IS_LEFT,
        fixed_rate=in_unit(told, "rate"),
        label_most=in_unit(told, "label_most"),
        label_most_season=told.label_most_season_gal_per_ac,
        treated_ac=treated if isinstance(treated, float) else None,
        treated_is_prescription=treated == "prescription",
        least=in_unit(limits, "least"), most=in_unit(limits, "most"), step=in_unit(limits, "step"),
        below_least=limits.below_least, density_lb_per_gal=told.density_lb_per_gal,
        wetted_ac=wetted_ac,
    )
