"""How an answer to an open line of a plan is typed: the words behind `vrx answer FOLDER`."""

from __future__ import annotations

import shlex

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
