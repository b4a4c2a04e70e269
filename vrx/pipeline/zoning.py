"""`[zones]` → zones: the plan's source, what it is crossed with, and trial strips on top."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from vrx import geo, rules, units, zones
from vrx.errors import PlanError
from vrx.model import ANALYTES, FloatArray, LayerGrid, Severity, Surface, ZoneReading, Zones
from vrx.pipeline import needs, season
from vrx.pipeline.ground import class_layer, find_book
from vrx.pipeline.inputs import Inputs
from vrx.plan import PassSection, Plan


def make_zones(
    plan: Plan, inputs: Inputs, maps: Mapping[str, Surface], grids: Sequence[LayerGrid]
) -> Zones:
    """Zones by the plan's choice; `grids` are the plan's layers on the field's grid."""
    told = plan.zones
    field = inputs.field
    place = {"boundary": field.boundary, "crs_centre": field.crs_centre}
    made = _of_source(told.source, plan, inputs, maps, grids)
    if told.cross_with is not None:
        made = zones.cross_zones(
            made, _of_source(told.cross_with, plan, inputs, maps, grids),
            rules=_rules(plan, told.source), **place)
    if told.strips is not None and told.driving_deg is not None:
        strips = told.strips
        made = zones.lay_strips(
            made, rules=_rules(plan, told.source), **place, plan=zones.StripPlan(
                width_m=units.m_from_ft(strips.width_ft), number=strips.number,
                driving_deg=told.driving_deg, treatments=strips.treatments, seed=strips.seed,
                start_m=None if strips.start_ft is None else units.m_from_ft(strips.start_ft)))
    return made


def _rules(plan: Plan, source: str) -> zones.MachineRules:
    told = plan.zones
    return zones.MachineRules(
        smallest_ac=told.smallest_ac, narrowest_m=units.m_from_ft(told.narrowest_ft),
        most_zones=told.most_of(source), driving_deg=told.driving_deg,
        smooth_m=units.m_from_ft(told.smooth_ft),
        simplify_m=None if told.simplify_ft is None else units.m_from_ft(told.simplify_ft))


def _of_source(
    source: str, plan: Plan, inputs: Inputs, maps: Mapping[str, Surface],
    grids: Sequence[LayerGrid],
) -> Zones:
    field = inputs.field
    place: dict[str, Any] = {"boundary": field.boundary, "crs_centre": field.crs_centre}
    limits = _rules(plan, source)
    if source == "whole field":
        return zones.zone_whole_field(**place)
    if source == "grid cells":
        return zones.zones_from_cells(cell_ac=plan.zones.cell_ac or 0.0, rules=limits, **place)
    if source == "pivot sectors":
        return zones.zones_from_sectors(**_sectors(plan, inputs), rules=limits, **place)
    if source in ("own polygons", "soil map units"):
        return _of_polygons(source, inputs, limits, place)
    place["grid"] = next(iter(maps.values())).grid
    if source == "clusters":
        told = plan.zones.clusters
        return zones.zones_from_clusters(
            layers=_cluster_layers(plan, inputs, maps, grids), rules=limits, number=told.number,
            way=told.way, fewest=told.fewest, most=told.most,
            blur_m=units.m_from_ft(told.blur_ft), seed=told.seed, **place)
    layers = [_rate_layer(plan, inputs, maps)] if source == "rate classes" else [
        class_layer(plan, inputs, maps, analyte) for analyte in plan.zones.nutrients]
    return zones.zones_from_classes(
        layers=layers, smallest_ac=limits.smallest_ac, narrowest_m=limits.narrowest_m,
        most_zones=limits.most_zones, driving_deg=limits.driving_deg, smooth_m=limits.smooth_m,
        simplify_m=limits.simplify_m, **place)


def _of_polygons(
    source: str, inputs: Inputs, limits: zones.MachineRules, place: dict[str, Any]
) -> Zones:
    own = inputs.own_zones
    if own is None:
        raise PlanError("no polygons are named", code="zones-polygons", where="[zones]",
                        hint='name the file: polygons = "<file>"')
    if source == "soil map units":
        return zones.zones_from_map_units(
            polygons=own.polygons, labels=own.labels, rules=limits, **place)
    made = zones.zones_from_polygons(
        polygons=own.polygons, labels=own.labels, narrowest_m=limits.narrowest_m,
        smallest_ac=limits.smallest_ac, driving_deg=limits.driving_deg, **place)
    if not any(one.code == "prescription-from-cells" for one in own.findings):
        return made
    # Cells are grown beyond the boundary on purpose, so that it can cut them.
    return replace(made, findings=tuple(
        replace(one, severity=Severity.NOTE, what=one.what.replace("the zones", "the grown cells"),
                todo="") if one.code == "zones-cut-at-boundary" else one for one in made.findings))


def _sectors(plan: Plan, inputs: Inputs) -> dict[str, Any]:
    told, pivot = plan.zones.sectors, plan.field.pivot
    centre = None if told is None else told.centre or (pivot.centre if pivot else None)
    if told is None or centre is None:
        raise PlanError(
            "the pivot's centre is not known", code="plan-zones-centre", where="[zones.sectors]",
            hint="give centre = [longitude, latitude], since the field is not a [field.pivot]")
    point = geo.from_lonlat(shapely.Point(centre), inputs.field.crs_centre)
    lines = list(told.lines())
    if lines and pivot is not None and pivot.start_deg is not None and pivot.stop_deg is not None:
        # A pivot that turns over a part of the circle ends there itself.
        near = {round(one % 360.0, 6) % 360.0 for one in lines}
        ends = (pivot.start_deg % 360.0, pivot.stop_deg % 360.0)
        lines += [end for end in dict.fromkeys(ends) if round(end, 6) % 360.0 not in near]
    return {
        "centre_m": (float(point.x), float(point.y)), "angles_deg": lines,
        "ring_radii_m": [units.m_from_ft(one) for one in told.ring_radii_ft],
    }


def _cluster_layers(
    plan: Plan, inputs: Inputs, maps: Mapping[str, Surface], grids: Sequence[LayerGrid]
) -> list[zones.ClusterLayer]:
    found = []
    for analyte in plan.zones.cluster_nutrients():
        if analyte not in maps:
            raise PlanError(
                f"zones are to be clustered by {analyte}, but [soil.{analyte}] is not read",
                code="plan-zones-analyte", where="[zones] nutrients",
                hint=f"add [soil.{analyte}], or name one of {', '.join(maps)}")
        found.append(zones.ClusterLayer(
            name=ANALYTES[analyte].substance, unit=ANALYTES[analyte].unit,
            values=maps[analyte].values))
    classes = {one.name for one in plan.layers if one.classes}
    named = {grid.name: grid for grid in grids}
    for name in plan.zones.layers:
        if name in classes:
            raise PlanError(
                f"layer {name!r} holds classes, whose codes are no quantities",
                code="plan-zones-layer", where="[zones] layers",
                hint='take layers that are measured, or from = "soil map units" with polygons')
        found.append(zones.ClusterLayer(
            name=name, unit=named[name].unit, values=named[name].values))
    return found


def _rate_layer(
    plan: Plan, inputs: Inputs, maps: Mapping[str, Surface]
) -> zones.ClassLayer:
    """The rate of a pass, worked out cell by cell, with breaks in whole machine steps.

    Breaks lie half way between multiples of the least number of steps that makes no more than
    `most_classes`, so each class is what rounds to one of these multiples.
    """
    told = _rate_pass(plan)
    nutrient = season.NUTRIENT[told.serves or ""]
    request = season.pass_request(
        told, plan.passes.index(told) + 1, plan.machine.get(told.id), inputs.materials)
    material = inputs.materials[request.material]
    content = material.nutrient_lb_per_unit(nutrient)
    if not request.step or content <= 0:
        why = "has no step" if content > 0 else f"brings no {nutrient}"
        raise PlanError(
            f"the rate of pass {told.id!r} cannot be cut into classes: it {why}",
            code="plan-zones-rate", where=f"[machine.{told.id}]",
            hint=f"give step_lb_per_ac or step_gal_per_ac in [machine.{told.id}]")
    share = told.share_of_need if isinstance(told.share_of_need, float) else 1.0
    rate = _need_map(plan, inputs, maps, nutrient) * share / content
    if request.most is not None:
        rate = np.minimum(rate, request.most)
    _, cells = geo.cells_within(inputs.field.boundary, next(iter(maps.values())).grid)
    row, column = cells.astype(np.int64).T
    low, high = float(rate[row, column].min()), float(rate[row, column].max())
    step = request.step
    while _multiples(low, high, step) > plan.zones.rate.most_classes:
        step += request.step
    first = round(low / step)
    breaks = tuple(
        float((first + k + 0.5) * step) for k in range(_multiples(low, high, step) - 1))
    words = [f"{(first + k) * step:g}" for k in range(len(breaks) + 1)]
    return zones.ClassLayer(
        analyte="rate", label=f"rate of pass {told.id}", values=rate, breaks=breaks,
        class_labels=tuple(f"about {word} {material.unit}" for word in words))


def _multiples(low: float, high: float, step: float) -> int:
    return round(high / step) - round(low / step) + 1


def _rate_pass(plan: Plan) -> PassSection:
    named = plan.zones.rate.of_pass
    fitting = [one for one in plan.passes
               if one.serves is not None and (named is None or one.id == named)]
    found = next((one for one in fitting if one.rate == "variable"), None)
    if found is None:
        raise PlanError(
            "no pass has a rate that follows the soil" if named is None else
            f"the rate of pass {named!r} does not follow the soil",
            code="plan-zones-rate", where="[zones.rate]",
            hint='name a pass with rate = "variable" and serves')
    return found


def _need_map(
    plan: Plan, inputs: Inputs, maps: Mapping[str, Surface], nutrient: str
) -> FloatArray:
    section = season.need_sections(plan).get(nutrient)
    if section is None:
        raise PlanError(f"no rule book gives the need of {nutrient}", code="plan-zones-rate",
                        where="[need]", hint="name a book in [need.potassium] or [need.sulfur]")
    readings = {
        analyte: ZoneReading(
            analyte=analyte, unit=one.unit, extractant=inputs.soil.columns[analyte].extractant,
            depth_in=inputs.soil.columns[analyte].depth_in, mean=one.values,
            standard_error=one.standard_error, low=one.values, high=one.values)
        for analyte, one in maps.items()
    }
    need, _ = rules.need_surface(
        book=find_book(inputs.books, section.book), nutrient=nutrient, readings=readings,
        crop=plan.field.crop, expected_yield=season.expected_yield(plan),
        options=needs.book_options(plan, inputs, nutrient, section),
        water=needs.water_test(plan), credited=needs.credits_of(plan, nutrient))
    return need
