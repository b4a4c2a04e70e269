"""Plan file → `Plan`: strict, with errors that name file, line, key, value and the nearest key."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from vrx.errors import PlanError
from vrx.plan.schema import Plan

BLANK = "?"
PLAN_NAME = "plan.toml"


def plan_path(folder_or_file: Path) -> Path:
    """The plan file of a field's folder, or the file itself. Raises `PlanError` if absent."""
    path = folder_or_file / PLAN_NAME if folder_or_file.is_dir() else folder_or_file
    if not path.is_file():
        raise PlanError(
            "there is no plan file here", code="plan-missing", where=str(path),
            hint="make one with: vrx new FOLDER --boundary FILE --samples FILE",
        )
    return path


def read_document(path: Path) -> dict[str, Any]:
    """The plan file as plain TOML. Raises `PlanError` with the line of a syntax fault."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError as err:
        raise PlanError(
            f"the file is not UTF-8 text (byte {err.start})", code="plan-encoding",
            where=str(path), hint="save it as UTF-8",
        ) from err
    except tomllib.TOMLDecodeError as err:
        raise PlanError(
            f"not valid TOML: {err}", code="plan-syntax", where=str(path),
            hint="text goes in quotes, every key on a line of its own",
        ) from err


def blanks(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Key paths whose value is still the mark `"?"`, in file order."""

    def walk(value: Any, at: str) -> Iterator[str]:
        if isinstance(value, dict):
            for key, inner in value.items():
                yield from walk(inner, f"{at}.{key}" if at else key)
        elif isinstance(value, list):
            for number, inner in enumerate(value):
                yield from walk(inner, f"{at}[{number + 1}]")
        elif value == BLANK:
            yield at

    return tuple(walk(document, ""))


def blank_lines(path: Path) -> tuple[tuple[int, str], ...]:
    """(line number, line) of every line in the file that is still to be filled in."""
    marked = re.compile(r'^[^#]*=\s*(\[.*)?"\?"')
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    return tuple((n, line.strip()) for n, line in enumerate(lines, 1) if marked.match(line))


def load_plan(path: Path) -> Plan:
    """A complete plan. Raises `PlanError` with all blanks, unknown keys and wrong values."""
    document = read_document(path)
    open_keys = blanks(document)
    if open_keys:
        # A blank inside a table on several lines has no line of its own: then the key stands in.
        lines = blank_lines(path) or tuple(enumerate(open_keys, 1))
        shown = "\n".join(f"  line {number}: {line}" for number, line in lines)
        raise PlanError(
            f"{len(lines)} lines are still to be filled in:\n{shown}",
            code="plan-blank", where=str(path),
            hint='replace each "?"; the comment above the line says what belongs there',
        )
    try:
        return Plan.model_validate(document)
    except ValidationError as err:
        problems = err.errors(include_url=False)
        text = "; ".join(_describe(problem) for problem in problems)
        raise PlanError(
            text, code=_code(problems), where=str(path),
            hint="mend the plan file; `vrx check` tells whether it is right",
        ) from err


def _code(problems: list[ErrorDetails]) -> str:
    kinds = {problem["type"] for problem in problems}
    if kinds == {"extra_forbidden"}:
        return "plan-unknown-key"
    return "plan-missing-key" if kinds == {"missing"} else "plan-value"


def _describe(problem: ErrorDetails) -> str:
    location = [part for part in problem["loc"] if not _is_union_tag(part)]
    key = ".".join(str(part) for part in location) or "the plan"
    if problem["type"] == "extra_forbidden":
        known = _known_keys(location[:-1])
        near = difflib.get_close_matches(str(location[-1]), known, n=1, cutoff=0.5)
        tail = f"did you mean {near[0]!r}?" if near else f"known keys: {', '.join(sorted(known))}"
        return f"unknown key {key!r} (value {problem['input']!r}); {tail}"
    if problem["type"] == "missing":
        return f"key {key!r} is missing"
    message = problem["msg"].removeprefix("Value error, ")
    shown = "" if isinstance(problem["input"], dict) else f" = {problem['input']!r}"
    return f"{key}{shown}: {message}"


_UNION_TAG = re.compile(r"[\[\]()]|^(float|int|str|literal|date)$")


def _is_union_tag(part: int | str) -> bool:
    # pydantic puts the tried type of a union into the path; no key of ours reads like one.
    return isinstance(part, str) and bool(_UNION_TAG.search(part))


def _known_keys(location: list[int | str]) -> list[str]:
    model: type[BaseModel] | None = Plan
    for part in location:
        if isinstance(part, int) or model is None:
            continue
        model = _model_at(model, part)
    if model is None:
        return []
    return [info.alias or name for name, info in model.model_fields.items()]


def _model_at(model: type[BaseModel], key: str) -> type[BaseModel] | None:
    """The section that a key holds, or `model` itself where the key names a free entry."""
    for name, info in model.model_fields.items():
        if key in (name, info.alias):
            return _section_in(info.annotation)
    return model


def _section_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in get_args(annotation):
        found = _section_in(inner)
        if found is not None:
            return found
    return None
