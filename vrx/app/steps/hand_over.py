"""Hand over: choose formats, write the run, look at its files, fetch them, audit them."""

from __future__ import annotations

from vrx.app.findings import finding_views
from vrx.app.form import Form
from vrx.app.known import job_of
from vrx.app.runs import edits_of, listed, record_of, still_true
from vrx.app.saving import put
from vrx.app.session import Session, Task
from vrx.app.step import Done, Step
from vrx.audit import AuditResult
from vrx.errors import InputError, PlanInfeasible
from vrx.export import FORMATS
from vrx.model import Job, stops
from vrx.pipeline.workbench import KnownRun
from vrx.plan.edits import edits_path
from vrx.report import numbers
from vrx.report.machine import machine_view

_MOST_ROWS = 40
_NAMES = {
    "shapefile": "Shapefile", "geojson": "GeoJSON", "geopackage": "GeoPackage",
    "geotiff": "GeoTIFF", "geoparquet": "GeoParquet", "iso11783": "Task data (ISO 11783-10)",
}
_PAGES = (".html", ".csv", ".txt", ".json")
_FIRST = ("page.html", "application_record.html", "order.csv", "buying.csv", "bids.csv")
_WORDS = {True: "agrees", False: "differs", None: "not judged"}


def mark(session: Session) -> str:
    """ "done" where the current run is made from the folder as it is."""
    kept: tuple[str, bool] | None = session.kept.get("handed over")
    if kept is None or kept[0] != session.bench.state:
        run = None if session.busy else _current(session)
        if run is None or edits_path(session.folder).exists():
            # what edits come to is known only once the zones are cut: the view tells
            return "to do"
        record = record_of(run.folder)
        true = not edits_of(record) and still_true(record, session.folder)
        kept = session.kept["handed over"] = (session.bench.state, true)
    return "done" if kept[1] else "to do"


def _current(session: Session) -> KnownRun | None:
    return next((one for one in session.bench.runs() if one.is_current), None)


def view(session: Session) -> dict[str, object]:
    """All that the page of this step prints; the job where there is one."""
    bench = session.bench
    job = job_of(session)
    runs = bench.runs()
    current = next((one for one in runs if one.is_current), None)
    findings = () if job is None else job.findings
    told = None if current is None else _run_view(session, current, job)
    session.kept["handed over"] = (bench.state, bool(told and told["true"]))
    return {
        "job": job is not None,
        "formats": _formats(session),
        "stop_count": len(stops(findings)),
        "findings": finding_views(findings),
        "machine": None if job is None else machine_view(job),
        "current": told,
        "earlier": [
            {"name": one.name, "files": len(listed(one.folder)),
             "season": record_of(one.folder).get("field", {}).get("season", "")}
            for one in runs if not one.is_current],
        "audit": _audit_view(session, current),
        "happening": session.asked.name if session.asked is not None and session.busy else "",
    }


def _formats(session: Session) -> list[dict[str, object]]:
    from importlib.util import find_spec

    plan = session.bench.plan
    chosen = () if plan is None else plan.export.formats
    return [
        {"id": name, "name": _NAMES.get(name, name), "holds": one.holds, "chosen": name in chosen,
         "missing": one.extra if one.needs and find_spec(one.needs) is None else ""}
        for name, one in FORMATS.items()]


def _run_view(session: Session, run: KnownRun, job: Job | None) -> dict[str, object]:
    record = record_of(run.folder)
    every = listed(run.folder)
    ordered = sorted(every.values(), key=lambda one: (
        _FIRST.index(one["path"]) if one["path"] in _FIRST else len(_FIRST), one["path"]))
    return {
        "name": run.name,
        "true": still_true(record, session.folder) and (
            job is None or edits_of(record) == job.edits.state),
        "season": record.get("field", {}).get("season", ""),
        "bytes": numbers.size(sum(int(one.get("bytes", 0)) for one in ordered)),
        "files": [
            {"path": one["path"], "format": one.get("format", ""),
             "size": numbers.size(int(one.get("bytes", 0))), "sha256": str(one.get("sha256", "")),
             "opens": str(one["path"]).endswith(_PAGES)} for one in ordered],
    }


def _audit_view(session: Session, current: KnownRun | None) -> dict[str, object] | None:
    kept: tuple[str, AuditResult] | None = session.kept.get("audit")
    if kept is None or current is None or kept[0] != current.name:
        return None
    result = kept[1]
    rows = [one for one in result.rows if not one.agrees or ", zone" not in one.where]
    return {
        "arithmetic": _WORDS[result.arithmetic],
        "trade": "" if result.trade is None else (
            "within the trade's tolerance" if result.trade else "NOT within the trade's tolerance"),
        "good": result.arithmetic is True and result.trade is not False,
        "count": len(result.rows), "files": len(result.files),
        "differing": sum(not one.agrees for one in result.rows),
        "rows": [
            {"what": one.what, "where": one.where, "unit": one.unit, "found": _told(one.found),
             "expected": _told(one.expected),
             "verdict": "" if one.expected is None else "agrees" if one.agrees else "differs"}
            for one in rows[:_MOST_ROWS]],
        "more": max(0, len(result.rows) - min(len(rows), _MOST_ROWS)),
        "faults": finding_views(result.faults),
    }


def _told(value: object) -> str:
    if value is None:
        return ""
    return numbers.fixed(value, 4) if isinstance(value, float) else str(value)


def formats(session: Session, form: Form) -> Done:
    """Which files are written; kept in the plan."""
    chosen = form.list("format")
    wrong = [one for one in chosen if one not in FORMATS]
    if wrong:
        raise InputError(f"there is no format {wrong[0]!r}", code="app-form-value", where="format",
                         hint="choose from the list")
    if not chosen:
        raise InputError("no format is chosen", code="app-form-value", where="format",
                         hint="choose at least one")
    ordered = [one for one in FORMATS if one in chosen]
    plan = session.bench.plan
    if plan is not None and set(plan.export.formats) == set(ordered):
        return Done("These formats are in the plan already.")
    listing = ", ".join(f'"{one}"' for one in ordered)
    put(session, [("export.formats", f"[{listing}]")])
    return Done("Written into the plan: " + ", ".join(_NAMES.get(one, one) for one in ordered)
                + ".")


def write(session: Session, form: Form) -> Done:
    """Write the run, in the worker. Refused where findings stop the job."""
    job = job_of(session)
    stopped = () if job is None else stops(job.findings)
    if stopped:
        raise PlanInfeasible(
            f"{len(stopped)} finding{'s' * (len(stopped) != 1)} stop this plan",
            code="run-stopped", where="", hint="mend what is told; nothing was written",
            findings=stopped)
    session.kept.pop("audit", None)
    session.start("run")
    return Done("The files are being written.")


def audit(session: Session, form: Form) -> Done:
    """Read the current run's files back and recompute them, in the worker."""
    current = _current(session)
    if current is None:
        raise InputError("there is no finished run yet", code="app-no-run",
                         hint="write the files first")
    bench = session.bench

    def judge(task: Task) -> AuditResult:
        result = bench.audit()
        session.kept["audit"] = (current.name, result)
        return result

    session.start("audit", judge)
    return Done("The files are being read back.")


STEP = Step(
    id="hand-over", path="/hand-over", title="Hand over", template="hand_over.html.j2",
    stage="job", view=view, even_blocked=True,
    parts={"hand-formats": "hand_formats_part.html.j2", "hand-findings":
           "hand_findings_part.html.j2", "hand-files": "hand_files_part.html.j2",
           "hand-audit": "hand_audit_part.html.j2", "hand-loads": "hand_loads_part.html.j2",
           "hand-earlier": "hand_earlier_part.html.j2"},
    actions={"formats": formats, "write": write, "audit": audit}, mark=mark,
)
