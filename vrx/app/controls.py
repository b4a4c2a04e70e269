"""Keys of the plan as form controls: label, kind, choices and help; and forms back into answers.

What a key may hold is read from the plan's own schema, so a control never offers what the plan
refuses; words for people stand in `words.toml`.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from importlib.resources import files
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from vrx.app.form import Form
from vrx.errors import PlanError
from vrx.plan import key_steps, key_text, kinds_at, value_at, value_of
from vrx.plan.answer import is_blank

_INDEX = re.compile(r"\[\d+\]")
_LONGEST = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """One key of the plan on a form; `name` is the key itself, `value` what stands there as text.

    `kind` is "choice", "several" (boxes to tick), "whole", "number", "pair" (top and bottom),
    "date", "list" or "text"; `options` are (value, words) of a choice; `usual` is what holds where
    the line is left out, `empty` what a choice of nothing is called.
    """

    name: str
    id: str
    label: str
    kind: str
    value: str
    unit: str = ""
    help: str = ""
    options: tuple[tuple[str, str], ...] = ()
    usual: str = ""
    stated: bool = False
    needed: bool = False
    empty: str = ""
    items: tuple[str, ...] = ("", "")


@lru_cache(maxsize=1)
def _words() -> dict[str, dict[str, Any]]:
    text = files("vrx.app").joinpath("words.toml").read_text(encoding="utf-8")
    return {key: dict(entry) for key, entry in tomllib.loads(text)["key"].items()}


def words_of(key: str) -> dict[str, Any]:
    """Label, unit, help and words of the choices of a key; numbers of lists and names of passes
    count as any.
    """
    steps = key_steps(_INDEX.sub("", key))
    held = _words()
    for width in range(len(steps) + 1):
        for first in range(len(steps) - width + 1):
            tried = [*steps[:first], *["*"] * width, *steps[first + width:]]
            if (found := held.get(".".join(map(str, tried)))) is not None:
                return found
    return {"label": str(steps[-1]).replace("_", " ")}


def _parts(kinds: Iterable[Any]) -> list[Any]:
    """The plain kinds that a key takes, unions and constraints opened."""
    found: list[Any] = []
    for kind in kinds:
        if get_origin(kind) is Annotated:
            found += _parts([get_args(kind)[0]])
        elif get_origin(kind) in {Union, UnionType}:
            found += _parts(one for one in get_args(kind) if one is not type(None))
        else:
            found.append(kind)
    return found


def _kind(parts: Sequence[Any]) -> str:
    choices = [one for one in parts if get_origin(one) is Literal]
    if choices and len(choices) == len(parts):
        return "choice"
    if parts == [bool]:
        return "choice"
    for plain, name in ((int, "whole"), (float, "number"), (date, "date")):
        if parts == [plain]:
            return name
    lists = [get_args(one) for one in parts if get_origin(one) is tuple]
    if lists and all(len(one) == 2 and one[1] is not Ellipsis for one in lists):
        return "pair"
    return "list" if lists else "text"


def as_text(value: Any) -> str:
    """A value of the plan as a person types it; lists with commas, nothing as ""."""
    if value is None or is_blank(value):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(as_text(one) for one in value)
    if isinstance(value, float):
        return f"{value:.12g}"
    return value.isoformat() if isinstance(value, date) else str(value)


def _usual(steps: Sequence[str | int]) -> tuple[str, bool]:
    """What the schema takes where the key is left out, as text, and whether it must be given."""
    from pydantic import BaseModel

    for kind in _parts(kinds_at(steps[:-1])) if len(steps) > 1 else ():
        arguments = get_args(kind)
        model = arguments[0] if get_origin(kind) is tuple and arguments else kind
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            continue
        for name, info in model.model_fields.items():
            if (info.alias or name) == steps[-1]:
                if info.is_required():
                    return "", True
                default = info.get_default(call_default_factory=True, validated_data={})
                return ("" if isinstance(default, dict) else as_text(default)), False
    return "", False


def control(
    document: Mapping[str, Any], key: str, *, options: Sequence[tuple[str, str]] | None = None,
    **words: str,
) -> Control:
    """The control of a key of a plan document.

    `options` replace what the schema offers, for keys whose choices stand elsewhere (materials,
    books). `words` ("label", "unit", "help", "empty") win over `words.toml`. Raises `PlanError` for
    a key that the plan does not know.
    """
    steps = key_steps(key)
    parts = _parts(kinds_at(steps))
    held, told = value_of(document, steps), {**words_of(key), **words}
    usual, needed = _usual(steps)
    kind, shown = _kind(parts), list(options or ())
    if options is not None:
        kind = "several" if kind == "list" else "choice"
    elif kind == "choice":
        said = told.get("options", {})
        shown = [(one, said.get(one, one)) for one in (
            ("yes", "no") if bool in parts else
            [str(one) for part in parts for one in get_args(part)])]
    value = as_text(held)
    items = held if isinstance(held, list) else [value] if value else (
        usual.split(", ") if kind == "several" else [])
    if kind == "choice" and value and value not in [one for one, _ in shown]:
        shown.append((value, value))
    return Control(
        name=key, id="key-" + re.sub(r"[^A-Za-z0-9]+", "-", key).strip("-"), kind=kind,
        value=value, label=told["label"], unit=told.get("unit", ""), help=told.get("help", ""),
        options=tuple(shown), usual=usual, stated=held is not None and not is_blank(held),
        needed=needed, empty=told.get("empty", ""), items=(*map(as_text, items), "", ""))


def controls(document: Mapping[str, Any], keys: Iterable[str]) -> tuple[Control, ...]:
    """Controls of several keys, in their order."""
    return tuple(control(document, key) for key in keys)


def typed_of(form: Form, wanted: Callable[[str], bool]) -> dict[str, str]:
    """What a form says of keys: key -> text. A key whose control is not on the form is not there.

    Ticked boxes become a list as TOML writes it, top and bottom of a pair a list with a comma.
    Raises `InputError`.
    """
    typed: dict[str, str] = {}
    for name in form.fields:
        key, _, end = name.partition(":")
        if not wanted(key) or key in typed:
            continue
        if end in {"top", "bottom"}:
            ends = [f"{key}:top", f"{key}:bottom"]
            typed[key] = ", ".join(f"{form.number(one):.12g}" for one in ends) if any(
                map(form.has, ends)) else ""
        elif not end:
            told = form.fields[name]
            typed[key] = form.text(name, "") if len(told) == 1 else json.dumps(
                form.list(name), ensure_ascii=False).replace("[]", "")
    return typed


def answers(
    document: Mapping[str, Any], typed: Mapping[str, str]
) -> tuple[list[tuple[str, str]], list[str]]:
    """What typed values mean for a plan: (key, TOML text) to set, and keys to take out.

    Values that stand there already change nothing; an empty one takes the line out, so that the
    usual holds. Raises `PlanError` whose `where` is the key, so that it can be told beside its
    control.
    """
    wanted, out = [], []
    for key, raw in typed.items():
        if len(raw) > _LONGEST:
            raise PlanError(f"{len(raw)} characters are too many", code="plan-value", where=key,
                            hint=f"at most {_LONGEST}")
        steps, text = key_steps(key), raw.strip()
        held = value_of(document, steps)
        if text == as_text(held) and held is not None:
            continue
        if not text:
            if held is not None and not is_blank(held):
                out.append(key)
            continue
        answer = _toml(steps, text)
        try:
            value = value_at(steps, answer)
        except PlanError as err:
            raise PlanError(err.message, code=err.code, where=key, hint=err.hint) from err
        if value != held or type(value) is not type(held):
            wanted.append((key_text(steps), answer))
    return wanted, out


def _toml(steps: Sequence[str | int], text: str) -> str:
    """Typed text as TOML where the kind of the key settles how it is meant."""
    parts = _parts(kinds_at(steps))
    kind = _kind(parts)
    if parts == [bool]:
        return {"yes": "true", "no": "false"}.get(text.lower(), text)
    if kind in {"choice", "text"} and text not in {"?"}:
        plain = _number(text) if kind == "text" and _takes_number(steps) else None
        return plain or json.dumps(text, ensure_ascii=False)
    if kind == "number":
        return _number(text) or text
    if kind in {"list", "pair"} and not text.startswith("["):
        items = [one.strip() for one in text.replace(";", ",").split(",")]
        return "[" + ", ".join(_number(one) or json.dumps(one) for one in items if one) + "]"
    return text


def _takes_number(steps: Sequence[str | int]) -> bool:
    return any(part in {int, float} for part in _parts(kinds_at(steps)))


def _number(text: str) -> str | None:
    """A typed number as TOML takes it (".5", "5.", "1,200" are not numbers there); None if none."""
    plain = text.replace("−", "-")
    if re.fullmatch(r"-?\d{1,3}(,\d{3})+(\.\d*)?", plain):
        plain = plain.replace(",", "")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", plain):
        return None
    sign, digits = ("-", plain[1:]) if plain[0] == "-" else ("", plain.lstrip("+"))
    whole, dot, part = digits.partition(".")
    whole = whole.lstrip("0") or "0"
    return f"{sign}{whole}" + (f".{part or '0'}" if dot else "")
