"""Answers written into a plan file: comments kept, checked, in one piece, one writer at a time."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit
from pydantic import ValidationError
from tomlkit.exceptions import TOMLKitError

from vrx.errors import PlanError
from vrx.plan.items import Item, with_item
from vrx.plan.keys import Step, key_steps, key_text, kinds_at, value_at, value_of
from vrx.plan.layout import with_layout
from vrx.plan.load import BLANK, blanks, describe, read_document
from vrx.plan.lock import plan_lock
from vrx.plan.past import keep_past, replace_plan
from vrx.plan.schema import Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One line before and after, as TOML; "" where there is none."""

    key: str
    before: str
    after: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What was (or with a dry run would be) changed; `open_keys` and `faults` are still to do."""

    plan_file: Path
    changes: tuple[Change, ...]
    same: tuple[str, ...]
    open_keys: tuple[str, ...]
    faults: tuple[str, ...]
    written: bool


def is_blank(value: Any) -> bool:
    """Whether a value of a plan is still to be filled in: "?", or a list of nothing else."""
    return value == BLANK or (
        isinstance(value, list) and bool(value) and all(one == BLANK for one in value))


def answer_plan(
    plan_file: Path, answers: Sequence[tuple[str, str]], *, drop: Sequence[str] = (),
    dry_run: bool = False, only_blanks: bool = False, items: Sequence[Item] = (),
    for_undo: bool = False,
) -> Answered:
    """Set keys of a plan file to values as typed, and take out the keys in `drop`.

    `items` of lists are added, taken out and moved first. With `for_undo` the text from before is
    kept (see `vrx.plan.past`). Sections that are not there are made; comments and order stay.
    Everything is checked before anything is written; the file is replaced as a whole, under a lock.
    With `only_blanks` an answer to a line that is filled in already is passed over. Raises
    `PlanError` for an unknown key, a wrong value, another writer, or a file that cannot be read or
    written.
    """
    wanted = [(steps, value_at(steps, text))
              for steps, text in ((key_steps(key), text) for key, text in answers)]
    out = [key_steps(key) for key in drop]
    for steps in out:
        kinds_at(steps)
    _only_once([steps for steps, _ in wanted] + out)
    with plan_lock(plan_file):
        document = read_document(plan_file)
        if only_blanks:
            wanted = [(s, v) for s, v in wanted if is_blank(value_of(document, s))]
        raw = plan_file.read_bytes()
        text, goal, changes = raw.decode("utf-8-sig"), deepcopy(document), list[Change]()
        for one in items:
            text, goal, said = with_item(text, goal, one)
            changes.append(Change(key=said, before="", after=""))
        try:
            made = tomlkit.parse(text)
        except TOMLKitError as err:
            raise PlanError(f"not valid TOML: {err}", code="plan-syntax", where=str(plan_file),
                            hint="mend the line named") from err
        changed, same = _changed(made, goal, wanted, out, plan_file)
        changes += changed
        new = tomlkit.dumps(made)
        _require_same(new, goal, plan_file)
        if changes and not dry_run:
            whole = ("\ufeff" if raw.startswith(b"\xef\xbb\xbf") else "") + new
            if for_undo:
                keep_past(plan_file, after=whole, words=in_words(changes))
            replace_plan(plan_file, whole)
    return Answered(plan_file=plan_file, changes=tuple(changes), same=tuple(same),
                    open_keys=blanks(goal), faults=_faults(goal, plan_file),
                    written=bool(changes) and not dry_run)


def _changed(
    made: Any, goal: dict[str, Any], wanted: Sequence[tuple[tuple[Step, ...], Any]],
    out: Sequence[tuple[Step, ...]], plan_file: Path,
) -> tuple[list[Change], list[str]]:
    """Keys set and taken out in the edited text and in the document that it must read as."""
    changes: list[Change] = []
    same: list[str] = []
    document = deepcopy(goal)
    for steps, value in wanted:
        before = value_of(document, steps)
        if before == value and type(before) is type(value):
            same.append(key_text(steps))
            continue
        _set(made, steps, value)
        _set(goal, steps, value)
        changes.append(Change(key=key_text(steps), before=_shown(before), after=_shown(value)))
    for steps in out:
        before = value_of(document, steps)
        if before is None:
            raise PlanError(f"there is no {key_text(steps)!r} to take out",
                            code="answer-absent", where=str(plan_file),
                            hint="leave it out of --drop")
        _drop(made, goal, steps)
        changes.append(Change(key=key_text(steps), before=_shown(before), after=""))
    return changes, same


_PLAIN = {
    "yield_goal.tons_per_ac": "yield goal", "yield_goal.moisture_pct": "moisture of the yield goal",
    "need.potassium.book": "guide for potassium", "need.sulfur.book": "guide for sulfur",
    "water.net_in": "inches of water", "zones.from": "source of zones",
    "field.name": "name of the field",
}


def in_words(changes: Sequence[Change]) -> str:
    """Changes of a plan in a few plain words: "yield goal 6.5 → 7"."""
    first = changes[0]
    # What was done to an item of a list is words already.
    told = first.key
    if first.before or first.after:
        told = _PLAIN.get(first.key) or first.key.replace("_", " ").replace(".", " ")
        before, after = _short(first.before), _short(first.after)
        told += f" {before} → {after}" if before and after else (
            f" set to {after}" if after else f" taken out (was {before})")
    more = len(changes) - 1
    return told if not more else f"{told}, and {more} more"


def _short(value: str) -> str:
    plain = value.strip('"')
    return plain if len(plain) <= 40 else plain[:39] + "…"


def _only_once(keys: Sequence[tuple[Step, ...]]) -> None:
    twice = next((key for k, key in enumerate(keys) if key in keys[:k]), None)
    if twice is not None:
        raise PlanError(f"{key_text(twice)!r} is answered twice", code="answer-twice",
                        where="the answer", hint="give one value")


def _set(container: Any, steps: Sequence[Step], value: Any) -> None:
    """Put a value at a key, making sections on the way; lists are not lengthened."""
    at = container
    for depth, step in enumerate(steps[:-1]):
        if isinstance(step, int) or step in at:
            at = _inside(at, steps[: depth + 1])
            continue
        at[step] = tomlkit.table() if hasattr(container, "as_string") else {}
        at = at[step]
    last = steps[-1]
    if isinstance(last, int):
        _inside(at, steps)
    elif not isinstance(at, Mapping):
        raise PlanError(f"{key_text(steps[:-1])!r} is no section", code="answer-key",
                        where="the answer", hint="answer that key itself")
    at[last] = deepcopy(value)


def _inside(at: Any, steps: Sequence[Step]) -> Any:
    step = steps[-1]
    try:
        return at[step]
    except (IndexError, KeyError, TypeError) as err:
        raise PlanError(f"the plan has no {key_text(steps)!r}", code="answer-absent",
                        where="the answer", hint="lists such as [[pass]] are lengthened in the "
                        "file itself") from err


def _drop(made: Any, goal: dict[str, Any], steps: Sequence[Step]) -> None:
    """Take a key out, and sections above it that have no header of their own and now are empty."""
    for container in (made, goal):
        at: Any = container
        for step in steps[:-1]:
            at = at[step]
        del at[steps[-1]]
    above = steps[:-1]
    while above and value_of(goal, above) == {}:
        section = value_of(made, above)
        if section is not None and not getattr(section, "is_super_table", bool)():
            return
        for container in (made, goal):
            at = value_of(container, above[:-1]) if above[:-1] else container
            if above[-1] in at:
                del at[above[-1]]
        above = above[:-1]


def _shown(value: Any) -> str:
    """A value as a plan writes it."""
    if value is None:
        return ""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_shown(v)}" for k, v in value.items()) + " }"
    return str(tomlkit.item(value).as_string())


def _require_same(text: str, goal: Mapping[str, Any], plan_file: Path) -> None:
    """The edited text must read as what was meant, and as nothing else."""
    if tomllib.loads(text) != goal:
        raise PlanError("the answers cannot be put into this file without moving other lines",
                        code="answer-not-safe", where=str(plan_file),
                        hint="edit the lines by hand; nothing was written")


def _faults(document: Mapping[str, Any], plan_file: Path) -> tuple[str, ...]:
    """What is wrong in the plan beside its blanks, in words."""
    try:
        Plan.model_validate(with_layout(document, folder=plan_file.parent))
    except ValidationError as err:
        return tuple(describe(one) for one in err.errors(include_url=False)
                     if not _of_a_blank(one["input"]))
    except PlanError as err:
        return (str(err),)
    return ()


def _of_a_blank(value: Any) -> bool:
    return value == BLANK or (isinstance(value, list | tuple) and BLANK in value)
