"""Soil tests: where the samples lie, what they read, what the report says of them, what was found.
"""

from __future__ import annotations

import json
from typing import Any

from vrx.app import findings
from vrx.app.controls import controls
from vrx.app.drawings import touchable
from vrx.app.form import Form
from vrx.app.known import document_of, job_of
from vrx.app.saving import put, save_keys
from vrx.app.session import Session
from vrx.app.step import Done, Step
from vrx.errors import InputError, PlanError
from vrx.model import Job
from vrx.plan import SoilSection, read_document
from vrx.report import maps, soils, words

_COLUMN = ("column", "unit", "form", "extractant", "depth_in")
_TABLE = ("id_column", "lab", "report_number", "sampled_on", "merge_within_m", "keep_outside_m")


def view(session: Session) -> dict[str, object]:
    """Everything that the templates print; what needs the job is left out where there is none."""
    job, document = job_of(session), document_of(session)
    soil = document.get("soil", {})
    shown: dict[str, object] = {
        "known": job is not None, "count": 0, "file": "", "picture": "", "remark": "",
        "analytes": [], "histograms": [], "columns": [], "samples": [],
        "found": findings.here(job, "samples"),
        "left_out": [str(one) for one in soil.get("leave_out", [])],
        "table_controls": controls(document, [f"soil.{key}" for key in _TABLE]),
        "column_controls": [
            (words.opening(words.analyte_name(key)), _column_controls(document, key))
            for key in SoilSection.ANALYTES if key in soil],
    }
    return shown | ({} if job is None else _of_job(job))


def _of_job(job: Job) -> dict[str, object]:
    drawn = maps.samples_map(key="drawing-samples", field=job.field, soil=job.soil)
    return {
        "file": job.soil.file, "count": len(job.soil.sample_id),
        "picture": touchable(drawn.svg, name="samples-drawing"), "remark": drawn.remark,
        "analytes": soils.analyte_rows(job),
        "histograms": [bars for key in job.surfaces if words.steers(key)
                       if (bars := soils.histogram(job, key))],
        "columns": [words.opening(words.analyte_name(key)) for key in job.soil.columns],
        "samples": soils.sample_rows(job),
    }


def _column_controls(document: dict[str, Any], key: str) -> Any:
    own = document["soil"][key]
    long = "analyte_is" in own
    names = ("analyte_is", "method_is", *_COLUMN[1:]) if long else _COLUMN
    # A depth or unit that stands in a column of its own has no line here.
    apart = {"depth_in": "depth", "unit": "unit_column"}
    return controls(document, [
        f"soil.{key}.{name}" for name in names if apart.get(name) not in own])


def save(session: Session, form: Form) -> Done:
    """Write what was typed about the table or a column."""
    return save_keys(session, form, "soil")


def leave_out(session: Session, form: Form) -> Done:
    """Leave a sample out of everything; it stays in the file and is told among the findings."""
    name, names = form.text("sample"), _left_out(session)
    if name not in session.bench.job().soil.sample_id:
        raise InputError(f"there is no sample {name!r}", code="app-sample-unknown", where="sample",
                         hint="choose one of the table")
    _write(session, [*names, name])
    return Done(f"Sample {name} is left out.")


def take_back(session: Session, form: Form) -> Done:
    """Take a sample that was left out back."""
    name, names = form.text("sample"), _left_out(session)
    if name not in names:
        raise InputError(f"sample {name!r} is not left out", code="app-sample-unknown",
                         where="sample", hint="choose one of the list")
    _write(session, [one for one in names if one != name])
    return Done(f"Sample {name} is back.")


def _left_out(session: Session) -> list[str]:
    held = read_document(session.bench.plan_file)["soil"].get("leave_out", [])
    if not isinstance(held, list):
        raise PlanError("soil.leave_out is no list", code="plan-value", where="sample",
                        hint="write it as a list of names")
    return [str(one) for one in held]


def _write(session: Session, names: list[str]) -> None:
    if names:
        put(session, [("soil.leave_out", json.dumps(names, ensure_ascii=False))])
    else:
        put(session, [], ["soil.leave_out"])


STEP = Step(
    id="samples", path="/samples", title="Soil tests", template="samples.html.j2", stage="job",
    view=view, even_blocked=True,
    parts={"samples-map": "samples_map.html.j2", "samples-read": "samples_read.html.j2",
           "samples-table": "samples_table.html.j2", "samples-forms": "samples_forms.html.j2",
           "samples-found": "found_part.html.j2"},
    actions={"save": save, "leave-out": leave_out, "take-back": take_back},
)
