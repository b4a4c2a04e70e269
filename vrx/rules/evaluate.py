"""Runs a book's rules in order: terms, class, findings, total."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from vrx.errors import RuleError
from vrx.model import Finding, FloatArray, IntArray, Severity, Yield, ZoneReading
from vrx.rules import terms_balance, terms_classes, terms_soil, terms_stand
from vrx.rules.book import Book
from vrx.rules.context import Context, dry_matter
from vrx.rules.credits import NO_CREDITS, Credits, credit_terms
from vrx.rules.inputs import TissueTest, WaterTest
from vrx.rules.names import plain
from vrx.rules.options import resolve
from vrx.rules.term import Term
from vrx.rules.unread import tell_unread_tissue

KINDS: Mapping[str, Callable[[Any, Context, FloatArray], list[Term]]] = {
    "class-table": terms_soil.class_table,
    "rate-table": terms_soil.rate_table,
    "build-up-maintenance": terms_soil.build_up_maintenance,
    "linear-in-yield": terms_soil.linear_in_yield,
    "tissue-criterion": terms_soil.tissue_criterion,
    "soil-criterion": terms_soil.soil_criterion,
    "removal-balance": terms_balance.removal_balance,
    "flat-rate": terms_balance.flat_rate,
    "organic-matter-credit": terms_balance.organic_matter_credit,
    "water-credit": terms_balance.water_credit,
    "water-cap": terms_balance.water_cap,
    "soil-layer-credit": terms_balance.soil_layer_credit,
    "stated-credit": terms_balance.stated_credit,
    "limit": terms_balance.limit,
    "rating-table": terms_classes.rating_table,
    "grouped-class-table": terms_classes.grouped_class_table,
    "class-share": terms_classes.class_share,
    "tissue-table": terms_classes.tissue_table,
    "stand-age": terms_stand.stand_age,
    "conditional-rate": terms_stand.conditional_rate,
    "availability-index": terms_stand.availability_index,
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """Terms that sum to `total` (never below 0), and the context with classes and findings.

    `surplus` is what credits bring beyond the base need, lb/ac.
    """

    terms: tuple[Term, ...]
    total: FloatArray
    surplus: FloatArray
    context: Context


def evaluate(
    *, book: Book, shape: tuple[int, ...], zone_ids: Sequence[int], zone_names: Sequence[str],
    readings: Mapping[str, ZoneReading], crop: str, expected_yield: Yield | Sequence[Yield],
    options: Mapping[str, object], water: WaterTest | None, tissue: TissueTest | None, region: str,
    credited: Credits = NO_CREDITS, yield_source: str = "", of_zone: IntArray | None = None,
    all_ids: Sequence[int] = (), all_names: Sequence[str] = (),
) -> Outcome:
    """All terms of a book, then credits. RuleError for what it does not cover, with every stop.

    `of_zone` (on a surface) is the position of each cell's zone in `expected_yield`, in credits by
    zone, and among `all_ids` and `all_names`, the ids and names of the zones.
    """
    if plain(crop) not in [plain(c) for c in book.data.crops]:
        raise RuleError(f"the guide does not cover {crop!r}", code="rules-crop", where=book.where,
                        hint=f"it covers: {', '.join(book.data.crops)}")
    yields = [expected_yield] if isinstance(expected_yield, Yield) else list(expected_yield)
    if len(yields) not in (1, int(np.prod(shape))) and of_zone is None:
        raise RuleError(f"{len(yields)} yields for {int(np.prod(shape))} zones",
                        code="rules-yield", where=book.where,
                        hint="give one yield, or one for each zone")
    tons = np.array([dry_matter(y.tons_per_ac, y.moisture_pct, "[yield_goal]") for y in yields])
    which = np.arange(len(yields)) if of_zone is None else of_zone.ravel()
    ctx = Context(
        book=book, shape=shape, zone_ids=zone_ids, zone_names=zone_names, readings=readings,
        crop=crop,
        dry_matter_tons=np.broadcast_to(
            tons[which].reshape(shape) if len(yields) > 1 else tons[0], shape),
        yield_words=lambda i: _yield_words(yields[int(which[i]) if len(yields) > 1 else 0]),
        options=resolve(book, options), given=frozenset(options), water=water, tissue=tissue,
        of_zone=of_zone, all_ids=all_ids, all_names=all_names)
    _region(ctx, region)
    tell_unread_tissue(ctx)
    terms: list[Term] = []
    so_far: FloatArray = np.zeros(shape)
    for rule in book.data.rules:
        made = KINDS[rule.kind](rule, ctx, so_far)
        terms += made
        so_far = so_far + sum((t.lb_per_ac for t in made), np.zeros(shape))
    beside = credit_terms(credited, ctx)
    terms += beside
    so_far = so_far + sum((t.lb_per_ac for t in beside), np.zeros(shape))
    if yield_source and ctx.read_yield:
        terms.insert(0, _yield_goal(ctx, yield_source))
    stops = [f for _, f in ctx.findings if f.severity is Severity.STOP]
    if stops:
        raise RuleError("; ".join(f"{f.where}: {f.what}" for f in stops),
                        code=stops[0].code, where=book.where, hint=stops[0].todo, findings=stops)
    covered = so_far < 0
    if covered.any():
        lift = np.where(covered, -so_far, 0.0)
        terms.append(Term(term="more than covered: nothing to apply", lb_per_ac=lift,
                          detail=_covered_words(so_far), locator="a need is never below zero",
                          evidence="computed"))
    total, surplus = np.where(covered, 0.0, so_far), np.where(covered, -so_far, 0.0)
    _surplus(ctx, surplus, terms)
    _cautions(ctx, total, terms)
    return Outcome(terms=tuple(terms), total=total, surplus=surplus, context=ctx)


def _yield_goal(ctx: Context, source: str) -> Term:
    return Term(term="yield goal", lb_per_ac=np.zeros(ctx.shape), evidence="user",
                detail=lambda i: f"{ctx.yield_words(i)}, {source}",
                locator="[yield_goal] of the plan")


def _surplus(ctx: Context, surplus: FloatArray, terms: Sequence[Term]) -> None:
    if not any(t.credit and (t.lb_per_ac < 0).any() for t in terms):
        return
    ctx.tell_where(surplus > 0, surplus, Severity.NOTE, "rules-surplus",
                   f"credits are {{value}} lb {ctx.book.nutrient}/ac more than the base need",
                   done="the need is zero, never less; the surplus is told and goes nowhere")


def _covered_words(so_far: FloatArray) -> Callable[[int], str]:
    flat = so_far.ravel()
    return lambda i: f"the terms above sum to {flat[i]:.1f} lb/ac"


def _yield_words(y: Yield) -> str:
    return f"{y.tons_per_ac:g} t/ac at {y.moisture_pct:g} % moisture"


def _region(ctx: Context, region: str) -> None:
    covered = ctx.book.data.region
    if not covered:
        return
    made_for = ", ".join(covered)
    if not region:
        ctx.tell(Severity.NOTE, "rules-region-unknown", f"the guide was made for {made_for}",
                 todo="use the guide that governs your field's state")
    elif plain(region) not in [plain(r) for r in covered]:
        ctx.tell(Severity.WARN, "rules-region", f"the guide was made for {made_for}, the field "
                 f"lies in {region}", value=region,
                 todo="use the guide that governs your field's state, as a book of your own if "
                      "need be")


def _caution_above(ctx: Context, total: FloatArray, above: float, text: str) -> None:
    """One finding for all zones (or cells) above an amount, held by those zones alone."""
    where = np.flatnonzero(total.ravel() > above + 1e-9)
    if where.size == 0:
        return
    high = total.ravel()[where]
    need = f"{high.min():.0f}" if where.size == 1 else f"{high.min():.0f} to {high.max():.0f}"
    who = f"{where.size} of {total.size} cells"
    if ctx.zone_ids:
        names = ", ".join(ctx.zone_names[int(i)] for i in where)
        who = f"zone{'s' if where.size > 1 else ''} {names}"
    found = Finding(severity=Severity.WARN, code="rules-caution", where=ctx.book.where,
                    what=f"need {need} lb/ac in {who}: {text}", value=need)
    ctx.findings += [(int(i), found) for i in where] if ctx.zone_ids else [(None, found)]


def _cautions(ctx: Context, total: FloatArray, terms: Sequence[Term]) -> None:
    for caution in ctx.book.data.cautions:
        text = f"{caution.text} ({caution.locator}; {caution.evidence})"
        if caution.above_lb_per_ac is None:
            ctx.tell(Severity.NOTE, "rules-caution", text)
        else:
            _caution_above(ctx, total, caution.above_lb_per_ac, text)
    for term in terms:
        used = np.abs(term.lb_per_ac) > 0
        if term.evidence == "from memory" and bool(used.any()):
            ctx.tell(Severity.WARN, "rules-from-memory",
                     f"{term.term}: numbers from memory, check your guide ({term.locator})",
                     todo="compare the numbers with the guide itself before spending on them")
