"""The classes and colours of a map, shared by what draws a page and what styles a file."""

from __future__ import annotations

from dataclasses import dataclass

MOST_CLASSES = 6
"""More colours than these cannot be told apart in the field (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Legend:
    """Classes of one map, least first: `low` and `high` ends, "#rrggbb" colours and words of each.

    A class of one value has `low` equal to `high`. The upper end of a class belongs to the next.
    """

    name: str
    low: tuple[float, ...]
    high: tuple[float, ...]
    colours: tuple[str, ...]
    words: tuple[str, ...]


def error_key(analyte: str) -> str:
    """The key of the legend of a map's standard error, beside the analyte's own."""
    return f"{analyte}, standard error"
