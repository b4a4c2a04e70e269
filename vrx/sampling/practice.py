"""The figures of `practice.toml`."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

OWN_PRACTICE = Path(__file__).with_name("practice.toml")


@dataclass(frozen=True, slots=True, kw_only=True)
class Practice:
    """Defaults of sampling, and for each the words of its source.

    Probabilities and shares 0 to 1, distances in feet, areas in acres. `sources` maps a section's
    name to "locator (evidence)". `cautions` are those of a crew.
    """

    sure_from: float
    gain_from: float
    cores: int
    core_radius_ft: float
    zone_cores: int
    ac_per_sample: float
    most_ac_per_sample: float
    edge_ft: float
    border_ft: float
    exclusion_ft: float
    least_per_zone: int
    second_bag_one_in: int
    plant_words: str
    sources: dict[str, str]
    cautions: tuple[str, ...]


@lru_cache(maxsize=1)
def practice() -> Practice:
    """The figures as vrx brings them."""
    held = tomllib.loads(OWN_PRACTICE.read_text(encoding="utf-8"))
    return Practice(
        sure_from=held["sure"]["probability"], gain_from=held["sample_here"]["least_gain"],
        cores=held["cores"]["of_a_point"], core_radius_ft=float(held["cores"]["radius_ft"]),
        zone_cores=held["zone_cores"]["of_a_zone"],
        ac_per_sample=held["grid"]["ac_per_sample"],
        most_ac_per_sample=held["most_area"]["ac_per_sample"],
        edge_ft=held["edge"]["edge_ft"], border_ft=held["edge"]["border_ft"],
        exclusion_ft=held["edge"]["exclusion_ft"],
        least_per_zone=held["zones"]["least_points"],
        second_bag_one_in=held["second_bag"]["one_in"], plant_words=held["plants"]["words"],
        sources={name: f"{section['locator']} ({section['evidence']})"
                 for name, section in held.items() if isinstance(section, dict)},
        cautions=tuple(f"{one['text']} ({one['evidence']})" for one in held["caution"]),
    )
