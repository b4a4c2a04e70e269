"""How well each nutrient's soil test is known against the limits that its guide sets."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely

from vrx import sampling
from vrx.errors import PlanError, RuleError
from vrx.model import (
    ANALYTES,
    BoolArray,
    Finding,
    FloatArray,
    Grid,
    Knowledge,
    Surface,
    ZoneReading,
    note,
)
from vrx.pipeline.ground import book_breaks
from vrx.pipeline.inputs import Inputs
from vrx.plan import Plan

_STEERING = ("potassium", "sulfate")
_KRIGED = ("kriging normal: the true soil test of a place is taken as normal about the map with "
           "the kriging standard error; the variogram is taken as known")
_SPREAD = "normal about the field's mean with the spread of the samples, the same everywhere"
_LEFT_OUT = "normal about the map with its leave-one-out error, the same everywhere"


def critical_values(plan: Plan, inputs: Inputs, analyte: str) -> tuple[float, ...] | None:
    """The guide's class limits of a nutrient's soil test, else the plan's own breaks, else None."""
    try:
        return book_breaks(plan, inputs, analyte)[0]
    except (RuleError, PlanError):
        own = plan.zones.breaks.get(analyte)  # type: ignore[call-overload]
        return None if own is None else tuple(own)


def inside_field(boundary: shapely.Geometry, grid: Grid) -> BoolArray:
    """Cells of the grid whose centre lies in the field, (rows, columns)."""
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    shapely.prepare(boundary)
    held = shapely.contains_xy(boundary, east.ravel(), north.ravel())
    return np.asarray(held.reshape(grid.shape))


def own_gain(surface: Surface) -> FloatArray | None:
    """Share of a cell's variance that one sample there would take away; None without a variogram.

    The cell stands for its small area, so that the nugget is no part of its variance, and all of it
    the noise of a new sample.
    """
    variogram = surface.variogram
    if variogram is None:
        return None
    bounds = 0.0 if surface.bounds_error is None else surface.bounds_error**2
    kriged = (surface.standard_error**2 - bounds) / surface.variance_factor
    area = np.maximum(kriged - variogram.nugget, 0.0)
    total = area + variogram.nugget
    return np.divide(area, total, out=np.zeros_like(area), where=total > 0)


def true_error(surface: Surface) -> FloatArray:
    """Standard error of the true soil test: the map's, without the error of measurement."""
    variogram = surface.variogram
    error = 0.0 if variogram is None else variogram.error_variance * surface.variance_factor
    return np.asarray(np.sqrt(np.maximum(surface.standard_error**2 - error, 0.0)))


def _basis(surface: Surface) -> str:
    if surface.variogram is not None:
        return _KRIGED
    return _SPREAD if surface.method == "field mean" else _LEFT_OUT


def what_is_known(
    plan: Plan, inputs: Inputs, maps: Mapping[str, Surface], readings: Mapping[str, ZoneReading]
) -> tuple[Knowledge, ...]:
    """One entry for every nutrient that has a map, zones and limits."""
    told, usual = plan.sampling, sampling.practice()
    found = []
    for analyte in _STEERING:
        if analyte not in maps or analyte not in readings:
            continue
        critical = critical_values(plan, inputs, analyte)
        if critical is None:
            continue
        drawn, reading = maps[analyte], readings[analyte]
        found.append(sampling.judge(
            analyte=analyte, unit=drawn.unit, grid=drawn.grid, mean=drawn.values,
            standard_error=true_error(drawn), critical=critical,
            inside=inside_field(inputs.field.boundary, drawn.grid), area_ac=inputs.field.area_ac,
            zone_mean=reading.mean, zone_error=reading.standard_error,
            sure_from=told.sure_from or usual.sure_from, gain=own_gain(drawn),
            gain_from=told.gain_from or usual.gain_from,
            basis=_basis(drawn),
        ))
    return tuple(found)


def knowledge_findings(known: tuple[Knowledge, ...]) -> tuple[Finding, ...]:
    """A note for every nutrient of which acres are not sure."""
    found = []
    for one in known:
        sure, not_sure, here = one.acres
        if not_sure + here <= 0:
            continue
        limits = ", ".join(f"{limit:g}" for limit in one.critical)
        said = f"{sure:.1f} ac are on a sure side of the limits ({limits} {one.unit}), "
        said += f"{not_sure + here:.1f} ac are not"
        more = {}
        if here > 0:
            said += f"; on {here:.1f} ac of these a sample would tell"
            more["todo"] = "`vrx sampling` ranks the places where the next samples pay most"
        found.append(note("sampling-not-sure", ANALYTES[one.analyte].substance, said, **more))
    return tuple(found)
