"""What the lines of a plan that are still open are about: the comments that stand with them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel

from vrx.plan.keys import Step, key_steps, kinds_at
from vrx.plan.schema import Plan

_SECTION = re.compile(r'^\s*\[(\[?)\s*([^\]#]+?)\s*\]')
_KEY = re.compile(r'^\s*([A-Za-z0-9_-]+|"[^"]+")\s*=\s*(.*)$')
_MOST = 12


def comments_of(plan_file: Path) -> dict[str, str]:
    """Key -> the comment that stands over its line, over the open lines before it, or behind it.

    A comment over a section's head belongs to the section's first lines while they are open.
    """
    about: dict[str, str] = {}
    over: list[str] = []
    carried = ""
    section = ""
    counts: dict[str, int] = {}
    for line in plan_file.read_text(encoding="utf-8-sig").splitlines():
        bare = line.strip()
        if bare.startswith("#"):
            over.append(bare.lstrip("# "))
            continue
        if (head := _SECTION.match(line)) is not None:
            section = head[2]
            if head[1]:
                counts[section] = counts.get(section, 0) + 1
                section = f"{section}[{counts[section]}]"
            carried = _words(over)
            about[section] = carried
            over = []
            continue
        found = _KEY.match(line)
        if found is None:
            # an empty line parts a comment from what comes after
            over, carried = [], "" if not bare else carried
            continue
        own = _words(over)
        over = []
        carried = own or carried
        key = found[1].strip('"') if re.fullmatch(r'"[\w-]+"', found[1]) else found[1]
        about[f"{section}.{key}" if section else key] = carried
        if '"?"' not in found[2]:
            carried = ""
    return about


def _words(lines: Sequence[str]) -> str:
    """Lines of a comment as one text; lines of examples in TOML are left out."""
    kept = [one for one in lines if not re.match(r"^[\w.\-\[\]\"]+\s*=|^\[", one)]
    return " ".join(kept[:_MOST]).strip()


def may_be_left_out(key: str) -> bool:
    """Whether a plan may do without a key; False for what is no key."""
    steps = key_steps(key)
    last = steps[-1]
    if isinstance(last, int):
        return False
    kinds = [Plan] if len(steps) == 1 else kinds_at(steps[:-1])
    return any(_optional(kind, last) for kind in kinds)


def _optional(kind: Any, name: str) -> bool:
    if get_origin(kind) is not None and not isinstance(kind, type):
        kind = get_args(kind)[0] if get_args(kind) else kind
    if not isinstance(kind, type) or not issubclass(kind, BaseModel):
        return False
    return any(not info.is_required() for own, info in kind.model_fields.items()
               if name == (info.alias or own))


def choices_at(key: str) -> tuple[str, ...]:
    """The words that a key takes where the schema lists them; empty where it takes others."""
    found: list[str] = []

    def walk(kind: Any) -> None:
        origin = get_origin(kind)
        if origin is Literal:
            found.extend(str(one) for one in get_args(kind))
        elif origin is Union or (origin is not None and str(origin).endswith("UnionType'>")):
            for one in get_args(kind):
                walk(one)

    for kind in kinds_at(key_steps(key)):
        walk(kind)
    return tuple(dict.fromkeys(found))


def kind_of(key: str) -> str:
    """ "number", "date", "pair" or "text": how an answer to a key is typed."""
    steps: tuple[Step, ...] = key_steps(key)
    names = " ".join(str(one) for one in kinds_at(steps))
    if "tuple[" in names and "float" in names:
        return "pair"
    if "datetime.date" in names and "str" not in names:
        return "date"
    if ("float" in names or "int" in names) and "str" not in names.replace("strict", ""):
        return "number"
    return "text"


def value_text(value: Any) -> str:
    """A value of a plan as it is typed into an answer."""
    if isinstance(value, Mapping):
        return ""
    return str(value)
