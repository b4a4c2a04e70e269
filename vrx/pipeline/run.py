"""The whole job of one field: compute, write, verify, commit."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

from vrx import export, prescription, report
from vrx.errors import PlanInfeasible
from vrx.export import FORMATS
from vrx.formats.crew import safe_cell
from vrx.model import ExportedFile, Finding, Job, OrderLine, stops
from vrx.model.need_beside import NeedBeside
from vrx.pipeline import (
    allocate,
    application,
    aside,
    brought,
    care,
    compare,
    ground,
    guides,
    irrigation,
    knowledge,
    layers,
    machine,
    manifest,
    money,
    past,
    response,
    season,
    task_data,
    yields,
    zone_values,
    zoning,
)
from vrx.pipeline import needs as asking
from vrx.pipeline.commit import MANIFEST, commit, json_bytes, scratch_folder, sha256
from vrx.pipeline.inputs import Inputs, read_inputs
from vrx.pipeline.lab_tests import with_tests
from vrx.plan import Plan, load_plan, plan_path
from vrx.rules import findings_of

OUTPUT = "output"
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunResult:
    """What `vrx run` made: the job, its folder and the job record as plain JSON values."""

    job: Job
    folder: Path
    manifest: dict[str, Any]


def _silent(_: str) -> None:
    return


def run_field(folder: Path, *, progress: Progress = _silent) -> RunResult:
    """Run the plan of a field's folder and commit the result into `FOLDER/output`.

    Raises a `VrxError`; then nothing is written and the earlier run stays current.
    """
    plan_file = plan_path(folder)
    progress("reading plan, boundary and samples")
    plan = load_plan(plan_file)
    export.require_formats(plan.export.formats)
    inputs = read_inputs(plan, plan_file=plan_file)
    job = compute(plan, inputs, progress=progress)
    stopped = stops(job.findings)
    if stopped:
        raise PlanInfeasible(
            f"{len(stopped)} findings stop this plan", code="run-stopped", where=str(plan_file),
            hint="mend them in the plan; nothing was written", findings=stopped,
        )
    identity = {
        "versions": manifest.library_versions(
            [FORMATS[name].needs for name in plan.export.formats if FORMATS[name].needs]),
        "books": [
            {"id": name, "sha256": inputs.books[name].sha256}
            for name in sorted({
                *(one.book for one in season.need_sections(plan).values()), *plan.compare.books})
        ],
        **inputs.record,
    }
    run = manifest.run_name(identity)
    output = plan_file.parent / OUTPUT
    progress("writing and reading back")
    with scratch_folder(output) as scratch:
        record = _write(job, scratch=scratch, identity=identity, run=run, plan=plan)
        target = commit(scratch, output=output, run=run)
    return RunResult(job=job, folder=target, manifest=record)


def compute(plan: Plan, inputs: Inputs, *, progress: Progress = _silent) -> Job:
    """Everything but writing: maps, zones, readings, needs, prescription."""
    plan = irrigation.with_wetted(with_tests(plan, inputs.tests))
    grid = ground.map_grid(plan, inputs)
    grids = layers.read_grids(plan, inputs, grid=grid, progress=progress)
    progress("drawing soil-test maps")
    maps = ground.draw_maps(plan, inputs, layers.guides_of(plan, grids))
    progress("cutting zones")
    made = zoning.make_zones(plan, inputs, maps, grids)
    readings = zone_values.read_zones(plan, inputs, maps, made)
    before = past.read_past(inputs, made)
    known = knowledge.what_is_known(plan, inputs, maps, readings)
    beside = layers.read_layers(plan, inputs, made=made, grids=grids)
    shared = yields.zone_goals(
        plan, field=inputs.field, made=made, grid=grid, folder=inputs.folder, progress=progress,
        patterns=layers.patterns(plan, beside),
    )
    progress("working out needs and passes")
    ground_ = asking.ground_of(
        plan, made=made, readings=readings, maps=maps, goals=shared.goals if shared else (),
        yield_source=shared.source if shared else "one goal for the whole field",
        profiles=before.profiles)
    found_needs = asking.find(plan, inputs, ground_, season.need_sections(plan))
    needs = found_needs.needs
    truth = season.crop_truth(plan, inputs)
    prescribe = partial(season.prescribe, inputs=inputs, made=made, truth=truth,
                        wetted=irrigation.wetted_by_zone(plan, inputs, made))
    planned = prescribe(plan, needs=needs)
    chosen = allocate.settled(plan, planned)
    injected = irrigation.schedules(chosen, inputs, made, planned)
    around, of_care = care.care_of(
        chosen, inputs, made, readings=readings, needs=needs, planned=planned)
    costs = money.money_of(
        plan, inputs, made, readings=readings, needs=needs, truth=truth, planned=planned,
        goals=shared.goals if shared else None, prescribe=prescribe)
    compared, said = compare.compare(
        plan, inputs, ground_, needs, books=plan.compare.books, options=plan.compare.options,
        prescribe=prescribe)
    answers, of_responses = response.read_responses(
        plan, folder=inputs.folder, made=made, planned=planned)
    fit, of_machines = machine.fit_of(
        plan, field=inputs.field, zones=made, prescription=planned)
    own = () if inputs.own_zones is None else inputs.own_zones.findings
    found: list[Finding] = [
        *inputs.field.findings, *inputs.soil.findings, *own,
        *ground.map_findings(plan, maps), *ground.break_findings(plan, inputs),
        *made.findings, *zone_values.value_findings(plan, readings, made),
        *before.findings,
        *knowledge.knowledge_findings(known), *layers.findings(beside, made),
        *(shared.findings if shared else ()), *ground.swath_findings(plan, made),
        *(one for per_zone in needs.values() for one in findings_of(per_zone)),
        *found_needs.findings, *said,
        *inputs.tests.findings, *inputs.blend_findings,
        *brought.findings(plan, inputs, removal=season.removal),
        *aside.findings(plan, inputs, made, readings), *of_care,
        *season.limit_findings(plan, planned), *season.nothing_needed(needs, planned),
        *(one for rates in planned.passes for one in rates.findings), *planned.findings,
        *costs.findings,
        *irrigation.findings(chosen, injected, planned),
        *of_responses,
        *task_data.findings(plan, field=inputs.field, zones=made, prescription=planned),
        *of_machines,
    ]
    used = {one.material.id: one.material for one in planned.passes}
    return Job(
        field=inputs.field, crop=plan.field.crop, season=plan.field.season,
        expected_yield=season.expected_yield(plan), soil=inputs.soil, surfaces=maps, zones=made,
        readings=readings, needs=needs, prescription=planned, materials=tuple(used.values()),
        crop_truth=truth, sources=season.sources(plan, inputs),
        findings=tuple(dict.fromkeys(found)), layers=beside, knowledge=known,
        past=before, care=around, money=costs, irrigation=injected, responses=answers, fit=fit,
        guides=guides.guides(plan, inputs), need_beside=NeedBeside(
            bounds=found_needs.bounds, cells=found_needs.cells, comparisons=compared),
    )


def _write(
    job: Job, *, scratch: Path, identity: dict[str, Any], run: str, plan: Plan
) -> dict[str, Any]:
    meant = task_data.with_task_data(plan, export.set_of_job(
        job, record=manifest.facts_of(identity, run=run), legends=report.legends(job)))
    written = list(
        export.write_formats(meant=meant, formats=plan.export.formats, folder=scratch)
    )
    written += export.write_machine_files(
        machine.machine_files(plan, meant), formats=plan.export.formats, folder=scratch)
    if job.irrigation:
        written += export.write_schedules(job.irrigation, scratch)
    order = scratch / "order.csv"
    order.write_text(order_csv(job.prescription.order), encoding="utf-8", newline="")
    written.append(("csv", order))
    written += export.write_money(
        job.money, field=job.field.name, season=job.season, folder=scratch)
    papers = application.records(job, plan.application)
    written += export.write_application(papers, scratch)
    sheet = scratch / "application_record.html"
    sheet.write_text(report.application_pages(papers, run=run), encoding="utf-8", newline="\n")
    written.append(("html", sheet))
    files = [_exported(kind, path, scratch) for kind, path in written]
    page = scratch / "page.html"
    off = task_data.without_map(plan, job.prescription)
    page.write_text(
        report.page(
            job, run=run, files=files, cautions=prescription.cautions(job.prescription.passes),
            without_map=off,
        ),
        encoding="utf-8", newline="\n",
    )
    files.append(_exported("html", page, scratch))
    record = manifest.build(job=job, identity=identity, run=run, files=files, without_map=off)
    (scratch / MANIFEST).write_bytes(json_bytes(record))
    return record


def _exported(kind: str, path: Path, scratch: Path) -> ExportedFile:
    return ExportedFile(
        path=path.relative_to(scratch).as_posix(), format=kind, sha256=sha256(path),
        bytes=path.stat().st_size,
    )


def order_csv(order: tuple[OrderLine, ...]) -> str:
    """The order as CSV, full precision: what the buyer orders and the auditor recomputes."""
    names = [
        "material", "unit", "quantity", "lb", "short_tons", "k2o_lb", "s_lb", "n_lb", "usd",
        "price_note",
    ]
    text = io.StringIO()
    writer = csv.DictWriter(text, names, lineterminator="\n")
    writer.writeheader()
    for line in order:
        row = manifest.twelve_digits(asdict(line))
        row |= {name: safe_cell(row[name]) for name in ("material", "price_note")}
        writer.writerow({name: "" if row[name] is None else row[name] for name in names})
    return text.getvalue()
