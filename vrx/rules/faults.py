"""What is wrong in a rule-book file, in words: key path, value, nearest known key."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, get_args

from vrx.errors import RuleError
from vrx.rules.book import KINDS
from vrx.rules.names import advice, nearest

if TYPE_CHECKING:
    from pydantic import BaseModel, ValidationError

HOW_TO = ("`vrx books template KIND` shows the shape of every kind of rule; correct the file and "
          "run again")
# What pydantic puts into a path for each way of a value that has several; no key of the file.
_WAY = re.compile(r"^(constrained-|tuple\[|list\[|function-|float$|int$|str$|bool$|none$)")


def explained(error: ValidationError, file: str, model: type[BaseModel],
              content: object) -> RuleError:
    """One RuleError that lists every fault of the file by its key path."""
    faults = _merged(error)
    places = [fault["loc"] for fault in faults]
    lines, hints = [], []
    for fault in faults:
        loc = fault["loc"]
        if any(len(p) > len(loc) and p[: len(loc)] == loc for p in places):
            continue  # a list is "too short" only because an item in it is wrong
        shown, known = _follow(model, loc)
        if fault["type"] == "extra_forbidden":
            lines.append(f"{shown}: unknown key{_value(fault['input'])}")
            hints.append(f"{shown}: {advice(str(loc[-1]), known)}")
        elif fault["type"] == "missing":
            lines.append(f"{shown}: missing")
            hints.append(f"{shown}: add it")
        elif fault["type"].startswith("union_tag"):
            kind = fault.get("ctx", {}).get("tag", "")
            lines.append(f"{shown}.kind: " + (f"unknown kind {kind!r}" if kind else "missing"))
            hints.append(f"{shown}.kind: {advice(str(kind), KINDS)}")
        else:
            value = fault["input"]
            lines.append(f"{shown}: {_said(fault)}{_value(value)}")
            if fault["type"] == "literal_error" and isinstance(value, str):
                near = nearest(value, _choices(fault))
                hints += [f"{shown}: did you mean {near!r}?"] if near else []
    return RuleError("; ".join(lines), code="rules-book-invalid", where=file,
                     hint="; ".join([*hints, HOW_TO]))


def _merged(error: ValidationError) -> list[dict[str, Any]]:
    """The faults, each place once: a value that fits none of its ways is one fault."""
    found: dict[tuple[int | str, ...], dict[str, Any]] = {}
    for fault in error.errors(include_url=False):
        loc = tuple(part for part in fault["loc"]
                    if isinstance(part, int) or not _WAY.match(part))
        found.setdefault(loc, {**fault, "loc": loc})
    return list(found.values())


def _said(fault: dict[str, Any]) -> str:
    kind = fault["type"]
    if kind in ("float_type", "int_type") and isinstance(fault["input"], str):
        return "a number is wanted, without quotation marks"
    if kind == "string_pattern_mismatch":
        return "only lower case letters and digits, words joined by " + (
            "hyphens, such as my-state-potassium" if "-" in fault["ctx"]["pattern"]
            else "underscores, such as soil_group")
    if kind in ("tuple_type", "list_type"):
        return "a list is wanted" + (
            f": write [[{fault['loc'][-1]}]], with two brackets, over every one of them"
            if isinstance(fault["input"], Mapping) else ", in square brackets")
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return "a table is wanted: keys with values, in braces or under a heading in brackets"
    said = str(fault["msg"]).removeprefix("Value error, ")
    return said.replace("Input should be ", "must be ", 1)


def _choices(fault: dict[str, Any]) -> list[str]:
    return re.findall(r"'([^']*)'", str(fault.get("ctx", {}).get("expected", "")))


def _value(value: object) -> str:
    """The value in brackets; a whole section is none that one could look for."""
    text = repr(value)
    return "" if isinstance(value, Mapping) else \
        f" (value {text if len(text) <= 60 else f'{text[:57]}...'})"


def _follow(model: type[BaseModel], loc: tuple[int | str, ...]) -> tuple[str, list[str]]:
    """The key path as the file has it ("rules[1].build_up.years"), and the keys known there."""
    path, known, at = "", sorted(_keys(model)), [model]
    for part in loc:
        if isinstance(part, int):
            path += f"[{part + 1}]"
            continue
        tagged = [m for m in at if part in _tags(m)]
        if tagged:
            at = tagged  # the name of a kind, which is no key of the file
            known = sorted(_keys(at[0]))
            continue
        path += f".{part}" if path else part
        known = sorted({key for m in at for key in _keys(m)})
        at = [inner for m in at for inner in _under(m, part)]
    return path or "the file as a whole", known


def _keys(model: type[BaseModel]) -> set[str]:
    return {field.alias or name for name, field in model.model_fields.items()}


def _tags(model: type[BaseModel]) -> tuple[Any, ...]:
    field = model.model_fields.get("kind")
    return get_args(field.annotation) if field is not None else ()


def _under(model: type[BaseModel], key: str) -> list[type[BaseModel]]:
    for name, field in model.model_fields.items():
        if key in (field.alias, name):
            return _inside(field.annotation)
    return []


def _inside(annotation: Any) -> list[type[BaseModel]]:
    from pydantic import BaseModel

    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for part in get_args(annotation) for m in _inside(part)]
