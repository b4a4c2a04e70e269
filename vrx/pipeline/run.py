"""The whole job of one field: compute, write, verify, commit."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from vrx import export, prescription, report
from vrx.errors import PlanInfeasible
from vrx.export import FORMATS
from vrx.formats.crew import safe_cell
from vrx.model import ExportedFile, Job, OrderLine, stops
from vrx.pipeline import (
    application,
    machine,
    manifest,
    season,
    task_data,
)
from vrx.pipeline.commit import MANIFEST, commit, json_bytes, scratch_folder, sha256
from vrx.pipeline.edits_record import edits_identity
from vrx.pipeline.inputs import read_inputs
from vrx.pipeline.stages import Progress, compute, silent
from vrx.plan import Plan, load_plan, plan_path

OUTPUT = "output"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunResult:
    """What `vrx run` made: the job, its folder and the job record as plain JSON values."""

    job: Job
    folder: Path
    manifest: dict[str, Any]


def run_field(folder: Path, *, progress: Progress = silent) -> RunResult:
    """Run the plan of a field's folder and commit the result into `FOLDER/output`.

    Raises a `VrxError`; then nothing is written and the earlier run stays current.
    """
    plan_file = plan_path(folder)
    progress("reading plan, boundary and samples")
    plan = load_plan(plan_file)
    export.require_formats(plan.export.formats)
    if plan.export.pdf:
        report.require_pdf()
    inputs = read_inputs(plan, plan_file=plan_file)
    job = compute(plan, inputs, progress=progress)
    stopped = stops(job.findings)
    if stopped:
        raise PlanInfeasible(
            f"{len(stopped)} findings stop this plan", code="run-stopped", where=str(plan_file),
            hint="mend them in the plan; nothing was written", findings=stopped,
        )
    identity = {
        "versions": manifest.library_versions([
            *(FORMATS[name].needs for name in plan.export.formats if FORMATS[name].needs),
            *(("typst",) if plan.export.pdf else ()),
        ]),
        "books": [
            {"id": name, "sha256": inputs.books[name].sha256}
            for name in sorted({
                *(one.book for one in season.need_sections(plan).values()), *plan.compare.books})
        ],
        **inputs.record,
        **edits_identity(job),
    }
    run = manifest.run_name(identity)
    output = plan_file.parent / OUTPUT
    progress("writing and reading back")
    with scratch_folder(output) as scratch:
        record = _write(job, scratch=scratch, identity=identity, run=run, plan=plan)
        target = commit(scratch, output=output, run=run)
    return RunResult(job=job, folder=target, manifest=record)


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
    off = task_data.without_map(plan, job.prescription)
    files += _pages(job, run=run, files=files, scratch=scratch, plan=plan, without_map=off,
                    inputs=_inputs(identity))
    record = manifest.build(job=job, identity=identity, run=run, files=files, without_map=off,
                            default_rates=task_data.default_rates(plan, job.prescription))
    (scratch / MANIFEST).write_bytes(json_bytes(record))
    return record


def _pages(
    job: Job, *, run: str, files: list[ExportedFile], scratch: Path, plan: Plan,
    without_map: Mapping[str, tuple[float, float]], inputs: Sequence[tuple[str, str]],
) -> list[ExportedFile]:
    """The applicator's sheet alone, then the page of all three parts, which lists it too.

    As PDF as well where the plan asks for it, from the very same texts.
    """
    passes = job.prescription.passes
    views = report.page_views(
        job, run=run, cautions=prescription.cautions(passes), without_map=without_map,
        inputs=inputs,
        pass_cautions={one.pass_id: prescription.cautions([one]) for one in passes})
    made: list[ExportedFile] = []

    def keep(name: str, data: bytes) -> None:
        path = scratch / name
        path.write_bytes(data)
        made.append(_exported(path.suffix[1:], path, scratch))

    keep("sheet.html", report.sheet(views).encode())
    if plan.export.pdf:
        keep("sheet.pdf", report.pdf_bytes(views, parts=("applicator",), paper=plan.export.paper))
    views = report.with_files(views, [*files, *made])
    keep("page.html", report.page(views).encode())
    if plan.export.pdf:
        keep("page.pdf", report.pdf_bytes(views, paper=plan.export.paper))
    return made


def _inputs(identity: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What a run was made from, by name, with its SHA-256, as the job record holds it."""
    plan = identity["plan"]
    return [
        (plan["path"], plan["sha256"]),
        *((one["path"], one["sha256"]) for one in identity["inputs"]),
        *((f"guide {one['id']}", one["sha256"]) for one in identity["books"]),
        ("list of materials", identity["materials_sha256"]),
    ]


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
