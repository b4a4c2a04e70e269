"""Keys of a plan as text ("soil.potassium.unit", "pass[1].material"), and what a key may hold."""

from __future__ import annotations

import difflib
import re
import tomllib
import types
from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from vrx.errors import InputError, PlanError
from vrx.formats.soil_methods import form_named, method_named, unit_named
from vrx.plan.load import BLANK, describe
from vrx.plan.schema import Plan, SoilSection

Step = str | int
_PART = re.compile(r'(?P<bare>[A-Za-z0-9_-]+)|"(?P<quoted>[^"]+)"')
_INDEX = re.compile(r"\[(\d+)\]")
_PLACEHOLDERS = frozenset({BLANK, "...", "…", ""})
_NAMED = {"unit": unit_named, "form": form_named, "extractant": method_named}


def key_steps(key: str) -> tuple[Step, ...]:
    """The steps of a key; lists are counted from 1. Raises `PlanError` for what is no key."""
    steps: list[Step] = []
    at = 0
    while at < len(key):
        if steps:
            if (index := _INDEX.match(key, at)) is not None and int(index[1]) > 0:
                steps.append(int(index[1]) - 1)
                at = index.end()
                continue
            if key[at] != ".":
                break
            at += 1
        part = _PART.match(key, at)
        if part is None:
            break
        steps.append(part["bare"] or part["quoted"])
        at = part.end()
    if not steps or at < len(key):
        raise PlanError(f"{key!r} is no key", code="answer-key", where="the answer",
                        hint="write it as soil.potassium.unit=ppm; a list's first is pass[1]")
    return tuple(steps)


def key_text(steps: Sequence[Step]) -> str:
    """A key as it is typed."""
    text = ""
    for step in steps:
        if isinstance(step, int):
            text += f"[{step + 1}]"
        else:
            word = step if re.fullmatch(r"[A-Za-z0-9_-]+", step) else f'"{step}"'
            text += f".{word}" if text else word
    return text


def _bare(annotation: Any) -> list[Any]:
    """The kinds that an annotation allows, without None."""
    if get_origin(annotation) in {Union, types.UnionType}:
        return [kind for one in get_args(annotation) if one is not type(None)
                for kind in _bare(one)]
    return [annotation]


def _core(annotation: Any) -> Any:
    return get_args(annotation)[0] if get_origin(annotation) is Annotated else annotation


def _field(model: type[BaseModel], name: str) -> FieldInfo | None:
    return next((info for own, info in model.model_fields.items()
                 if name == (info.alias or own)), None)


def _annotation(info: FieldInfo) -> Any:
    return Annotated[info.annotation, *info.metadata] if info.metadata else info.annotation


def _names(kinds: Sequence[Any]) -> list[str]:
    """Keys that may follow where one of these kinds stands."""
    found = []
    for kind in map(_core, kinds):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            found += [info.alias or name for name, info in kind.model_fields.items()]
    return found


def kinds_at(steps: Sequence[Step]) -> list[Any]:
    """What the schema allows at a key. Raises `PlanError` for an unknown key, naming the nearest.

    `[typing.Any]` stands for keys that the schema leaves to others (options of a rule book).
    """
    kinds: list[Any] = [Plan]
    for depth, step in enumerate(steps):
        following: list[Any] = []
        for kind in map(_core, kinds):
            arguments = get_args(kind)
            if kind is Any:
                following.append(Any)
            elif isinstance(step, int):
                if get_origin(kind) is tuple:
                    following += _bare(arguments[0])
            elif isinstance(kind, type) and issubclass(kind, BaseModel):
                info = _field(kind, step)
                if info is not None:
                    following += _bare(_annotation(info))
                elif kind.model_config.get("extra") == "allow":
                    following.append(Any)
            elif get_origin(kind) is dict:
                following += _bare(arguments[1])
            elif get_origin(kind) is tuple and arguments and isinstance(
                    arguments[0], type) and issubclass(arguments[0], BaseModel):
                # [manure] may stand for a list of one.
                info = _field(arguments[0], step)
                following += [] if info is None else _bare(_annotation(info))
        if not following:
            raise _unknown(steps[: depth + 1], _names(kinds))
        kinds = following
    return kinds


def _every_key() -> dict[str, str]:
    """Last word of a key -> the keys that end so, over the sections of the plan."""
    found: dict[str, str] = {}

    def walk(model: type[BaseModel], at: tuple[Step, ...]) -> None:
        for own, info in model.model_fields.items():
            key = (*at, info.alias or own)
            found.setdefault(key_text(key), str(info.alias or own))
            for kind in map(_core, _bare(info.annotation)):
                if isinstance(kind, type) and issubclass(kind, BaseModel):
                    walk(kind, key)

    walk(Plan, ())
    return found


def _unknown(steps: Sequence[Step], known: Sequence[str]) -> PlanError:
    wrong, last = key_text(steps), str(steps[-1])
    near = difflib.get_close_matches(last, known, n=1, cutoff=0.6)
    every = _every_key()
    meant = [key_text([*steps[:-1], near[0]])] if near else [
        key for key, end in every.items() if end == last][:3] or difflib.get_close_matches(
            wrong, every, n=1, cutoff=0.6)
    hint = f"did you mean {' or '.join(map(repr, meant))}?" if meant else (
        f"known here: {', '.join(sorted(known))}" if known else "it holds no keys of its own")
    return PlanError(f"unknown key {wrong!r}", code="plan-unknown-key", where="the answer",
                     hint=hint)


def value_at(steps: Sequence[Step], text: str) -> Any:
    """The value of a key as typed: a TOML value, or plain text where the key holds text.

    Checked against the schema, and units, forms and extractants against their vocabulary. Raises
    `PlanError` for an unknown key, a placeholder, or a value that the key does not take.
    """
    key = key_text(steps)
    kinds = kinds_at(steps)
    text = text.strip()
    if text.strip("\"'") in _PLACEHOLDERS or text.strip("\"'").endswith("?"):
        raise PlanError(f"{key} = {text!r} is no answer yet", code="answer-placeholder",
                        where="the answer", hint="put the value in its place; take a "
                        "closing ? away once the report says so")
    tried: list[Any] = []
    # Text that is no TOML value may still be plain text; an impossible date is a ValueError.
    with suppress(ValueError, RecursionError):
        tried.append(tomllib.loads(f"v = {text}\n")["v"])
    if "\n" not in text:
        tried.append(text)
    problem = ""
    for value in tried:
        said = _why_not(kinds, value, key)
        if not said:
            _vocabulary(steps, value)
            return _as_held(kinds, value)
        problem = problem or said
    raise PlanError(problem or f"{key}: {text[:60]!r} cannot be read", code="plan-value",
                    where="the answer", hint="numbers plain, dates as 2026-10-14, lists as [0, 6]")


def _why_not(kinds: Sequence[Any], value: Any, key: str) -> str:
    """Why none of the kinds takes the value, "" if one does."""
    said = ""
    for kind in kinds:
        try:
            TypeAdapter(kind).validate_python(value)
        except ValidationError as err:
            said = said or f"{key}" + "; ".join(
                describe(one).removeprefix("the plan")
                for one in err.errors(include_url=False)[:1])
        else:
            return ""
    return said


def _as_held(kinds: Sequence[Any], value: Any) -> Any:
    """The value as the plan should hold it: "yes" of a switch is true."""
    if kinds == [bool] and isinstance(value, str):
        return TypeAdapter(bool).validate_python(value)
    return value


def _vocabulary(steps: Sequence[Step], value: Any) -> None:
    """Words of laboratories are checked here: the schema takes any text."""
    if len(steps) != 3 or steps[0] != "soil" or steps[1] not in SoilSection.ANALYTES:
        return
    named = _NAMED.get(str(steps[2]))
    if named is None or not isinstance(value, str):
        return
    try:
        named(value, analyte=str(steps[1]), where=key_text(steps))
    except InputError as err:
        raise PlanError(err.message, code="plan-value", where=key_text(steps),
                        hint=err.hint) from err


def value_of(document: Mapping[str, Any], steps: Sequence[Step]) -> Any:
    """What stands at a key of a plain document; None if nothing."""
    at: Any = document
    for step in steps:
        try:
            at = at[step]
        except (KeyError, IndexError, TypeError):
            return None
    return at
