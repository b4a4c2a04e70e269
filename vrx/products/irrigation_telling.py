"""What the user must be told about an injection schedule."""

from __future__ import annotations

import re
from collections.abc import Sequence

from vrx.model import Finding, InjectionLeg, InjectionSchedule, note, stop, warn
from vrx.products.irrigation_rules import irrigation_rules

_SAME = 1e-6
_TOLERANCE = 0.01
"""Share by which acres that the plan states may differ from those that the geometry gives."""
_LEAST_SHARE = 0.1
"""Of the field; a pivot that wets less of it is another field's, or drawn in other units."""


def _where(made: InjectionSchedule) -> str:
    return f"pass {made.pass_id}"


def _legs(legs: Sequence[InjectionLeg], values: Sequence[float], unit: str) -> str:
    named = ", ".join(f"{leg.label} ({value:.4g} {unit})"
                      for leg, value in zip(legs[:6], values, strict=False))
    return named + (f" and {len(legs) - 6} more" if len(legs) > 6 else "")


def about_rates(made: InjectionSchedule, *, label_most: float | None) -> list[Finding]:
    """A fixed setting brings other rates where the acres an hour change; no leg may pass a label.

    The label binds every leg, not their mean.
    """
    live = [leg for leg in made.legs if leg.injecting and leg.wanted_gal_per_ac > 0]
    out: list[Finding] = []
    within = irrigation_rules().rate_within
    off = [leg for leg in live
           if abs(leg.gal_per_ac / leg.wanted_gal_per_ac - 1.0) > within.value / 100.0]
    if off:
        out.append(warn(
            "irrigation-rate-strays", _where(made),
            f"one pump setting, {made.legs[0].gal_per_h or off[0].gal_per_h:,.1f} gal/h, on ground"
            " that is covered at different acres an hour gives other rates than asked: "
            + _legs(off, [leg.gal_per_ac for leg in off], "gal/ac"),
            value=f"{100 * max(abs(leg.gal_per_ac / leg.wanted_gal_per_ac - 1) for leg in off):.3g}"
                  " %",
            done=f"told beyond {within.value:g} % ({within.cite()})",
            todo='set the injector anew for each leg (injector = "set anew"; the settings are in '
                 "the schedule), or keep speed and end gun the same all round"))
    if label_most is not None:
        above = [leg for leg in live if leg.gal_per_ac > label_most * (1 + 1e-9)]
        if above:
            out.append(stop(
                "irrigation-above-label", _where(made),
                f"more than the label's {label_most:g} gal/ac falls on "
                + _legs(above, [leg.gal_per_ac for leg in above], "gal/ac"),
                value=f"{max(leg.gal_per_ac for leg in above):.4g} gal/ac",
                todo="lower the rate, set the injector anew for each leg, or keep the speed the "
                     "same all round"))
    return out


def about_pump(
    made: InjectionSchedule, *, least: float | None, most: float | None
) -> list[Finding]:
    """Settings that the pump cannot run at."""
    where, live = _where(made), [leg for leg in made.legs if leg.gallons > 0]
    slow = [leg for leg in live if least is not None and leg.gal_per_h < least * (1 - 1e-9)]
    fast = [leg for leg in live if most is not None and leg.gal_per_h > most * (1 + 1e-9)]
    shown = 1 if made.injector == "fixed" else len(live)
    out: list[Finding] = []
    if slow:
        out.append(stop(
            "irrigation-pump-range", where,
            f"the pump would run below what it can, {least:g} gal/h: "
            + _legs(slow[:shown], [leg.gal_per_h for leg in slow], "gal/h"),
            todo="plan fewer hours, take a smaller pump, or thin the product if its label allows"))
    if fast:
        out.append(stop(
            "irrigation-pump-range", where,
            f"the pump would run above what it can, {most:g} gal/h: "
            + _legs(fast[:shown], [leg.gal_per_h for leg in fast], "gal/h"),
            todo="plan more hours, or take a larger pump"))
    return out


def about_acres(
    made: InjectionSchedule, *, field_ac: float | None, off_ac: float
) -> list[Finding]:
    """Acres and gallons of the schedule against those of the field and of the order.

    `off_ac` are acres of the field where the plan keeps the injector off.
    """
    out: list[Finding] = []
    apart = abs(made.total_gal - made.order_gal)
    if apart > _TOLERANCE * max(made.total_gal, made.order_gal):
        out.append(stop(
            "irrigation-order-differs", _where(made),
            f"the water wets {made.wetted_ac:,.2f} ac with product, {made.total_gal:,.1f} gal; the"
            f" pass orders {made.order_gal:,.1f} gal", value=f"{apart:.6g} gal",
            todo="leave treated_ac out of the pass, so that it follows the wetted acres, or correct"
                 " the geometry in [irrigation]"))
    elif apart > _SAME * made.total_gal:
        out.append(note(
            "irrigation-order-rounded", _where(made),
            f"{made.total_gal:,.2f} gal for the {made.wetted_ac:,.2f} ac wetted,"
            f" {made.order_gal:,.2f} gal ordered by treated_ac of the pass",
            value=f"{apart:.6g} gal", done="within 1 %: the order stands as the pass says"))
    inside = [leg.field_ac for leg in made.legs if leg.field_ac is not None]
    if inside and field_ac is not None:
        watered = sum(inside)
        if watered < _LEAST_SHARE * field_ac:
            out.append(stop(
                "irrigation-elsewhere", _where(made),
                f"only {watered:,.2f} of the field's {field_ac:,.2f} ac lie under the pivot",
                value=f"{watered:.6g} ac",
                todo="check centre ([longitude, latitude], longitude first) and radius_ft (feet)"))
        elif field_ac - watered > 0.005 * field_ac:
            out.append(warn(
                "irrigation-field-dry", _where(made),
                f"{field_ac - watered:,.2f} of the field's {field_ac:,.2f} ac lie beyond the"
                " water", value=f"{field_ac - watered:.6g} ac",
                done="the schedule brings nothing there",
                todo="check centre and radius, or meet the need there otherwise"))
        if off_ac > 0:
            out.append(note(
                "irrigation-off-in-field", _where(made),
                f"{off_ac:,.2f} ac of the field lie where the injector is off",
                value=f"{off_ac:.6g} ac", todo="meet their need otherwise"))
    return out


def about_evenness(
    made: InjectionSchedule, *, least_pct: float | None, is_surface: bool
) -> list[Finding]:
    """Product falls as evenly as water: what the driest quarter gets by the uniformity stated."""
    rules = irrigation_rules()
    rule = rules.surface_uniformity_least if is_surface else rules.sprinkler_uniformity_least
    if made.uniformity_pct is None:
        return [warn(
            "irrigation-uniformity-missing", _where(made),
            "how evenly the water spreads is not stated, and product spreads no better",
            todo="measure it with catch cans and give distribution_uniformity_pct")]
    least, cite = (rule.value, rule.cite()) if least_pct is None else (least_pct, "your own limit")
    if made.uniformity_pct >= least:
        return []
    mean = made.total_gal / made.wetted_ac
    return [warn(
        "irrigation-uneven", _where(made),
        f"distribution uniformity is {made.uniformity_pct:g} %, below {least:g} % ({cite}): the"
        f" driest quarter gets {mean * made.uniformity_pct / 100:.3g} of {mean:.3g} gal/ac",
        value=f"{made.uniformity_pct:g} %",
        todo="mend nozzles, pressure or grade first, or spread it another way")]


def about_flush(made: InjectionSchedule) -> list[Finding]:
    """The flush must reach the far end, and a change at the pump gets there late."""
    if made.line_h is None:
        return []
    out: list[Finding] = []
    if made.flush_h < made.line_h:
        out.append(warn(
            "irrigation-flush-short", _where(made),
            f"{60 * made.flush_h:.0f} min of clean water do not fill the pipe once, which takes"
            f" {60 * made.line_h:.0f} min", value=f"{made.flush_h:.4g} h",
            todo=f"flush {1.5 * made.line_h:.2g} h or longer"))
    if made.is_pivot and (not made.one_setting or not all(leg.injecting for leg in made.legs)):
        out.append(note(
            "irrigation-lag", _where(made),
            f"a change at the pump reaches the far end {60 * made.line_h:.0f} min later or more",
            value=f"{made.line_h:.4g} h",
            todo="change the setting that much before the mark, and keep clear of ground that must"
                 " get none"))
    return out


def about_places(made: InjectionSchedule, *, to_water_ft: float | None) -> list[Finding]:
    """Where the product enters the water."""
    rule = irrigation_rules().water_distance
    if to_water_ft is None or to_water_ft > rule.value:
        return []
    return [warn(
        "irrigation-point-near-water", _where(made),
        f"the injection point is {to_water_ft:g} ft from a wellhead, waterway or ditch; one state"
        f" forbids {rule.value:g} ft or less ({rule.cite()})", value=f"{to_water_ft:g} ft",
        todo="move it, or make sure what your state asks")]


def about_tailwater(
    made: InjectionSchedule, *, tailwater: str | None, to_water_ft: float | None
) -> list[Finding]:
    """Water that runs over the ground carries product away: where it goes must be known."""
    where = _where(made)
    if tailwater is None:
        return [stop(
            "irrigation-tailwater-missing", where,
            f"{made.system} irrigation is asked for, and the plan does not say where its tailwater"
            " goes",
            todo='give tailwater = "none" (ends blocked, none runs off), "returned" (caught and'
                 ' used again on this field) or "leaves the field"')]
    if tailwater == "leaves the field":
        return [stop(
            "irrigation-tailwater-leaves", where,
            "tailwater leaves the field and would carry product with it",
            todo="catch it and use it again, block the ends, or spread the product another way")]
    out = [warn(
        "irrigation-surface-uneven", where,
        f"{made.system} irrigation brings the upper end more water than the lower, and product"
        " with it", done="gallons are those of the set as a whole",
        todo="let clean water reach the far end first, inject into the rest of the set, and cut"
             " back before water stands at the lower end")]
    if to_water_ft is None:
        out.append(warn(
            "irrigation-tailwater-distance", where,
            "how far the field's lower end is from open water or an off-farm ditch is not stated",
            todo="give tailwater_to_water_ft, and keep the set-back of label and state"))
    elif to_water_ft <= irrigation_rules().water_distance.value:
        out.append(warn(
            "irrigation-tailwater-near", where,
            f"the lower end is {to_water_ft:g} ft from open water or an off-farm ditch",
            value=f"{to_water_ft:g} ft",
            todo="spill of any kind reaches it: make sure what label and state ask, or do not"
                 " inject"))
    return out


def about_stubble(
    made: InjectionSchedule, *, timing: str, thiosulfate: bool
) -> list[Finding]:
    """Thiosulfate belongs onto stubble; a round of many sets ends on regrowth."""
    if not thiosulfate or not re.search(r"stubble|cutting", timing, re.IGNORECASE):
        return []
    rule = irrigation_rules().stubble_days
    days = made.days
    if days <= rule.value:
        return []
    return [warn(
        "irrigation-past-stubble", _where(made),
        f"the round takes {days:.2g} days; regrowth starts about {rule.value:g} days after cutting"
        f" ({rule.cite()}), so the last ground is wetted on leaves", value=f"{days:.3g} days",
        todo="run more sets a day, inject into those that are soonest cut only, or spread it"
             " another way: thiosulfate is for bare stubble, until about 2 in of regrowth")]


def about_set(
    made: InjectionSchedule, *, thiosulfate: bool, inject_h: float, before_h: float
) -> list[Finding]:
    """Hours within a set: the flush that is left, and how thiosulfate should go in."""
    where, out = _where(made), list[Finding]()
    set_h = made.set_h or 0.0
    after = set_h - before_h - inject_h
    if after < made.flush_h - 1e-9:
        out.append(stop(
            "irrigation-set-too-short", where,
            f"a set of {set_h:g} h with {before_h:g} h of clean water and {inject_h:g} h of product"
            f" leaves {max(after, 0.0):.3g} h to flush, {made.flush_h:g} h are asked",
            todo="shorten the injection or lengthen the set"))
    if not thiosulfate:
        return out
    rules = irrigation_rules()
    low, high = rules.thiosulfate_least_h, rules.thiosulfate_most_h
    if not low.value <= inject_h <= high.value:
        out.append(warn(
            "irrigation-thiosulfate-hours", where,
            f"{inject_h:g} h of injection; {low.value:g} to {high.value:g} h are advised"
            f" ({low.cite()})", value=f"{inject_h:g} h",
            todo="change inject_h; what the label says comes first"))
    share = rules.thiosulfate_clean_share
    if set_h > 0 and before_h < share.value * set_h - 1e-9:
        out.append(warn(
            "irrigation-thiosulfate-early", where,
            f"injection begins after {before_h:g} of {set_h:g} h ({share.cite()})",
            value=f"{before_h:g} h", todo=f"begin after {share.value * set_h:.3g} h or later"))
    return out
