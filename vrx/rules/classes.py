"""Where a book's soil-test classes change, so that zones can be cut there."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from vrx.errors import RuleError
from vrx.rules.book import KINDS_WITH_CLASSES, Book
from vrx.rules.names import extractant as one_name
from vrx.rules.need import NO_OPTIONS
from vrx.rules.options import resolve
from vrx.rules.terms_soil import critical_words, level

if TYPE_CHECKING:
    from vrx.rules import schema_rules as schema
    from vrx.rules.schema_classes import ClassShare, GroupedClassTable, SoilClass, SoilGroup


def class_breaks(
    *, book: Book, cec_meq_per_100g: float | None = None, extractant: str = "",
    options: Mapping[str, object] = NO_OPTIONS,
) -> tuple[tuple[float, ...], tuple[str, ...]]:
    """(breaks in ppm rising, labels lowest first): len(labels) = len(breaks) + 1.

    Breaks are on the laboratory's own scale: with a `conversion` among the options the guide's
    limits are divided by its factor. `extractant` is the laboratory's (needed where a guide has a
    critical value for each). RuleError where the book has no classes, or CEC is needed and absent.
    """
    resolved = resolve(book, options)
    rule = next((r for r in book.data.rules if r.kind in KINDS_WITH_CLASSES), None)
    if rule is None:
        raise RuleError(
            "the book has no soil-test classes", code="rules-no-classes", where=book.where,
            hint="cut the zones at breaks of your own ([zones] breaks), from own polygons, or use "
                 "a book with classes")
    if rule.kind in ("class-table", "rating-table"):
        breaks, labels = _of_classes(
            book, rule.classes if rule.kind == "class-table" else rule.ratings, resolved)
    elif rule.kind in ("grouped-class-table", "class-share"):
        breaks, labels = _of_classes(book, _group(book, rule, resolved).classes, resolved)
    elif rule.kind == "soil-criterion":
        breaks, labels = _critical(book, rule, extractant)
    elif rule.kind == "build-up-maintenance":
        own = resolved["cec_meq_per_100g"]
        breaks, labels = _levels(book, rule, cec_meq_per_100g if own is None else float(own))
    else:
        raise AssertionError(f"no breaks known for {rule.kind}")
    factor = _factor(book, resolved.get("conversion")) * _scale(book, resolved)
    return tuple(b / factor for b in breaks), labels


def soil_span(
    *, book: Book, options: Mapping[str, object] = NO_OPTIONS
) -> tuple[float, float]:
    """(least, most) soil test that the book covers, in ppm on the laboratory's own scale.

    (0, inf) where it states no range. RuleError as for `class_breaks`.
    """
    resolved = resolve(book, options)
    factor = _factor(book, resolved.get("conversion")) * _scale(book, resolved)
    held = [r for r in book.data.ranges if r.input == book.analyte]
    return (max([r.low for r in held], default=0.0) / factor,
            min([r.high for r in held], default=math.inf) / factor)


def _of_classes(book: Book, classes: Sequence[SoilClass],
                resolved: Mapping[str, object]) -> tuple[tuple[float, ...], tuple[str, ...]]:
    breaks = tuple(float(c.limit) for c in classes if c.limit is not None)
    own = resolved.get("rating_limits")
    if not breaks and isinstance(own, list | tuple) and len(own) == len(classes) - 1:
        breaks = tuple(float(x) for x in own)
    if not breaks:
        raise RuleError(
            "the guide reads the laboratory's rating and prints no limits", code="rules-no-classes",
            where=book.where,
            hint="give rating_limits in the book's section of the plan (the laboratory prints "
                 "them), or cut the zones at breaks of your own ([zones] breaks)")
    return breaks, tuple(c.name for c in classes)


def _group(book: Book, rule: GroupedClassTable | ClassShare,
           resolved: Mapping[str, object]) -> SoilGroup:
    if rule.group_option is None:
        return rule.groups[0]
    chosen = resolved.get(rule.group_option)
    for group in rule.groups:
        if group.name == chosen:
            return group
    raise RuleError(
        f"the class limits depend on {rule.group_option}, which is not one for the whole field",
        code="rules-option-missing", where=book.where,
        hint=f"set {rule.group_option} to one of: {', '.join(g.name for g in rule.groups)}; or cut "
             "the zones at breaks of your own ([zones] breaks)")


def _scale(book: Book, resolved: Mapping[str, Any]) -> float:
    """The guide's units per ppm."""
    scale = book.data.soil.scale if book.data.soil else None
    if scale is None:
        return 1.0
    own = scale.per_ppm or resolved.get("soil_units_per_ppm")
    if own is None:
        raise RuleError("nothing says how many units of the guide are 1 ppm", code="rules-unit",
                        where=book.where, hint="set soil_units_per_ppm in the book's section")
    return float(own)


def _levels(book: Book, rule: schema.BuildUpMaintenance,
            cec: float | None) -> tuple[tuple[float, ...], tuple[str, ...]]:
    if cec is None:
        raise RuleError("the class limits depend on CEC, which is not given",
                        code="rules-reading-missing", where=book.where,
                        hint="add [soil.cec] to the plan, or cec_meq_per_100g to the "
                             "book's section")
    at = np.array([cec])
    breaks = [float(level(rule.critical_level, at)[0]), float(level(rule.maintenance_limit, at)[0])]
    return tuple(breaks), tuple(rule.class_names)


def _critical(book: Book, rule: schema.SoilCriterion,
              extractant: str) -> tuple[tuple[float, ...], tuple[str, ...]]:
    ours = one_name(extractant)
    fits = [c for c in rule.critical if c.extractant is None or one_name(c.extractant) == ours] \
        if ours else list(rule.critical)
    if len({c.ppm for c in fits}) != 1:
        raise RuleError(
            "the critical value depends on the extractant" + (f", and has none for {ours}" if ours
                                                              else ", which is not given"),
            code="rules-extractant", where=book.where,
            hint="it has: " + ", ".join(f"{c.extractant} {c.ppm:g} ppm" for c in rule.critical))
    return (fits[0].ppm,), critical_words(fits[0])


def _factor(book: Book, chosen: object) -> float:
    from vrx.rules.load import conversions

    if chosen is None:
        return 1.0
    return next(float(c.factor) for c in (*book.data.conversions, *conversions())
                if c.name == chosen)
