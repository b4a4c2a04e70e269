"""Typed values into the plan: only what changed, and nothing that would make the plan unusable."""

from __future__ import annotations

from collections.abc import Sequence

from vrx.app.controls import answers, words_of
from vrx.app.form import Form
from vrx.app.session import Session
from vrx.app.step import Done
from vrx.errors import PlanError
from vrx.plan import Item, answer_plan, key_steps, read_document


def save_keys(session: Session, form: Form, *sections: str) -> Done:
    """Write the fields of a form that are keys of these sections of the plan.

    Raises `PlanError`, with the key in `where`, for a value that a key does not take, and for
    values that do not go together; then nothing is written.
    """
    typed = {key: form.text(key, "") for key in form.fields
             if any(key == one or key.startswith((f"{one}.", f"{one}[")) for one in sections)}
    wanted, out = answers(read_document(session.bench.plan_file), typed)
    return write(session, wanted, out)


def write(
    session: Session, wanted: Sequence[tuple[str, str]], out: Sequence[str] = (), *,
    items: Sequence[Item] = (),
) -> Done:
    """Write answers, take keys out and change lists, unless the plan could not be used afterwards.
    """
    bench = session.bench
    if not wanted and not out and not items:
        return Done("Nothing was changed.")
    faults = answer_plan(bench.plan_file, wanted, drop=out, items=items, dry_run=True).faults
    fresh = [one for one in faults if one not in _faults_now(session)]
    if fresh:
        keys = [key for key, _ in wanted] + list(out)
        raise PlanError(fresh[0], code="app-does-not-fit", where=_beside(fresh[0], keys),
                        hint="nothing was written; change what does not go together")
    done = bench.answer(wanted, drop=out, items=items, on=bench.state)
    names = dict.fromkeys(_named(one.key) for one in done.changes)
    return Done(f"Saved: {', '.join(names)}." if names else "Nothing was changed.")


def _named(key: str) -> str:
    """What a change is called: a key by its label; what is told of a list stays as it is."""
    try:
        return words_of(key)["label"]
    except PlanError:
        return key


def _faults_now(session: Session) -> tuple[str, ...]:
    return answer_plan(session.bench.plan_file, [], dry_run=True).faults


def _beside(fault: str, keys: Sequence[str]) -> str:
    """The typed key that a fault speaks of, so that it is told beside its control."""
    named = [key for key in keys if fault.startswith(key)]
    named += [key for key in keys if str(key_steps(key)[-1]) in fault]
    return named[0] if named else keys[0] if len(keys) == 1 else ""
