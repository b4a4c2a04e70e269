"""What every page prints around its step, and the pages of refusals and faults."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import nullcontext
from html import escape
from typing import Any

from vrx.app.guard import Keys
from vrx.app.past import past_view
from vrx.app.remedies import line_of, plain
from vrx.app.session import Session, Task
from vrx.app.step import Step, looked_at, render_page, render_parts, what_differs
from vrx.app.steps import STEPS
from vrx.app.steps.places import for_places
from vrx.app.totals import bar_view
from vrx.app.ways import ways_out
from vrx.errors import PlanError, VrxError
from vrx.formats.catalogue import find_codes, nearest_codes
from vrx.report.svg import printable

PATIENCE_S = 0.6
_SHELL = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{title}</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="stylesheet" href="/static/app.css"></head>
<body class="alone"><main><h1>{title}</h1>{body}</main></body></html>
"""


def _alone(title: str, body: str) -> bytes:
    return _SHELL.format(title=escape(title), body=body).encode("utf-8", "replace")


def refusal(status: int, words: str) -> bytes:
    """The page of a refused request; it needs nothing that a stranger may not have."""
    titles = {404: "Not here", 413: "Too much at once", 408: "Too slow"}
    return _alone(titles.get(status, "Not let in"), f"<p>{escape(words)}</p>")


def fault_words(name: str) -> str:
    """What a page says of a fault of ours."""
    return (f"vrx made a mistake here; it is none of yours. It goes by {name}: the terminal that "
            "vrx app was started in says more under that name. Nothing of your plan was lost; it "
            "is in plan.toml.")


def fault_page(name: str) -> bytes:
    """The page of a fault of ours: its short name and nothing of its inside."""
    return _alone("A fault of vrx",
                  f'<p>{escape(fault_words(name))}</p><p><a href="/">Back to the job</a></p>')


def fault_told(name: str) -> dict[str, str]:
    """The same for a patch."""
    return {"message": fault_words(name), "hint": "", "where": "", "code": ""}


def code_page(code: str) -> bytes:
    """What a code of a finding or an error means; an unknown one names the nearest."""
    known = next((one for one in find_codes(code.lower()) if one.code == code.lower()), None)
    if known is None:
        near = ", ".join(nearest_codes(code[:80]))
        return _alone("No such code", f"<p>{escape(f'Nearest: {near}' if near else '')}</p>")
    body = (f"<p>{escape(printable(known.meaning))}</p><h2>What to do</h2>"
            f"<p>{escape(printable(known.remedy))}</p>"
            f'<p class="small">{escape(", ".join(known.severity))}; touches '
            f"{escape(known.weight)}</p>")
    return _alone(code, body)


def trouble_told(err: VrxError, *, shown: int = 12) -> dict[str, object]:
    """An error as the page tells it; findings that only repeat it are left out."""
    findings = [one for one in err.findings
                if err.message not in {one.what, f"{one.where}: {one.what}"}]
    return {
        "message": printable(plain(err.message)), "hint": printable(plain(err.hint)),
        "where": printable(err.where), "code": err.code,
        "findings": [{"severity": str(one.severity), "code": one.code,
                      "line": printable(line_of(one))} for one in findings[:shown]],
        "more": max(0, len(findings) - shown), "ways": [],
    }


def _standing(session: Session, step: Step) -> PlanError | None:
    """What is so whatever was asked for last."""
    if not session.folder.is_dir():
        return PlanError(
            "the folder is not there any more", code="app-folder-closed",
            where=str(session.folder), hint="was it moved, renamed, or on a disk that was taken "
            "out? Put it back, and the app goes on where it was")
    if step.stage not in {"", "read"} and for_places(session):
        return PlanError(
            "this plan is for choosing sampling places; it has no soil tests yet",
            code="app-no-soil-tests", hint="in the step Files the places are laid out, and the "
            "whole plan is made when the results are here")
    return None


def _trouble(session: Session, step: Step, err: VrxError | None) -> dict[str, object] | None:
    """What stands in the trouble region: of this request, of the last work, of the plan."""
    if err is not None:
        return trouble_told(err)
    standing = _standing(session, step)
    if standing is not None:
        return trouble_told(standing)
    for task in (session.asked, session.task):
        # what a user asked for in one step is told in that step
        if task is not None and task.ended.is_set() and task.step in {"", step.id}:
            if task.trouble is not None:
                return _with_ways(session, task.trouble)
            if task.fault:
                return {**fault_told(task.fault), "findings": [], "more": 0, "ways": []}
    if not session.busy and session.bench.trouble is not None and step.stage not in {"", "read"}:
        return _with_ways(session, session.bench.trouble)
    return None


def _with_ways(session: Session, err: VrxError) -> dict[str, object]:
    """An error with what can be done about it here; commands to type stand back for that."""
    ways = ways_out(session, err.code)
    return trouble_told(err) | ({"ways": ways, "hint": "", "findings": []} if ways else {})


def _blocked(session: Session, step: Step, task: Task | None) -> bool:
    """Whether the stage of a step cannot be made; the trouble region then says why."""
    if step.stage in {"", "read"}:
        return False
    if session.bench.trouble is not None or not session.bench.has_plan:
        return True
    return step.stage != "plan" and (
        task is None or not task.ended.is_set() or task.state != "done")


def mark_of(session: Session, step: Step) -> str:
    """A step's mark; what is only shown counts as done once it was shown."""
    told = step.mark(session)
    seen: set[str] = session.kept.get("looked at", set())
    return "to do" if told == "done" and step.mark is looked_at and step.id not in seen else told


def context(
    session: Session, keys: Keys, step: Step, *, ready: bool, said: str = "",
    err: VrxError | None = None,
) -> dict[str, Any]:
    """Everything that base template and common parts print."""
    bench, task = session.bench, session.task
    plan = bench.plan
    running = task if task is not None and task.running else None
    return {
        "step": step, "token": keys.form, "on": bench.state, "said": said,
        "field_name": session.field_name if plan is None else plan.field.name,
        "folder": str(session.folder.resolve()), "has_plan": bench.has_plan,
        "steps": [
            {"title": one.title, "path": one.path, "number": number,
             "mark": mark_of(session, one), "current": one is step}
            for number, one in enumerate(STEPS, 1)],
        "past": past_view(session), "bar": bar_view(session),
        "trouble": _trouble(session, step, err),
        "work": None if running is None else {
            "words": running.words, "number": running.number, "writing": running.writing},
        "halted": session.halted, "ready": ready,
    }


def _prepared(
    session: Session, keys: Keys, step: Step, *, said: str = "", err: VrxError | None = None,
    anew: bool = True,
) -> tuple[dict[str, Any], bool, bool]:
    """Context with the step's view where its stage is ready; (context, ready, blocked)."""
    ended = session.ensure(
        step.stage, patience_s=PATIENCE_S if anew else 2 * PATIENCE_S, anew=anew)
    # Another window may begin a work just now: then nothing is blocked, and the page asks again.
    task = session.task
    free = task is None or not task.running
    with session.held() if free else nullcontext():
        blocked = ended and free and _blocked(session, step, task)
        ready = ended and free and (not blocked or step.even_blocked)
        found: dict[str, object] = {}
        if ready:
            found = step.view(session)
            if not blocked and step.stage not in {"", "read"}:
                session.kept.setdefault("looked at", set()).add(step.id)
        every = context(session, keys, step, ready=ready, said=said, err=err)
    return {**every, **found}, ready, blocked


def page(
    session: Session, keys: Keys, step: Step, *, said: str = "", err: VrxError | None = None
) -> str:
    """The whole page of a step as it is now."""
    said = said or str(session.kept.pop("said", ""))
    every, ready, blocked = _prepared(session, keys, step, said=said, err=err)
    return render_page(step, every, ready=ready, blocked=blocked)


def patch(session: Session, keys: Keys, step: Step, known: Mapping[str, str]) -> dict[str, Any]:
    """The parts that differ from what the page has."""
    every, ready, blocked = _prepared(session, keys, step, anew=False)
    rendered = render_parts(step, every, ready=ready)
    parts, gone = what_differs(rendered, known)
    return {"on": every["on"], "parts": parts, "gone": gone if ready else [], "ready": ready,
            "blocked": blocked}
