"""How an answer to an open line of a plan is typed: the words behind `vrx answer FOLDER`."""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass

FOLDER = "vrx answer FOLDER"
"""What findings print; the command line puts the folder in the place of FOLDER."""


def typed(key: str, value: str) -> str:
    """`key=value` as one word of a command line, in quotation marks where it needs them."""
    text = f"{key}={value}"
    if all(c.isalnum() or c in "/\\:._-=+,%@" for c in text):
        return text
    # Double quotes serve every system; some signs only single ones keep from the shell.
    return shlex.quote(text) if set(text) & set('"$`!\\') else f'"{text}"'


def command(*answers: tuple[str, str], drop: tuple[str, ...] = ()) -> str:
    """A whole command line with FOLDER left to fill in."""
    words = [typed(key, value) for key, value in answers] + [f"--drop {key}" for key in drop]
    return " ".join([FOLDER, *words])


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """A command that stands in a text: the words, the answers that it gives, what it takes out."""

    text: str
    answers: tuple[tuple[str, str], ...]
    drop: tuple[str, ...]


_WORD = r"""(?:"[^"]*"|'[^']*'|[^\s"';])+"""
_ONE = rf"(?:--drop [a-z0-9_.\[\]]+|{_WORD})"
_COMMANDS = re.compile(rf"{re.escape(FOLDER)}((?: {_ONE})+)")
_KEY = re.compile(r"(?:--drop )?[a-z][a-z0-9_]*(?:\[\d+\])?(?:\.[a-z0-9_]+(?:\[\d+\])?)*")


def commands_in(text: str) -> tuple[Typed, ...]:
    """The commands of `command` in a text, whole and ready to do.

    One that leaves a value open ("...") is left out: only the user knows it.
    """
    found = []
    for match in _COMMANDS.finditer(text):
        try:
            words = shlex.split(match[1])
        except ValueError:
            continue
        drop: list[str] = []
        answers: list[tuple[str, str]] = []
        rest = iter(words)
        for word in rest:
            key, equal, value = word.partition("=")
            if word == "--drop":
                drop.append(next(rest, ""))
            elif equal and _KEY.fullmatch(key):
                answers.append((key, value))
            else:
                break
        if (answers or any(drop)) and not any(value in {"...", ""} for _, value in answers):
            whole = command(*answers, drop=tuple(drop))
            if text.startswith(whole, match.start()):
                found.append(Typed(text=whole, answers=tuple(answers), drop=tuple(drop)))
    return tuple(found)
