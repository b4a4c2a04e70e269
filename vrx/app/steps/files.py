"""Files: what lies in the folder, what each file seems to be, a first plan, and what is open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from vrx.app import findings as told_findings
from vrx.app.controls import Control, answers, control, typed_of, words_of
from vrx.app.findings import finding_views
from vrx.app.form import Form
from vrx.app.known import document_of
from vrx.app.saving import put
from vrx.app.session import Session
from vrx.app.step import Done, Step, element_id
from vrx.app.steps import bring, doubts, places
from vrx.errors import InputError, VrxError
from vrx.model import Finding
from vrx.pipeline import folder, new_plan
from vrx.pipeline.folder import SeenFile
from vrx.pipeline.questions import Group, Question, open_groups
from vrx.plan import PLAN_NAME, Answered
from vrx.report import numbers
from vrx.report.words import analyte_name

_MOST_FILES = 200
_NONE = ""


def mark(session: Session) -> str:
    """ "done" once the plan says everything it must, "stopped" where it cannot be read."""
    bench = session.bench
    if not bench.has_plan:
        return "to do"
    if bench.open_keys:
        return f"{len(_open(session))} open"
    return "done" if bench.plan is not None else "stopped"


def _open(session: Session) -> set[str]:
    """Open keys; a list of two figures counts once."""
    return {key.rpartition("[")[0] if key.endswith("]") else key
            for key in session.bench.open_keys}


def _files(session: Session, document: Mapping[str, Any]) -> list[SeenFile]:
    """A first look at every file, kept for as long as the file is as it is."""
    kept: dict[tuple[object, ...], SeenFile] = session.kept.setdefault("seen files", {})
    used = folder.used_files(document)
    found = []
    for path in folder.files_of(session.folder)[:_MOST_FILES]:
        try:
            stat = path.stat()
        except OSError:
            continue
        key = (path.name, stat.st_size, stat.st_mtime_ns, used.get(path.name, ""))
        if key not in kept:
            kept[key] = folder.seen_file(path, used=used)
        found.append(kept[key])
    return found


def view(session: Session) -> dict[str, object]:
    """All that the page of this step prints."""
    bench = session.bench
    document = document_of(session)
    checked = session.checked
    findings = () if checked is None else checked.findings
    seen = _files(session, document)
    beside = {one.name: [f for f in findings if one.name in f.where] for one in seen}
    told = {f for each in beside.values() for f in each}
    others = [f for f in (*findings, *told_findings.of_step(session, "files")) if f not in told]
    groups = _groups(session)
    asked = next((one for one in groups if one.id == session.kept.get("ask")),
                 groups[0] if groups else None)
    return {
        "files": [_file_view(one, beside[one.name]) for one in seen],
        "others": finding_views(dict.fromkeys(others)),
        "boundaries": [one for one in seen if one.kind == folder.BOUNDARY],
        "tables": [one for one in seen if one.points
                   or one.kind in {folder.SAMPLES, folder.POINTS}],
        "more": max(0, len(folder.files_of(session.folder)) - _MOST_FILES),
        "shut": not bench.has_plan and bool(seen) is False,
        "plan_trouble": "" if bench.trouble is None or not bench.has_plan or bench.open_keys
        else bench.trouble.message,
        "plan_hint": "" if bench.trouble is None else bench.trouble.hint,
        "edited": places.edited(session), "for_places": not groups and places.for_places(session),
        "crew": places.laid_out(session),
        "groups": [(one.id, one.title, [words_of(each.key)["label"] for each in one.questions])
                   for one in groups],
        "group": asked, "questions": () if asked is None else [
            (_control(document, one), one) for one in asked.questions],
        "open_count": len(_open(session)),
        "stated": () if checked is None or checked.mapping is None else checked.mapping.stated(),
        "read": _read_view(session),
        "complete": bench.plan is not None, "folded": doubts.CONTROLS,
        "name": session.folder.resolve().name,
    }


def _file_view(one: SeenFile, findings: Sequence[Finding]) -> dict[str, object]:
    return {"name": one.name, "id": element_id(one.name), "size": numbers.size(one.bytes),
            "seems": one.seems, "facts": one.facts, "used_as": _used_words(one.used_as),
            "trouble": one.trouble, "hint": one.hint, "findings": finding_views(findings)}


def _used_words(key: str) -> str:
    words = {"field.boundary": "the boundary", "soil.samples": "the soil tests",
             "soil.points.file": "the places of the samples", "water.table.file": "the water tests",
             "tissue.table.file": "the plant tests", "layer.file": "a layer"}
    return words.get(key, f"[{key.rpartition('.')[0]}]" if key else "")


def _groups(session: Session) -> tuple[Group, ...]:
    if not session.bench.open_keys:
        return ()
    checked = session.checked
    try:
        return open_groups(session.bench.plan_file, None if checked is None else checked.mapping)
    except VrxError:
        return ()


def _control(document: Mapping[str, Any], one: Question) -> Control:
    """The control of an open key; what the sample file states is filled in beforehand."""
    options = [(each.value, each.value + (f": {each.words}" if each.words else ""))
               for each in one.choices]
    words = {"help": one.about} if one.about and "help" not in words_of(one.key) else {}
    made = control(document, one.key, options=options or None, **words)
    return replace(made, value=one.stated) if one.stated else made


def _read_view(session: Session) -> dict[str, object] | None:
    checked = session.checked
    if checked is None or checked.field is None:
        return None
    return {
        "area": f"{numbers.acres(checked.field.area_ac)} ac",
        "samples": checked.samples,
        "rows": [
            (analyte_name(one.analyte), one.source, one.extractant,
             "" if one.depth_in == (0, 0) else f"{one.depth_in[0]:g} to {one.depth_in[1]:g} in",
             str(one.samples), f"{one.mean:,.1f}", f"{one.least:,.1f} to {one.greatest:,.1f}",
             one.unit)
            for one in checked.readings],
    }


def make(session: Session, form: Form) -> Done:
    """A first plan from a boundary and, where there is one, a table of soil tests."""
    known = {path.name: path for path in folder.files_of(session.folder)}
    boundary = _one_of(known, form.text("boundary"), "boundary")
    told = form.text("samples", _NONE)
    samples = _one_of(known, told, "samples") if told else None
    choices = doubts.choices_of(form)
    if samples is not None and not choices["samples_layer"]:
        choices["samples_layer"] = folder.seen_file(samples, used={}).points or None
    try:
        _, field, peek = new_plan(
            session.folder, boundary=boundary, samples=samples, name=form.text(
                "name", session.folder.resolve().name, most=120), **choices)
    except VrxError as err:
        raise doubts.beside(err, boundary=boundary.name) from err
    rows = "no soil tests yet" if peek is None else (
        f"{peek.rows} row{'s' * (peek.rows != 1)} of soil tests")
    return Done(f"plan.toml is made: {numbers.acres(field.area_ac)} acres, {rows}. "
                "Now what only you know.", "/files")


def _one_of(known: Mapping[str, Path], name: str, control: str) -> Path:
    if name not in known:
        raise InputError("is not in the folder any more", code="app-file-gone", where=control,
                         hint="choose another file, or bring it again")
    return known[name]


def answer(session: Session, form: Form) -> Done:
    """Answers to open lines, written into the plan; what is left empty stays open."""
    open_keys, asked = _open(session), form.list("key")
    left = [key for key in asked if form.has(f"leave:{key}")]
    typed = {key: text for key, text in typed_of(
        form, lambda key: key in asked and key not in left).items() if text}
    for key in (*left, *typed):
        if key not in open_keys:
            raise InputError("is not open any more", code="app-not-open", where=key,
                             hint="load the page again")
    if not typed and not left:
        raise InputError("nothing was filled in", code="app-nothing-said",
                         where=next(iter(asked), ""),
                         hint="fill in what you know; the rest may stay open")
    wanted, _ = answers(document_of(session), typed)
    return Done(_written(put(session, wanted, left)))


def _written(done: Answered) -> str:
    changes, left = len(done.changes), len(done.open_keys)
    wrote = f"{changes} line{'s' * (changes != 1)} written into plan.toml"
    return f"{wrote}; {left} still open." if left else f"{wrote}. Nothing is open any more."


def ask(session: Session, form: Form) -> Done:
    """Another open section first."""
    session.kept["ask"] = form.text("section", most=200)
    return Done("")


def take(session: Session, form: Form) -> Done:
    """Everything that the sample file itself states, by its headings or units row."""
    done, _ = session.bench.take_proposals(on=session.bench.state)
    return Done(_written(done))


def leave(session: Session, form: Form) -> Done:
    """Take a section out that the plan may do without."""
    wanted = form.text("section", most=120)
    if wanted not in {one.drop for one in _groups(session) if one.drop}:
        raise InputError("cannot be left out", code="app-not-open", where="section",
                         hint="load the page again")
    done = put(session, [], [wanted])
    return Done(f"[{wanted}] was taken out of the plan; {_written(done)}")


STEP = Step(
    id="files", path="/files", title="Files", template="files.html.j2", stage="read", view=view,
    parts={"files-list": "files_list_part.html.j2", "files-plan": "files_plan_part.html.j2"},
    actions={"bring": bring.bring, "invented": bring.invented, "make": make, "answer": answer,
             "ask": ask, "take": take, "leave": leave, "mend": doubts.mend,
             "places": places.lay_out, "anew": places.anew, "aside": places.aside},
    mark=mark,
)

__all__ = ["PLAN_NAME", "STEP"]
