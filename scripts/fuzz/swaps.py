"""Whole documents with values swapped for awkward ones: damage that single bytes seldom do."""

from __future__ import annotations

import json
from typing import Any

FEW = 8


def _deep(levels: int) -> Any:
    found: Any = 1
    for _ in range(levels):
        found = [found]
    return found


AWKWARD: tuple[str, ...] = tuple(map(json.dumps, (
    None, True, 0, -1, 10**400, 1e308, -0.0, float("nan"), float("inf"), "", "?", "NaN", "x\0y",
    "\ud800", "²", "9" * 5000, [], {}, [[]], [{}], {"": None}, [None], [1], [1, 2], [[1, 2]],
    _deep(600), {"type": "Polygon", "coordinates": []}, {"type": []}, 200, -93.6, "POINT(1 2)",
)))


def _places(value: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(
        value, list) else ()
    found = [at] if at else []
    if len(at) < 12:
        for key, one in inner:
            found += _places(one, (*at, key))
    return found


def swapped(document: Any, data: bytes) -> Any:
    """A copy in which each pair of bytes (which place, which value) has swapped one value."""
    document = json.loads(json.dumps(document))
    for which, what in zip(data[: 2 * FEW : 2], data[1 : 2 * FEW : 2], strict=False):
        places = _places(document)
        if not places:
            break
        *above, last = places[which * len(places) // 256]
        holder = document
        for step in above:
            holder = holder[step]
        holder[last] = json.loads(AWKWARD[what % len(AWKWARD)])
    return document


def json_with(wholes: list[bytes], data: bytes) -> bytes:
    """`data` itself, or, where it begins with a control byte, a whole document with swaps."""
    if not data or data[0] >= 32:
        return data
    whole = json.loads(wholes[data[0] % len(wholes)])
    return json.dumps(swapped(whole, data[1:]), ensure_ascii=bool(len(data) % 2)).encode(
        "utf-8", "surrogatepass")
