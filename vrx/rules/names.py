"""Names as people write them: the nearest known one, and extractants by their aliases."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable
from functools import cache
from importlib import resources


def nearest(name: str, known: Iterable[str]) -> str:
    """The known name closest to `name`, "" if none is close."""
    options = list(known)
    found = difflib.get_close_matches(name, options, n=1, cutoff=0.5)
    return found[0] if found else ""


def advice(name: str, known: Iterable[str]) -> str:
    """"did you mean 'x'? known: a, b, c" for a hint."""
    options = list(known)
    near = nearest(name, options)
    listed = ", ".join(options) if options else "none"
    return (f"did you mean {near!r}? " if near else "") + f"known: {listed}"


def plain(text: str) -> str:
    """Lower case, one blank between words, no outer blanks."""
    return re.sub(r"\s+", " ", text.strip().lower())


def extractant(text: str) -> str:
    """The one name that vrx uses for an extractant; an unknown one stays as it is written."""
    key = re.sub(r"[\s_-]+", "-", plain(text))
    return _aliases().get(key, plain(text))


def extractant_names() -> tuple[str, ...]:
    """Every extractant that vrx knows by name, as it calls it."""
    return tuple(dict.fromkeys(_aliases().values()))


@cache
def _aliases() -> dict[str, str]:
    raw = resources.files("vrx.rules").joinpath("extractants.toml").read_text(encoding="utf-8")
    table: dict[str, list[str]] = tomllib.loads(raw)["extractants"]
    found: dict[str, str] = {}
    for name, aliases in table.items():
        for alias in (name, *aliases):
            found[re.sub(r"[\s_-]+", "-", plain(alias))] = name
    return found
