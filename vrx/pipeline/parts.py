"""A stage's parts, made one by one: who calls it may keep them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeVar

Value = TypeVar("Value")


class Part(Protocol):
    """Gives the value of a part: makes it, or has it still.

    `made_from` are the values, beside plan and inputs, that `make` reads.
    """

    def __call__(self, name: str, make: Callable[[], Value], *made_from: object) -> Value:
        """The part called `name`."""


def at_once(name: str, make: Callable[[], Value], *made_from: object) -> Value:
    """Every part made, none kept."""
    del name, made_from
    return make()
