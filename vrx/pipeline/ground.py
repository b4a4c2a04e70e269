"""Maps and zones: from checked samples to what the soil reads in every zone."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import replace

import numpy as np
import shapely

from vrx import geo, rules, surfaces, units, zones
from vrx.errors import PlanError
from vrx.model import (
    ANALYTES,
    READ_ALONG,
    BoolArray,
    Finding,
    Grid,
    LayerGrid,
    Severity,
    Surface,
    Zones,
    note,
    warn,
)
from vrx.pipeline.inputs import Inputs
from vrx.pipeline.layers import guides_of, read_grids
from vrx.plan import Plan

# About 12,000 ac at 5 m, far beyond any one field: a wrong boundary must not fill the memory.
MOST_CELLS = 2_000_000


def draw_maps(
    plan: Plan, inputs: Inputs, guides: Mapping[str, LayerGrid] | None = None
) -> dict[str, Surface]:
    """A soil-test map of every analyte that the plan reads and the table holds.

    What is only read along is not mapped, unless zones are cut by it or nothing else is there.
    `guides` are the layers of `[surface] drift` on `map_grid`; without them they are read.
    """
    grid = map_grid(plan, inputs)
    if guides is None:
        grids = read_grids(plan, inputs, grid=grid, progress=lambda _: None)
        guides = guides_of(plan, grids)
    inside = _inside(inputs, grid)
    unmapped = READ_ALONG - set(plan.zones.nutrients)
    if not set(inputs.soil.columns) - unmapped:
        unmapped = frozenset()
    drawn = {}
    for analyte, column in inputs.soil.columns.items():
        if analyte in unmapped:
            continue
        places, values = inputs.soil.measured(analyte)
        if len(values) == 0:
            continue
        have = ~np.isnan(column.values)
        ids = tuple(i for i, known in zip(inputs.soil.sample_id, have, strict=True) if known)
        drawn[analyte] = surfaces.map_analyte(
            analyte=analyte, unit=ANALYTES[analyte].unit, places=places, values=values, grid=grid,
            method=_method_of(plan, analyte), sample_id=ids, censored=column.censored[have],
            drift={name: guides[name].values for name in plan.surface.drift_of(analyte)},
            inside=inside, variogram=plan.surface.variogram_of(analyte),
        )
    return drawn


def _method_of(plan: Plan, analyte: str) -> str:
    """The plan's method; an analyte without a layer of its own cannot be kriged with one."""
    method = plan.surface.method
    if method == "kriging with drift" and not plan.surface.drift_of(analyte):
        return "choose"
    return method


def _inside(inputs: Inputs, grid: Grid) -> BoolArray:
    """Cells whose centre lies in the field, (rows, columns); at least one."""
    inside = np.zeros(grid.shape, dtype=np.bool_)
    rows, columns = geo.cells_within(inputs.field.boundary, grid)[1].astype(np.int64).T
    inside[rows, columns] = True
    return inside


def map_grid(plan: Plan, inputs: Inputs) -> Grid:
    """The maps' grid over the field. Raises `PlanError` where it has too many cells."""
    field = inputs.field
    grid = geo.grid_over(field.boundary, cell_m=plan.surface.cell_m)
    cells = grid.rows * grid.columns
    if cells > MOST_CELLS:
        enough = math.ceil(plan.surface.cell_m * math.sqrt(cells / MOST_CELLS))
        raise PlanError(
            f"cells of {plan.surface.cell_m:g} m over {field.name!r} ({field.area_ac:,.0f} ac) "
            f"make a map of {cells:,} cells, more than {MOST_CELLS:,}",
            code="plan-map-size", where="[surface] cell_m",
            hint=f"is the boundary one field, in its right system? If so, cell_m = {enough}",
        )
    return grid


def _grid(maps: Mapping[str, Surface]) -> Grid:
    return next(iter(maps.values())).grid


def class_layer(
    plan: Plan, inputs: Inputs, maps: Mapping[str, Surface], analyte: str
) -> zones.ClassLayer:
    """A mapped soil test with the breaks of the plan, else of its rule book.

    Raises `PlanError` where it is not mapped, or no book gives classes of it.
    """
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
        breaks, words = book_breaks(plan, inputs, analyte)
    labels = zones.class_labels(breaks=breaks, words=words, unit=register.unit)
    return zones.ClassLayer(
        analyte=analyte, label=register.substance, values=maps[analyte].values, breaks=breaks,
        class_labels=labels,
    )


def book_breaks(
    plan: Plan, inputs: Inputs, analyte: str
) -> tuple[tuple[float, ...], tuple[str, ...]]:
    """Class limits and class names of a nutrient by the plan's guide. Plan- or RuleError."""
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


def map_findings(plan: Plan, maps: Mapping[str, Surface]) -> tuple[Finding, ...]:
    """Findings of all maps; a map that moves no rate has nothing to warn of, so it informs."""
    moving = {"potassium", "sulfate", "cec", "organic_matter", *plan.zones.nutrients}
    return tuple(
        one if analyte in moving or one.severity is not Severity.WARN
        else replace(one, severity=Severity.NOTE)
        for analyte, drawn in maps.items() for one in drawn.findings
    )


def break_findings(plan: Plan, inputs: Inputs) -> tuple[Finding, ...]:
    """A warning where the guide's classes change within the field's CEC, but zones do not."""
    nutrients = plan.zones.nutrients
    cec = inputs.soil.columns.get("cec")
    if (
        plan.zones.source != "soil classes" or "potassium" not in nutrients
        or "potassium" in plan.zones.breaks or "cec" in nutrients
        or cec is None or plan.need.potassium is None
    ):
        return ()
    book = find_book(inputs.books, plan.need.potassium.book)
    limits = {
        rules.class_breaks(
            book=book, cec_meq_per_100g=float(value), options=plan.need.potassium.options(),
            extractant=inputs.soil.columns["potassium"].extractant,
        )[0]
        for value in (np.nanmin(cec.values), np.nanmean(cec.values), np.nanmax(cec.values))
    }
    if len(limits) == 1:
        return ()
    return (warn(
        "zones-breaks-by-mean-cec", "[zones]",
        f"the class limits of {book.id} change with CEC, which runs from "
        f"{np.nanmin(cec.values):g} to {np.nanmax(cec.values):g} here",
        done=f"zones cut at the limits of the mean, {np.nanmean(cec.values):.1f}; each zone's "
        "need follows its own CEC",
        todo='cut by both: nutrients = ["potassium", "cec"] with breaks for each',
    ),)


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


def _swath_advice(narrowest_ft: float, swath_ft: float) -> str:
    if narrowest_ft < swath_ft:
        return f"raise [zones] narrowest_ft to {swath_ft:g}, or accept that rates mix there"
    return (
        f"narrowest_ft = {narrowest_ft:g} cannot help: the field or your own polygons are this "
        "narrow there; apply one rate, use a narrower swath, or accept that rates mix"
    )


def _width_m(plan: Plan, polygon: shapely.Geometry) -> float:
    if plan.zones.driving_deg is None:
        return geo.width_m(polygon)
    return geo.width_across_m(polygon, plan.zones.driving_deg)


def by_hand_findings(plan: Plan, made: Zones, zone_ids: Collection[int]) -> tuple[Finding, ...]:
    """Zones changed by hand that are smaller or narrower than the plan wants zones to be."""
    told = plan.zones
    narrowest_m = units.m_from_ft(told.narrowest_ft)
    small, narrow = [], []
    for zone in made.zones:
        if zone.zone_id not in zone_ids:
            continue
        if zone.area_ac < told.smallest_ac:
            small.append(f"{zone.letter} ({zone.area_ac:.2f} ac)")
        if _width_m(plan, zone.polygon) < 0.99 * narrowest_m:
            narrow.append(zone.letter)
    found = []
    if small:
        found.append(warn(
            "zones-by-hand-small", "zones", f"zones changed by hand are smaller than smallest_ac = "
            f"{told.smallest_ac:g}: {', '.join(small)}", done="kept as they were drawn",
            todo="make sure that the machine can follow them, or merge them"))
    if narrow:
        found.append(warn(
            "zones-by-hand-narrow", "zones", f"zones changed by hand have no part as wide as "
            f"narrowest_ft = {told.narrowest_ft:g}: {', '.join(narrow)}",
            done="kept as they were drawn",
            todo="make sure that the machine can follow them, or merge them"))
    return tuple(found)


def swath_findings(plan: Plan, made: Zones) -> tuple[Finding, ...]:
    """Zones that the machine of a pass cannot follow because they are narrower than its swath."""
    found = []
    for pass_id, machine in plan.machine.items():
        if machine.swath_ft is None:
            continue
        swath_m = units.m_from_ft(machine.swath_ft)
        narrow = [z for z in made.zones if _width_m(plan, z.polygon) < 0.99 * swath_m]
        if narrow:
            letters = ", ".join(zone.letter for zone in narrow)
            acres = sum(zone.area_ac for zone in narrow)
            found.append(warn(
                "zones-narrower-than-swath", f"pass {pass_id}",
                f"zones {letters} ({acres:.3f} ac) are narrower than the swath of "
                f"{machine.swath_ft:g} ft",
                todo=_swath_advice(plan.zones.narrowest_ft, machine.swath_ft),
            ))
    if not plan.machine:
        found.append(note(
            "zones-swath-unknown", "[machine]", "no machine is described",
            todo="add [machine.<pass id>] with swath_ft, least, most and step",
        ))
    return tuple(found)
