"""Injection through the irrigation: pump settings, gallons and tank fills, leg by leg.

gal/h = gal/ac x ac/h (University of Nebraska), so over a leg gallons = gal/h x hours = gal/ac x
acres wetted. An injector that is set anew for every leg holds the rate; one that keeps its setting
brings each leg gal/h / (ac/h), less where the machine covers more acres in an hour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from vrx.errors import PlanError
from vrx.model import InjectionLeg, InjectionSchedule, Material, TankFill
from vrx.products import irrigation_steps as steps
from vrx.products import irrigation_telling as telling
from vrx.products.irrigation_pivot import Pivot, Turn, parts_of_turn
from vrx.products.irrigation_rules import PIVOT, SURFACE, safety_list
from vrx.products.irrigation_water import (
    gross_in,
    net_in,
    tower_ft_per_h,
)

FIXED: Literal["fixed"] = "fixed"
BY_LEG: Literal["set anew"] = "set anew"
MOST_FILLS = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Sets:
    """Set-move or surface irrigation: acres of each set, and the hours of one.

    In a set of `set_h` hours clean water runs for `clean_before_h`, then product for `inject_h`,
    and clean water again to the end.
    """

    acres: tuple[float, ...]
    set_h: float
    inject_h: float
    clean_before_h: float
    per_day: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """The system and its water, as the plan states it; percentages 0 to 100."""

    system: str
    flow_gpm: float | None = None
    efficiency_pct: float | None = None
    uniformity_pct: float | None = None
    uniformity_least_pct: float | None = None
    tailwater: str | None = None
    tailwater_to_water_ft: float | None = None
    injection_to_water_ft: float | None = None
    line_gal: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Injector:
    """The pump and its tank: "fixed" keeps one setting, "set anew" has one for each leg.

    `clean_before_h` are hours of clean water before a pivot moves; sets have their own.
    """

    way: Literal["fixed", "set anew"]
    flush_h: float
    clean_before_h: float = 0.0
    tank_gal: float | None = None
    least_gal_per_h: float | None = None
    most_gal_per_h: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class InjectedPass:
    """What the season plan says of the pass: one rate, or one for each leg in their order."""

    pass_id: str
    number: int
    material: Material
    gal_per_ac: float | tuple[float, ...]
    order_gal: float
    label_most: float | None = None
    timing: str = ""


def pivot_legs(
    pivot: Pivot, turn: Turn, *, flow_gpm: float | None, efficiency_pct: float | None, where: str
) -> tuple[InjectionLeg, ...]:
    """The legs of one turn, in the order of travel, without product. Raises `PlanError`."""
    legs: list[InjectionLeg] = []
    full, start_h = pivot.full_degrees_per_h, 0.0
    for part in parts_of_turn(pivot, turn, flow_gpm=flow_gpm, where=where):
        speed = (part.end - part.begin) / part.hours
        tower = pivot.last_tower_ft
        legs.append(_with_water(InjectionLeg(
            label=f"{part.start_deg:.4g} to {part.stop_deg:.4g}°", wetted_ac=part.acres,
            hours=part.hours, start_h=start_h, start_deg=part.start_deg, stop_deg=part.stop_deg,
            sweep_deg=(part.end - part.begin) * (1.0 if turn.is_clockwise else -1.0),
            injecting=part.injecting, end_gun=part.end_gun, corner_arm=part.corner_arm,
            tower_ft_per_h=None if tower is None else tower_ft_per_h(speed, last_tower_ft=tower),
            speed_pct=None if full is None else 100.0 * speed / full,
        ), part.hours, flow_gpm, efficiency_pct))
        start_h += part.hours
    return tuple(legs)


def set_legs(
    sets: Sets, *, flow_gpm: float | None, efficiency_pct: float | None
) -> tuple[InjectionLeg, ...]:
    """One leg a set; its hours are those of injection, its water that of the whole set."""
    return tuple(
        _with_water(InjectionLeg(
            label=f"set {number}", wetted_ac=acres, hours=sets.inject_h,
            start_h=(number - 1) * sets.set_h + sets.clean_before_h,
        ), sets.set_h, flow_gpm, efficiency_pct)
        for number, acres in enumerate(sets.acres, 1))


def _with_water(
    leg: InjectionLeg, hours: float, flow_gpm: float | None, efficiency_pct: float | None
) -> InjectionLeg:
    if flow_gpm is None:
        return leg
    gross = gross_in(flow_gpm, hours=hours, acres=leg.wetted_ac)
    net = None if efficiency_pct is None else net_in(gross, efficiency_pct=efficiency_pct)
    return replace(leg, gross_in=gross, net_in=net)


def wetted_ac(legs: Sequence[InjectionLeg]) -> float:
    """Acres that get product."""
    return math.fsum(leg.wetted_ac for leg in legs if leg.injecting)


def schedule(
    *, told: InjectedPass, water: Water, injector: Injector, legs: Sequence[InjectionLeg],
    pivot: Pivot | None = None, turn: Turn | None = None, sets: Sets | None = None,
    field_ac: float | None = None,
) -> InjectionSchedule:
    """Product laid over the legs, tank fills, safety list and findings.

    `field_ac` are the field's acres. Gallons of all legs add up to the sum of rate x wetted
    acres, with either injector. Raises `PlanError` where nothing is injected at all.
    """
    where = f"[irrigation.inject.{told.pass_id}]"
    rates = told.gal_per_ac if isinstance(told.gal_per_ac, tuple) else (
        (told.gal_per_ac,) * len(legs))
    if len(rates) != len(legs):
        raise PlanError(f"{len(rates)} rates for {len(legs)} legs", code="irrigation-shape",
                        where=where, hint="give one rate, or one for each leg")
    if not any(leg.injecting and rate > 0 for leg, rate in zip(legs, rates, strict=True)):
        raise PlanError("the injector is off everywhere", code="irrigation-all-off", where=where,
                        hint="shorten off_arcs_deg")
    if sets is None:
        # A pivot stands still while clean water fills the line.
        legs = [replace(leg, start_h=leg.start_h + injector.clean_before_h) for leg in legs]
    planned_off = [leg for leg in legs if not leg.injecting]
    # Where nothing is needed the injector is off, whichever way it is set.
    legs = [replace(leg, injecting=leg.injecting and rate > 0)
            for leg, rate in zip(legs, rates, strict=True)]
    done = _injected(legs, rates, injector.way)
    total = done[-1].cumulative_gal
    is_pivot = water.system == PIVOT
    line_h = (None if water.line_gal is None or water.flow_gpm is None
              else water.line_gal / water.flow_gpm / 60.0)
    made = InjectionSchedule(
        pass_id=told.pass_id, number=told.number, material=told.material.id, system=water.system,
        injector=injector.way, legs=done, wetted_ac=wetted_ac(done), total_gal=total,
        order_gal=told.order_gal, flush_h=injector.flush_h,
        clean_before_h=injector.clean_before_h if sets is None else sets.clean_before_h,
        flow_gpm=water.flow_gpm, efficiency_pct=water.efficiency_pct,
        uniformity_pct=water.uniformity_pct, tank_gal=injector.tank_gal,
        fills=tank_fills(done, injector.tank_gal, where=where), line_h=line_h,
        direction="" if turn is None else (
            "clockwise" if turn.is_clockwise else "counterclockwise"),
        last_tower_ft=None if pivot is None else pivot.last_tower_ft,
        radius_ft=pivot.radius_ft if is_pivot and pivot is not None else None,
        set_h=None if sets is None else sets.set_h,
        sets_per_day=None if sets is None else sets.per_day, checks=safety_list(water.system))
    findings = [
        *telling.about_rates(made, label_most=told.label_most),
        *telling.about_pump(made, least=injector.least_gal_per_h, most=injector.most_gal_per_h),
        *telling.about_acres(made, field_ac=field_ac,
                             off_ac=sum(leg.field_ac or 0.0 for leg in planned_off)),
        *telling.about_evenness(made, least_pct=water.uniformity_least_pct,
                                is_surface=water.system in SURFACE),
        *telling.about_flush(made),
        *telling.about_places(made, to_water_ft=water.injection_to_water_ft),
    ]
    if water.system in SURFACE:
        findings += telling.about_tailwater(
            made, tailwater=water.tailwater, to_water_ft=water.tailwater_to_water_ft)
    findings += telling.about_stubble(
        made, timing=told.timing, thiosulfate=told.material.s_form == "thiosulfate")
    if sets is not None:
        findings += telling.about_set(made, thiosulfate=told.material.s_form == "thiosulfate",
                                      inject_h=sets.inject_h, before_h=sets.clean_before_h)
    return replace(made, findings=tuple(findings), steps=steps.steps_of(made))


def _injected(
    legs: Sequence[InjectionLeg], rates: Sequence[float], way: str
) -> tuple[InjectionLeg, ...]:
    """Legs with their gallons; a fixed injector gets the setting that brings the same in all."""
    asked = [rate * leg.wetted_ac if leg.injecting else 0.0
             for leg, rate in zip(legs, rates, strict=True)]
    hours = math.fsum(leg.hours for leg in legs if leg.injecting)
    setting = math.fsum(asked) / hours
    out: list[InjectionLeg] = []
    poured: list[float] = []
    for leg, rate, gallons in zip(legs, rates, asked, strict=True):
        per_h = 0.0 if not leg.injecting else (
            setting if way == FIXED else gallons / leg.hours)
        poured.append(per_h * leg.hours)
        out.append(replace(
            leg, wanted_gal_per_ac=rate if leg.injecting else 0.0, gal_per_h=per_h,
            gallons=poured[-1], gal_per_ac=poured[-1] / leg.wetted_ac,
            cumulative_gal=math.fsum(poured), hold_gal_per_h=gallons / leg.hours,
            one_setting_gal_per_ac=(
                setting * leg.hours / leg.wetted_ac if leg.injecting else 0.0),
            hold_hours=gallons / setting))
    return tuple(out)


def tank_fills(
    legs: Sequence[InjectionLeg], tank_gal: float | None, *, where: str
) -> tuple[TankFill, ...]:
    """Fills of the nurse tank: the first before the start, each next where the tank is empty.

    () without a tank. Raises `PlanError` for more than 500 of them.
    """
    total = legs[-1].cumulative_gal
    if tank_gal is None or total <= 0:
        return ()
    count = max(1, math.ceil(total / tank_gal - 1e-9))
    if count > MOST_FILLS:
        raise PlanError(
            f"a tank of {tank_gal:g} gal must be filled {count:,} times", code="irrigation-tank",
            where=where, hint="check tank_gal: US gallons of the nurse tank")
    fills = []
    for number in range(count):
        drawn = number * tank_gal
        at = next(n for n, leg in enumerate(legs)
                  if leg.gallons > 0 and leg.cumulative_gal > drawn * (1 + 1e-12))
        leg = legs[at]
        share = min(max(1.0 - (leg.cumulative_gal - drawn) / leg.gallons, 0.0), 1.0)
        fills.append(TankFill(
            number=number + 1, gallons=min(tank_gal, total - drawn), leg=at,
            at_h=leg.start_h + share * leg.hours,
            at_deg=None if leg.start_deg is None or leg.sweep_deg is None
            else (leg.start_deg + share * leg.sweep_deg) % 360.0))
    return tuple(fills)
