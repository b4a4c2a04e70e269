"""Items of a plan's lists (`[[pass]]`, `[[bid]]`, `[[layer]]`) added, taken out, moved.

Done on the file's own lines: what stands in other items and sections keeps every comment. The
comment right above an item goes with it. `vrx.plan.answer` writes the result and proves it first.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any

import tomlkit

from vrx.errors import PlanError
from vrx.plan.keys import Step, key_steps, key_text, kinds_at, value_at, value_of

_NAMES = re.compile(r"\s*(?:([A-Za-z0-9_-]+)|\"([^\"]*)\"|'([^']*)')\s*(\.|$)")


@dataclass(frozen=True, slots=True, kw_only=True)
class AddItem:
    """One more item of the list `key`, with values as typed; before item `at`, else the last."""

    key: str
    values: Mapping[str, str] = field(default_factory=dict)
    at: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DropItem:
    """Item `number` (from 1) of the list `key` taken out."""

    key: str
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveItem:
    """Item `number` of the list `key` put where item `to` stands."""

    key: str
    number: int
    to: int


Item = AddItem | DropItem | MoveItem


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    """Lines of one item: its own comment, its keys, its sub-sections; not what follows them."""

    start: int
    stop: int


def with_item(text: str, document: Mapping[str, Any], one: Item) -> tuple[str, dict[str, Any], str]:
    """(the plan's text, its document, what was done in words) after one change of a list.

    Raises `PlanError` for a key that is no list of sections, a number that is not there, a wrong
    value, or a list written in a way that cannot be changed line by line.
    """
    path = _list_path(one.key)
    goal = deepcopy(dict(document))
    held = value_of(goal, path)
    items = held if isinstance(held, list) else []
    if held is not None and not isinstance(held, list):
        raise _by_hand(one.key, "is one section, not a list")
    lines = text.splitlines(keepends=True)
    blocks = _blocks(lines, path)
    if len(blocks) != len(items):
        raise _by_hand(one.key, "is not written as sections of its own")
    if isinstance(one, AddItem):
        return _added(one, lines, blocks, items, goal=goal, path=path)
    number = _position(one.number, one.key, len(items))
    block = blocks[number]
    taken = lines[block.start:block.stop]
    name = _name(items[number])
    last = key_text(path[-1:])
    if isinstance(one, DropItem):
        made = _without(lines, block)
        items.pop(number)
        if not items:
            del _section(goal, path[:-1])[path[-1]]
        return "".join(made), goal, f"took out {last} {name or one.number}"
    to = _position(one.to, one.key, len(items))
    items.insert(to, items.pop(number))
    rest = _without(lines, block)
    made = _with(rest, _blocks(rest, path), to, taken)
    return "".join(made), goal, f"{last} {name or one.number} moved to place {one.to}"


def _list_path(key: str) -> tuple[str, ...]:
    steps = key_steps(key)
    kinds = kinds_at((*steps, 0))
    path = tuple(step for step in steps if isinstance(step, str))
    if len(path) != len(steps) or not kinds:
        raise _by_hand(key, "is inside another list")
    return path


def _added(
    one: AddItem, lines: list[str], blocks: list[_Block], items: list[Any], *,
    goal: dict[str, Any], path: tuple[str, ...],
) -> tuple[str, dict[str, Any], str]:
    at = len(items) if one.at is None else _position(one.at, one.key, len(items) + 1)
    values: dict[str, Any] = {}
    for name, text in one.values.items():
        inner = key_steps(name)
        steps: tuple[Step, ...] = (*path, 0, *inner)
        if len(inner) != 1:
            raise PlanError(f"{name!r} is no key of its own", code="answer-key",
                            where="the answer", hint="give sections as { key = value }")
        values[str(inner[0])] = value_at(steps, text)
    if not items:
        _section(goal, path[:-1])[path[-1]] = items
    items.insert(at, deepcopy(values))
    end = "\r\n" if lines and lines[0].endswith("\r\n") else "\n"
    body = tomlkit.table()
    for name, value in values.items():
        body[name] = value
    block = [f"[[{key_text(path)}]]{end}", *(
        line + end for line in tomlkit.dumps(body).splitlines())]
    made = _with(lines, blocks, at, block)
    return "".join(made), goal, f"added {key_text(path[-1:])} {_name(values) or at + 1}"


def _section(document: dict[str, Any], path: Sequence[str]) -> dict[str, Any]:
    at = document
    for step in path:
        at = at.setdefault(step, {})
    return at


def _position(number: int, key: str, count: int) -> int:
    if not 1 <= number <= count:
        raise PlanError(f"the plan has no {key}[{number}]", code="answer-absent",
                        where="the answer", hint=f"they are counted from 1 to {count}")
    return number - 1


def _name(item: Any) -> str:
    """What people call an item by."""
    for key in ("id", "name", "seller", "file"):
        if isinstance(item, Mapping) and isinstance(item.get(key), str):
            return str(item[key])
    return ""


def _by_hand(key: str, why: str) -> PlanError:
    return PlanError(f"{key} {why}", code="answer-not-safe", where="the plan",
                     hint="edit these lines by hand; nothing was written")


def _without(lines: list[str], block: _Block) -> list[str]:
    """The lines without a block and the blank lines behind it."""
    after = block.stop
    while after < len(lines) and not lines[after].strip():
        after += 1
    head = lines[:block.start]
    if after == len(lines):
        while head and not head[-1].strip():
            head.pop()
    return [*head, *lines[after:]]


def _with(lines: list[str], blocks: list[_Block], at: int, block: list[str]) -> list[str]:
    """The lines with a block as the one at a position."""
    end = "\r\n" if lines and lines[0].endswith("\r\n") else "\n"
    block = [*block[:-1], block[-1].rstrip("\r\n") + end]
    if at < len(blocks):
        return [*lines[:blocks[at].start], *block, end, *lines[blocks[at].start:]]
    where = blocks[-1].stop if blocks else len(lines)
    head, tail = lines[:where], lines[where:]
    while not blocks and head and not head[-1].strip():
        head.pop()
    if head:
        head[-1] = head[-1].rstrip("\r\n") + end
    return [*head, *([end] if head else []), *block, *tail]


def _blocks(lines: list[str], path: tuple[str, ...]) -> list[_Block]:
    """The items of a list, in order."""
    headers = list(_headers(lines))
    found = []
    for position, (at, names, is_list) in enumerate(headers):
        if not is_list or names != path:
            continue
        stop = len(lines)
        for other, following, again in headers[position + 1:]:
            inside = following[: len(path)] == path and (len(following) > len(path) or not again)
            if not inside:
                stop = other
                break
        start = at
        while start > 0 and lines[start - 1].lstrip().startswith("#"):
            start -= 1
        found.append(_Block(start=start, stop=_last_key(lines, at, stop) + 1))
    return found


def _last_key(lines: list[str], start: int, stop: int) -> int:
    """The last line of a block that says something, with the comment right below it."""
    last = start
    for at in range(start, stop):
        bare = lines[at].strip()
        if bare and not bare.startswith("#"):
            last = at
    below = last + 1
    while below < stop and lines[below].lstrip().startswith("#"):
        below += 1
    # A comment that touches the next header is that header's.
    return below - 1 if below < stop and not lines[below].strip() else last


def _headers(lines: list[str]) -> Iterator[tuple[int, tuple[str, ...], bool]]:
    """(line, names, whether of a list) of every `[section]` and `[[list]]` header."""
    quote, depth = "", 0
    for at, line in enumerate(lines):
        bare = line.strip()
        if not quote and not depth and bare.startswith("["):
            is_list = bare.startswith("[[")
            inner = bare.lstrip("[").split("]", 1)[0] if '"' not in bare and "'" not in bare else (
                bare[2 if is_list else 1:].partition("#")[0].rstrip().removesuffix(
                    "]]" if is_list else "]"))
            names = _names(inner)
            if names:
                yield at, names, is_list
            continue
        quote, depth = _after(line, quote, depth)


def _names(text: str) -> tuple[str, ...]:
    found, at = [], 0
    while at < len(text):
        part = _NAMES.match(text, at)
        if part is None:
            return ()
        found.append(part[1] or part[2] or part[3] or "")
        at = part.end()
    return tuple(found)


def _after(line: str, quote: str, depth: int) -> tuple[str, int]:
    """Which quotation is open after a line, and how many brackets are."""
    at = 0
    while at < len(line):
        if quote:
            if quote[0] == '"' and line[at] == "\\":
                at += 2
            elif line.startswith(quote, at):
                at += len(quote)
                quote = ""
            else:
                at += 1
            continue
        here = line[at]
        if here == "#":
            break
        if here in "\"'":
            quote = here * 3 if line.startswith(here * 3, at) else here
            at += len(quote)
            continue
        depth += (here in "[{") - (here in "]}")
        at += 1
    return (quote if len(quote) == 3 else ""), max(depth, 0)
