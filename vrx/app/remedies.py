"""Remedies that findings know whole: words for a button in place of a command line."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from vrx.app.controls import words_of
from vrx.errors import PlanError
from vrx.formats.answers import commands_in
from vrx.model import Finding

_ASIDE = re.compile(r"vrx edits FOLDER --set-aside(?: \(the file is kept under another name\))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """Lines of the plan that a finding proposes: `words` for a button, `text` names it."""

    text: str
    words: str
    answers: tuple[tuple[str, str], ...]
    drop: tuple[str, ...]


def _label(key: str) -> str:
    try:
        return str(words_of(key)["label"]).lower()
    except PlanError:
        return key


def _remedies(text: str) -> tuple[Remedy, ...]:
    return tuple(
        Remedy(text=one.text, answers=one.answers, drop=one.drop, words=", ".join(
            [f"{_label(key)}: {'yes' if value == 'true' else value}" for key, value in one.answers]
            + [f"without {_label(key)}" for key in one.drop]))
        for one in commands_in(text))


def remedies_of(one: Finding) -> tuple[Remedy, ...]:
    """What the plan should say, where the finding knows it whole."""
    return _remedies(one.todo)


def plain(text: str) -> str:
    """A text for people without a terminal: commands that answer the plan become words."""
    text = _ASIDE.sub("in the step Files, under Begin again (they are kept under another name)",
                      text)
    for one in _remedies(text):
        text = text.replace(one.text, f"write into the plan ({one.words}), in the step Files")
    return text


def line_of(one: Finding) -> str:
    """A finding in one line for a page."""
    return replace(one, todo=plain(one.todo)).line()
