"""Where a book's soil-test classes change, so that zones can be cut there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from vrx.errors import RuleError
from vrx.rules.book import KINDS_WITH_CLASSES, Book
from vrx.rules.names import extractant as one_name
from vrx.rules.need import NO_OPTIONS
from vrx.rules.options import resolve
from vrx.rules.terms_soil import level

if TYPE_CHECKING:
    from vrx.rules import schema_rules as schema


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
    if rule.kind == "class-table":
        breaks = tuple(float(c.limit) for c in rule.classes if c.limit is not None)
        labels = tuple(c.name for c in rule.classes)
    elif rule.kind == "soil-criterion":
        breaks, labels = _critical(book, rule, extractant)
    elif rule.kind == "build-up-maintenance":
        own = resolved["cec_meq_per_100g"]
        breaks, labels = _levels(book, rule, cec_meq_per_100g if own is None else float(own))
    else:
        raise AssertionError(f"no breaks known for {rule.kind}")
    factor = _factor(book, resolved.get("conversion"))
    return tuple(b / factor for b in breaks), labels


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
    fits = [c for c in rule.critical if one_name(c.extractant) == ours] if ours \
        else list(rule.critical)
    if len({c.ppm for c in fits}) != 1:
        raise RuleError(
            "the critical value depends on the extractant" + (f", and has none for {ours}" if ours
                                                              else ", which is not given"),
            code="rules-extractant", where=book.where,
            hint="it has: " + ", ".join(f"{c.extractant} {c.ppm:g} ppm" for c in rule.critical))
    ppm = fits[0].ppm
    return (ppm,), (f"below {ppm:g} ppm", f"{ppm:g} ppm or more")


def _factor(book: Book, chosen: object) -> float:
    from vrx.rules.load import conversions

    if chosen is None:
        return 1.0
    return next(float(c.factor) for c in (*book.data.conversions, *conversions())
                if c.name == chosen)
