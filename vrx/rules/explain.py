"""A book in rows and words, for lists and pages; plain values that turn into JSON."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from vrx.model import Source
from vrx.rules.book import Book
from vrx.rules.context import ton_words
from vrx.rules.options import Option, options_of
from vrx.rules.terms_soil import per_ton_words

if TYPE_CHECKING:
    from vrx.rules import schema_rules as schema
    from vrx.rules.schema import Example
    from vrx.rules.schema_parts import Cited


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


@dataclass(frozen=True, slots=True, kw_only=True)
class BookTable:
    """A table of a book: heading, column names, rows of text, with its place and evidence."""

    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    locator: str
    evidence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BookPage:
    """A book in full. `refusals` says what stops it, `options` what the plan may add."""

    row: BookRow
    source: Source
    form: str
    crops: tuple[str, ...]
    ton: str
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
        tables=tuple(_TABLE_OF_KIND[rule.kind](rule) for rule in data.rules),
        examples=tuple((e.title, _expects(e), f"{e.locator}; {e.evidence}") for e in data.examples),
        no_published_example_because=data.no_published_example_because or "",
        refusals=tuple(_refusals(book)),
        cautions=tuple(f"{c.text} ({c.locator}; {c.evidence})" for c in data.cautions),
        options=tuple((o.name, o.what, _default(o)) for o in options_of(book)),
        file=book.file, sha256=book.sha256)


def _row(book: Book) -> BookRow:
    soil = book.data.soil
    return BookRow(
        id=book.id, name=book.data.name, nutrient=book.nutrient,
        region=", ".join(book.data.region) or "no region stated",
        extractant=" or ".join(soil.extractants) if soil else "reads no soil test",
        depth_in=f"{soil.depth.from_in:g}-{soil.depth.to_in:g}" if soil else "",
        evidence=" + ".join(book.evidence), has_rates=book.has_rates, origin=book.origin)


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
    if soil is not None:
        yield f"extractants other than {' or '.join(soil.extractants)}, unless converted by name"
        allowed = soil.depth.tolerance_in
        tolerance = f" (tolerance {allowed:g} in)" if allowed else ""
        yield (f"depths other than {soil.depth.from_in:g}-{soil.depth.to_in:g} in{tolerance}, "
               "unless accept_depth_in names the depth")
    for r in book.data.ranges:
        verb = "refused" if r.outside == "stop" else "read as the nearest value, with a finding"
        yield f"{r.input} outside {r.low:g} to {r.high:g}: {verb}"
    for rule in book.data.rules:
        for part in getattr(rule, "refused", ()):
            yield f"tissue of {part.part}: {part.why}"
    if not book.has_rates:
        own = [o.name for o in options_of(book) if o.name in ("rate_lb_per_ac",
                                                              "class_rates_lb_per_ac")]
        yield f"a need without {own[0]} in the plan: the guide prints no rate"


def _table(rule: Any, heading: str, columns: Iterable[str],
           rows: Iterable[Iterable[str]]) -> BookTable:
    return BookTable(heading=heading, columns=tuple(columns), rows=tuple(tuple(r) for r in rows),
                     locator=rule.locator, evidence=rule.evidence)


def _class_table(rule: schema.ClassTable) -> BookTable:
    rows, start = [], "0"
    for c in rule.classes:
        end = "and more"
        if c.limit is not None:
            end = f"{'to' if c.up_to is not None else 'to under'} {c.limit:g}"
        rate = c.rate_lb_per_ac
        cells = [f"{x:g}" for x in (rate if isinstance(rate, tuple) else (rate,)) if x is not None]
        rows.append([c.name, f"{start} {end}", *(cells or ["no rate"])])
        start = f"{c.limit:g}" if c.limit is not None else ""
    rates = [f"lb/ac at {t:g} t/ac" for t in rule.yield_tons] or ["lb/ac"]
    return _table(rule, "soil-test classes", ["class", "ppm", *rates], rows)


def _rate_table(rule: schema.RateTable) -> BookTable:
    rows = [[f"{s:g}", *(f"{x:g}" for x in line)]
            for s, line in zip(rule.soil_test, rule.rates_lb_per_ac, strict=True)]
    return _table(rule, "lb/ac by soil test and yield (straight lines in between)",
                  ["ppm", *(f"{t:g} t/ac" for t in rule.yield_tons)], rows)


def level_words(level: schema.Level) -> str:
    """A level in ppm and how it goes with CEC."""
    if not level.steps:
        return f"{level.intercept_ppm:g} + {level.slope_ppm_per_cec:g} x CEC ppm"
    parts, low = [], ""
    for s in level.steps:
        parts.append(f"{s.ppm:g} ppm where CEC is "
                     + (f"up to {s.cec_up_to:g}" if s.cec_up_to else f"above {low}"))
        low = f"{s.cec_up_to:g}" if s.cec_up_to else ""
    return "; ".join(parts)


def _build_up(rule: schema.BuildUpMaintenance) -> BookTable:
    b = rule.build_up
    rows = [
        ["critical level", level_words(rule.critical_level), _cite(rule.critical_level)],
        ["maintenance up to", level_words(rule.maintenance_limit), _cite(rule.maintenance_limit)],
        ["build-up, a year", f"(critical level - soil test) x ({b.base:g} + {b.per_cec:g} x CEC), "
         f"over {b.years:g} years" + (", optional" if b.optional else ""), _cite(b)],
        [f"hay {rule.removal.word}", f"{per_ton_words(rule.removal)} x yield", _cite(rule.removal)],
    ]
    if rule.constant:
        rows.append(["constant", f"{rule.constant.lb_per_ac:g} lb/ac", _cite(rule.constant)])
    above = "nothing" if rule.draw_down is None else \
        f"falls to nothing over {rule.draw_down.width_ppm:g} ppm"
    rows.append(["above the limit", above, _cite(rule.draw_down or rule.maintenance_limit)])
    return _table(rule, "build-up and maintenance", ["part", "rule", "source"], rows)


def _linear(rule: schema.LinearInYield) -> BookTable:
    a, b = rule.intercept_lb_per_ton, rule.slope_lb_per_ton_per_ppm
    text = f"({a:g} - {b:g} x ppm) x tons, never below 0"
    return _table(rule, "equation", ["lb/ac"], [[text]])


def _removal(rule: schema.RemovalBalance) -> BookTable:
    rows = [[s.name, s.title, s.word, per_ton_words(s), _cite(s)] for s in rule.sources]
    return _table(rule, f"lb per ton x yield x share ({rule.source_option})",
                  ["name", "source", "word", "figure", "where"], rows)


def _criterion(rule: Any) -> BookTable:
    rate = "rate of the plan" if rule.rate_lb_per_ac is None else f"{rule.rate_lb_per_ac:g} lb/ac"
    if rule.kind == "tissue-criterion":
        rows = [[f"{rule.nutrient} below {rule.critical_pct:g} %", rate,
                 f"{', '.join(rule.parts)}; {', '.join(rule.stages)}"]]
    else:
        rows = [[f"below {c.ppm:g} ppm by {c.extractant}", rate, _cite(c)] for c in rule.critical]
    return _table(rule, "criterion (else nothing)", ["where", "then", "of"], rows)


def _flat(rule: schema.FlatRate) -> BookTable:
    return _table(rule, "flat rate", ["lb/ac"], [[f"{rule.rate_lb_per_ac:g}"]])


def _credit(rule: Any) -> BookTable:
    text = {
        "organic-matter-credit": "minus lb S/ac per 1 % organic matter",
        "water-credit": "minus ppm SO4-S x net inches x 0.22661 x water_share",
        "soil-layer-credit": "minus ppm SO4-S x inches x bulk density x 0.22661 x soil_share",
        "water-cap": "cut to what the water leaves of the crop's uptake",
    }.get(rule.kind, "minus what the plan states")
    figure = {"organic-matter-credit": "lb_per_ac_per_pct", "stated-credit": "default_lb_per_ac",
              "soil-layer-credit": "default_share"}.get(rule.kind)
    value = f"{getattr(rule, figure):g}" if figure else \
        per_ton_words(rule.uptake) if rule.kind == "water-cap" else ""
    return _table(rule, getattr(rule, "term", rule.id), ["term", "figure"], [[text, value]])


def _limit(rule: schema.Limit) -> BookTable:
    return _table(rule, "most of the guide", ["lb/ac"], [[f"{rule.most_lb_per_ac:g}"]])


def _cite(part: Cited) -> str:
    return f"{part.locator}; {part.evidence}"


_TABLE_OF_KIND: Mapping[str, Callable[[Any], BookTable]] = {
    "class-table": _class_table, "rate-table": _rate_table, "build-up-maintenance": _build_up,
    "linear-in-yield": _linear, "removal-balance": _removal, "tissue-criterion": _criterion,
    "soil-criterion": _criterion, "flat-rate": _flat, "organic-matter-credit": _credit,
    "water-credit": _credit, "soil-layer-credit": _credit, "stated-credit": _credit,
    "water-cap": _credit, "limit": _limit,
}
