"""Typed values into the plan: only what changed, and nothing that would make the plan unusable."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from vrx.app.controls import answers, typed_of, words_of
from vrx.app.form import Form
from vrx.app.session import Session
from vrx.app.step import Done
from vrx.errors import PlanError
from vrx.pipeline.answer import answer_field
from vrx.plan import Answered, Item, key_steps, key_text, read_document, value_of

_STAYS = {"soil": 2, "field": 2, "yield_goal": 2, "pass": 2, "zones": 1}
"""Sections down to a depth that no form takes out by emptying all its controls."""


def save_keys(session: Session, form: Form, *sections: str) -> Done:
    """Write the fields of a form that are keys of these sections of the plan.

    Raises `PlanError`, with the key in `where`, for a value that a key does not take, and for
    values that do not go together; then nothing is written.
    """
    typed = typed_of(form, lambda key: any(
        key == one or key.startswith((f"{one}.", f"{one}[")) for one in sections))
    return _told(put_typed(session, typed))


def put_typed(session: Session, typed: Mapping[str, str]) -> Answered:
    """Write typed values by key; a section of which nothing would be left goes as a whole."""
    document = read_document(session.bench.plan_file)
    wanted, out = answers(document, typed)
    return put(session, wanted, _with_sections(document, out, wanted))


def write(
    session: Session, wanted: Sequence[tuple[str, str]], out: Sequence[str] = (), *,
    items: Sequence[Item] = (),
) -> Done:
    """Write answers, take keys out and change lists, and say so. Refuses as `put` does."""
    return _told(put(session, wanted, out, items=items))


def _told(done: Answered) -> Done:
    names = dict.fromkeys(_named(one.key) for one in done.changes)
    return Done(f"Saved: {', '.join(names)}." if names else "Nothing was changed.")


def put(
    session: Session, wanted: Sequence[tuple[str, str]], out: Sequence[str] = (), *,
    items: Sequence[Item] = (),
) -> Answered:
    """The one way into the plan: tried dry first, then written as one change that undo takes back.

    Raises `PlanError`, with the key in `where`, unless the plan can be used afterwards; then
    nothing is written.
    """
    tried = require_fit(session, wanted, out, items=items)
    if not tried.changes:
        return tried
    return session.bench.answer(wanted, drop=out, items=items, on=session.bench.state)


def require_fit(
    session: Session, wanted: Sequence[tuple[str, str]], out: Sequence[str] = (), *,
    items: Sequence[Item] = (),
) -> Answered:
    """What would change; raises `PlanError` for what does not go together.

    What was wrong already does not count. Where the plan is still open, only what speaks of the
    typed keys does: more may come to light with every line that is filled in.
    """
    keys = [key for key, _ in wanted] + list(out)
    try:
        tried, _ = answer_field(session.folder, wanted, drop=out, items=items, dry_run=True)
    except PlanError as err:
        raise PlanError(_plain(err.message, keys), code=err.code, hint=err.hint,
                        where=_beside(err.message, keys) or err.where) from err
    now = answer_field(session.folder, [], dry_run=True)[0].faults
    fresh = [one for one in tried.faults if one not in now]
    if session.bench.plan is None:
        fresh = [one for one in fresh if _names(one, keys)]
    if fresh:
        raise PlanError(_plain(fresh[0], keys), code="app-does-not-fit",
                        where=_beside(fresh[0], keys),
                        hint="nothing was written; change what does not go together")
    return tried


def _with_sections(
    document: Mapping[str, object], out: Sequence[str], wanted: Sequence[tuple[str, str]]
) -> list[str]:
    """Keys to take out, with the section itself where nothing of it would be left."""
    gone, kept = [key_steps(key) for key in out], [key_steps(key) for key, _ in wanted]
    emptied = {steps[:-1] for steps in gone if len(steps) > 1
               and not isinstance(value_of(document, steps), Mapping)}
    for at in sorted(emptied, key=len, reverse=True):
        held = value_of(document, at)
        if (len(at) > _STAYS.get(str(at[0]), 0) and isinstance(at[-1], str)
                and isinstance(held, Mapping)
                and set(held) <= {steps[-1] for steps in gone if steps[:-1] == at}
                and not any(steps[: len(at)] == at for steps in kept)):
            gone = [steps for steps in gone if steps[:-1] != at] + [at]
    return [key_text(steps) for steps in gone]


def _named(key: str) -> str:
    """What a change is called: a key by its label; what is told of a list stays as it is."""
    try:
        return str(words_of(key)["label"])
    except PlanError:
        return key


def _names(fault: str, keys: Sequence[str]) -> list[str]:
    """The typed keys that a fault speaks of, the nearest first."""
    whole = sorted((key for key in keys if fault.startswith(key)), key=len, reverse=True)
    return whole + [key for key in keys if key not in whole and str(key_steps(key)[-1]) in fault]


def _beside(fault: str, keys: Sequence[str]) -> str:
    """The typed key that a fault is told beside; "" where it may be any of several."""
    named = _names(fault, keys)
    return named[0] if named else keys[0] if len(keys) == 1 else ""


def _plain(fault: str, keys: Sequence[str]) -> str:
    """A fault without the key that it is told beside."""
    where = _beside(fault, keys)
    return fault.removeprefix(f"{where}: ").removeprefix(f"{where} = ") if where else fault
