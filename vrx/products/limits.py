"""Rules of thumb of the season plan, each with its source."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

OWN_LIMITS = Path(__file__).with_name("limits.toml")


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleOfThumb:
    """One number in the unit named, with where it comes from."""

    value: float
    unit: str
    evidence: str
    source: str

    def cite(self) -> str:
        """Evidence and source in one phrase."""
        if self.source.startswith(self.evidence):
            return self.source
        return f"{self.evidence}: {self.source}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What the season plan checks itself against; rates in lb/ac, uptake in lb per ton of hay."""

    k2o_per_pass: RuleOfThumb
    k2o_per_season: RuleOfThumb
    chloride_k2o_per_season: RuleOfThumb
    s_per_season: RuleOfThumb
    uptake_k2o_per_ton: RuleOfThumb
    uptake_s_per_ton: RuleOfThumb
    dry_step: RuleOfThumb
    liquid_step: RuleOfThumb


@lru_cache(maxsize=1)
def load_limits() -> Limits:
    """The rules of thumb that come with vrx (`limits.toml`)."""
    raw = tomllib.loads(OWN_LIMITS.read_text(encoding="utf-8"))
    raw.pop("schema")
    return Limits(**{name: RuleOfThumb(**entry) for name, entry in raw.items()})
