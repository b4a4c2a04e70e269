"""Round planned rates to what the machine can set, once, and add up what that means.

Each zone is rounded for itself to the nearest step, half up, but never above a limit: there the
step below is taken. A total is the sum of rounded rate x unrounded acres. Where rounding up would
lift a zone over the S ceiling or a label's season maximum, the pass that gives way (S before K2O
before fixed, later before earlier) takes the step below instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from vrx.errors import ComputeError, PlanError
from vrx.model import (
    BoolArray,
    Finding,
    FloatArray,
    IntArray,
    NutrientBalance,
    PassPlan,
    PassRates,
    Prescription,
    Price,
    note,
    warn,
)
from vrx.prescription.columns import column_names
from vrx.prescription.order import order_lines

TINY = 1e-9
_MOST_STEPS = 1e12
_STEP_DECIMALS = 10


def prescribe(
    *,
    zone_ids: Sequence[int],
    zone_area_ac: FloatArray,
    plans: Sequence[PassPlan],
    needs: Mapping[str, FloatArray],
    s_most_lb_per_ac: float | None,
    prices: Sequence[Price] = (),
    zone_names: Sequence[str] = (),
) -> Prescription:
    """Machine-ready rates, order and balances (arrays in the order of `zone_ids`).

    `needs` holds lb/ac of "K2O" and "S" per zone; `zone_area_ac` are unrounded acres;
    `s_most_lb_per_ac` is the ceiling that the plans were made with (None for none). `zone_names`
    are what findings call the zones (the ids where none are given).

    Raises `ComputeError` where arrays do not fit the zones, `PlanError` for prices and pass numbers
    that cannot be used.
    """
    area = np.asarray(zone_area_ac, dtype=np.float64)
    for name, array in (("zone_area_ac", area), *needs.items(),
                        *((f"pass {plan.pass_id}", plan.planned) for plan in plans)):
        if np.shape(array) != (len(zone_ids),) or not np.isfinite(array).all() or not len(zone_ids):
            raise ComputeError(f"{name}: not one number per zone ({len(zone_ids)} zones)",
                               code="prescription-shape", hint="run the plan again from its zones")
    called = tuple(zone_names) or tuple(str(zone) for zone in zone_ids)
    if len(called) != len(zone_ids):
        raise ComputeError(f"{len(called)} names for {len(zone_ids)} zones",
                           code="prescription-shape", hint="one name per zone, or none")
    ordered = sorted(plans, key=lambda plan: plan.number)
    for plan in ordered:
        if (plan.treated_ac is not None and plan.wetted_ac is None
                and np.ptp(plan.planned) > 0):
            raise PlanError("treated acres belong to a pass with one rate",
                            code="prescription-treated-acres", where=f"pass {plan.pass_id}",
                            hint="leave treated_ac out, or ask for a flat or fixed rate")
        _require_countable(plan)
    names = column_names(ordered)
    steps = [_nearest(plan) for plan in ordered]
    lowered = _hold(ordered, steps, s_most=s_most_lb_per_ac)
    passes = tuple(
        _rates(plan, step, name, area=area, zone_names=called, lowered=low)
        for plan, step, name, low in zip(ordered, steps, names, lowered, strict=True)
    )
    order, findings = order_lines(passes, prices)
    balances = tuple(
        NutrientBalance(nutrient=nutrient, need=np.asarray(need, dtype=np.float64),
                        brought=brought_lb_per_ac(passes, nutrient, len(zone_ids)))
        for nutrient, need in needs.items()
    )
    for balance in balances:
        findings += _told_balance(balance, zone_names=called, area=area, passes=passes)
    return Prescription(
        zone_ids=tuple(int(zone) for zone in zone_ids),
        zone_area_ac=tuple(float(acres) for acres in area),
        passes=passes, order=order, balances=balances, findings=tuple(findings),
    )


def _require_countable(plan: PassPlan) -> None:
    """Raise `ComputeError` for rates below 0, or of more steps than whole numbers can count."""
    where = f"pass {plan.pass_id}"
    if not (np.isfinite(plan.step) and plan.step > 0):
        raise ComputeError(f"a step of {plan.step:g} {plan.material.unit} is none",
                           code="prescription-step", where=where, hint="give a step above 0")
    if (plan.planned < 0).any() or (plan.planned > _MOST_STEPS * plan.step).any():
        raise ComputeError(
            f"rates from {plan.planned.min():g} to {plan.planned.max():g} {plan.material.unit} are"
            f" not 0 to {_MOST_STEPS:,.0f} steps of {plan.step:g}", code="prescription-step",
            where=where, hint="give the step that the machine can set, and rates of 0 or more")


def _nearest(plan: PassPlan) -> IntArray:
    """Steps nearest to the planned rates, half up, none above the pass's own limit."""
    steps = np.floor(plan.planned / plan.step + 0.5 + TINY)
    if plan.most is not None:
        steps = np.minimum(steps, np.floor(plan.most / plan.step + TINY))
    return steps.astype(np.int64)


def _floor(plan: PassPlan) -> IntArray:
    return np.floor(plan.planned / plan.step + TINY).astype(np.int64)


def _rank(plan: PassPlan) -> tuple[int, int]:
    """Order of rights of the passes; the greatest gives way first."""
    group = 0 if plan.kind == "fixed" else 1 if plan.serves == "K2O" else 2
    return group, plan.number


def _hold(
    plans: Sequence[PassPlan], steps: list[IntArray], *, s_most: float | None
) -> list[str]:
    """Take the step below where rounding up broke a limit over several passes; says which."""
    told = [""] * len(plans)
    limits: list[tuple[str, float, list[float]]] = []
    if s_most is not None:
        limits.append((f"the S ceiling of {s_most:g} lb/ac", s_most,
                       [plan.material.nutrient_lb_per_unit("S") for plan in plans]))
    for name in dict.fromkeys(plan.material.id for plan in plans):
        mosts = [plan.season_most for plan in plans
                 if plan.material.id == name and plan.season_most is not None]
        if mosts:
            limits.append((f"the label's season maximum of {min(mosts):g}", min(mosts),
                           [float(plan.material.id == name) for plan in plans]))
    for words, most, weights in limits:
        for at in sorted(range(len(plans)), key=lambda i: _rank(plans[i]), reverse=True):
            total = sum((step * plan.step * weight for step, plan, weight
                         in zip(steps, plans, weights, strict=True)),
                        start=np.zeros(len(steps[at])))
            over = (total > most + TINY) & (weights[at] > 0)
            if plans[at].kind != "variable" and np.ptp(plans[at].planned) == 0:
                over = np.full_like(over, over.any())
            lower = np.where(over, np.minimum(steps[at], _floor(plans[at])), steps[at])
            if (lower < steps[at]).any():
                told[at] = words
                steps[at] = lower.astype(np.int64)
    return told


def _rates(
    plan: PassPlan, steps: IntArray, column: str, *, area: FloatArray, zone_names: Sequence[str],
    lowered: str,
) -> PassRates:
    # 833 steps of 0.1 are 83.3 and not 83.30000000000001.
    rates = np.asarray(np.round(steps * plan.step, _STEP_DECIMALS), dtype=np.float64)
    total = float(rates @ area)
    acres = float(area.sum())
    # Only passes with one rate have acres of their own, so the first rate stands for all.
    order = total if plan.treated_ac is None else float(rates[0]) * plan.treated_ac
    if plan.wetted_ac is not None:
        order = float(rates @ plan.wetted_ac)
    found = [*plan.findings, *_told_rounding(plan, rates, area=area, zone_names=zone_names)]
    if lowered:
        found.append(note("prescription-step-below", f"pass {plan.pass_id}",
                          f"rounding up would break {lowered}", done="the step below is taken"))
    if plan.treated_ac is not None and total > 0:
        unit = plan.material.unit.removesuffix("/ac")
        beyond = plan.treated_ac - acres
        same = abs(beyond) <= 1e-6 * acres
        found.append((note if same else warn)(
                          "prescription-treated-acres", f"pass {plan.pass_id}",
                          f"{plan.treated_ac:,.2f} ac receive it, the prescription has"
                          f" {acres:,.2f} ac", value=f"{beyond:.6g} ac",
                          done=f"{order:,.1f} {unit} ordered for the acres treated,"
                               f" {total:,.1f} {unit} fall on the prescription",
                          todo="" if same else _outside_todo(beyond)))
    return PassRates(
        pass_id=plan.pass_id, number=plan.number, timing=plan.timing, method=plan.method,
        material=plan.material, serves=plan.serves, kind=plan.kind, column=column, step=plan.step,
        steps=steps, rates=rates, treated_ac=plan.treated_ac,
        wanted_total=float(plan.wanted @ area), planned_total=float(plan.planned @ area),
        prescription_total=total, order_total=order, wetted_ac=plan.wetted_ac,
        findings=tuple(found),
    )


def _outside_todo(beyond_ac: float) -> str:
    if beyond_ac < 0:
        return "make sure which acres go without, and that their need is met otherwise"
    return ("find out what is wetted outside the prescription: where it holds water, a wet"
            " hollow or a well, label and local set-backs may forbid it, so shut injector or"
            " nozzles off there")


def _told_rounding(
    plan: PassPlan, rates: FloatArray, *, area: FloatArray, zone_names: Sequence[str]
) -> list[Finding]:
    off = np.abs(rates - plan.planned) > TINY * np.maximum(1.0, plan.planned)
    if not off.any():
        return []
    where, unit = f"pass {plan.pass_id}", plan.material.unit.removesuffix("/ac")
    before, after = float(plan.planned @ area), float(rates @ area)
    percent = f" ({100 * (after - before) / before:+.1f} %)" if before > 0 else ""
    out = [note("prescription-rounding", where,
                f"{int(off.sum())} of {len(rates)} rates rounded to steps of {plan.step:g}"
                f" {plan.material.unit}: {before:,.1f} {unit} planned -> {after:,.1f} {unit}"
                f"{percent}", value=f"{after - before:.6g} {unit}",
                done="nearest step, half up, never above a limit")]
    gone = (rates == 0) & (plan.planned > 0)
    if gone.any():
        out.append(warn("prescription-rounded-to-zero", where,
                        f"{_zones(zone_names, gone, plan.planned)} below half a step of"
                        f" {plan.step:g} {plan.material.unit}", done="off there",
                        todo="give a smaller step if the machine can set it"))
    return out


def brought_lb_per_ac(passes: Sequence[PassRates], nutrient: str, zones: int) -> FloatArray:
    """lb/ac (zones,) that serve this season: elemental S does not."""
    total = np.zeros(zones)
    for one in passes:
        if not (nutrient == "S" and one.material.s_form == "elemental"):
            total = total + one.rates * one.material.nutrient_lb_per_unit(nutrient)
    return total


def _told_balance(
    balance: NutrientBalance, *, zone_names: Sequence[str], area: FloatArray,
    passes: Sequence[PassRates],
) -> list[Finding]:
    """Need against brought; a difference that the steps alone can make is only counted in."""
    out: list[Finding] = []
    name = balance.nutrient
    slack = sum((one.step * one.material.nutrient_lb_per_unit(name) / 2 for one in passes), 0.05)
    short = balance.need - balance.brought
    for code, gap, words, tell, todo in (
        (f"prescription-{name.lower()}-not-met", short, "less", warn,
         "add a pass, raise a rate or limit, or write down why less is enough"),
        (f"prescription-{name.lower()}-beyond-need", -short, "more", warn,
         "vary a flat rate, lower a fixed one, or choose a material that brings less of it"),
    ):
        hit = gap > slack
        more = gap is not short
        if hit.any() and not (more and _told_by_pass(balance, passes)):
            told = _by_product_todo(name, passes, gap, hit) if more else ""
            lb = float(gap[hit] @ area[hit])
            out.append(tell(code, "season",
                            f"{_zones(zone_names, hit, gap)}: {words} {name} than the need by"
                            f" the lb/ac in brackets, {lb:,.0f} lb in all",
                            value=f"{lb:.6g} lb {name}",
                            todo=told or todo))
    need, brought = float(balance.need @ area), float(balance.brought @ area)
    out.append(note(f"prescription-{name.lower()}-balance", "season",
                    f"need {need:,.0f} lb {name}, brought {brought:,.0f} lb"
                    f" ({brought - need:+,.0f} lb)", value=f"{brought - need:.6g} lb {name}"))
    return out


def _told_by_pass(balance: NutrientBalance, passes: Sequence[PassRates]) -> bool:
    """Whether passes that said of themselves that nobody needs the nutrient bring all of it."""
    code = f"pass-beyond-need-{balance.nutrient.lower()}"
    told = [one for one in passes if any(f.code == code for f in one.findings)]
    brought = brought_lb_per_ac(told, balance.nutrient, len(balance.need))
    return not balance.need.any() and bool(np.allclose(brought, balance.brought))


def _by_product_todo(
    name: str, passes: Sequence[PassRates], gap: FloatArray, hit: BoolArray
) -> str:
    """What to do where passes for the other nutrient bring all that is too much; "" if not so."""
    others = [one for one in passes if name not in one.serves.split(" and ") and one.rates.any()
              and one.material.nutrient_lb_per_unit(name) > 0]
    if not others or (brought_lb_per_ac(others, name, len(gap)) < gap - TINY)[hit].any():
        return ""
    named = ", ".join(one.pass_id for one in others)
    if name == "K2O" and any(one.kind != "fixed" for one in others):
        return (f"it comes with pass {named} for {others[0].serves}: give that pass a fixed rate,"
                f" so that its {name} is taken off the passes for {name}, or choose a material"
                f" without {name}")
    return (f"it comes with pass {named} for {others[0].serves}: where that matters choose a"
            f" material that brings less {name}")


def _zones(zone_names: Sequence[str], hit: BoolArray, values: FloatArray) -> str:
    at = np.flatnonzero(hit)
    named = ", ".join(f"{zone_names[i]} ({values[i]:.4g})" for i in at[:6])
    more = f" and {len(at) - 6} more" if len(at) > 6 else ""
    return f"zone{'s' if len(at) > 1 else ''} {named}{more}"
