"""The need of K2O or S per zone, line by line."""

from __future__ import annotations

from dataclasses import dataclass

from vrx.model.finding import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class Yield:
    """An expected hay yield and the moisture at which its tons are stated."""

    tons_per_ac: float
    moisture_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedLine:
    """One term of a need. `lb_per_ac` adds (or, negative, subtracts) oxide K2O or elemental S.

    `detail` shows the arithmetic with its figures, `locator` the place in the guide, `evidence` one
    of "read", "computed", "from memory", "common practice, no source", "user". `credit` marks what
    comes by itself (water, organic matter, manure ...) and is taken off the base need.
    """

    term: str
    lb_per_ac: float
    detail: str
    locator: str
    evidence: str
    credit: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """What one zone needs of one nutrient ("K2O" or "S"), lb/ac. The lines sum to it.

    `surplus_lb_per_ac` is by how much credits are more than the base need (0 where they are not).
    """

    zone_id: int
    nutrient: str
    book: str
    lb_per_ac: float
    lines: tuple[NeedLine, ...]
    soil_class: str = ""
    findings: tuple[Finding, ...] = ()
    surplus_lb_per_ac: float = 0.0
