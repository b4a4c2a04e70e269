"""Is a book of one piece: its examples hold, and its rate behaves over the whole range."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from vrx.errors import RuleError
from vrx.model import FloatArray
from vrx.rules.book import Book
from vrx.rules.classes import class_breaks, soil_span
from vrx.rules.examples import ExampleResult, needs_of, run_examples
from vrx.rules.names import extractant, extractant_names, nearest, plain

if TYPE_CHECKING:
    from vrx.rules.schema import Given

POINTS = 401
_MOST = {"potassium": 5000.0, "sulfate": 500.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class BookCheck:
    """What was tried with a book. `faults` are in words; `swept` says over which soil tests, "" if
    none, and `not_swept` why not. `doubts` may be slips of the pen and may be meant.
    """

    id: str
    examples: tuple[ExampleResult, ...]
    faults: tuple[str, ...]
    swept: str
    not_swept: str
    doubts: tuple[str, ...] = ()

    @property
    def good(self) -> bool:
        """Whether every example holds and nothing else is wrong."""
        return not self.faults and all(r.passed for r in self.examples)


def check_book(book: Book) -> BookCheck:
    """Runs the examples, then the first of them over all soil tests of the book's range.

    Everything else of the example stays. A rate must be finite, not below nothing, and not higher
    for a higher soil test (unless a rule says `as_printed`).
    """
    results, doubts = run_examples(book), tuple(_doubts(book))
    if not book.analyte:
        return BookCheck(id=book.id, examples=results, faults=(), swept="", doubts=doubts,
                         not_swept="the book reads no soil test")
    why = ""
    for title, given in _questions(book):
        try:
            values = _tests(book, given.options, given.readings.cec, given.extractant or "")
            found = needs_of(book, given, values)
        except RuleError as error:
            why = why or f"{title}: {error.message}"
            continue
        rates = np.array([need.lb_per_ac for need in found])
        return BookCheck(
            id=book.id, examples=results, faults=tuple(_faults(book, values, rates)), not_swept="",
            doubts=doubts,
            swept=f"{values[0]:g} to {values[-1]:g} ppm, {title}")
    return BookCheck(id=book.id, examples=results, faults=(), swept="", not_swept=why,
                     doubts=doubts)


def _doubts(book: Book) -> Iterator[str]:
    """Names that vrx does not know beside ones that it does, and rates that fall with the yield."""
    soil = book.data.soil
    for name in soil.extractants if soil else ():
        known = extractant_names()
        near = nearest(plain(name), known)
        if extractant(name) not in known:
            yield (f"extractant {name!r} is none that vrx knows" + (
                f": is it {near!r}?" if near else ".") + " Only laboratories' results that name it "
                "letter by letter are read")
    for rule in book.data.rules:
        tons = getattr(rule, "yield_tons", ())
        if tons:
            yield from _falls(rule, tons)


def _falls(rule: Any, tons: Sequence[float]) -> Iterator[str]:
    rows: list[tuple[str, Any]] = [
        (f"class {c.name}", c.rate_lb_per_ac) for c in getattr(rule, "classes", ())
    ] or [(f"row {t:g}", r) for t, r in zip(rule.soil_test, rule.rates_lb_per_ac, strict=True)]
    for name, rates in rows:
        for (a, b), (low, high) in zip(pairwise(tons), pairwise(rates or ()), strict=False):
            if high < low:
                yield (f"{name}: the rate falls from {low:g} to {high:g} lb/ac as the yield goal "
                       f"rises from {a:g} to {b:g} tons")


def _questions(book: Book) -> Iterator[tuple[str, Given]]:
    """What the soil test is varied in: examples that end in a rate, else a plain question."""
    from vrx.rules.schema import Given, ReadingsGiven

    for example in book.data.examples:
        held = getattr(example.given.readings, book.analyte)
        if not example.expect.refused and held is not None:
            yield f"all else as in {example.title!r}", example.given
    middle = _MOST[book.analyte] / 2  # stands in until the tests take its place
    plain = ReadingsGiven(**{book.analyte: middle, "cec": 10.0})
    yield "6 tons of hay, CEC 10", Given(yield_tons_per_ac=6.0, readings=plain)


def _tests(book: Book, options: dict[str, object], cec: float | None,
           extractant: str) -> FloatArray:
    """Soil tests in ppm over the book's range, with both sides of every class limit."""
    low, high = soil_span(book=book, options=options)
    high = min(high, _MOST[book.analyte])
    try:
        breaks, _ = class_breaks(book=book, cec_meq_per_100g=cec, extractant=extractant,
                                 options=options)
    except RuleError:
        breaks = ()
    sides = [b + d for b in breaks for d in (-1e-6, 0.0, 1e-6)]
    inside = [s for s in sides if low <= s <= high]
    return np.unique(np.concatenate([np.linspace(low, high, POINTS), inside]))


def _faults(book: Book, tests: FloatArray, rates: FloatArray) -> list[str]:
    found = []
    if not np.isfinite(rates).all() or (rates < 0).any():
        at = int(np.flatnonzero(~np.isfinite(rates) | (rates < 0))[0])
        found.append(f"the rate at {tests[at]:g} ppm is {rates[at]:g} lb/ac")
    rises = np.flatnonzero(np.diff(rates) > 1e-6)
    if rises.size and not any(getattr(r, "as_printed", False) for r in book.data.rules):
        at = int(rises[0])
        found.append(f"the rate rises with the soil test: {rates[at]:g} lb/ac at {tests[at]:g} "
                     f"ppm, {rates[at + 1]:g} at {tests[at + 1]:g}")
    return found
