"""A plan for sampling places alone: the crew's files from it, and the whole plan after it."""

from __future__ import annotations

import os

from vrx.app.form import Form
from vrx.app.session import Session, Task
from vrx.app.step import Done
from vrx.errors import ExportError, PlanError, VrxError
from vrx.pipeline.sampling import plan_sampling
from vrx.plan import read_document
from vrx.plan.edits import edits_path, set_aside
from vrx.plan.lock import plan_lock

_KEPT = "crew's files"


def for_places(session: Session) -> bool:
    """Whether the plan is for choosing sampling places, with no soil tests in it yet."""
    bench = session.bench
    if not bench.has_plan or bench.plan is not None:
        return False
    try:
        document = read_document(bench.plan_file)
    except VrxError:
        return False
    return "sampling" in document and not {"soil", "need", "pass"} & document.keys()


def lay_out(session: Session, form: Form) -> Done:
    """The places and the crew's files, in the worker."""
    if not for_places(session) or session.bench.open_keys:
        raise PlanError("this plan is not for sampling places, or lines of it are open",
                        code="app-not-open", hint="load the page again")
    state = session.bench.state

    def work(task: Task) -> object:
        result = plan_sampling(session.folder, progress=task.progress)
        session.kept[_KEPT] = (state, result.folder.relative_to(session.folder.resolve())
                               if result.folder.is_absolute() and result.folder.is_relative_to(
                                   session.folder.resolve()) else result.folder)
        return result

    session.start("laying out sampling places", work)
    return Done("Sampling places are being laid out.")


def laid_out(session: Session) -> str:
    """Where the crew's files lie, as long as the plan is as it was; "" where there are none."""
    state, folder = session.kept.get(_KEPT, ("", ""))
    return str(folder) if state == session.bench.state else ""


def edited(session: Session) -> bool:
    """Whether changes of zones and rates made by hand lie beside the plan."""
    return edits_path(session.folder).exists()


def aside(session: Session, form: Form) -> Done:
    """Put all changes made by hand aside, also where they cannot be read or followed any more."""
    kept = set_aside(session.folder)
    return Done(f"Changes made by hand are kept as {kept.name}. Zones and rates are as the plan "
                "makes them.")


def anew(session: Session, form: Form) -> Done:
    """Put the plan aside under another name, so that the next one can be made; nothing is lost."""
    plan_file = session.bench.plan_file
    kept = set_aside(session.folder) if edits_path(session.folder).exists() else None
    with plan_lock(plan_file):
        number = 1
        while os.path.lexists(target := plan_file.with_name(f"plan-before-{number}.toml")):
            number += 1
        try:
            os.rename(plan_file, target)
        except OSError as err:
            raise ExportError(
                f"could not be renamed: {err.strerror or err}", code="app-file-write",
                where=plan_file.name, hint="is the folder still there and writable?") from err
    said = f"The plan is kept as {target.name}."
    if kept is not None:
        said += f" Changes made by hand are kept as {kept.name}."
    return Done(f"{said} Now make the next one.", "/files")
