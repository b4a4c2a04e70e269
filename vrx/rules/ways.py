"""How a guide goes about a need, in words: what it reads, where it turns, what it pays back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from vrx.errors import RuleError
from vrx.rules.book import Book
from vrx.rules.context import ton_words
from vrx.rules.explain_kinds import level_words
from vrx.rules.options import resolve
from vrx.rules.terms_balance import chosen_source
from vrx.rules.terms_soil import per_ton_words

HEADINGS = ("reads", "turns at", "philosophy", "yield", "credits of its own", "most")
"""What `ways` tells, in this order."""

_NOT_READ = "no soil or plant test of it"
_CREDITS = {
    "organic-matter-credit": "organic matter", "water-credit": "irrigation water",
    "water-cap": "irrigation water, by capping the rate", "soil-layer-credit": "soil sulfate",
}


def ways(book: Book, options: Mapping[str, object]) -> dict[str, str]:
    """Heading (of `HEADINGS`) -> words, for a guide as a plan asks it.

    RuleError for options that the book does not take.
    """
    held = resolve(book, options)
    rules = book.data.rules
    found = {
        "reads": _reads(book, held),
        "turns at": "; ".join(filter(None, (_turns(rule, book) for rule in rules))) or "no level",
        "philosophy": "; ".join(filter(None, (_philosophy(rule, held) for rule in rules))),
        "yield": "; ".join(filter(None, (_yield(rule, book, held) for rule in rules)))
        or "does not look at the yield",
        "credits of its own": ", ".join(dict.fromkeys(filter(None, (
            _credit(rule, held) for rule in rules)))) or "none",
        "most": "; ".join(f"{rule.most_lb_per_ac:g} lb/ac a year"
                          for rule in rules if rule.kind == "limit") or "no yearly most",
    }
    return {heading: found[heading] for heading in HEADINGS}


def why_differ(one: Mapping[str, str], other: Mapping[str, str], *, name: str) -> tuple[str, ...]:
    """Sentences on every heading in which `one` goes another way than `other`, called `name`."""
    return tuple(
        f"{heading}: {one[heading]}; {name}: {other[heading]}"
        for heading in HEADINGS if one[heading] != other[heading])


def _reads(book: Book, held: Mapping[str, Any]) -> str:
    soil = book.data.soil
    parts = []
    if soil is not None:
        depth = "depth not stated" if soil.depth is None else \
            f"{soil.depth.from_in:g}-{soil.depth.to_in:g} in"
        method = " or ".join(soil.extractants) or "an extractant that it does not state"
        parts.append(f"soil {soil.analyte} by {method}, {depth}")
        if held.get("conversion"):
            parts.append(f"converted ({held['conversion']})")
    for rule in book.data.rules:
        if rule.kind in ("tissue-criterion", "tissue-table"):
            parts.append(f"plant {rule.nutrient}, {rule.parts[0]}")
        elif rule.kind == "build-up-maintenance":
            parts.append("CEC")
        elif rule.kind == "rating-table":
            parts.append("the laboratory's rating")
        elif rule.kind == "conditional-rate":
            parts += [one.words for one in rule.conditions]
        elif rule.kind == "availability-index":
            parts.append("an index of " + ", ".join(one.term for one in rule.terms))
    return ", ".join(dict.fromkeys(parts)) or _NOT_READ


def _turns(rule: Any, book: Book) -> str:
    unit = "" if rule.kind == "availability-index" else getattr(
        rule, "unit", book.data.soil.unit if book.data.soil else "")
    groups = getattr(rule, "groups", ())
    classes = getattr(rule, "classes", None) or getattr(rule, "ratings", None)
    if groups:
        return "; ".join(
            _limits(one.classes, one.name if len(groups) > 1 else "class limits", unit)
            for one in groups)
    if classes:
        return _limits(classes, _CLASSES.get(rule.kind, "class limits"), unit)
    told = _TURNS.get(rule.kind)
    return "" if told is None else told(rule)


_CLASSES = {"availability-index": "index classes", "tissue-table": "plant classes"}
_TURNS: Mapping[str, Callable[[Any], str]] = {
    "build-up-maintenance": lambda rule: (
        f"critical level {level_words(rule.critical_level)}; maintenance up to "
        f"{level_words(rule.maintenance_limit)}"),
    "linear-in-yield": lambda rule: (
        f"nothing from {rule.intercept_lb_per_ton / rule.slope_lb_per_ton_per_ppm:.0f} ppm on"),
    "rate-table": lambda rule: f"rows {', '.join(f'{one:g}' for one in rule.soil_test)}",
    "soil-criterion": lambda rule: ", ".join(
        f"{one.ppm:g} ppm" + (f" by {one.extractant}" if one.extractant else "")
        for one in rule.critical),
    "tissue-criterion": lambda rule: f"{rule.critical_pct:g} % in the plant",
    "conditional-rate": lambda rule: ", ".join(one.words for one in rule.conditions),
}


def _limits(classes: Any, heading: str, unit: str) -> str:
    limits = [f"{one.limit:g}" for one in classes if one.limit is not None]
    return f"{heading} {', '.join(limits)} {unit}".strip() if limits else \
        "ratings of the laboratory"


def _built(rule: Any, held: Mapping[str, Any]) -> str:
    builds = (f"builds the soil up over {held['build_up_years']:g} years under the critical level, "
              if held["build_up"] else "does not build up, ")
    above = "nothing above" if rule.draw_down is None else \
        f"falling to nothing over {rule.draw_down.width_ppm:g} ppm above"
    added = f" and {rule.constant.lb_per_ac:g} lb/ac more" if rule.constant else ""
    return f"{builds}replaces what hay {rule.removal.word}{added} up to the limit, {above}"


_PHILOSOPHY: Mapping[str, Callable[[Any, Mapping[str, Any]], str]] = {
    "build-up-maintenance": _built,
    "class-table": lambda rule, _held: "one rate for each soil-test class"
    if rule.has_rates else "classes only; the plan's own rates",
    "rate-table": lambda _rule, _held: "rate read off a table of soil test by yield",
    "linear-in-yield": lambda _rule, _held: "rate falls in a straight line with the soil test",
    "removal-balance": lambda _rule, held: "replaces what the crop takes, whatever the soil test"
    + ("" if held["share"] == 1 else f", by {held['share']:.0%}"),
    "tissue-criterion": lambda _rule, _held: "a fixed rate, or nothing, by a plant test",
    "soil-criterion": lambda _rule, _held: "a fixed rate, or nothing, by a soil test",
    "flat-rate": lambda _rule, held: "one rate everywhere" if held["rate_lb_per_ac"] is None
    else f"{held['rate_lb_per_ac']:g} lb/ac everywhere",
    "rating-table": lambda _rule, _held: "one rate for each rating",
    "grouped-class-table": lambda _rule, _held: "one rate for each soil-test class, by soil",
    "class-share": lambda _rule, _held: "a share of what hay removes, by soil-test class",
    "tissue-table": lambda _rule, _held: "a rate by class of a plant test",
    "conditional-rate": lambda _rule, _held: "a fixed rate where all conditions hold",
    "availability-index": lambda _rule, _held: "a fixed rate, or nothing, by an index of supplies",
    "stand-age": lambda rule, held: "less in the stand's last year"
    if rule.last_year is not None and held["last_year"] else
    "less as the stand ages" if rule.years else "",
}
_SILENT = frozenset({*_CREDITS, "stated-credit", "limit"})


def _philosophy(rule: Any, held: Mapping[str, Any]) -> str:
    if rule.kind in _SILENT:
        return ""
    told = _PHILOSOPHY.get(rule.kind)
    return rule.kind.replace("-", " ") if told is None else told(rule, held)


def _yield(rule: Any, book: Book, held: Mapping[str, Any]) -> str:
    if rule.kind == "removal-balance":
        try:
            chosen = chosen_source(rule, held[rule.source_option], book.where)
        except RuleError:
            return "per ton; the plan must choose whose figure"
        return f"{chosen.word} {per_ton_words(chosen)} ({chosen.title})"
    source: Any = getattr(rule, "removal", None) or getattr(rule, "uptake", None)
    if source is not None:
        return f"{source.word} {per_ton_words(source)}"
    reads = rule.kind in ("linear-in-yield", "rate-table") or bool(
        getattr(rule, "yield_tons", None))
    return "" if not reads or book.data.ton is None else \
        f"rate by the {ton_words(book.data.ton.dm_fraction)}"


def _credit(rule: Any, held: Mapping[str, Any]) -> str:
    if rule.kind == "availability-index":
        return "those of its index"
    if rule.kind == "stated-credit":
        return str(rule.term).removesuffix(" brings") if held[rule.option] else ""
    if rule.kind == "organic-matter-credit" and not held["om_credit"]:
        return ""
    if rule.kind == "soil-layer-credit" and not held["soil_share"]:
        return ""
    if rule.kind == "water-credit" and not held["water_share"]:
        return ""
    return _CREDITS.get(rule.kind, "")
