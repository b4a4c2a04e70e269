"""Terms of the kinds that read the stand's age, conditions and an index of supplies."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from vrx.errors import RuleError
from vrx.model import BoolArray, FloatArray, Severity
from vrx.rules import kinds
from vrx.rules.context import Context
from vrx.rules.stated import named, required
from vrx.rules.term import Term, at
from vrx.rules.terms_classes import in_classes, rates_of
from vrx.rules.terms_soil import rate_or_own, usual_note

if TYPE_CHECKING:
    from vrx.rules import schema_kinds as schema


def stand_age(rule: schema.StandAge, ctx: Context, so_far: FloatArray) -> list[Term]:
    """What of the rate so far is left out by the stand's year, and in its last year."""
    terms: list[Term] = []
    if rule.years:
        year = ctx.options.get("stand_year")
        if year is None:
            ctx.tell(Severity.NOTE, "rules-stand-year-missing",
                     "the guide's rate changes with the stand's age, and the plan does not say it",
                     done="the full rate stands", todo="set stand_year in the book's section")
        else:
            terms.append(_by_year(rule, float(year), so_far))
    last = rule.last_year
    if last is not None and ctx.options["last_year"]:
        left = so_far + sum((t.lb_per_ac for t in terms), np.zeros(ctx.shape))
        soil = ctx.soil()
        ctx.turns("level above which the last year needs less", last.soil_above)
        cut = kinds.stand_age(left, kinds.last_year_share(soil, last.soil_above, last.share))
        over = f"above {last.soil_above:g}"

        def detail(i: int) -> str:
            high = at(soil, i) > last.soil_above
            text = f"last year of the stand, {ctx.soil_words(i)} is {'' if high else 'not '}{over}"
            return f"{text}: {last.share:g} of the rate stays" if high else f"{text}: full rate"

        terms.append(Term(term="last year of the stand", lb_per_ac=cut, detail=detail,
                          locator=last.locator, evidence=last.evidence))
    return terms


def _by_year(rule: schema.StandAge, year: float, so_far: FloatArray) -> Term:
    starts = np.array([y.from_year for y in rule.years])
    share = float(kinds.stand_year_share(year, starts, np.array([y.share for y in rule.years])))
    reached = [y for y in rule.years if y.from_year <= year]
    cited = reached[-1] if reached else rule.years[0]
    said = f"stand year {year:g}: {share:g} of the rate stays"
    return Term(term="age of the stand", lb_per_ac=kinds.stand_age(so_far, share),
                detail=lambda _i: said, locator=cited.locator, evidence=cited.evidence)


def conditional_rate(rule: schema.ConditionalRate, ctx: Context,
                     _so_far: FloatArray) -> list[Term]:
    """The rate where every condition holds."""
    met: list[BoolArray] = []
    for c in rule.conditions:
        if c.option is not None:
            said = ctx.options.get(c.option)
            if said is None:
                raise RuleError(
                    f"the guide asks whether {c.words}, and the plan does not say",
                    code="rules-option-missing", where=ctx.book.where,
                    hint=f"set {c.option} = true or false in the book's section of the plan")
            met.append(np.full(ctx.shape, bool(said)))
            continue
        values = ctx.optional(str(c.reading))
        if values is None:
            raise RuleError(f"the guide asks whether {c.words}, and the plan reads no {c.reading}",
                            code="rules-reading-missing", where=ctx.book.where,
                            hint=f"add [soil.{c.reading}] to the plan")
        met.append(np.asarray(values < float(c.below or 0.0)))
    both = np.all(met, axis=0)
    rate, evidence = rate_or_own(rule, ctx, bool(both.any()))

    def detail(i: int) -> str:
        held = [f"{c.words}: {'yes' if m.ravel()[i] else 'no'}"
                for c, m in zip(rule.conditions, met, strict=True)]
        return "; ".join(held) + (f": {rate:g} lb/ac" if both.ravel()[i] else ": nothing to apply")

    return [Term(term=f"rate under conditions ({rule.id})",
                 lb_per_ac=kinds.conditional_rate(met, rate), detail=detail, locator=rule.locator,
                 evidence=evidence)]


def availability_index(rule: schema.AvailabilityIndex, ctx: Context,
                       _so_far: FloatArray) -> list[Term]:
    """Every supply as a line of its own (it is no rate), then the rate of the index's class."""
    supplies, lines = [], []
    for one in rule.terms:
        amount, said = _supply(one, ctx)
        supplies.append(amount)
        lines.append(Term(term=f"index: {one.term}", lb_per_ac=np.zeros(ctx.shape),
                          detail=_counted(amount, said), locator=one.locator,
                          evidence=one.evidence))
    index = kinds.availability_index(supplies, np.zeros(ctx.shape))
    number = in_classes(index, rule.classes)
    ctx.class_index, ctx.class_names = number, tuple(c.name for c in rule.classes)
    rates, label = rates_of(rule.classes, ctx, number, rule.evidence)
    amount = kinds.class_table(number, np.ones(ctx.shape), rates, np.ones(1))
    for rate in dict.fromkeys(np.unique(amount[amount > 0])):
        usual_note(float(rate), rule.usual_lb_per_ac, ctx)

    def detail(i: int) -> str:
        name = ctx.class_names[int(number.ravel()[i])]
        return f"index {at(index, i):.1f} is class {name}: {at(amount, i):g} lb/ac"

    labels = {label(int(k)) for k in number.ravel()}
    return [*lines, Term(
        term=f"rate of the index ({rule.id})", lb_per_ac=amount, detail=detail,
        locator=rule.locator, evidence="user" if labels == {"user"} else rule.evidence)]


def _counted(amount: FloatArray, said: str) -> Callable[[int], str]:
    return lambda i: f"{said}: counts {at(amount, i):.1f}"


def _supply(one: schema.IndexTerm, ctx: Context) -> tuple[FloatArray, str]:
    if one.choices:
        names = [c.name for c in one.choices]
        option = str(one.option)
        chosen = required(ctx, option, names) if one.required else named(ctx, option, names)
        if chosen is not None:
            return np.array([c.counts for c in one.choices])[chosen], f"{option} of the plan"
        return _nothing(one, ctx)
    if one.reading is not None:
        values = ctx.optional(one.reading, one.option or "")
        if values is not None:
            return values * one.per_unit, f"{one.per_unit:g} x {one.reading}"
        return _nothing(one, ctx)
    given = ctx.options.get(str(one.option))
    if given is None:
        return _nothing(one, ctx)
    said = f"{one.option} = {float(given):g}" + ("" if one.option in ctx.given else " (default)")
    return np.full(ctx.shape, float(given) * one.per_unit), said


def _nothing(one: schema.IndexTerm, ctx: Context) -> tuple[FloatArray, str]:
    key = one.option or f"[soil.{one.reading}]"
    if one.required:
        raise RuleError(f"the index counts {one.term}, and the plan does not say it",
                        code="rules-option-missing", where=ctx.book.where, hint=f"set {key}")
    amount = one.default or 0.0
    ctx.tell(Severity.WARN, "rules-index-assumed",
             f"the index counts {one.term}, and the plan does not say it",
             done=f"counted as {amount:g}", todo=f"set {key} in the plan")
    return np.full(ctx.shape, amount), "not given"
