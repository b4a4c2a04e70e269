"""Whether two values of the pipeline are the same, value for value."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import shapely
from pydantic import BaseModel


def differences(one: Any, other: Any, at: str = "") -> Iterator[str]:
    """Where two values differ; nothing where they are the same, bit for bit."""
    if type(one) is not type(other):
        yield f"{at}: {type(one).__name__} and {type(other).__name__}"
        return
    inner = list(_inner(one)), list(_inner(other))
    if [name for name, _ in inner[0]] != [name for name, _ in inner[1]]:
        yield f"{at}: {len(inner[0])} and {len(inner[1])} entries, or others"
    elif inner[0]:
        for (name, a), (_, b) in zip(*inner, strict=True):
            yield from differences(a, b, f"{at}{name}")
    elif not callable(one) and _bare(one) != _bare(other):
        yield f"{at}: {one!r} and {other!r}"


def _inner(value: Any) -> Iterator[tuple[str, Any]]:
    """What a value holds, by name; nothing for a plain one."""
    if is_dataclass(value):
        yield from ((f".{field.name}", getattr(value, field.name)) for field in fields(value))
    elif isinstance(value, Mapping):
        yield from ((f"[{key!r}]", value[key]) for key in value)
    elif isinstance(value, list | tuple):
        yield from ((f"[{n}]", each) for n, each in enumerate(value))


def _bare(value: Any) -> Any:
    """A plain value as something that compares bit for bit."""
    if isinstance(value, np.ndarray):
        return value.dtype, value.shape, value.tobytes()
    if isinstance(value, shapely.Geometry):
        return shapely.to_wkb(value)
    if isinstance(value, BaseModel):
        return value.model_dump()
    return repr(value) if isinstance(value, float) else value
