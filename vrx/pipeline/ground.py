"""Maps and zones: from checked samples to what the soil reads in every zone."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from vrx import geo, rules, surfaces, units, zones
from vrx.errors import PlanError
from vrx.model import ANALYTES, Finding, Grid, Surface, ZoneReading, Zones, note, warn
from vrx.pipeline.inputs import Inputs
from vrx.plan import Plan


def draw_maps(plan: Plan, inputs: Inputs) -> dict[str, Surface]:
    """A soil-test map of every analyte that the plan reads and the table holds."""
    grid = geo.grid_over(inputs.field.boundary, cell_m=plan.surface.cell_m)
    drawn = {}
    for analyte, column in inputs.soil.columns.items():
        places, values = inputs.soil.measured(analyte)
        if len(values) == 0:
            continue
        have = ~np.isnan(column.values)
        ids = tuple(i for i, known in zip(inputs.soil.sample_id, have, strict=True) if known)
        drawn[analyte] = surfaces.map_analyte(
            analyte=analyte, unit=ANALYTES[analyte].unit, places=places, values=values, grid=grid,
            method=plan.surface.method, sample_id=ids,
        )
    return drawn


def make_zones(plan: Plan, inputs: Inputs, maps: Mapping[str, Surface]) -> Zones:
    """Zones by the plan's choice."""
    field = inputs.field
    narrowest_m = units.m_from_ft(plan.zones.narrowest_ft)
    if plan.zones.source == "whole field":
        return zones.zone_whole_field(boundary=field.boundary, crs_centre=field.crs_centre)
    if inputs.own_zones is not None and plan.zones.source == "own polygons":
        own = inputs.own_zones
        return zones.zones_from_polygons(
            boundary=field.boundary, crs_centre=field.crs_centre, polygons=own.polygons,
            labels=own.labels, narrowest_m=narrowest_m, smallest_ac=plan.zones.smallest_ac,
        )
    return zones.zones_from_classes(
        boundary=field.boundary, crs_centre=field.crs_centre, grid=_grid(maps),
        layers=[_layer(plan, inputs, maps, analyte) for analyte in plan.zones.nutrients],
        smallest_ac=plan.zones.smallest_ac, narrowest_m=narrowest_m,
        most_zones=plan.zones.most_zones,
    )


def _grid(maps: Mapping[str, Surface]) -> Grid:
    return next(iter(maps.values())).grid


def _layer(
    plan: Plan, inputs: Inputs, maps: Mapping[str, Surface], analyte: str
) -> zones.ClassLayer:
    if analyte not in maps:
        raise PlanError(
            f"zones are to be cut by {analyte}, but [soil.{analyte}] is not read",
            code="plan-zones-analyte", where="[zones] nutrients",
            hint=f"add [soil.{analyte}], or name one of {', '.join(maps)}",
        )
    register = ANALYTES[analyte]
    own = plan.zones.breaks.get(analyte)  # type: ignore[call-overload]
    if own is not None:
        breaks, words = tuple(own), tuple(f"class {n + 1}" for n in range(len(own) + 1))
    else:
        breaks, words = _book_breaks(plan, inputs, analyte)
    labels = zones.class_labels(breaks=breaks, words=words, unit=register.unit)
    return zones.ClassLayer(
        analyte=analyte, label=register.substance, values=maps[analyte].values, breaks=breaks,
        class_labels=labels,
    )


def _book_breaks(
    plan: Plan, inputs: Inputs, analyte: str
) -> tuple[tuple[float, ...], tuple[str, ...]]:
    section = plan.need.potassium if analyte == "potassium" else plan.need.sulfur
    if analyte not in ("potassium", "sulfate") or section is None:
        raise PlanError(
            f"no rule book gives classes of {analyte}", code="plan-zones-breaks",
            where="[zones]", hint=f"give breaks.{analyte} = [lowest, ..., highest]",
        )
    soil = inputs.soil.columns
    cec = float(np.nanmean(soil["cec"].values)) if "cec" in soil else None
    return rules.class_breaks(
        book=find_book(inputs.books, section.book), cec_meq_per_100g=cec,
        extractant=soil[analyte].extractant, options=section.options(),
    )


def find_book(books: Mapping[str, rules.Book], name: str) -> rules.Book:
    """A book by id. Raises `PlanError` with the nearest id."""
    import difflib

    if name in books:
        return books[name]
    near = difflib.get_close_matches(name, books, n=1)
    raise PlanError(
        f"there is no rule book {name!r}", code="plan-book-unknown", where="[need]",
        hint=f"did you mean {near[0]!r}?" if near else f"known: {', '.join(sorted(books))}",
    )


def read_zones(
    inputs: Inputs, maps: Mapping[str, Surface], made: Zones
) -> dict[str, ZoneReading]:
    """What each analyte reads in every zone: block mean, its standard error, least and greatest."""
    polygons = [zone.polygon for zone in made.zones]
    points = [geo.cells_within(polygon, _grid(maps))[0] for polygon in polygons]
    readings = {}
    for analyte, drawn in maps.items():
        column = inputs.soil.columns[analyte]
        mean, low, high = geo.zonal_mean(values=drawn.values, grid=drawn.grid, polygons=polygons)
        places, _ = inputs.soil.measured(analyte)
        readings[analyte] = ZoneReading(
            analyte=analyte, unit=drawn.unit, extractant=column.extractant,
            depth_in=column.depth_in, mean=mean, low=low, high=high,
            standard_error=surfaces.zone_standard_errors(
                surface=drawn, places=places, zone_points=points
            ),
        )
    return readings


def swath_findings(plan: Plan, made: Zones) -> tuple[Finding, ...]:
    """Zones that the machine of a pass cannot follow because they are narrower than its swath."""
    found = []
    for pass_id, machine in plan.machine.items():
        if machine.swath_ft is None:
            continue
        swath_m = units.m_from_ft(machine.swath_ft)
        narrow = [z for z in made.zones if geo.width_m(z.polygon) < 0.99 * swath_m]
        if narrow:
            letters = ", ".join(zone.letter for zone in narrow)
            acres = sum(zone.area_ac for zone in narrow)
            found.append(warn(
                "zones-narrower-than-swath", f"pass {pass_id}",
                f"zones {letters} ({acres:.3f} ac) are narrower than the swath of "
                f"{machine.swath_ft:g} ft",
                todo="raise [zones] narrowest_ft, or accept that rates mix there",
            ))
    if not plan.machine:
        found.append(note(
            "zones-swath-unknown", "[machine]", "no machine is described",
            todo="add [machine.<pass id>] with swath_ft, least, most and step",
        ))
    return tuple(found)
