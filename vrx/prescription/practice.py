"""The figures of `money.toml`."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

OWN_FIGURES = Path(__file__).with_name("money.toml")


@lru_cache(maxsize=1)
def figures() -> MappingProxyType[str, Any]:
    """Section → its figures, as vrx brings them."""
    return MappingProxyType(tomllib.loads(OWN_FIGURES.read_text(encoding="utf-8")))


def cite(section: str) -> str:
    """ "locator (evidence)" of a section."""
    held = figures()[section]
    return f"{held['locator']} ({held['evidence']})"
