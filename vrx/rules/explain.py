"""A book in rows and words, for lists and pages; plain values that turn into JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from vrx.model import Source
from vrx.rules.book import Book
from vrx.rules.context import ton_words
from vrx.rules.explain_kinds import BookTable, table_of
from vrx.rules.options import Option, options_of

if TYPE_CHECKING:
    from vrx.rules.schema import Example

KINDS_OF_TISSUE = ("tissue-criterion", "tissue-table")
OWN_RATES = ("rate_lb_per_ac", "class_rates_lb_per_ac", "class_shares")


@dataclass(frozen=True, slots=True, kw_only=True)
class BookRow:
    """A book in a list."""

    id: str
    name: str
    nutrient: str
    region: str
    extractant: str
    depth_in: str
    evidence: str
    has_rates: bool
    origin: str
    unit: str
    kinds: tuple[str, ...]
    publisher: str
    year: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BookPage:
    """A book in full. `refusals` says what stops it, `options` what the plan may add."""

    row: BookRow
    source: Source
    form: str
    crops: tuple[str, ...]
    ton: str
    soil: tuple[str, ...]
    tables: tuple[BookTable, ...]
    examples: tuple[tuple[str, str, str], ...]
    no_published_example_because: str
    refusals: tuple[str, ...]
    cautions: tuple[str, ...]
    options: tuple[tuple[str, str, str], ...]
    file: str
    sha256: str


def catalogue(books: Mapping[str, Book]) -> tuple[BookRow, ...]:
    """All books in a list, by nutrient and id."""
    ordered = sorted(books.values(), key=lambda b: (b.nutrient, b.id))
    return tuple(_row(book) for book in ordered)


def explain(book: Book) -> BookPage:
    """Everything that a book says: tables or equation, source, examples, refusals, options."""
    data = book.data
    return BookPage(
        row=_row(book), source=book.source, form=data.form, crops=data.crops,
        ton=f"{ton_words(data.ton.dm_fraction)} ({data.ton.locator})" if data.ton else "",
        soil=tuple(_soil(book)),
        tables=tuple(table_of(rule, book) for rule in data.rules),
        examples=tuple((e.title, _expects(e), f"{e.locator}; {e.evidence}") for e in data.examples),
        no_published_example_because=data.no_published_example_because or "",
        refusals=tuple(_refusals(book)),
        cautions=tuple(f"{c.text} ({c.locator}; {c.evidence})" for c in data.cautions),
        options=tuple((o.name, o.what, _default(o)) for o in options_of(book)),
        file=book.file, sha256=book.sha256)


def _row(book: Book) -> BookRow:
    return BookRow(
        id=book.id, name=book.data.name, nutrient=book.nutrient,
        region=", ".join(book.data.region) or "no region stated",
        extractant=_extractant(book), depth_in=_depth(book), unit=_unit(book),
        kinds=tuple(rule.kind for rule in book.data.rules),
        publisher=book.data.source.publisher, year=book.data.source.year,
        evidence=" + ".join(book.evidence), has_rates=book.has_rates, origin=book.origin)


def _extractant(book: Book) -> str:
    soil = book.data.soil
    if soil is not None:
        return " or ".join(soil.extractants) or "not stated"
    if any(rule.kind in KINDS_OF_TISSUE for rule in book.data.rules):
        return "plant tissue"
    return "reads no soil test"


def _soil(book: Book) -> Iterable[str]:
    """What is read, by which extractant, from which depth, in which unit; each with its place."""
    soil = book.data.soil
    if soil is None:
        return
    by = " or ".join(soil.extractants) or "an extractant that is not stated"
    yield f"{soil.analyte} by {by}: {soil.locator} ({soil.evidence})"
    if soil.depth is not None:
        yield f"depth {_depth(book)} in: {soil.depth.locator} ({soil.depth.evidence})"
    if soil.scale is not None:
        factor = "stated by the plan" if soil.scale.per_ppm is None else f"{soil.scale.per_ppm:g}"
        yield f"{soil.unit} per ppm: {factor}; {soil.scale.locator} ({soil.scale.evidence})"


def _depth(book: Book) -> str:
    soil = book.data.soil
    if soil is None:
        return ""
    if soil.depth is None:
        return "not stated"
    held = f"{soil.depth.from_in:g}-{soil.depth.to_in:g}"
    other = soil.depth.or_to_in
    return held if other is None else f"{held} or {soil.depth.from_in:g}-{other:g}"


def _unit(book: Book) -> str:
    return book.data.soil.unit if book.data.soil else ""


def _default(option: Option) -> str:
    default = option.default
    text = "not used unless given" if default is None else f"default {default}"
    if isinstance(default, bool):
        text = f"default {'true' if default else 'false'}"
    elif isinstance(default, float):
        text = f"default {default:g}"
    if option.required:
        text = "must be chosen"
    return f"{text}; one of: {', '.join(option.choices)}" if option.choices else text


def _expects(example: Example) -> str:
    expect = example.expect
    if expect.refused:
        return f"refused ({expect.refused})"
    parts = [] if expect.lb_per_ac is None else [f"{expect.lb_per_ac:g} lb/ac"]
    parts += [expect.soil_class] if expect.soil_class else []
    parts += [f"{line.term} {line.lb_per_ac:g}" for line in expect.lines]
    return ", ".join(parts)


def _refusals(book: Book) -> Iterable[str]:
    soil = book.data.soil
    yield f"crops other than {', '.join(book.data.crops)}"
    if soil is not None and soil.extractants:
        yield f"extractants other than {' or '.join(soil.extractants)}, unless converted by name"
    elif soil is not None:
        yield "every extractant, unless accept_extractant names yours: the guide states none"
    if soil is not None and soil.depth is not None:
        allowed = soil.depth.tolerance_in
        tolerance = f" (tolerance {allowed:g} in)" if allowed else ""
        yield (f"depths other than {_depth(book)} in{tolerance}, unless accept_depth_in names the "
               "depth")
    elif soil is not None:
        yield "every depth, unless accept_depth_in names yours: the guide states none"
    for option in options_of(book):
        if option.required:
            yield f"a plan without {option.name}"
    for r in book.data.ranges:
        verb = "refused" if r.outside == "stop" else "read as the nearest value, with a finding"
        yield f"{r.input} outside {r.low:g} to {r.high:g}: {verb}"
    for rule in book.data.rules:
        for part in getattr(rule, "refused", ()):
            yield f"tissue of {part.part}: {part.why}"
    own = [o.name for o in options_of(book) if o.name in OWN_RATES]
    if own and not book.has_rates:
        yield f"a need without {own[0]} in the plan, where a rate is due: the guide prints none"
