"""The equipment sheet: swath, pattern, speed, flow, blend and catch test, from what is stated.

Nothing here moves a rate, and nothing is assumed: what is not stated is a blank for the operator.

Flow of the whole machine = rate x speed x swath / 495, in gal or lb a minute from gal or lb per
acre, mph and ft (5,280 ft a mile, 60 min an hour, 43,560 ft2 an acre; the 5,940 of sprayer guides
is the same with nozzle spacing in inches).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from vrx.errors import PlanError
from vrx.model import (
    BlendPart,
    CatchTest,
    Equipment,
    EquipmentSheet,
    Finding,
    Material,
    PassRates,
    SheetLine,
    warn,
)
from vrx.products.limits import RuleOfThumb
from vrx.units import FT2_PER_AC

OWN_RULES = Path(__file__).with_name("equipment.toml")
OK, CHECK = "in order", "check"
_FT_PER_MIN_AT_MPH = 5280.0 / 60.0
_OZ_PER_GAL = 128.0
_COMPUTED = "computed"
_SLACK = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class EquipmentRules:
    """What the sheet judges by where nothing else is stated."""

    turndown: RuleOfThumb
    pattern_cv: RuleOfThumb
    sgn_apart: RuleOfThumb
    bulk_apart: RuleOfThumb
    catch_within: RuleOfThumb


@lru_cache(maxsize=1)
def equipment_rules() -> EquipmentRules:
    """The rules of thumb that come with vrx."""
    raw = tomllib.loads(OWN_RULES.read_text(encoding="utf-8"))
    raw.pop("schema")
    return EquipmentRules(**{name: RuleOfThumb(**entry) for name, entry in raw.items()})


def flow_per_min(rate_per_ac: float, *, speed_mph: float, swath_ft: float) -> float:
    """gal/min (or lb/min) of the whole machine at a rate in gal (or lb) per acre."""
    return rate_per_ac * speed_mph * _FT_PER_MIN_AT_MPH * swath_ft / FT2_PER_AC


def caught_rate(test: CatchTest, material: Material) -> float:
    """Rate per acre that a catch test found, in the unit of the material.

    Raises `PlanError` for fluid ounces or gallons of a dry material, or without a distance.
    """
    distance_ft = test.distance_ft
    if distance_ft is None:
        if test.seconds is None or test.speed_mph is None:
            raise PlanError("a catch test needs a distance", code="plan-value",
                            hint="give distance_ft, or seconds and speed_mph")
        distance_ft = test.speed_mph * _FT_PER_MIN_AT_MPH * test.seconds / 60.0
    acres = (test.width_ft or 0.0) * distance_ft / FT2_PER_AC
    gal = test.caught_gal if test.caught_oz is None else test.caught_oz / _OZ_PER_GAL
    if material.form != "liquid":
        if test.caught_lb is None:
            raise PlanError(f"{material.id} is dry: the catch test needs pounds",
                            code="plan-catch-unit", where="catch_test", hint="give caught_lb")
        return test.caught_lb / acres
    if gal is None:
        gal = (test.caught_lb or 0.0) / material.lb_per_unit
    return gal / acres


def equipment_sheet(
    one: PassRates, told: Equipment
) -> tuple[EquipmentSheet, tuple[Finding, ...]]:
    """The sheet of one pass and what must be told about it. Raises `PlanError` as `caught_rate`."""
    lines = [
        SheetLine(item="Swath", stated=_said(told.swath_ft, "{:g} ft")),
        *_pattern(told), *_speed(one, told), *_flow(one, told), *_blend(one, told),
        *_catch(one, told)]
    found = tuple(
        warn(_code(line.item), f"pass {one.pass_id}", f"{line.item}: {line.words}",
             value=line.stated, done="no rate is changed", todo=_REMEDY[line.item])
        for line in lines if line.verdict == CHECK)
    return EquipmentSheet(pass_id=one.pass_id, number=one.number, material=one.material.id,
                          lines=tuple(lines)), found


_REMEDY: Mapping[str, str] = {
    "Pattern test": "set the spreader and test the pattern again, or take a narrower swath",
    "Flow": "change the speed, or take other nozzles, gates or a wider range of the meter",
    "Turndown": "hold a narrower range of speed, even out the rates, or take nozzles that vary",
    "Particle size": "take parts of like size, or spread them one after the other",
    "Bulk density": "take parts of like density, and empty the hopper between loads",
    "Catch test": "calibrate before loading the prescription, then catch again",
}


def _code(item: str) -> str:
    return {
        "Pattern test": "equipment-pattern-uneven",
        "Flow": "equipment-flow-range",
        "Turndown": "equipment-turndown",
        "Particle size": "equipment-blend-sizes",
        "Bulk density": "equipment-blend-densities",
        "Catch test": "equipment-catch-off",
    }[item]


def _said(value: object, form: str) -> str:
    return "" if value is None else form.format(value)


def _pattern(told: Equipment) -> list[SheetLine]:
    rule = equipment_rules().pattern_cv
    done = _said(told.pattern_tested_on, "done on {}")
    if told.pattern_cv_pct is None:
        return [SheetLine(item="Pattern test", stated=done)]
    even = told.pattern_cv_pct <= rule.value
    return [SheetLine(
        item="Pattern test",
        stated=", ".join(filter(None, (done, f"CV {told.pattern_cv_pct:g} %"))),
        verdict=OK if even else CHECK,
        words=f"coefficient of variation {told.pattern_cv_pct:g} %, "
              f"{'within' if even else 'above'} {rule.value:g} %", source=rule.cite())]


def _spread(one: PassRates) -> tuple[float, float] | None:
    """Least rate beside 0 and the greatest; None where nothing is spread."""
    on = one.rates[one.rates > 0]
    return (float(on.min()), float(on.max())) if on.size else None


def _unit(one: PassRates) -> str:
    return one.material.unit.split("/")[0]


def _speed(one: PassRates, told: Equipment) -> list[SheetLine]:
    stated = "" if told.speed_mph is None else "{:g} to {:g} mph".format(*told.speed_mph)
    rates, flow = _spread(one), told.flow_per_min
    if rates is None or flow is None or told.swath_ft is None:
        return [SheetLine(item="Speed", stated=stated)]
    per_mph = [flow_per_min(rate, speed_mph=1.0, swath_ft=told.swath_ft) for rate in rates]
    slowest, fastest = flow[0] / per_mph[0], flow[1] / per_mph[1]
    unit = one.material.unit
    words = (
        f"the meter holds {rates[0]:g} {unit} from {slowest:.1f} to {fastest:.1f} mph"
        if rates[0] == rates[1] else
        f"the meter holds {rates[0]:g} {unit} from {slowest:.1f} mph up and "
        f"{rates[1]:g} {unit} up to {fastest:.1f} mph")
    if slowest > fastest:
        words += ": no one speed holds both"
    return [SheetLine(item="Speed", stated=stated, words=words, source=_COMPUTED)]


def _flow(one: PassRates, told: Equipment) -> list[SheetLine]:
    """Flow needed over rates and speeds against what the meter can do, and its ratio."""
    unit = f"{_unit(one)}/min"
    meter = "" if told.flow_per_min is None else (
        "meter {:g} to {:g} ".format(*told.flow_per_min) + unit)
    rates = _spread(one)
    rule = equipment_rules().turndown
    kind = {None: "", True: "fixed orifice", False: "no fixed orifice"}[told.fixed_orifice]
    ratio = _said(told.turndown, "{:g} to 1 by its maker")
    blank = [SheetLine(item="Flow", stated=meter),
             SheetLine(item="Turndown", stated=ratio or kind)]
    if rates is None or told.swath_ft is None or told.speed_mph is None:
        return blank
    least = flow_per_min(rates[0], speed_mph=told.speed_mph[0], swath_ft=told.swath_ft)
    most = flow_per_min(rates[1], speed_mph=told.speed_mph[1], swath_ft=told.swath_ft)
    need = f"needs {least:.3g} to {most:.3g} {unit}"
    verdict, words = "", need
    if told.flow_per_min is not None:
        low, high = told.flow_per_min
        fits = low <= least * (1 + _SLACK) and most <= high * (1 + _SLACK)
        verdict = OK if fits else CHECK
        words = f"{need}, the meter gives {low:g} to {high:g}"
    lines = [SheetLine(item="Flow", stated=meter, verdict=verdict, words=words, source=_COMPUTED)]
    need_ratio = most / least
    limit, source = told.turndown, "as stated"
    if limit is None and one.material.form == "liquid" and told.fixed_orifice is not False:
        limit, source = rule.value, rule.cite()
    if limit is None:
        return [*lines, SheetLine(item="Turndown", stated=ratio or kind,
                                  words=f"needs {need_ratio:.2f} to 1", source=_COMPUTED)]
    holds = need_ratio <= limit * (1 + _SLACK)
    return [*lines, SheetLine(
        item="Turndown", stated=ratio or kind, verdict=OK if holds else CHECK,
        words=f"needs {need_ratio:.2f} to 1 (rates {rates[1] / rates[0]:.2f}, speeds "
              f"{told.speed_mph[1] / told.speed_mph[0]:.2f}), "
              f"{'within' if holds else 'beyond'} {limit:g} to 1", source=source)]


def _blend(one: PassRates, told: Equipment) -> list[SheetLine]:
    """Parts of a dry blend held against each other; nothing for a material of one part."""
    if one.material.form == "liquid" or (len(one.material.parts) < 2 and len(told.parts) < 2):
        return []
    names = [part.name for part in told.parts]
    if len(one.material.parts) > 1:
        strangers = [name for name in names if name not in dict(one.material.parts)]
        if strangers:
            raise PlanError(
                f"{strangers[0]!r} is no part of {one.material.id}", code="plan-blend-part",
                where=f"machine.{one.pass_id}.blend_part",
                hint=f"its parts: {', '.join(name for name, _ in one.material.parts)}")
        names = [name for name, _ in one.material.parts]
    held = {part.name: part for part in told.parts}
    parts = [held.get(name, BlendPart(name=name)) for name in names]
    rules = equipment_rules()
    sizes = {one.name: one.sgn for one in parts}
    weights = {one.name: one.bulk_lb_per_ft3 for one in parts}
    return [
        _beside("Particle size", sizes, "SGN {:g}", rules.sgn_apart),
        _beside("Bulk density", weights, "{:g} lb/ft3", rules.bulk_apart)]


def _beside(
    item: str, values: Mapping[str, float | None], form: str, rule: RuleOfThumb
) -> SheetLine:
    """One property of all parts; how far they lie apart is judged where all are stated."""
    known = {name: value for name, value in values.items() if value is not None}
    stated = "; ".join(f"{name} {form.format(value)}" for name, value in known.items())
    if len(known) < len(values):
        return SheetLine(item=item, stated=stated)
    low, high = min(known.values()), max(known.values())
    share = rule.unit.startswith("%")
    gap, unit = (100.0 * (high / low - 1.0), " %") if share else (high - low, "")
    near = gap <= rule.value * (1 + _SLACK)
    return SheetLine(
        item=item, stated=stated, verdict=OK if near else CHECK,
        words=f"parts lie {gap:.3g}{unit} apart, {'within' if near else 'beyond'} "
              f"{rule.value:g}{unit}", source=rule.cite())


def _catch(one: PassRates, told: Equipment) -> list[SheetLine]:
    if told.catch is None:
        return [SheetLine(item="Catch test", stated="")]
    test, unit = told.catch, one.material.unit
    found = caught_rate(test, one.material)
    caught = next(f"{value:g} {word}" for value, word in (
        (test.caught_lb, "lb"), (test.caught_gal, "gal"), (test.caught_oz, "fl oz"),
    ) if value is not None)
    over = (f"{test.distance_ft:g} ft" if test.distance_ft is not None
            else f"{test.seconds:g} s at {test.speed_mph:g} mph")
    stated = f"{_said(test.on, '{}: ')}{caught} over {test.width_ft:g} ft by {over}"
    words = f"{found:.4g} {unit} caught"
    if test.set_rate is None:
        return [SheetLine(item="Catch test", stated=stated, words=words, source=_COMPUTED)]
    rule = equipment_rules().catch_within
    off = 100.0 * (found / test.set_rate - 1.0)
    said = round(off, 1) + 0.0  # no -0.0
    near = abs(off) <= rule.value * (1 + _SLACK)
    return [SheetLine(
        item="Catch test", stated=stated, verdict=OK if near else CHECK,
        words=f"{words}, {test.set_rate:g} set ({said:+.1f} %), "
              f"{'within' if near else 'beyond'} {rule.value:g} %", source=rule.cite())]
