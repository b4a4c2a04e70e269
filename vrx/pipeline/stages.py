"""The stages of one field's job, each a value that the next one takes: maps, zones, the job.

A program that shows the job keeps the value of a stage for as long as what it was made from stays
the same: zones moved by hand need no new maps.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

from vrx.model import (
    CropTruth,
    Finding,
    Grid,
    Job,
    LayerGrid,
    LayerReading,
    Past,
    Prescription,
    Surface,
    ZoneReading,
    Zones,
)
from vrx.model.by_hand import NO_EDITS, EditsSaid, RateOverride
from vrx.model.need_beside import NeedBeside
from vrx.pipeline import (
    allocate,
    aside,
    brought,
    care,
    compare,
    edits,
    ground,
    guides,
    irrigation,
    knowledge,
    layers,
    machine,
    money,
    past,
    rasters,
    response,
    season,
    task_data,
    yields,
    zone_values,
    zoning,
)
from vrx.pipeline import needs as asking
from vrx.pipeline.inputs import Inputs
from vrx.pipeline.lab_tests import with_tests
from vrx.pipeline.parts import Part, at_once
from vrx.pipeline.yields import ZoneGoals
from vrx.plan import Plan
from vrx.rules import findings_of

Progress = Callable[[str], None]


def silent(_: str) -> None:
    """Progress that nobody follows."""
    return


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """The maps of a field, and the plan as everything after them reads it."""

    plan: Plan
    inputs: Inputs
    grid: Grid
    grids: Sequence[LayerGrid]
    maps: Mapping[str, Surface]


def settled(plan: Plan, inputs: Inputs) -> Plan:
    """The plan as the stages read it: figures of its tables in it, acres that its water wets."""
    return irrigation.with_wetted(with_tests(plan, inputs.tests))


def draw(plan: Plan, inputs: Inputs, *, progress: Progress = silent) -> Drawn:
    """Soil-test maps and layers on one grid, of a plan that is `settled`."""
    grid = ground.map_grid(plan, inputs)
    grids = layers.read_grids(plan, inputs, grid=grid, progress=progress)
    progress("drawing soil-test maps")
    maps = ground.draw_maps(plan, inputs, layers.guides_of(plan, grids))
    return Drawn(plan=plan, inputs=inputs, grid=grid, grids=grids, maps=maps)


def cut(drawn: Drawn, *, progress: Progress = silent) -> Zones:
    """Zones as the plan's source makes them."""
    progress("cutting zones")
    return zoning.make_zones(drawn.plan, drawn.inputs, drawn.maps, drawn.grids)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Asked:
    """Zones with what they read and need, and the rates that follow.

    `prescribe(plan, needs=...)` plans the passes anew; `rated` takes the exact rates as they are
    to machine steps, with other rates by hand.
    """

    zones: Zones
    readings: Mapping[str, ZoneReading]
    past: Past
    layers: tuple[LayerReading, ...]
    goals: ZoneGoals | None
    ground: asking.Ground
    found: asking.Found
    truth: CropTruth
    prescribe: Callable[..., Prescription]
    rated: Callable[[Sequence[RateOverride]], Prescription]
    prescription: Prescription

    def by_hand(self, rates: Sequence[RateOverride]) -> Asked:
        """The same needs with these rates by hand, and no others; no pass is planned anew.

        Raises `PlanInfeasible` for a rate that machine, label or a ceiling does not allow.
        """
        return replace(self, prescription=self.rated(rates))


def ask(
    drawn: Drawn, made: Zones, *, by_hand: Sequence[RateOverride] = (),
    progress: Progress = silent, part: Part = at_once,
) -> Asked:
    """Readings, needs and rates of these zones, with the rates by hand in their places."""
    plan, inputs, maps = drawn.plan, drawn.inputs, drawn.maps
    readings = part("readings", lambda: zone_values.read_zones(plan, inputs, maps, made), made)
    before = part("past", lambda: past.read_past(inputs, made), made)
    beside = part("layers", lambda: layers.read_layers(
        plan, inputs, made=made, grids=drawn.grids), made)
    shared = part("goals", lambda: yields.zone_goals(
        plan, field=inputs.field, made=made, grid=drawn.grid, folder=inputs.folder,
        progress=progress, patterns=layers.patterns(plan, drawn.grids), part=part), made)
    progress("working out needs and passes")
    ground_ = asking.ground_of(
        plan, made=made, readings=readings, maps=maps, goals=shared.goals if shared else (),
        yield_source=shared.source if shared else asking.ONE_GOAL,
        profiles=before.profiles)
    found = asking.find(plan, inputs, ground_, season.need_sections(plan))
    truth = season.crop_truth(plan, inputs)
    wetted = irrigation.wetted_by_zone(plan, inputs, made)
    exact = season.plan_rates(plan, inputs, made, found.needs, truth, wetted=wetted)
    rated = partial(season.rated, plan=plan, inputs=inputs, made=made, needs=found.needs,
                    exact=exact)
    return Asked(
        zones=made, readings=readings, past=before, layers=beside, goals=shared, ground=ground_,
        found=found, truth=truth, rated=rated, prescription=rated(by_hand),
        prescribe=partial(season.prescribe, inputs=inputs, made=made, truth=truth, wetted=wetted))


def finish(drawn: Drawn, asked: Asked, *, said: EditsSaid = NO_EDITS) -> Job:
    """The whole job: what stands around the rates, what it costs, and every finding.

    `said` are the edits that the zones and rates of `asked` come from.
    """
    plan, inputs, maps = drawn.plan, drawn.inputs, drawn.maps
    made, readings, planned = asked.zones, asked.readings, asked.prescription
    needs = asked.found.needs
    known = knowledge.what_is_known(plan, inputs, maps, readings)
    chosen = allocate.settled(plan, planned)
    injected = irrigation.schedules(chosen, inputs, made, planned)
    around, of_care = care.care_of(
        chosen, inputs, made, readings=readings, needs=needs, planned=planned)
    costs = money.money_of(
        plan, inputs, made, readings=readings, needs=needs, truth=asked.truth, planned=planned,
        goals=asked.goals.goals if asked.goals else None, prescribe=asked.prescribe)
    compared, of_guides = compare.compare(
        plan, inputs, asked.ground, needs, books=plan.compare.books,
        options=plan.compare.options, prescribe=asked.prescribe)
    answers, of_responses = response.read_responses(
        plan, folder=inputs.folder, made=made, planned=planned)
    fit, of_machines = machine.fit_of(
        plan, field=inputs.field, zones=made, prescription=planned)
    own = () if inputs.own_zones is None else inputs.own_zones.findings
    found: list[Finding] = [
        *inputs.field.findings, *inputs.soil.findings, *own,
        *ground.map_findings(plan, maps), *ground.break_findings(plan, inputs),
        *made.findings, *zone_values.value_findings(plan, readings, made),
        *asked.past.findings,
        *knowledge.knowledge_findings(known), *layers.findings(asked.layers, made),
        *(asked.goals.findings if asked.goals else ()), *ground.swath_findings(plan, made),
        *ground.by_hand_findings(plan, made, said.zone_ids),
        *(one for per_zone in needs.values() for one in findings_of(per_zone)),
        *asked.found.findings, *of_guides,
        *inputs.tests.findings, *inputs.blend_findings,
        *brought.findings(plan, inputs, removal=season.removal),
        *aside.findings(plan, inputs, made, readings), *of_care,
        *season.limit_findings(plan, planned), *season.nothing_needed(needs, planned),
        *(one for rates in planned.passes for one in rates.findings), *planned.findings,
        *costs.findings,
        *irrigation.findings(chosen, injected, planned),
        *of_responses,
        *task_data.findings(plan, field=inputs.field, zones=made, prescription=planned),
        *rasters.findings(
            plan, field=inputs.field, zones=made, prescription=planned, maps=maps),
        *of_machines,
    ]
    used = {one.material.id: one.material for one in planned.passes}
    return Job(
        field=inputs.field, crop=plan.field.crop, season=plan.field.season,
        expected_yield=season.expected_yield(plan), soil=inputs.soil, surfaces=maps, zones=made,
        readings=readings, needs=needs, prescription=planned, materials=tuple(used.values()),
        crop_truth=asked.truth, sources=season.sources(plan, inputs),
        findings=tuple(dict.fromkeys(found)), layers=asked.layers, knowledge=known,
        past=asked.past, care=around, money=costs, irrigation=injected, responses=answers, fit=fit,
        edits=said, guides=guides.guides(plan, inputs), need_beside=NeedBeside(
            bounds=asked.found.bounds, cells=asked.found.cells, comparisons=compared),
    )


def compute(
    plan: Plan, inputs: Inputs, *, log: edits.EditLog | None = None, progress: Progress = silent
) -> Job:
    """Everything but writing: maps, zones, readings, needs, prescription.

    Zones and rates are as edited by hand: by `log`, or by the edits beside the plan.
    """
    log = edits.read_edits(inputs.folder) if log is None else log
    drawn = draw(settled(plan, inputs), inputs, progress=progress)
    made, said = edits.in_force(cut(drawn, progress=progress), log, inputs.field)
    asked = ask(drawn, made, by_hand=said.rates, progress=progress)
    return with_torn(finish(drawn, asked, said=said), log)


def with_torn(job: Job, log: edits.EditLog) -> Job:
    """The job with what is to be told of the file of edits."""
    return replace(job, findings=(*log.findings, *job.findings)) if log.torn else job
