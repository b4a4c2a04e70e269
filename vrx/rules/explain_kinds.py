"""A rule in rows and words: one table for each kind."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from vrx.rules.book import Book
from vrx.rules.terms_soil import per_ton_words

if TYPE_CHECKING:
    from vrx.rules import schema_classes as classes
    from vrx.rules import schema_kinds as others
    from vrx.rules import schema_rules as schema
    from vrx.rules.schema_parts import Cited


@dataclass(frozen=True, slots=True, kw_only=True)
class BookTable:
    """A table of a book: heading, column names, rows of text, with its place and evidence."""

    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    locator: str
    evidence: str


UNIT = "soil test"


def table_of(rule: Any, book: Book) -> BookTable:
    """The table of one rule, with the unit of the book's soil test in its heads."""
    made = _TABLE_OF_KIND[rule.kind](rule)
    unit: str = book.data.soil.unit if book.data.soil else "ppm"
    unit = unit if unit == "ppm" else f"soil, {unit}"
    heads = tuple(unit if head == UNIT else head for head in made.columns)
    return BookTable(heading=made.heading, columns=heads, rows=made.rows, locator=made.locator,
                     evidence=made.evidence)


def _table(rule: Any, heading: str, columns: Iterable[str],
           rows: Iterable[Iterable[str]]) -> BookTable:
    return BookTable(heading=heading, columns=tuple(columns), rows=tuple(tuple(r) for r in rows),
                     locator=rule.locator, evidence=rule.evidence)


def _spans(held: Sequence[classes.SoilClass]) -> list[str]:
    """"0 to under 40", "40 to 125", "125 and more": each class's span in words."""
    spans, start = [], "0"
    for c in held:
        end = "and more"
        if c.limit is not None:
            end = f"{'to' if c.up_to is not None else 'to under'} {c.limit:g}"
        spans.append(f"{start} {end}")
        start = f"{c.limit:g}" if c.limit is not None else ""
    return spans


def _rate_cells(c: classes.SoilClass, columns: int) -> list[str]:
    rate = c.rate_lb_per_ac
    if rate is None:
        return ["not read: the plan's" if c.rate_not_read else "no rate"] * max(columns, 1)
    return [f"{x:g}" for x in (rate if isinstance(rate, tuple) else (rate,))]


def _class_table(rule: classes.ClassTable) -> BookTable:
    rows = [[c.name, span, *_rate_cells(c, len(rule.yield_tons))]
            for c, span in zip(rule.classes, _spans(rule.classes), strict=True)]
    rates = [f"lb/ac at {t:g} t/ac" for t in rule.yield_tons] or ["lb/ac"]
    return _table(rule, "soil-test classes", ["class", UNIT, *rates], rows)


def _rating_table(rule: classes.RatingTable) -> BookTable:
    spans = _spans(rule.ratings) if rule.has_limits else ["the laboratory's"] * len(rule.ratings)
    rows = [[c.name, span, *_rate_cells(c, 0)]
            for c, span in zip(rule.ratings, spans, strict=True)]
    return _table(rule, "rate by the laboratory's rating", ["rating", UNIT, "lb/ac"], rows)


def _grouped(rule: classes.GroupedClassTable) -> BookTable:
    rows = [[g.name, c.name, span, *_rate_cells(c, 0), _cite(g)]
            for g in rule.groups
            for c, span in zip(g.classes, _spans(g.classes), strict=True)]
    return _table(rule, f"soil-test classes by {rule.group_option}",
                  [rule.group_option, "class", UNIT, "lb/ac", "where"], rows)


def _class_share(rule: classes.ClassShare) -> BookTable:
    rows = []
    for g in rule.groups:
        for c, span in zip(g.classes, _spans(g.classes), strict=True):
            share = "the plan's" if c.share_of_removal is None else f"{c.share_of_removal:g}"
            extra = "" if c.extra_lb_per_ac is None else f"+ {c.extra_lb_per_ac:g} lb/ac"
            rows.append([g.name, c.name, span, share, extra, _cite(g)])
    return _table(rule, f"share of removal by class ({per_ton_words(rule.removal)}; "
                        f"{_cite(rule.removal)})",
                  [rule.group_option or "soils", "class", UNIT, "share", "beside", "where"], rows)


def _stand_age(rule: others.StandAge) -> BookTable:
    rows = [[f"stand year {y.from_year:g} and later", f"{y.share:g} of the rate", _cite(y)]
            for y in rule.years]
    if rule.last_year is not None:
        last = rule.last_year
        rows.append([f"last year, soil test above {last.soil_above:g}",
                     f"{last.share:g} of the rate", _cite(last)])
    return _table(rule, "age of the stand", ["where", "stays", "source"], rows)


def _conditional(rule: others.ConditionalRate) -> BookTable:
    rate = "rate of the plan" if rule.rate_lb_per_ac is None else f"{rule.rate_lb_per_ac:g} lb/ac"
    rows = [[c.words, c.option or f"{c.reading} below {c.below:g}", _cite(c)]
            for c in rule.conditions]
    return _table(rule, f"{rate} where all hold, else nothing", ["condition", "by", "source"], rows)


def _index(rule: others.AvailabilityIndex) -> BookTable:
    rows = []
    for t in rule.terms:
        by = ", ".join(f"{c.name} {c.counts:g}" for c in t.choices) or \
            f"x {t.per_unit:g} ({t.option or t.reading})"
        rows.append([t.term, by, _cite(t)])
    for c, span in zip(rule.classes, _spans(rule.classes), strict=True):
        rows.append([f"index {span}", f"{c.name}: {_rate_cells(c, 0)[0]} lb/ac", ""])
    return _table(rule, "sum of supplies, lb/ac, and what follows", ["part", "counts", "source"],
                  rows)


def _tissue_table(rule: others.TissueTable) -> BookTable:
    rows = [[c.name, span, *_rate_cells(c, 0)]
            for c, span in zip(rule.classes, _spans(rule.classes), strict=True)]
    return _table(rule, f"{rule.nutrient} in {', '.join(rule.parts)}; {', '.join(rule.stages)}",
                  ["class", rule.unit, "lb/ac"], rows)


def _rate_table(rule: schema.RateTable) -> BookTable:
    rows = [[f"{s:g}", *(f"{x:g}" for x in line)]
            for s, line in zip(rule.soil_test, rule.rates_lb_per_ac, strict=True)]
    heads = [UNIT, *([f"{t:g} t/ac" for t in rule.yield_tons] or ["lb/ac"])]
    if rule.sufficiency_pct:
        heads.append("% sufficient")
        rows = [[*row, f"{p:g}"] for row, p in zip(rows, rule.sufficiency_pct, strict=True)]
    return _table(rule, "lb/ac by soil test"
                  + (" and yield" if rule.yield_tons else ", whatever the yield")
                  + " (straight lines in between)", heads, rows)


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
        rows = [[("at or below" if c.at_or_below else "below") + f" {c.ppm:g} ppm"
                 + (f" by {c.extractant}" if c.extractant else ""), rate, _cite(c)]
                for c in rule.critical]
    return _table(rule, "criterion (else nothing)", ["where", "then", "of"], rows)


def _flat(rule: schema.FlatRate) -> BookTable:
    rate = "the plan's own" if rule.rate_lb_per_ac is None else f"{rule.rate_lb_per_ac:g}"
    usual = rule.usual_lb_per_ac
    return _table(rule, "flat rate", ["lb/ac", "usual"],
                  [[rate, f"{usual[0]:g} to {usual[1]:g}" if usual else ""]])


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
    "water-cap": _credit, "limit": _limit, "rating-table": _rating_table,
    "grouped-class-table": _grouped, "class-share": _class_share, "stand-age": _stand_age,
    "conditional-rate": _conditional, "availability-index": _index, "tissue-table": _tissue_table,
}
