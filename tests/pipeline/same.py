"""Whether two values of the pipeline are the same, value for value."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import shapely
from pydantic import BaseModel


def differences(one: Any, other: Any, at: str = "") -> Iterator[str]:
    """Where two values differ; nothing where they are the same, bit for bit."""
    if type(one) is not type(other):
        yield f"{at}: {type(one).__name__} and {type(other).__name__}"
    elif isinstance(one, np.ndarray):
        if one.shape != other.shape or not np.array_equal(
                one, other, equal_nan=one.dtype.kind == "f"):
            yield f"{at}: arrays differ"
    elif isinstance(one, shapely.Geometry):
        if shapely.to_wkb(one) != shapely.to_wkb(other):
            yield f"{at}: geometries differ"
    elif is_dataclass(one):
        for field in fields(one):
            yield from differences(
                getattr(one, field.name), getattr(other, field.name), f"{at}.{field.name}")
    elif isinstance(one, Mapping):
        if list(one) != list(other):
            yield f"{at}: keys {list(one)} and {list(other)}"
        else:
            for key in one:
                yield from differences(one[key], other[key], f"{at}[{key!r}]")
    elif isinstance(one, list | tuple):
        if len(one) != len(other):
            yield f"{at}: {len(one)} and {len(other)} entries"
        else:
            for n, (a, b) in enumerate(zip(one, other, strict=True)):
                yield from differences(a, b, f"{at}[{n}]")
    elif isinstance(one, BaseModel):
        if one.model_dump() != other.model_dump():
            yield f"{at}: {one!r} and {other!r}"
    elif isinstance(one, Set):
        if one != other:
            yield f"{at}: {one} and {other}"
    elif isinstance(one, float):
        if repr(one) != repr(other):
            yield f"{at}: {one!r} and {other!r}"
    elif not callable(one) and one != other:
        yield f"{at}: {one!r} and {other!r}"
