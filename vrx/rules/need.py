"""The need of K2O or S, per zone line by line, or over a whole surface."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

from vrx.errors import RuleError
from vrx.model import Finding, FloatArray, Need, NeedLine, Yield, ZoneReading
from vrx.rules.book import Book
from vrx.rules.credits import NO_CREDITS, Credits
from vrx.rules.evaluate import Outcome, evaluate
from vrx.rules.inputs import TissueTest, WaterTest

NO_OPTIONS: Mapping[str, object] = MappingProxyType({})


def needs(
    *, book: Book, nutrient: str, zone_ids: Sequence[int], readings: Mapping[str, ZoneReading],
    crop: str, expected_yield: Yield | Sequence[Yield],
    options: Mapping[str, object] = NO_OPTIONS, water: WaterTest | None = None,
    tissue: TissueTest | None = None, region: str = "", zone_names: Sequence[str] = (),
    credited: Credits = NO_CREDITS, yield_source: str = "",
) -> tuple[Need, ...]:
    """What each zone needs of `nutrient` ("K2O" or "S"), lb/ac, by one book.

    `readings` by analyte ("potassium", "sulfate", "cec", "organic_matter", "ph"), arrays in the
    order of `zone_ids`. `expected_yield` is one for the field or one a zone. `options` are the
    book's section of the plan without its name. `region` is the field's state, "" if not known.
    `zone_names` are what findings call the zones, in the same order (the ids where none are given).
    `credited` are subtracted beside the guide's lines; `yield_source` says where the yield goal is
    from, in a line of its own where the guide reads one.
    The lines of a need sum to it. Findings about the whole book are the same object on every need
    (`findings_of` lists each once). RuleError: nutrient, crop, extractant, depth, unit, range,
    missing readings, unknown options, no rate.
    """
    check_nutrient(book, nutrient)
    ids = tuple(int(z) for z in zone_ids)
    if not ids:
        raise RuleError("no zones were given", code="rules-no-zones", where=book.where,
                        hint="make zones first")
    names = tuple(zone_names) or tuple(str(z) for z in ids)
    if len(names) != len(ids):
        raise RuleError(f"{len(names)} names for {len(ids)} zones", code="rules-shape",
                        where=book.where, hint="give one name for each zone, or none")
    outcome = evaluate(book=book, shape=(len(ids),), zone_ids=ids, zone_names=names,
                       readings=readings, crop=crop,
                       expected_yield=expected_yield, options=options, water=water, tissue=tissue,
                       region=region, credited=credited, yield_source=yield_source)
    return tuple(_need(outcome, i, zone, nutrient) for i, zone in enumerate(ids))


def need_surface(
    *, book: Book, nutrient: str, readings: Mapping[str, ZoneReading], crop: str,
    expected_yield: Yield, options: Mapping[str, object] = NO_OPTIONS,
    water: WaterTest | None = None, tissue: TissueTest | None = None, region: str = "",
    credited: Credits = NO_CREDITS,
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """(lb/ac in every cell, findings): the same rules cell by cell.

    `readings` as for `needs`, but `mean` holds a whole surface, all of one shape; a tissue content
    must be one number for the field. RuleError as for `needs`.
    """
    check_nutrient(book, nutrient)
    shapes = {r.mean.shape for r in readings.values()}
    if len(shapes) != 1:
        raise RuleError(f"the surfaces have {len(shapes)} different shapes", code="rules-shape",
                        where=book.where, hint="give at least one surface, all on one grid")
    outcome = evaluate(book=book, shape=shapes.pop(), zone_ids=(), zone_names=(),
                       readings=readings, crop=crop,
                       expected_yield=expected_yield, options=options, water=water, tissue=tissue,
                       region=region, credited=credited)
    return outcome.total, tuple(f for _, f in outcome.context.findings)


def findings_of(needs_: Iterable[Need]) -> tuple[Finding, ...]:
    """Every finding of the needs once, in order."""
    return tuple(dict.fromkeys(f for need in needs_ for f in need.findings))


def check_nutrient(book: Book, nutrient: str) -> None:
    """RuleError where the book is for another nutrient."""
    if nutrient != book.nutrient:
        raise RuleError(f"the book gives {book.nutrient}, not {nutrient}", code="rules-nutrient",
                        where=book.where,
                        hint=f"choose a book for {nutrient}; `vrx books` lists them")


def _need(outcome: Outcome, i: int, zone: int, nutrient: str) -> Need:
    ctx = outcome.context
    lines = tuple(
        NeedLine(term=t.term, lb_per_ac=float(t.lb_per_ac.ravel()[i]) + 0.0, detail=t.detail(i),
                 locator=cited[0], evidence=cited[1], credit=t.credit)
        for t in outcome.terms for cited in [t.cited(i)]
        if not (t.term.startswith("more than covered") and t.lb_per_ac.ravel()[i] == 0)
    )
    soil_class = ctx.class_names[int(ctx.class_index.ravel()[i])] if ctx.class_index is not None \
        else ""
    return Need(
        zone_id=zone, nutrient=nutrient, book=ctx.book.id,
        surplus_lb_per_ac=float(outcome.surplus.ravel()[i]) + 0.0,
        lb_per_ac=float(outcome.total.ravel()[i]) + 0.0, lines=lines, soil_class=soil_class,
        findings=tuple(f for index, f in ctx.findings if index is None or index == i))
