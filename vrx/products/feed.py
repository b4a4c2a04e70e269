"""Hay as feed: K for dry cows, S of feed and drinking water together, cation-anion difference.

Cautions from what the user states. They move no rate; the nutritionist decides.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from vrx import units
from vrx.model import FeedItem, Finding, note, warn

OWN_LIMITS = Path(__file__).with_name("feed.toml")
HIGH, WITHIN, NOT_KNOWN, SHOWN = "high", "within", "not known", "shown"
LITTLE_FORAGE, MUCH_FORAGE = 0.15, 0.40


@dataclass(frozen=True, slots=True, kw_only=True)
class Livestock:
    """Who eats the hay; percents of dry matter, shares of the ration's dry matter, None not known.

    `water_s_ppm` is sulfur, not sulfate.
    """

    animals: str
    hay_k_pct: float | None = None
    hay_s_pct: float | None = None
    hay_na_pct: float | None = None
    hay_cl_pct: float | None = None
    hay_share: float | None = None
    forage_share: float | None = None
    rest_s_pct: float | None = None
    rest_k_pct: float | None = None
    water_s_ppm: float | None = None
    water_gal_per_day: float | None = None
    dry_matter_lb_per_day: float | None = None


def feed_items(told: Livestock) -> tuple[FeedItem, ...]:
    """K, S and the cation-anion difference as far as they can be told."""
    items = []
    if told.animals == "dry cows":
        items.append(_against("K of the hay", told.hay_k_pct, "hay_k_dry_cows"))
        ration = _ration(told.hay_k_pct, told.rest_k_pct, told.hay_share)
        items.append(_against("K of the ration", ration, "ration_k_dry_cows"))
    else:
        rule = _rules()["hay_k_usual"]
        shown = NOT_KNOWN if told.hay_k_pct is None else SHOWN
        items.append(_item("K of the hay", shown, _pct(told.hay_k_pct), rule))
    sulfur = total_s_pct(told)
    which = _s_rule(told.forage_share)
    items.append(_against("S of feed and drinking water", sulfur, which, _s_words(told)))
    items.append(_against("S and copper", sulfur, "s_copper", _pct(sulfur)))
    parts = (told.hay_na_pct, told.hay_k_pct, told.hay_cl_pct, told.hay_s_pct)
    if told.animals == "dry cows" and all(one is not None for one in parts):
        na, k, cl, s = (float(one or 0) for one in parts)
        meq = units.cation_anion_difference_meq_per_100g(na_pct=na, k_pct=k, cl_pct=cl, s_pct=s)
        items.append(_item("Cation-anion difference of the hay", SHOWN, f"{meq:+.0f} meq/100 g",
                           _rules()["dcad"]))
    return tuple(items)


def total_s_pct(told: Livestock) -> float | None:
    """S of feed and drinking water in percent of the dry matter eaten; None where not all is known.

    Water that is not stated counts as none, since its sulfate is what adds.
    """
    feed = _ration(told.hay_s_pct, told.rest_s_pct, told.hay_share)
    if feed is None:
        return None
    return feed + _water_s_pct(told)


def _water_s_pct(told: Livestock) -> float:
    if (told.water_s_ppm is None or told.water_gal_per_day is None
            or told.dry_matter_lb_per_day is None):
        return 0.0
    s_lb = told.water_s_ppm * 1e-6 * told.water_gal_per_day * units.water_lb_per_gal()
    return 100.0 * s_lb / told.dry_matter_lb_per_day


def _ration(hay: float | None, rest: float | None, share: float | None) -> float | None:
    if hay is None or share is None or (rest is None and share < 1):
        return None
    return share * hay + (1.0 - share) * (rest or 0.0)


def _s_rule(forage: float | None) -> str:
    if forage is None or LITTLE_FORAGE <= forage <= MUCH_FORAGE:
        return "s_between"
    return "s_little_forage" if forage < LITTLE_FORAGE else "s_much_forage"


def _s_words(told: Livestock) -> str:
    total = total_s_pct(told)
    if total is None:
        return ""
    water = _water_s_pct(told)
    aside = f", {water:.2f} % of it from water" if told.water_s_ppm is not None else (
        "; drinking water not stated")
    return f"{total:.2f} %{aside}"


def _pct(value: float | None) -> str:
    return "" if value is None else f"{value:.2f} %"


def _against(item: str, value: float | None, rule: str, words: str | None = None) -> FeedItem:
    entry = _rules()[rule]
    said = _pct(value) if words is None else words
    if value is None:
        return _item(item, NOT_KNOWN, said, entry)
    return _item(item, HIGH if value > entry["most"] + 1e-12 else WITHIN, said, entry)


def _item(item: str, verdict: str, stated: str, entry: dict[str, Any]) -> FeedItem:
    cite = entry["source"] if entry["source"].startswith(entry["evidence"]) else (
        f"{entry['evidence']}: {entry['source']}")
    return FeedItem(item=item, verdict=verdict, stated=stated or "not stated", rule=entry["rule"],
                    source=cite)


def feed_findings(items: Sequence[FeedItem]) -> tuple[Finding, ...]:
    """A warning for what is high, one note for what is not known."""
    found = [
        warn("feed-high", "[livestock]", f"{one.item}: {one.stated}; {one.rule} ({one.source})",
             value=one.stated, done="rates are not changed",
             todo="ask the nutritionist before the hay is fed; test each lot")
        for one in items if one.verdict == HIGH
    ]
    open_ = [one.item for one in items if one.verdict == NOT_KNOWN]
    if open_:
        found.append(note("feed-not-known", "[livestock]", f"not known: {'; '.join(open_)}",
                          todo="give hay tests, shares and the rest of the ration"))
    return tuple(found)


@lru_cache(maxsize=1)
def _rules() -> dict[str, Any]:
    return tomllib.loads(OWN_LIMITS.read_text(encoding="utf-8"))
