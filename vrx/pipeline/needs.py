"""Needs of the zones: the question to each guide, by zone and by cell, with what stands beside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from vrx import geo, rules
from vrx.errors import PlanError, RuleError
from vrx.model import (
    DepthProfile,
    Finding,
    FloatArray,
    Grid,
    IntArray,
    Need,
    NeedLine,
    Surface,
    Yield,
    ZoneReading,
    Zones,
    note,
    warn,
)
from vrx.model.need_beside import NeedBounds, NeedCells
from vrx.pipeline import brought
from vrx.pipeline.ground import find_book
from vrx.pipeline.inputs import Inputs
from vrx.pipeline.stand import stand_options
from vrx.plan import NeedSection, Plan, ResidualSection

# Below this two needs are the same to any machine (our choice).
LEAST_DIFFERENCE_LB_PER_AC = 2.0
ONE_GOAL = "one goal for the whole field"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """What every guide is asked about: zones with their readings, goals, and the maps' cells.

    `cell` and `of_zone` (n,) are the flat position of each cell on `grid` and the position of its
    zone, `share` (n,) how much of the cell lies in it; a cell on a border stands once for each of
    its zones. `cell_readings` hold the maps there.
    """

    made: Zones
    readings: Mapping[str, ZoneReading]
    goals: tuple[Yield, ...]
    yield_source: str
    profiles: Sequence[DepthProfile]
    grid: Grid
    cell: IntArray
    of_zone: IntArray
    share: FloatArray
    cell_readings: Mapping[str, ZoneReading]

    def zone_means(self, values: FloatArray) -> FloatArray:
        """(zones,) area-weighted means of `values` (n,) of the cells."""
        count = len(self.made.zones)
        weight = np.bincount(self.of_zone, weights=self.share, minlength=count)
        total = np.bincount(self.of_zone, weights=self.share * values, minlength=count)
        means: FloatArray = total / weight
        return means

    def layer(self, values: FloatArray) -> FloatArray:
        """(rows, columns) of `values` (n,), NaN outside; border cells by area."""
        size = self.grid.rows * self.grid.columns
        weight = np.bincount(self.cell, weights=self.share, minlength=size)
        total = np.bincount(self.cell, weights=self.share * values, minlength=size)
        flat = np.divide(total, weight, out=np.full(size, np.nan), where=weight > 0)
        layer: FloatArray = flat.reshape(self.grid.shape)
        return layer


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """Needs by nutrient with their bounds and cells, and what is to be told of them."""

    needs: Mapping[str, tuple[Need, ...]]
    bounds: Mapping[str, NeedBounds]
    cells: Mapping[str, NeedCells]
    findings: tuple[Finding, ...]


def ground_of(
    plan: Plan, *, made: Zones, readings: Mapping[str, ZoneReading], maps: Mapping[str, Surface],
    goals: Sequence[Yield], yield_source: str, profiles: Sequence[DepthProfile],
    held: Sequence[tuple[IntArray, FloatArray]] | None = None,
) -> Ground:
    """The zones and all cells of the maps in them; `held` are `geo.zone_cells`, where known."""
    grid = next(iter(maps.values())).grid
    if held is None:
        held = geo.zone_cells(grid=grid, polygons=[zone.polygon for zone in made.zones])
    cell = np.concatenate([at for at, _ in held])
    of_zone = np.repeat(np.arange(len(held)), [len(at) for at, _ in held])
    in_cells = {}
    for analyte, drawn in maps.items():
        mean, error = drawn.values.ravel()[cell], drawn.standard_error.ravel()[cell]
        in_cells[analyte] = replace(
            readings[analyte], mean=mean, standard_error=error, low=mean, high=mean,
            percentiles=None, outside_share=None, outside_chance=None, samples=None)
    goal = Yield(tons_per_ac=plan.yield_goal.tons_per_ac,
                 moisture_pct=plan.yield_goal.moisture_pct)
    return Ground(
        made=made, readings=readings, goals=tuple(goals) or (goal,), yield_source=yield_source,
        profiles=profiles, grid=grid, cell=cell, of_zone=of_zone,
        share=np.concatenate([share for _, share in held]), cell_readings=in_cells)


def question(
    plan: Plan, inputs: Inputs, on: Ground, nutrient: str, section: NeedSection
) -> rules.Question:
    """What the guide of `section` is asked about all zones."""
    goals = on.goals
    return rules.Question(
        book=find_book(inputs.books, section.book), nutrient=nutrient,
        zone_ids=tuple(zone.zone_id for zone in on.made.zones),
        zone_names=tuple(zone.letter for zone in on.made.zones), readings=on.readings,
        crop=plan.field.crop, expected_yield=goals if len(goals) > 1 else goals[0],
        options=book_options(plan, inputs, nutrient, section),
        water=water_test(plan), tissue=brought.tissue_test(plan, inputs, on.made),
        credited=credits_of(plan, nutrient, on.profiles, on.made), yield_source=on.yield_source)


def book_options(
    plan: Plan, inputs: Inputs, nutrient: str, section: NeedSection
) -> dict[str, object]:
    """What the plan tells a guide: its own section, and what manure and stand say for it."""
    return {**section.options(), **brought.manure_option(plan, inputs, nutrient, section),
            **stand_options(plan, find_book(inputs.books, section.book), section)}


def water_test(plan: Plan) -> rules.WaterTest | None:
    """The plan's water: its inches, its sulfate and its potassium."""
    if plan.water is None:
        return None
    wanted = ("net_in", "sulfate_so4_ppm", "sulfate_s_ppm", "sulfate_meq_per_l", "potassium_ppm")
    return rules.WaterTest(**plan.water.model_dump(include=set(wanted)))


def credits_of(
    plan: Plan, nutrient: str, profiles: Sequence[DepthProfile] = (), made: Zones | None = None
) -> rules.Credits:
    """What the plan says of credits for a nutrient. PlanError where samples at depth are missing.

    Without zones sulfate at depth is counted only where the plan states one figure of it.
    """
    told = plan.credits.sulfur if nutrient == "S" else plan.credits.potassium
    residual = plan.credits.sulfur.residual_sulfate if nutrient == "S" else None
    amount, words = brought.manure_lb_per_ac(plan, nutrient)
    sampled = residual is not None and residual.so4s_ppm is None
    return rules.Credits(
        water=told.water, water_share=told.water_share, manure=told.manure,
        organic_matter=plan.credits.sulfur.organic_matter if nutrient == "S" else None,
        manure_lb_per_ac=amount, manure_words=words,
        carry_over_lb_per_ac=told.carry_over_lb_per_ac or 0.0,
        carry_over_source=told.carry_over_source or "",
        residual=None if residual is None or (sampled and made is None)
        else _residual(residual, profiles))


def _residual(
    told: ResidualSection, profiles: Sequence[DepthProfile]
) -> rules.ResidualSulfate:
    top, bottom = told.depth_in
    if told.so4s_ppm is not None:
        return rules.ResidualSulfate(
            so4s_ppm=told.so4s_ppm, depth_in=told.depth_in, share=told.share,
            words=f"{top:g}-{bottom:g} in, {told.source or 'stated in the plan'}",
            bulk_density_g_per_cm3=told.bulk_density_g_per_cm3)
    held = next((one for one in profiles if one.analyte == "sulfate"), None)
    depths = [] if held is None else list(held.depths_in)
    if held is None or told.depth_in not in depths:
        there = ", ".join(f"{a:g}-{b:g} in" for a, b in depths) or "one depth only"
        raise PlanError(
            f"sulfate at {top:g}-{bottom:g} in is to be credited, and the sample table holds "
            f"{there}", code="credit-depth-missing", where="[credits.sulfur] residual_sulfate",
            hint="name a depth that was sampled, or give so4s_ppm")
    method = f", {held.extractant}" if held.extractant else ""
    return rules.ResidualSulfate(
        so4s_ppm=held.mean[:, depths.index(told.depth_in)], depth_in=told.depth_in,
        share=told.share, words=f"{top:g}-{bottom:g} in, mean of the zone's samples{method}",
        bulk_density_g_per_cm3=told.bulk_density_g_per_cm3)


def find(plan: Plan, inputs: Inputs, on: Ground, sections: Mapping[str, NeedSection]) -> Found:
    """Need of each nutrient by its guide, per zone, line by line. Plan- and RuleError."""
    needs, bounds, cells = {}, {}, {}
    findings: list[Finding] = []
    for nutrient, section in sections.items():
        asked = question(plan, inputs, on, nutrient, section)
        by_zone, cell = zone_needs(plan, on, asked)
        needs[nutrient], cells[nutrient] = by_zone, cell
        bounds[nutrient] = rules.bounds(asked, level=plan.need.bounds_level)
        findings += _cell_findings(cell, on.made)
    return Found(
        needs=MappingProxyType(needs), bounds=MappingProxyType(bounds),
        cells=MappingProxyType(cells), findings=tuple(findings))


def zone_needs(
    plan: Plan, on: Ground, asked: rules.Question
) -> tuple[tuple[Need, ...], NeedCells]:
    """Needs as the plan wants the rule applied, and the rule in the cells."""
    return in_cells(plan, on, asked, rules.answer(asked))


def needs_only(plan: Plan, on: Ground, asked: rules.Question) -> tuple[Need, ...]:
    """Needs as the plan wants the rule applied; the cells are asked only where they count."""
    needs = rules.answer(asked)
    return in_cells(plan, on, asked, needs)[0] if plan.need.apply_to == "cells" else needs


def in_cells(
    plan: Plan, on: Ground, asked: rules.Question, needs: tuple[Need, ...]
) -> tuple[tuple[Need, ...], NeedCells]:
    """Needs by the zones' means with the rule in the cells beside, or in their place."""
    rule = np.array([need.lb_per_ac for need in needs])
    empty = NeedCells(
        nutrient=asked.nutrient, grid=on.grid, values=np.full(on.grid.shape, np.nan),
        cell_mean=rule, zone_rule=rule, differ_share=plan.need.cells_differ_share,
        used="zone mean")
    try:
        rates, _ = rules.in_cells(asked, readings=on.cell_readings, of_zone=on.of_zone)
    except RuleError as err:
        # The map may reach where the guide does not read, though no zone's mean does.
        if plan.need.apply_to == "cells":
            raise
        return needs, replace(empty, refused=err.message)
    cells = replace(empty, values=on.layer(rates), cell_mean=on.zone_means(rates),
                    used=plan.need.apply_to)
    if plan.need.apply_to == "cells":
        counts = np.bincount(on.of_zone, minlength=len(needs))
        needs = tuple(
            _by_cells(need, float(mean), int(count))
            for need, mean, count in zip(needs, cells.cell_mean, counts, strict=True))
    return needs, cells


def _by_cells(need: Need, mean: float, count: int) -> Need:
    line = NeedLine(
        term="rule applied cell by cell", lb_per_ac=mean - need.lb_per_ac,
        detail=f"the mean of the rule in {count:,} cells is {mean:.1f} lb/ac, the rule on the "
        f"zone's mean soil test gives {need.lb_per_ac:.1f}", locator='apply_to = "cells" in [need]',
        evidence="computed")
    return replace(need, lb_per_ac=mean, lines=(*need.lines, line))


def differing(cells: NeedCells) -> list[int]:
    """Positions of the zones where rule and cells differ by more than the stated share."""
    apart = np.abs(cells.cell_mean - cells.zone_rule)
    most = np.maximum(cells.cell_mean, cells.zone_rule)
    much = (apart > cells.differ_share * most) & (apart > LEAST_DIFFERENCE_LB_PER_AC)
    return [int(k) for k in np.flatnonzero(much)]


def _cell_findings(cells: NeedCells, made: Zones) -> list[Finding]:
    where = f"[need] {cells.nutrient}"
    if cells.refused:
        return [note("need-cells-refused", where,
                     f"the guide cannot be read cell by cell: {cells.refused}",
                     done="only the rule on each zone's mean stands")]
    which = differing(cells)
    if not which:
        return []
    said = ", ".join(
        f"{made.zones[k].letter} {cells.zone_rule[k]:.0f} and {cells.cell_mean[k]:.0f}"
        for k in which)
    what = (f"the rule on a zone's mean soil test and the mean of the rule in its cells differ by "
            f"more than {100 * cells.differ_share:g} % (lb {cells.nutrient}/ac): {said}")
    if cells.used == "cells":
        return [note("need-cells-differ", where, what, done="the mean of the cells is used, as "
                     "the plan asks")]
    return [warn("need-cells-differ", where, what, done="the rule on the zone's mean is used",
                 todo='split these zones, or set apply_to = "cells" in [need]')]
