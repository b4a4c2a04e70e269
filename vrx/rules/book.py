"""A rule book as the other rooms see it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from vrx.model import Source

if TYPE_CHECKING:
    from vrx.rules.schema import BookFile
    from vrx.rules.schema_rules import Removal

EVIDENCE_ORDER = ("read", "computed", "common practice, no source", "from memory", "user")
KINDS = (
    "class-table", "rate-table", "build-up-maintenance", "linear-in-yield", "removal-balance",
    "tissue-criterion", "soil-criterion", "flat-rate", "organic-matter-credit", "water-credit",
    "soil-layer-credit", "stated-credit", "water-cap", "limit", "rating-table",
    "grouped-class-table", "class-share", "stand-age", "conditional-rate", "availability-index",
    "tissue-table",
)
KINDS_WITH_CLASSES = ("class-table", "build-up-maintenance", "soil-criterion", "rating-table",
                      "grouped-class-table", "class-share")
KINDS_THAT_CHANGE = ("organic-matter-credit", "water-credit", "soil-layer-credit", "stated-credit",
                     "water-cap", "limit", "stand-age")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Book:
    """One guide for one nutrient. `file` is its name, `sha256` that of its bytes.

    `origin` is "built in" or "user"; both work alike. `data` is the checked content.
    """

    id: str
    nutrient: str
    file: str
    sha256: str
    origin: str
    data: BookFile

    @property
    def where(self) -> str:
        """The book as errors and findings name it."""
        return self.id

    @property
    def analyte(self) -> str:
        """The soil test it reads ("potassium", "sulfate"), "" if none."""
        return self.data.soil.analyte if self.data.soil else ""

    @property
    def has_rates(self) -> bool:
        """Whether the book gives lb/ac by itself; if not, the plan must say the rates."""
        return any(_gives_rate(rule) for rule in self.data.rules)

    @property
    def has_classes(self) -> bool:
        """Whether zones can be cut at its class limits."""
        return any(rule.kind in KINDS_WITH_CLASSES for rule in self.data.rules)

    @property
    def evidence(self) -> tuple[str, ...]:
        """Every evidence label that its rules and its soil test carry, best first."""
        held = {label for part in (*self.data.rules, self.data.soil) for label in _labels(part)}
        return tuple(label for label in EVIDENCE_ORDER if label in held)

    @property
    def source(self) -> Source:
        """The guide for the list of sources on a page."""
        s = self.data.source
        return Source(id=self.id, title=s.title, publisher=s.publisher, year=s.year,
                      locator=s.locator, evidence=s.evidence)

    def removal_sources(self) -> tuple[Removal, ...]:
        """Every removal or uptake figure in the book."""
        held: list[Removal] = []
        for rule in self.data.rules:
            held += getattr(rule, "sources", ())
            single = (getattr(rule, "removal", None), getattr(rule, "uptake", None))
            held += [r for r in single if r is not None]
        return tuple(held)


def _gives_rate(rule: Any) -> bool:
    """Whether the rule starts a rate by itself; credits, caps and shares of a rate do not."""
    if rule.kind in ("tissue-criterion", "soil-criterion", "flat-rate", "conditional-rate"):
        return rule.rate_lb_per_ac is not None
    if rule.kind == "availability-index":
        return all(c.rate_lb_per_ac is not None for c in rule.classes)
    if rule.kind == "class-share":
        return bool(rule.has_shares)
    if rule.kind in KINDS_THAT_CHANGE:
        return False
    return bool(getattr(rule, "has_rates", True))


def _labels(part: Any) -> Iterator[str]:
    """Evidence labels in a rule and in all parts of it."""
    from vrx.rules.schema_parts import Cited, Strict

    if isinstance(part, Cited):
        yield part.evidence
    if isinstance(part, Strict):
        for name in type(part).model_fields:
            yield from _labels(getattr(part, name))
    elif isinstance(part, tuple):
        for item in part:
            yield from _labels(item)
