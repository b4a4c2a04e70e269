"""From the plan's `[irrigation]` to acres that passes treat, and to the operator's schedules."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from vrx import geo
from vrx.errors import PlanError
from vrx.model import (
    Finding,
    InjectionLeg,
    InjectionSchedule,
    Prescription,
    Zones,
    note,
    stop,
    warn,
)
from vrx.pipeline.inputs import Inputs
from vrx.plan import InjectSection, IrrigationSection, PassSection, Plan
from vrx.products import irrigation as products
from vrx.products.irrigation_ground import shares_of, with_field_acres
from vrx.products.irrigation_pivot import Pace, Pivot, Turn

THROUGH = "through irrigation"
_BY_ZONE = ("variable", "planned")
_SAME_SECTOR = 0.99
"""Least share of a leg's ground in the field that must lie in one zone."""
_AGREES = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """One pass laid over the system: its legs, and what they were made from."""

    told: PassSection
    section: InjectSection
    legs: tuple[InjectionLeg, ...]
    pivot: Pivot | None = None
    turn: Turn | None = None
    sets: products.Sets | None = None
    centre: tuple[float, float] | None = None


def _runs(plan: Plan) -> dict[str, _Run]:
    """Passes that `[irrigation.inject]` describes, by id. Raises `PlanError`."""
    system = plan.irrigation
    if system is None:
        return {}
    by_id = {one.id: one for one in plan.passes}
    return {
        name: _pivot_run(plan, system, by_id[name], section) if system.is_pivot
        else _set_run(system, by_id[name], section)
        for name, section in system.inject.items()
    }


def _pivot_run(
    plan: Plan, system: IrrigationSection, told: PassSection, section: InjectSection
) -> _Run:
    pivot, centre = _pivot(plan, system)
    of_zones = {plan.zones.source, plan.zones.cross_with}
    lines = plan.zones.sectors.lines() if (
        plan.zones.sectors is not None and "pivot sectors" in of_zones) else ()
    turn = Turn(
        begin_deg=section.begin_deg or 0.0, is_clockwise=section.direction == "clockwise",
        pace=Pace(full_circle_h=section.full_circle_h, speed_pct=section.speed_pct,
                  gross_in=section.gross_in),
        paces=tuple(((one.from_deg, one.to_deg),
                     Pace(hours=one.hours, speed_pct=one.speed_pct, gross_in=one.gross_in))
                    for one in section.sectors),
        off_arcs=section.off_arcs_deg, cuts=lines,
    )
    legs = products.pivot_legs(
        pivot, turn, flow_gpm=system.flow_gpm, where=f"[irrigation.inject.{told.id}]",
        efficiency_pct=system.application_efficiency_pct)
    return _Run(told=told, section=section, legs=legs, pivot=pivot, turn=turn, centre=centre)


def _set_run(system: IrrigationSection, told: PassSection, section: InjectSection) -> _Run:
    if system.sets is None or section.set_h is None or section.inject_h is None:
        raise PlanError("the sets are not described", code="irrigation-shape",
                        where="[irrigation.sets]", hint="give number and set_ac, set_h, inject_h")
    sets = products.Sets(
        acres=system.sets.each_ac(), set_h=section.set_h, inject_h=section.inject_h,
        clean_before_h=section.clean_before_h, per_day=system.sets.per_day)
    legs = products.set_legs(sets, flow_gpm=system.flow_gpm,
                             efficiency_pct=system.application_efficiency_pct)
    return _Run(told=told, section=section, legs=legs, sets=sets)


def _pivot(plan: Plan, system: IrrigationSection) -> tuple[Pivot, tuple[float, float]]:
    """The machine, by its own section or by the ground of `[field.pivot]`, and where it stands."""
    own, ground = system.pivot, plan.field.pivot
    speeds = {} if own is None else {
        key: getattr(own, key)
        for key in ("last_tower_ft", "full_speed_ft_per_h", "full_speed_circle_h")}
    if own is not None and own.radius_ft is not None and own.centre is not None:
        shape = {key: getattr(own, key) for key in own.GROUND if key != "centre"}
        return Pivot(**shape, **speeds), own.centre
    if ground is None:
        raise PlanError("the pivot's ground is not known", code="irrigation-shape",
                        where="[irrigation.pivot]", hint="give centre and radius_ft")
    arms = ((0.0, 360.0),) if ground.corner_arm_ft > 0 else ()
    return Pivot(
        radius_ft=ground.radius_ft, inner_radius_ft=ground.inner_radius_ft,
        start_deg=ground.start_deg, stop_deg=ground.stop_deg, end_gun_ft=ground.end_gun_ft,
        end_gun_arcs=ground.end_gun_arcs, corner_arm_ft=ground.corner_arm_ft,
        corner_arm_arcs=arms, square_side_ft=ground.square_side_ft if arms else None, **speeds,
    ), ground.centre


def with_wetted(plan: Plan) -> Plan:
    """The plan with the wetted acres of passes that leave `treated_ac` to `[irrigation]`."""
    runs = _runs(plan)
    passes = tuple(
        one.model_copy(update={"treated_ac": products.wetted_ac(runs[one.id].legs)})
        if one.id in runs and one.treated_ac is None
        and one.rate not in _BY_ZONE else one
        for one in plan.passes)
    return plan.model_copy(update={"passes": passes}) if runs else plan


def wetted_by_zone(plan: Plan, inputs: Inputs, made: Zones) -> dict[str, tuple[float, ...]]:
    """Acres that are wetted with each zone's rate, for passes that vary by a pivot's sectors.

    Ground outside the field belongs to the zone of its sector. Raises `PlanError` where zones are
    no sectors, or the pass says other acres.
    """
    found: dict[str, tuple[float, ...]] = {}
    for name, run in _runs(plan).items():
        if run.told.rate not in _BY_ZONE or run.pivot is None:
            continue
        acres = np.zeros(len(made.zones))
        for leg, zone in zip(run.legs, _zone_of_legs(run, inputs, made), strict=True):
            if leg.injecting:
                acres[zone] += leg.wetted_ac
        told = run.told.treated_ac
        if isinstance(told, float) and abs(told - acres.sum()) > _AGREES * told:
            raise PlanError(
                f"treated_ac = {told:g}, and the water wets {acres.sum():,.2f} ac with product",
                code="irrigation-order-differs", where=f"[[pass]] {name}",
                hint="leave treated_ac out, so that it follows the wetted acres")
        found[name] = tuple(float(one) for one in acres)
    return found


def _zone_of_legs(run: _Run, inputs: Inputs, made: Zones) -> list[int]:
    """Position of the zone that each leg lies in; ground beyond the field goes with its neighbour.
    """
    if run.pivot is None:
        raise PlanError("sets have no place on the ground", code="irrigation-shape",
                        where=f"[[pass]] {run.told.id}", hint="ask for a flat or fixed rate")
    shares = shares_of(run.pivot, run.legs, _centre_m(run, inputs),
                       [zone.polygon for zone in made.zones])
    inside = shares.sum(axis=1)
    out: list[int] = []
    for leg, row, ground in zip(run.legs, shares, inside, strict=True):
        at = int(row.argmax())
        if ground > 0 and row[at] < _SAME_SECTOR * ground and leg.injecting:
            letters = ", ".join(made.zones[k].letter for k in np.flatnonzero(row > 0.01 * ground))
            raise PlanError(
                f"the sector {leg.label} lies in several zones ({letters}), and a pivot injects "
                "one rate at a time", code="irrigation-zones",
                where=f"[[pass]] {run.told.id}",
                hint='cut zones from = "pivot sectors" without rings, with lines where it may '
                     'change, or ask for a flat rate')
        out.append(at if ground > 0 or not out else out[-1])
    return out


def _centre_m(run: _Run, inputs: Inputs) -> tuple[float, float]:
    point = geo.from_lonlat(shapely.Point(run.centre or (0.0, 0.0)), inputs.field.crs_centre)
    return float(point.x), float(point.y)


def schedules(
    plan: Plan, inputs: Inputs, made: Zones, planned: Prescription
) -> tuple[InjectionSchedule, ...]:
    """The operator's schedule of each pass through the irrigation that the plan describes.

    A pass with nothing to inject has none.
    """
    system = plan.irrigation
    if system is None:
        return ()
    rates = {one.pass_id: one for one in planned.passes}
    water = products.Water(
        system=system.system, flow_gpm=system.flow_gpm,
        efficiency_pct=system.application_efficiency_pct,
        uniformity_pct=system.distribution_uniformity_pct,
        uniformity_least_pct=system.uniformity_least_pct, tailwater=system.tailwater,
        tailwater_to_water_ft=system.tailwater_to_water_ft,
        injection_to_water_ft=system.injection_to_water_ft, line_gal=system.line_gal)
    out = []
    for name, run in _runs(plan).items():
        one = rates[name]
        if not (one.rates > 0).any():
            continue
        legs = run.legs
        if run.pivot is not None:
            legs = with_field_acres(run.pivot, legs, _centre_m(run, inputs), inputs.field.boundary)
        gal_per_ac: float | tuple[float, ...] = float(one.rates[0])
        if one.wetted_ac is not None:
            gal_per_ac = tuple(float(one.rates[k]) for k in _zone_of_legs(run, inputs, made))
        told = run.section
        out.append(products.schedule(
            told=products.InjectedPass(
                pass_id=name, number=one.number, material=one.material, gal_per_ac=gal_per_ac,
                order_gal=one.order_total, label_most=run.told.label_most_gal_per_ac,
                timing=one.timing),
            water=water, legs=legs, pivot=run.pivot, turn=run.turn, sets=run.sets,
            field_ac=inputs.field.area_ac,
            injector=products.Injector(
                way=told.injector, flush_h=told.flush_h, clean_before_h=told.clean_before_h,
                tank_gal=told.tank_gal, least_gal_per_h=told.least_gal_per_h,
                most_gal_per_h=told.most_gal_per_h)))
    return tuple(out)


def findings(
    plan: Plan, made: Sequence[InjectionSchedule], planned: Prescription
) -> tuple[Finding, ...]:
    """What the schedules tell, and which pass through irrigation has none."""
    described: Mapping[str, object] = {} if plan.irrigation is None else plan.irrigation.inject
    told = [one for schedule in made for one in schedule.findings]
    told += [
        note("irrigation-no-schedule", f"pass {one.pass_id}",
             "goes through the irrigation, and the plan does not describe how",
             done="no pump setting is worked out, and wetted acres are taken as stated",
             todo=f"add [irrigation] with [irrigation.inject.{one.pass_id}]")
        for one in planned.passes
        if one.method == THROUGH and one.pass_id not in described and (one.rates > 0).any()]
    for schedule in made:
        told += _about_water(plan, schedule)
        told += _about_season(plan, schedule, planned)
    return tuple(told)


def _about_season(
    plan: Plan, made: InjectionSchedule, planned: Prescription
) -> list[Finding]:
    """Ground that gets more than the prescription's rate, against limits of the whole season."""
    extra = max((leg.gal_per_ac - leg.wanted_gal_per_ac for leg in made.legs), default=0.0)
    if extra <= 1e-9:
        return []
    where, told = f"pass {made.pass_id}", list[Finding]()
    this = next(one for one in planned.passes if one.pass_id == made.pass_id)
    material = this.material
    s_ac = sum(one.rates * one.material.nutrient_lb_per_unit("S") for one in planned.passes)
    most_s = float(np.max(s_ac)) + extra * material.nutrient_lb_per_unit("S")
    ceiling = plan.limits.s_lb_per_ac
    if ceiling is not None and most_s > ceiling * (1 + 1e-9):
        told.append(warn(
            "irrigation-s-ceiling", where,
            f"one pump setting brings some ground up to {extra:.3g} gal/ac more than planned; with"
            f" it a season may bring {most_s:.3g} lb S/ac, above your ceiling of {ceiling:g}",
            value=f"{most_s:.6g} lb S/ac", todo='set the injector anew (injector = "set anew"), or'
                                                " lower the rate"))
    same = [one for one in planned.passes if one.material.id == material.id]
    label = next((one.label_most_season_gal_per_ac for one in plan.passes
                  if one.id == made.pass_id), None)
    most = float(np.max(sum(one.rates for one in same))) + extra
    if label is not None and most > label * (1 + 1e-9):
        told.append(stop(
            "irrigation-above-label", where,
            f"one pump setting brings some ground {most:.4g} gal/ac in the season, more than the"
            f" label's {label:g}", value=f"{most:.4g} gal/ac",
            todo="lower a rate, or set the injector anew for each leg"))
    return told


def _about_water(plan: Plan, made: InjectionSchedule) -> list[Finding]:
    """The water of one pass, against that of the season."""
    where = f"pass {made.pass_id}"
    if made.flow_gpm is None:
        return [note("irrigation-flow-unknown", where,
                     "without the flow no inches and no dilution can be told",
                     todo="give flow_gpm in [irrigation]")]
    net = [leg.net_in * leg.wetted_ac for leg in made.legs if leg.net_in is not None]
    if not net:
        return [note("irrigation-efficiency-unknown", where,
                     "gross inches are told, net inches are not: the application efficiency is not"
                     " stated", todo="give application_efficiency_pct in [irrigation]")]
    depth = sum(net) / sum(leg.wetted_ac for leg in made.legs)
    if plan.water is not None and 0 < plan.water.net_in < depth:
        return [stop("irrigation-water-beyond-season", where,
                     f"this one pass puts on {depth:.3g} in net, more than net_in ="
                     f" {plan.water.net_in:g} of the whole season", value=f"{depth:.4g} in",
                     todo="correct flow_gpm, the hours, or net_in of [water]")]
    return []
