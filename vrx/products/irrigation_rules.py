"""Rules of thumb and the safety list for injection, each with its source (`irrigation.toml`)."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from vrx.products.limits import RuleOfThumb

OWN_RULES = Path(__file__).with_name("irrigation.toml")
SURFACE = ("border", "furrow")
"""Systems without pressure: water runs over the ground."""
SETS = ("wheel line", "hand line", "solid set", *SURFACE)
PIVOT = "centre pivot"


@dataclass(frozen=True, slots=True, kw_only=True)
class IrrigationRules:
    """What an injection schedule checks itself against."""

    sprinkler_uniformity_least: RuleOfThumb
    surface_uniformity_least: RuleOfThumb
    rate_within: RuleOfThumb
    thiosulfate_least_h: RuleOfThumb
    thiosulfate_most_h: RuleOfThumb
    thiosulfate_clean_share: RuleOfThumb
    water_distance: RuleOfThumb
    stubble_days: RuleOfThumb


@lru_cache(maxsize=1)
def _document() -> tuple[IrrigationRules, tuple[dict[str, str], ...]]:
    raw = tomllib.loads(OWN_RULES.read_text(encoding="utf-8"))
    raw.pop("schema")
    checks = tuple(raw.pop("check"))
    return IrrigationRules(**{name: RuleOfThumb(**entry) for name, entry in raw.items()}), checks


def irrigation_rules() -> IrrigationRules:
    """The rules of thumb that come with vrx."""
    return _document()[0]


def safety_list(system: str) -> tuple[str, ...]:
    """What the operator ticks off before injecting through such a system, with the evidence."""
    pressure = "no" if system in SURFACE else "yes"
    return tuple(
        f"{entry['text']} ({entry['evidence']})" for entry in _document()[1]
        if entry.get("pressure", pressure) == pressure and entry.get("system", system) == system)
