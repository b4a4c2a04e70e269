"""The filters and their defaults, read from `filters.toml`."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """One filter: what it sets aside in words, and where it comes from."""

    id: str
    words: str
    source: str
    evidence: str


@lru_cache(maxsize=1)
def filters() -> tuple[Filter, ...]:
    """All filters in the order in which they run."""
    return tuple(
        Filter(id=entry["id"], words=entry["words"], source=entry["source"],
               evidence=entry["evidence"])
        for entry in _entries()
    )


@lru_cache(maxsize=1)
def defaults() -> Mapping[str, float]:
    """The default of every setting of `CleanSpec` that has one."""
    found: dict[str, float] = {}
    for entry in _entries():
        found |= entry.get("defaults", {})
    return MappingProxyType(found)


@lru_cache(maxsize=1)
def _entries() -> tuple[dict[str, Any], ...]:
    text = files("vrx.intake.yields").joinpath("filters.toml").read_text(encoding="utf-8")
    return tuple(tomllib.loads(text)["filter"])
