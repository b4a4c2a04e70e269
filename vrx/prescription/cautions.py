"""Which cautions go with a prescription."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

from vrx.model import PassPlan, PassRates

OWN_CAUTIONS = Path(__file__).with_name("cautions.toml")


def cautions(passes: Sequence[PassRates | PassPlan]) -> tuple[str, ...]:
    """Each caution once, with its evidence: general ones, then by method, timing, form, material.

    A pass whose rates are 0 everywhere adds none of its own.
    """
    live = [one for one in passes if _rates_above_zero(one)]
    found = [_line(entry) for entry in _entries() if _fits(entry, live)]
    for one in live:
        # A caution of the list stays tied to its material, for passes mix several.
        found += [f"{one.material.id}: {text}" for text in one.material.cautions]
    return tuple(dict.fromkeys(found))


@lru_cache(maxsize=1)
def _entries() -> tuple[dict[str, str], ...]:
    return tuple(tomllib.loads(OWN_CAUTIONS.read_text(encoding="utf-8"))["caution"])


def _line(entry: dict[str, str]) -> str:
    return f"{entry['text']} ({entry['evidence']})"


def _fits(entry: dict[str, str], live: Sequence[PassRates | PassPlan]) -> bool:
    asked = entry.keys() & {"method", "timing", "form", "nutrient", "s_form"}
    return not asked or any(all(_meets(one, key, entry[key]) for key in asked) for one in live)


def _meets(one: PassRates | PassPlan, key: str, wanted: str) -> bool:
    match key:
        case "method":
            return re.fullmatch(wanted, one.method) is not None
        case "form":
            return one.material.form == wanted
        case "s_form":
            return one.material.s_form == wanted
        case "nutrient":
            return one.material.nutrient_lb_per_unit(wanted) > 0
        case _:
            return re.search(wanted, one.timing, re.IGNORECASE) is not None


def _rates_above_zero(one: PassRates | PassPlan) -> bool:
    rates = one.rates if isinstance(one, PassRates) else one.planned
    return bool((rates > 0).any())
