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
MOST_PLAN_BYTES = 4 << 20
_DEEPEST = 32


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
        if path.exists() and not path.is_file():
            raise PlanError(
                "is a folder, a device or a pipe, not a file", code="plan-unreadable",
                where=str(path), hint="name the plan file",
            )
        if path.stat().st_size > MOST_PLAN_BYTES:
            raise PlanError(
                f"has more than {MOST_PLAN_BYTES >> 20} MiB", code="plan-too-large",
                where=str(path), hint="this is no plan file; a plan has some hundred lines",
            )
        document = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except RecursionError as err:
        raise _too_deep(path) from err
    except UnicodeDecodeError as err:
        raise PlanError(
            f"the file is not UTF-8 text (byte {err.start})", code="plan-encoding",
            where=str(path), hint="save it as UTF-8",
        ) from err
    except tomllib.TOMLDecodeError as err:
        raise PlanError(
            f"not valid TOML: {err}", code="plan-syntax", where=str(path), hint=_syntax_hint(err),
        ) from err
    except OSError as err:
        raise PlanError(
            f"cannot be read: {err.strerror or err}", code="plan-unreadable", where=str(path),
            hint="give yourself the right to read it, or copy it again",
        ) from err
    except PlanError:
        raise
    except ValueError as err:  # a number of thousands of digits, an impossible date
        raise PlanError(
            f"holds a value that cannot be read: {err}", code="plan-syntax", where=str(path),
            hint="look for a very long number or a day that does not exist",
        ) from err
    if _depth(document) > _DEEPEST:
        raise _too_deep(path)
    return document


def _too_deep(path: Path) -> PlanError:
    return PlanError(
        f"sections or lists stand in each other more than {_DEEPEST} deep", code="plan-too-deep",
        where=str(path), hint="a plan has sections and plain lists only",
    )


def _depth(document: dict[str, Any]) -> int:
    """How deep values nest, counted to one more than is allowed."""
    depth = 0
    level: list[dict[str, Any] | list[Any]] = [document] if document else []
    while level and depth <= _DEEPEST:
        depth += 1
        values = [v for one in level for v in (one.values() if isinstance(one, dict) else one)]
        level = [v for v in values if isinstance(v, dict | list)]
    return depth


def _syntax_hint(err: tomllib.TOMLDecodeError) -> str:
    if "overwrite" in str(err) or "twice" in str(err):
        return "this key or section stands twice: keep one of them"
    return "text goes in quotes, numbers with a decimal point, every key on a line of its own"


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
    from vrx.plan.layout import with_layout

    document = with_layout(document, folder=path.parent)
    try:
        return Plan.model_validate(document)
    except ValidationError as err:
        problems = err.errors(include_url=False)
        text = "; ".join(describe(problem) for problem in problems)
        raise PlanError(
            text, code=_code(problems), where=str(path),
            hint="mend the plan file; `vrx check` tells whether it is right",
        ) from err


def _code(problems: list[ErrorDetails]) -> str:
    kinds = {problem["type"] for problem in problems}
    if kinds == {"extra_forbidden"}:
        return "plan-unknown-key"
    return "plan-missing-key" if kinds == {"missing"} else "plan-value"


def describe(problem: ErrorDetails, *, root: type[BaseModel] = Plan) -> str:
    """One fault of a file that `root` describes: key, value, rule, nearest key."""
    *above, last = problem["loc"] or ("the plan",)
    location = [part for part in above if not _is_union_tag(part)]
    # An unknown key may be called like a type; it is always the last part.
    if problem["type"] == "extra_forbidden" or not _is_union_tag(last):
        location.append(last)
    key = _path(location) or "the plan"
    if problem["type"] == "extra_forbidden":
        tail = _nearest_key(str(location[-1]), _known_keys(location[:-1], root))
        return f"unknown key {key!r} (value {problem['input']!r}); {tail}"
    if problem["type"] == "missing":
        return f"key {key!r} is missing"
    shown = "" if isinstance(problem["input"], dict) else f" = {problem['input']!r}"
    return f"{key}{shown}: {_rule(problem)}"


def _path(location: list[int | str]) -> str:
    """Keys joined by dots; the first of a list is [1], as people count."""
    return "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}"
                   for part in location).lstrip(".")


def _rule(problem: ErrorDetails) -> str:
    """The rule that a value breaks, in words of the plan file."""
    if problem["type"] in {"float_type", "int_type"} and isinstance(problem["input"], str):
        return "must be a number: without quotation marks, with a decimal point"
    if problem["type"] in {"tuple_type", "list_type"}:
        return 'must be a list, in square brackets: ["...", "..."]'
    if problem["type"] == "dict_type":
        return "must be a section of its own, or { key = value }"
    message = problem["msg"].removeprefix("Value error, ")
    return message.replace("Input should be", "must be")


def _nearest_key(wrong: str, known: list[str]) -> str:
    # The same quantity in an unknown unit: all units that the plan has for it, none guessed.
    quantity = _UNIT_SUFFIX.sub("", wrong)
    if quantity != wrong:
        same = [key for key in known if _UNIT_SUFFIX.sub("", key) == quantity]
        if same:
            return f"did you mean {' or '.join(map(repr, same))}? The unit stands in the key"
    near = difflib.get_close_matches(wrong, known, n=1, cutoff=0.5)
    return f"did you mean {near[0]!r}?" if near else f"known keys: {', '.join(sorted(known))}"


# A unit that a key may end with, ours or not ("least_kg_per_ha", "swath_m").
_UNIT_SUFFIX = re.compile(
    r"_((kg|g|t|lb|lbs|l|gal|tons?|tonnes)_(per_)?(ha|ac|acre|a)|m|cm|mm|ft|in|ha|ac|acres)$"
)


_UNION_TAG = re.compile(r"[\[\]()]|^((constrained-)?(float|int|str)|literal|date)$")


def _is_union_tag(part: int | str) -> bool:
    # pydantic puts the tried type of a union into the path; no key of ours reads like one.
    return isinstance(part, str) and bool(_UNION_TAG.search(part))


def _known_keys(location: list[int | str], root: type[BaseModel]) -> list[str]:
    model: type[BaseModel] | None = root
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
