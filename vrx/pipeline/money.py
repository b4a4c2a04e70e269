"""What a season costs and takes: purchases, bids, flat against variable, what the soil keeps."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence, Set
from dataclasses import replace
from typing import Protocol

import numpy as np

from vrx import prescription
from vrx.errors import PlanError
from vrx.model import (
    Comparison,
    CropTruth,
    Finding,
    FloatArray,
    Money,
    Need,
    Prescription,
    Price,
    SoilBalance,
    Yield,
    ZoneReading,
    Zones,
    note,
)
from vrx.pipeline import aside, season
from vrx.pipeline.inputs import Inputs
from vrx.plan import Plan
from vrx.plan.allocate import materials_of
from vrx.units import SHORT_TON_LB

_FLAT = {"variable": "flat", "planned": "planned flat"}


class Prescribe(Protocol):
    """Plans a season for the needs given, all else as in the run."""

    def __call__(self, plan: Plan, *, needs: Mapping[str, Sequence[Need]]) -> Prescription:
        """The prescription of these passes."""


_SUPPLIES = re.compile(r"water brings|manure|organic matter|deposition|precipitation", re.I)
"""Terms of a need that are supplies of the season, not cuts of a guide."""


def money_of(
    plan: Plan, inputs: Inputs, made: Zones, *, readings: Mapping[str, ZoneReading],
    needs: Mapping[str, tuple[Need, ...]], truth: CropTruth, planned: Prescription,
    prescribe: Prescribe, goals: Sequence[Yield] | None = None,
) -> Money:
    """Everything that the season costs and takes, with its findings.

    `prescribe(plan, needs=...)` plans a season just as the run itself did.
    """
    prices = _prices(plan)
    area = np.asarray(planned.zone_area_ac)
    bought, said = prescription.purchases(
        planned.passes, prices, _terms(plan, planned), overage_pct=plan.order.overage_pct)
    quotes, unused = _quotes(plan, {one.material for one in bought})
    bids, told = prescription.bid_sheet(
        purchases=bought, passes=planned.passes, area_ac=float(area.sum()),
        materials=inputs.materials, prices=prices, quotes=quotes, on=plan.order.on)
    # A quote with a last day is judged by that day.
    open_quotes = [
        Price(material=f"{one.material}, quoted by {one.seller}", usd=one.usd, per=one.per,
              as_of=str(one.as_of)) for one in plan.bids if one.valid_until is None]
    ages = prescription.price_age_findings(
        [*prices, *open_quotes], on=plan.order.on, season=plan.field.season,
        days=plan.order.oldest_price_days)
    balances = _balances(plan, inputs, made, readings=readings, needs=needs, planned=planned,
                         goals=goals)
    compared = flat_or_by_zone(plan, inputs, needs=needs, planned=planned, prescribe=prescribe)
    letters = [zone.letter for zone in made.zones]
    goal = plan.yield_goal
    return Money(
        ordered_on="" if plan.order.on is None else str(plan.order.on),
        purchases=bought, bids=bids, balances=balances, comparison=compared,
        fills=prescription.tank_fills(
            planned.passes, _tanks(plan, planned), zone_area_ac=area),
        pass_words=prescription.pass_words(
            planned.passes, area=area, truth=truth,
            ton_words=f"{goal.tons_per_ac:g} tons/ac of {goal.moisture_pct:g} % moisture"),
        findings=(
            *said, *ages, *told, *unused,
            *prescription.balance_findings(balances, zone_names=letters, area=area),
            *(note("charges-flat-or-by-zone", one.flat, one.verdict) for one in compared.against),
            *(note("charges-nothing-to-vary", "season", text) for text in compared.remarks),
        ),
    )


def flat_or_by_zone(
    plan: Plan, inputs: Inputs, *, needs: Mapping[str, tuple[Need, ...]], planned: Prescription,
    prescribe: Prescribe,
) -> Comparison:
    """The plan's passes against the same passes with one rate, for the mean and the highest need.

    The flat cases go through the same planning (labels, ceilings, machines, steps), with one need
    everywhere and their variable passes flat.
    """
    area = np.asarray(planned.zone_area_ac)
    own: dict[str, FloatArray] = {
        nutrient: np.array([one.lb_per_ac for one in found]) for nutrient, found in needs.items()}
    terms = _charges(plan, inputs)
    cases = [prescription.rate_case(prescription.BY_ZONE, planned, needs=own, terms=terms)]
    remarks = _remarks(needs, planned)
    if any(one.by_hand for one in planned.passes):
        remarks.append("Rates set by hand count by zone; the flat cases are without them.")
    varied = [one for one in planned.passes if float(np.ptp(one.rates)) > 0]
    if not varied:
        if any(one.rates.any() for one in planned.passes):
            remarks.append("Every pass has one rate over the whole field: there is nothing to hold "
                           "against flat.")
        return prescription.compare(cases, terms, remarks=remarks, area_ac=float(area.sum()))
    flat_plan = plan.model_copy(update={"passes": tuple(
        one.model_copy(update={"rate": _FLAT[one.rate]}) if one.rate in _FLAT else one
        for one in plan.passes)})
    share = area / area.sum()
    for name, level in (
        (prescription.AT_MEAN, {key: float(need @ share) for key, need in own.items()}),
        (prescription.AT_HIGHEST, {key: float(need.max()) for key, need in own.items()}),
    ):
        one_need = {nutrient: tuple(replace(one, lb_per_ac=level[nutrient]) for one in found)
                    for nutrient, found in needs.items()}
        flat = prescribe(flat_plan, needs=one_need)
        cases.append(prescription.rate_case(name, flat, needs=own, terms=terms))
    return prescription.compare(cases, terms, remarks=remarks, area_ac=float(area.sum()))


def _remarks(needs: Mapping[str, tuple[Need, ...]], planned: Prescription) -> list[str]:
    """Nutrients of which there is nothing to vary, with what covers them."""
    out = []
    for nutrient, found in needs.items():
        amounts = [one.lb_per_ac for one in found]
        name = "sulfur" if nutrient == "S" else nutrient
        if max(amounts) <= 0:
            out.append(" ".join([_covered(name, found), *_brought_all_the_same(
                nutrient, planned)]))
        elif len(amounts) > 1 and max(amounts) - min(amounts) < 0.5:
            out.append(f"The {name} need is the same in every zone ({amounts[0]:,.0f} lb/ac by "
                       f"{found[0].book}): varying it moves nothing.")
    return out


def _covered(name: str, found: Sequence[Need]) -> str:
    """Why no zone needs a nutrient: water alone, water with other supplies, or the guide."""
    none = f"No {name} is needed, neither flat nor by zone."
    supplies = [[line for line in one.lines if line.lb_per_ac < 0 and _SUPPLIES.search(line.term)]
                for one in found]
    water = [-sum(line.lb_per_ac for line in lines if "water" in line.term.casefold())
             for lines in supplies]
    # The line that lifts a surplus of credits back to 0 is no need.
    base = [sum(line.lb_per_ac for line in one.lines if line.lb_per_ac > 0)
            - one.surplus_lb_per_ac for one in found]
    ends = f"count against the need of {found[0].book}, which ends at 0 in every zone"
    if min(water) > 0 and all(w >= b for w, b in zip(water, base, strict=True)):
        return (f"The irrigation water already supplies the {name}: {water[0]:,.0f} lb/ac {ends}. "
                f"{none}")
    if all(supplies) and max(base) > 0:
        listed = ", ".join(f"{line.term} {-line.lb_per_ac:,.0f} lb/ac" for line in supplies[0])
        return f"The {name} is there without any product: {listed} {ends}. {none}"
    return f"No zone needs {name} by {found[0].book}, neither flat nor varied."


def _brought_all_the_same(nutrient: str, planned: Prescription) -> list[str]:
    """Passes that are there for a nutrient which no zone needs."""
    return [
        f"Pass {one.number} brings up to "
        f"{float(one.rates.max()) * one.material.nutrient_lb_per_unit(nutrient):,.0f} lb "
        f"{nutrient}/ac for it all the same, as the plan fixes its rate: leave it out, or write "
        "down why."
        for one in planned.passes
        if one.rates.any() and nutrient in one.serves.split(" and ")
        and one.material.nutrient_lb_per_unit(nutrient) > 0]


def _prices(plan: Plan) -> list[Price]:
    return [Price(material=name, usd=one.usd, per=one.per, as_of=str(one.as_of))
            for name, one in plan.prices.items()]


def _terms(plan: Plan, planned: Prescription) -> list[prescription.SupplyTerms]:
    """How each material is sold; what the season plan buys by whole loads is sold by the load."""
    terms = [
        prescription.SupplyTerms(
            material=name, package=one.package, package_lb=one.package_lb,
            package_gal=one.package_gal, load_gal=one.load_gal,
            load_lb=None if one.load_short_tons is None else one.load_short_tons * SHORT_TON_LB,
            overage_pct=one.overage_pct, ticket_lb_per_gal=one.ticket_lb_per_gal,
            ticket=one.ticket or "")
        for name, one in plan.order.material.items()
    ]
    loads = plan.season_plan.whole_loads if plan.season_plan else {}
    bought = {_plain(one.material.id) for one in planned.passes if one.order_total > 0}
    for name, load in loads.items():
        if _plain(name) not in bought:
            continue
        own = next((one for one in terms if _plain(one.material) == _plain(name)), None)
        sold = replace(
            own or prescription.SupplyTerms(material=name), package="load", package_gal=load.gal,
            package_lb=load.lb if load.short_tons is None else load.short_tons * SHORT_TON_LB)
        terms = [*(one for one in terms if one is not own), sold]
    return terms


def _quotes(
    plan: Plan, bought: Set[str]
) -> tuple[list[prescription.BidTerms], list[Finding]]:
    """The quotes, without those for a material that a pass may carry and this season does not."""
    quotes, unused = [], []
    ordered = {_plain(name) for name in bought}
    idle = {_plain(name) for name in materials_of(plan.passes)} - ordered
    for one in plan.bids:
        if _plain(one.instead_of or one.material) in idle:
            unused.append(note(
                "bid-not-bought", f"[[bid]] of {one.seller}",
                f"{one.instead_of or one.material} is not bought this season: no pass brings any",
                done="left out of the bid sheet"))
            continue
        quotes.append(prescription.BidTerms(
            seller=one.seller, material=one.material, usd=one.usd, per=one.per,
            as_of=str(one.as_of), instead_of=one.instead_of or "",
            freight_usd_per_short_ton=one.freight_usd_per_short_ton, freight_usd=one.freight_usd,
            spreading_usd_per_ac=one.spreading_usd_per_ac, valid_until=one.valid_until,
            note=one.note or ""))
    return quotes, unused


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def _charges(plan: Plan, inputs: Inputs) -> prescription.ChargeTerms:
    told = plan.charges
    same = ("sampling_usd_per_sample", "sampling_usd_per_ac", "flat_samples", "mapping_usd_per_ac",
            "sampling_seasons", "spreading_flat_usd_per_ac", "spreading_variable_usd_per_ac",
            "injection_usd_per_ac", "hay_usd_per_ton")
    return prescription.ChargeTerms(
        samples=len(inputs.soil.sample_id), hay_tons_per_lb_short=told.response(),
        **told.model_dump(include=set(same)))


def _tanks(plan: Plan, planned: Prescription) -> dict[str, float]:
    """Pass id → what its tank or hopper holds, in the unit of its material."""
    injected = {} if plan.irrigation is None else plan.irrigation.inject
    held = {name: one.tank_gal for name, one in injected.items() if one.tank_gal is not None}
    for one in planned.passes:
        told = plan.machine.get(one.pass_id)
        if told is None:
            continue
        liquid = one.material.form == "liquid"
        wrong, right = ("hopper_lb", "tank_gal") if liquid else ("tank_gal", "hopper_lb")
        if getattr(told, wrong) is not None:
            raise PlanError(
                f"{wrong} does not fit {one.material.id}, a {one.material.form} material",
                code="plan-unit", where=f"[machine.{one.pass_id}]", hint=f"use {right}")
        size = told.tank_gal if liquid else told.hopper_lb
        if size is not None:
            held[one.pass_id] = size
    return held


def _balances(
    plan: Plan, inputs: Inputs, made: Zones, *, readings: Mapping[str, ZoneReading],
    needs: Mapping[str, tuple[Need, ...]], planned: Prescription, goals: Sequence[Yield] | None,
) -> tuple[SoilBalance, ...]:
    """K2O and S of the season, where a removal figure is known."""
    hay = list(goals) if goals else [season.expected_yield(plan)] * len(made.zones)
    removed = [season.removal(plan, inputs, one) for one in hay]
    goal = plan.yield_goal
    tons = (f"at each zone's own yield goal, {goal.tons_per_ac:g} tons/ac on the mean" if goals
            else f"at {goal.tons_per_ac:g} tons/ac") + f", {goal.moisture_pct:g} % moisture"
    told = plan.balance
    terms = prescription.BalanceTerms(
        k2o_lb_per_ppm=told.k2o_lb_per_ppm, minerals=told.soil_supplies_share,
        seasons=told.seasons, source=told.source or "")
    out = []
    for nutrient in ("K2O", "S"):
        if any(nutrient not in one for one in removed):
            continue
        other, words = _otherwise(needs.get(nutrient), len(made.zones))
        out.append(prescription.soil_balance(
            nutrient, passes=planned.passes, otherwise=other, otherwise_words=words,
            removed=np.array([one[nutrient][0] for one in removed]),
            removed_words=f"{removed[0][nutrient][1]}, {tons}",
            reading=readings.get("potassium") if nutrient == "K2O" else None,
            cec=_cec(inputs, made, readings), terms=terms))
    return tuple(out)


def _otherwise(needs: Sequence[Need] | None, zones: int) -> tuple[FloatArray, str]:
    """lb/ac that water, manure, organic matter bring by the lines of a need, and their names."""
    if needs is None:
        return np.zeros(zones), ""
    hits = [[line for line in one.lines if line.lb_per_ac < 0 and _SUPPLIES.search(line.term)]
            for one in needs]
    names = dict.fromkeys(line.term for lines in hits for line in lines)
    return (np.array([-sum(line.lb_per_ac for line in lines) for lines in hits]),
            ", ".join(names))


def _cec(
    inputs: Inputs, made: Zones, readings: Mapping[str, ZoneReading]
) -> FloatArray | None:
    if "cec" in readings:
        return readings["cec"].mean
    if "cec" not in inputs.soil.columns:
        return None
    return aside.zone_means(inputs, made, "cec")
