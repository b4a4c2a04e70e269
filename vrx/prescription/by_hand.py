"""Rates of single zones set by hand: held to machine, label and ceilings, and told beside the rule.

Needs and the other rates of a plan stay as they are; a rate by hand takes the place of the rule's
in its zone, and totals, order and balance follow. It is a whole number of machine steps, so that
nothing rounds it. Nothing of it is lowered to keep a limit: what breaks one stops the run.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType

import numpy as np

from vrx.errors import InputError, PlanInfeasible
from vrx.model import (
    Finding,
    FloatArray,
    Material,
    PassPlan,
    PassRates,
    Prescription,
    Price,
    note,
    stop,
    warn,
)
from vrx.model.by_hand import RateByHand, RateOverride
from vrx.prescription.rates import TINY, prescribe

_REASONS = Path(__file__).with_name("reasons.toml")
_SUM = 1e-6
"""What adding up rates may leave beyond a ceiling, lb/ac (that of `products.ceilings`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RateLimits:
    """Limits of one pass in its material's unit: the machine's least and most, the label's most."""

    least: float | None = None
    most: float | None = None
    label_most: float | None = None


NO_LIMITS: Mapping[str, RateLimits] = MappingProxyType({})
NO_CEILINGS: Mapping[str, float] = MappingProxyType({})


@lru_cache(maxsize=1)
def rate_reasons() -> tuple[tuple[str, bool], ...]:
    """The reasons for a rate by hand, and whether each asks for words of the user's own."""
    told = tomllib.loads(_REASONS.read_text(encoding="utf-8"))["reason"]
    return tuple((one["words"], bool(one.get("asks_for_words", False))) for one in told)


def require_reason(reason: str, words: str) -> str:
    """The reason as the list has it. Raises `InputError` for another one, or for missing words."""
    known = {name.casefold(): (name, asks) for name, asks in rate_reasons()}
    found = known.get(" ".join(reason.split()).casefold())
    listed = ", ".join(f'"{name}"' for name, _ in rate_reasons())
    if found is None:
        raise InputError(f"{reason!r} is no reason of the list", code="prescription-by-hand-reason",
                         where="the reason", hint=f"choose one of {listed}")
    if found[1] and not words.strip():
        raise InputError(f"{found[0]!r} asks for words of your own",
                         code="prescription-by-hand-reason", where="the reason",
                         hint="say in a few words why")
    return found[0]


def prescribe_by_hand(
    *,
    by_hand: Sequence[RateOverride],
    zone_ids: Sequence[int],
    zone_area_ac: FloatArray,
    plans: Sequence[PassPlan],
    needs: Mapping[str, FloatArray],
    s_most_lb_per_ac: float | None,
    prices: Sequence[Price] = (),
    zone_names: Sequence[str] = (),
    limits: Mapping[str, RateLimits] = NO_LIMITS,
    most_lb_per_ac: Mapping[str, float] = NO_CEILINGS,
    k2o_split_lb_per_ac: float | None = None,
) -> Prescription:
    """`prescribe` with the rates by hand in their zones; without any it is just that.

    `limits` are those of each pass by id, `most_lb_per_ac` ceilings of the season beside that of S
    ("K2O", "N", "Cl"), `k2o_split_lb_per_ac` the K2O of one pass above which splitting is advised.

    Raises `PlanInfeasible` with one stop finding for each rate by hand that cannot be: no such zone
    or pass, another material, no whole step, beyond a limit (which is named).
    """
    names = tuple(zone_names) or tuple(str(one) for one in zone_ids)

    def made(of: Sequence[PassPlan]) -> Prescription:
        return prescribe(zone_ids=zone_ids, zone_area_ac=zone_area_ac, plans=of, needs=needs,
                         s_most_lb_per_ac=s_most_lb_per_ac, prices=prices, zone_names=names)

    ruled = made(plans)
    if not by_hand:
        return ruled
    place = {zone_id: at for at, zone_id in enumerate(zone_ids)}
    held = {plan.pass_id: plan for plan in plans}
    wrong = [one for each in by_hand
             for one in _wrong(each, place, names, held, limits)]
    _raise(wrong)
    done = made([_with(plan, by_hand, place) for plan in plans])
    ceilings = dict(most_lb_per_ac)
    if s_most_lb_per_ac is not None:
        ceilings["S"] = s_most_lb_per_ac
    _raise(_beyond(by_hand, done, place, names, plans=held, ceilings=ceilings))
    passes = tuple(
        _told(one, rule, by_hand, place, names, area=zone_area_ac, split=k2o_split_lb_per_ac)
        for one, rule in zip(done.passes, ruled.passes, strict=True))
    return replace(done, passes=passes)


def _raise(wrong: Sequence[Finding]) -> None:
    if wrong:
        raise PlanInfeasible(
            "; ".join(f"{one.where}: {one.what}" for one in wrong), code=wrong[0].code,
            findings=wrong, hint="; ".join(dict.fromkeys(one.todo for one in wrong if one.todo)))


def _where(one: RateOverride, place: Mapping[int, int], names: Sequence[str]) -> str:
    at = place.get(one.zone_id)
    zone = f"zone {names[at]}" if at is not None else f"zone with id {one.zone_id}"
    return f"{zone}, pass {one.pass_id}"


_CLEAR = "set the rate anew, or clear it: vrx edits FOLDER --clear ZONE:PASS"


def _wrong(
    one: RateOverride, place: Mapping[int, int], names: Sequence[str],
    plans: Mapping[str, PassPlan], limits: Mapping[str, RateLimits],
) -> list[Finding]:
    """Why a rate cannot stand, judged alone."""
    where = _where(one, place, names)
    plan = plans.get(one.pass_id)
    if one.zone_id not in place or plan is None:
        what = "zone is" if one.zone_id not in place else "pass is"
        return [stop("prescription-by-hand-unknown", where,
                     f"a rate of {one.rate:g} {one.unit} was set by hand, and the {what} not there"
                     " any more", todo=_CLEAR)]
    material = plan.material
    if material.id != one.material or material.unit != one.unit:
        return [stop("prescription-by-hand-material", where,
                     f"{one.rate:g} {one.unit} was set by hand for {one.material}, and the pass"
                     f" now carries {material.id} ({material.unit})", todo=_CLEAR)]
    out: list[Finding] = []
    if not (math.isfinite(one.rate) and one.rate >= 0):
        return [stop("prescription-by-hand-value", where, f"{one.rate:g} is no rate",
                     todo="give a number of 0 or more")]
    single = plan.wetted_ac is None and (
        plan.treated_ac is not None or plan.method == "through irrigation")
    if single and len(place) > 1:
        out.append(stop("prescription-by-hand-one-rate", where,
                        "the pass has one rate for all it treats: what is injected cannot differ"
                        " from zone to zone", todo="change the rate of the pass in the plan"))
    steps = one.rate / plan.step
    if abs(steps - round(steps)) > TINY * max(1.0, steps):
        below, above = (math.floor(steps) * plan.step, math.ceil(steps) * plan.step)
        out.append(stop("prescription-by-hand-step", where,
                        f"{one.rate:g} {one.unit} is no whole number of machine steps of"
                        f" {plan.step:g}", todo=f"give {below:.10g} or {above:.10g}"))
    out += _past_limits(one, where, plan, limits.get(one.pass_id, RateLimits()))
    return out


def _past_limits(
    one: RateOverride, where: str, plan: PassPlan, held: RateLimits
) -> list[Finding]:
    unit = one.unit
    tops = {"the label's maximum for one pass": held.label_most, "the machine's most": held.most,
            "the label's maximum of the season": plan.season_most,
            "the most that the plan lets this pass carry": plan.most}
    over = {words: top for words, top in tops.items()
            if top is not None and one.rate > top + TINY * max(1.0, top)}
    if over:
        words, top = min(over.items(), key=lambda item: item[1])
        return [stop("prescription-by-hand-limit", where, f"{one.rate:g} {unit} is above {words},"
                     f" {top:g} {unit}", value=f"{one.rate:.6g} {unit}",
                     todo=f"give {top:g} {unit} or less")]
    if held.least and 0 < one.rate < held.least - TINY * max(1.0, held.least):
        return [stop("prescription-by-hand-limit", where,
                     f"{one.rate:g} {unit} is below the machine's least, {held.least:g} {unit}",
                     value=f"{one.rate:.6g} {unit}",
                     todo=f"give 0, or {held.least:g} {unit} and more")]
    return []


def _with(
    plan: PassPlan, by_hand: Sequence[RateOverride], place: Mapping[int, int]
) -> PassPlan:
    mine = [one for one in by_hand if one.pass_id == plan.pass_id]
    if not mine:
        return plan
    planned = plan.planned.copy()
    for one in mine:
        planned[place[one.zone_id]] = one.rate
    several = float(np.ptp(planned)) > 0
    # A flat pass with a rate by hand is flat no more; a fixed one stays what the user fixed.
    kind = "variable" if plan.kind == "flat" and several else plan.kind
    return replace(plan, planned=planned, kind=kind)


def _beyond(
    by_hand: Sequence[RateOverride], done: Prescription, place: Mapping[int, int],
    names: Sequence[str], *, plans: Mapping[str, PassPlan], ceilings: Mapping[str, float],
) -> list[Finding]:
    """Ceilings of the season, and season maxima of labels, that zones with a rate by hand break."""
    out: list[Finding] = []
    made = {one.pass_id: one for one in done.passes}
    for one in by_hand:
        at, carried = place[one.zone_id], made[one.pass_id]
        where = _where(one, place, names)
        season = plans[one.pass_id].season_most
        checks = [(f"your ceiling of {top:g} lb {name}/ac", top,
                   [each.material.nutrient_lb_per_unit(name) for each in done.passes],
                   f"lb {name}/ac") for name, top in ceilings.items()]
        if season is not None:
            checks.append((f"the label's maximum of the season, {season:g}", season,
                           [float(each.material.id == carried.material.id)
                            for each in done.passes], one.unit))
        for words, top, weights, unit in checks:
            brought = sum(float(each.rates[at]) * weight
                          for each, weight in zip(done.passes, weights, strict=True))
            mine = weights[[each.pass_id for each in done.passes].index(one.pass_id)]
            if mine > 0 and one.rate > 0 and brought > top + _SUM:
                out.append(stop(
                    "prescription-by-hand-ceiling", where,
                    f"{one.rate:g} {one.unit} set by hand brings all passes there to"
                    f" {brought:.4g} {unit}, above {words}", value=f"{brought:.6g} {unit}",
                    todo="lower this rate, or that of another pass in the zone"))
    return out


def _difference(
    one: RateByHand, material: Material, *, acres: float, where: str, split: float | None
) -> Finding:
    """A rate by hand beside the rule's, and the pounds between them."""
    moved = one.rate - one.rule_rate
    pounds = [f"{lb:+,.1f} lb {name}" for name, lb in (("K2O", one.k2o_lb), ("S", one.s_lb))
              if material.nutrient_lb_per_unit(name) > 0]
    brings = {name: one.rate * material.nutrient_lb_per_unit(name) for name in ("K2O", "N", "Cl")}
    beside = [f"{brings[name]:.1f} lb {name}/ac" for name in ("N", "Cl") if brings[name] > 0]
    what = (f"{one.rate:g} {one.unit} set by hand, the rule gives {one.rule_rate:g} {one.unit}"
            + (f": {', '.join(pounds)} over {acres:.2f} ac" if pounds and moved else "")
            + f" ({one.because})" + (f"; brings {', '.join(beside)}" if beside else ""))
    more = {
        "value": f"{moved * acres:.6g} {one.unit.removesuffix('/ac')}",
        "done": "the rate by hand is used; the need stays as it was",
        "todo": f"{brings['K2O']:.0f} lb K2O/ac in one pass: split it over two passes"
        if split is not None and brings["K2O"] > split + TINY else ""}
    if moved == 0:
        return note("prescription-by-hand", where, what, **more)
    return warn("prescription-by-hand", where, what, **more)


def _told(
    one: PassRates, rule: PassRates, by_hand: Sequence[RateOverride], place: Mapping[int, int],
    names: Sequence[str], *, area: FloatArray, split: float | None,
) -> PassRates:
    """The pass with its rates by hand beside the rule's, and what they move."""
    held: list[RateByHand] = []
    found: list[Finding] = []
    unit, material = one.material.unit, one.material
    for each in sorted(by_hand, key=lambda item: place[item.zone_id]):
        if each.pass_id != one.pass_id:
            continue
        at = place[each.zone_id]
        was, now = float(rule.rates[at]), float(one.rates[at])
        acres = float(area[at])
        moved = {name: (now - was) * material.nutrient_lb_per_unit(name) * acres
                 for name in ("K2O", "S")}
        held.append(RateByHand(
            zone_id=each.zone_id, letter=names[at], rule_rate=was, rate=now, unit=unit,
            k2o_lb=moved["K2O"], s_lb=moved["S"], reason=each.reason, words=each.words))
        found.append(_difference(
            held[-1], material, acres=acres, where=f"zone {names[at]}, pass {one.pass_id}",
            split=split))
    if not held:
        return one
    if rule.kind == "flat" and one.kind != "flat":
        found.append(warn(
            "prescription-by-hand-varies", f"pass {one.pass_id}",
            "was planned with one rate over the field; rates by hand give it several",
            done="written as a variable pass", todo="make sure that the machine can vary its rate"))
    return replace(one, by_hand=tuple(held), rule_planned_total=rule.planned_total,
                   findings=(*one.findings, *found))
