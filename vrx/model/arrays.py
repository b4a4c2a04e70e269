"""Frozen values that hold arrays: read-only, and still read-only after pickling."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, TypeVar, dataclass_transform

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

T = TypeVar("T")


def _freeze(value: Any) -> None:
    for field in fields(value):
        held = getattr(value, field.name)
        if isinstance(held, np.ndarray) and held.flags.writeable:
            # A copy, so that freezing never reaches the caller's own array.
            own = held.copy()
            own.setflags(write=False)
            object.__setattr__(value, field.name, own)


@dataclass_transform(frozen_default=True, kw_only_default=True, eq_default=False)
def array_value(cls: type[T]) -> type[T]:
    """Make a frozen, slotted, keyword-only dataclass whose arrays stay read-only.

    `==` is identity, because array equality has no single truth value.
    """
    check = getattr(cls, "__post_init__", None)

    def post_init(self: Any) -> None:
        _freeze(self)
        if check is not None:
            check(self)

    cls.__post_init__ = post_init  # type: ignore[attr-defined]
    made = dataclass(frozen=True, slots=True, kw_only=True, eq=False)(cls)
    restore = made.__setstate__  # type: ignore[attr-defined]

    def setstate(self: Any, state: Any) -> None:
        restore(self, state)
        _freeze(self)

    made.__setstate__ = setstate  # type: ignore[attr-defined]
    return made
