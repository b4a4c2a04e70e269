"""A guide as the page and the job record tell it: what it reads, says and refuses."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideTable:
    """A table or equation of a guide in text, with its place and evidence."""

    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    locator: str
    evidence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """The guide behind the needs of one nutrient ("K2O" or "S").

    `reads` are its soil test, depth and unit in words; `options` what the plan says to it, name and
    value; `evidence` every label that its numbers carry, best first.
    """

    nutrient: str
    id: str
    name: str
    source: str
    origin: str
    evidence: tuple[str, ...]
    reads: tuple[str, ...]
    options: tuple[tuple[str, str], ...]
    tables: tuple[GuideTable, ...]
    refuses: tuple[str, ...]
    cautions: tuple[str, ...]
    examples: int
    no_published_example_because: str
