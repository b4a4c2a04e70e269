"""What stands around the passes: calendar, missed windows, go or no-go, what comes first, feed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from vrx import products
from vrx.model import (
    Care,
    Cutting,
    FeedItem,
    Finding,
    Need,
    PassWindow,
    Prescription,
    ZoneReading,
    Zones,
)
from vrx.pipeline import aside
from vrx.pipeline.inputs import Inputs
from vrx.pipeline.season import pass_request
from vrx.plan import LivestockSection, Plan
from vrx.units import s_from_so4


def care_of(
    plan: Plan, inputs: Inputs, made: Zones, *, readings: Mapping[str, ZoneReading],
    needs: Mapping[str, Sequence[Need]], planned: Prescription,
) -> tuple[Care, tuple[Finding, ...]]:
    """Everything around the passes, and its findings. No rate is changed."""
    requests = [pass_request(one, number, plan.machine.get(one.id), inputs.materials)
                for number, one in enumerate(plan.passes, 1)]
    found: list[Finding] = []
    calendar = _calendar(plan)
    windows: tuple[PassWindow, ...] = ()
    if plan.calendar is not None:
        windows, said = products.pass_windows(requests, calendar, season=plan.field.season)
        found += said
    split = plan.limits.k2o_split_lb_per_ac or products.load_limits().k2o_per_pass.value
    missed = products.if_missed(
        planned.passes, requests=requests,
        needs={name: np.array([one.lb_per_ac for one in per_zone])
               for name, per_zone in needs.items()},
        area_ac=np.array(planned.zone_area_ac),
        zone_names=[zone.letter for zone in made.zones], windows=windows,
        ceilings=products.Ceilings(s_lb_per_ac=plan.limits.s_lb_per_ac,
                                   k2o_split_lb_per_ac=split),
    )
    found += products.missed_findings(missed, windows)
    told = plan.conditions
    conditions = products.go_list(
        planned.passes, windows=windows,
        general=products.Conditions(**(told.stated() if told else {})),
        of_pass={} if told is None else {
            name: products.Conditions(**one.stated()) for name, one in told.passes.items()},
    )
    found += products.go_findings(conditions, stated=told is not None)
    found += products.use_findings(planned.passes)
    found += products.ceiling_findings(
        planned.passes, plan.limits.ceilings(), zone_names=[one.letter for one in made.zones])
    feed: tuple[FeedItem, ...] = ()
    if plan.livestock is not None:
        feed = products.feed_items(_livestock(plan.livestock))
        found += products.feed_findings(feed)
    return Care(
        cuttings=calendar.cuttings, killing_frost=calendar.killing_frost, windows=windows,
        missed=missed, conditions=conditions,
        first=aside.first_items(plan, inputs, made, readings), feed=feed,
    ), tuple(found)


def _calendar(plan: Plan) -> products.Calendar:
    told = plan.calendar
    if told is None:
        return products.Calendar()
    return products.Calendar(
        cuttings=tuple(
            Cutting(number=number, cut=one.cut, bales_off=one.bales_off, water_on=one.water_on,
                    regrowth=one.regrowth_2_in)
            for number, one in enumerate(told.cuttings, 1)),
        killing_frost=told.killing_frost, last_frost=told.killing_frost_last_fall,
        green_up=told.green_up,
        ground_freezes=told.ground_freezes, regrowth_days=told.regrowth_days,
        wheels_days=told.wheels_days,
        passes={name: products.PassDays(on=one.on, not_before=one.not_before,
                                        not_after=one.not_after, reason=one.reason or "")
                for name, one in told.passes.items()},
    )


def _livestock(told: LivestockSection) -> products.Livestock:
    so4 = told.water_sulfate_so4_ppm
    values = told.model_dump(exclude={"water_sulfate_so4_ppm", "water_sulfate_s_ppm"})
    return products.Livestock(
        water_s_ppm=told.water_sulfate_s_ppm if so4 is None else s_from_so4(so4), **values)
