"""What stands beside the rates: soil read along, what to put right first, acres that are billed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from vrx import rules
from vrx.model import (
    ANALYTES,
    READ_ALONG,
    Finding,
    FirstItem,
    FloatArray,
    ZoneReading,
    Zones,
    note,
    warn,
)
from vrx.pipeline.inputs import Inputs
from vrx.plan import Plan

# Our own choice: billing acres are rounded and drawn by hand, but seldom more than this apart.
BILLED_APART_PCT = 2.0


def findings(
    plan: Plan, inputs: Inputs, made: Zones, readings: Mapping[str, ZoneReading]
) -> tuple[Finding, ...]:
    """Readings without a map, what comes before K and S, and billed beside geodesic acres."""
    return (
        *(_read_along(inputs, made, analyte, means)
          for analyte, means in _beside(inputs, made, readings).items()),
        *rules.fix_first(**_asked(plan, inputs, made, readings)),
        *billed_acres(plan, inputs.field.area_ac),
    )


def first_items(
    plan: Plan, inputs: Inputs, made: Zones, readings: Mapping[str, ZoneReading]
) -> tuple[FirstItem, ...]:
    """The table of what comes before spending on K and S."""
    asked = _asked(plan, inputs, made, readings)
    found = rules.fix_first(**asked)
    away = ("zone_names", "extractants")
    return rules.before_spending(
        findings=found, limits=rules.fix_first_limits(),
        **{key: value for key, value in asked.items() if key not in away})


def _beside(
    inputs: Inputs, made: Zones, readings: Mapping[str, ZoneReading]
) -> dict[str, FloatArray]:
    return {
        analyte: zone_means(inputs, made, analyte)
        for analyte in inputs.soil.columns if analyte in READ_ALONG and analyte not in readings
    }


def _asked(
    plan: Plan, inputs: Inputs, made: Zones, readings: Mapping[str, ZoneReading]
) -> dict[str, Any]:
    """What is judged before K and S, in the arguments of `rules.fix_first`."""
    told = plan.fix_first
    own = {} if told is None else {
        name: limit for name, limit in (
            ("ph", told.ph), ("phosphorus", told.phosphorus_ppm), ("boron", told.boron_ppm),
            ("stems", told.stems_per_ft2),
        ) if limit is not None
    }
    return {
        "zone_names": [zone.letter for zone in made.zones],
        "means": {**{key: one.mean for key, one in readings.items()},
                  **_beside(inputs, made, readings)},
        "extractants": {key: one.extractant for key, one in inputs.soil.columns.items()},
        "stems_per_ft2": plan.field.stems_per_ft2, "own": own,
        "own_source": "" if told is None else told.source,
        "stand_year": plan.field.stand_year, "last_stand_year": plan.field.last_stand_year,
    }


def zone_means(inputs: Inputs, made: Zones, analyte: str) -> FloatArray:
    """(zones,) mean of the samples that lie in each zone, NaN for a zone without one."""
    means = np.full(len(made.zones), np.nan)
    for position, values in enumerate(_in_zones(inputs, made, analyte)):
        if len(values):
            means[position] = values.mean()
    return means


def _in_zones(inputs: Inputs, made: Zones, analyte: str) -> list[FloatArray]:
    places, values = inputs.soil.measured(analyte)
    points = shapely.points(places)
    return [values[shapely.covers(zone.polygon, points)] for zone in made.zones]


def _read_along(inputs: Inputs, made: Zones, analyte: str, means: FloatArray) -> Finding:
    register = ANALYTES[analyte]
    column = inputs.soil.columns[analyte]
    _, values = inputs.soil.measured(analyte)
    places = register.decimals
    parts = []
    for zone, inside, mean in zip(
        made.zones, _in_zones(inputs, made, analyte), means, strict=True
    ):
        parts.append(f"{zone.letter} no sample" if not len(inside) else
                     f"{zone.letter} {mean:.{places}f} ({inside.min():.{places}f} to "
                     f"{inside.max():.{places}f}, {len(inside)} samples)")
    return note(
        "soil-read-along", f"[soil.{analyte}]",
        f"{register.substance} by {column.extractant}: {values.min():.{places}f} to "
        f"{values.max():.{places}f} {register.unit}, mean {values.mean():.{places}f}; by zone "
        + ", ".join(parts),
        done="means of the samples in each zone; not mapped, moves no rate")


def billed_acres(plan: Plan, area_ac: float) -> tuple[Finding, ...]:
    """Acres that are billed beside geodesic acres: never mixed, only compared."""
    billed = plan.field.billed_ac
    if billed is None:
        return ()
    apart = billed - area_ac
    pct = 100.0 * apart / area_ac
    what = (f"{billed:,.2f} ac are billed, the boundary holds {area_ac:,.2f} geodesic ac: "
            f"{apart:+,.2f} ac, {pct:+.2f} %")
    done = "rates, totals and order rest on the geodesic acres only"
    if abs(pct) > BILLED_APART_PCT:
        return (warn("field-billed-acres", "[field] billed_ac", what, done=done,
                     todo="find out which ground is billed: roads, corners, cut-outs, other land"),)
    return (note("field-billed-acres", "[field] billed_ac", what, done=done),)
