"""Terms of the kinds that weigh crop, water, soil and stated amounts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from vrx.errors import RuleError
from vrx.model import FloatArray, Severity
from vrx.rules import kinds
from vrx.rules.context import Context
from vrx.rules.names import extractant
from vrx.rules.term import Term, at
from vrx.rules.terms_soil import lb_per_ton, per_ton_words, ton_note, usual_note

if TYPE_CHECKING:
    from vrx.rules import schema_rules as schema
    from vrx.rules.schema_classes import Removal


def chosen_source(rule: schema.RemovalBalance, name: object, where: str) -> Removal:
    """The source that the plan names. RuleError listing all with their figures if it names none."""
    for source in rule.sources:
        if source.name == name:
            return source
    listed = "; ".join(f"{s.name}: {s.word} {per_ton_words(s)} ({s.evidence})"
                       for s in rule.sources)
    raise RuleError(
        f"{rule.source_option} is not chosen", code="rules-source-missing", where=where,
        hint=f"set {rule.source_option} to one of: {listed}")


def removal_balance(rule: schema.RemovalBalance, ctx: Context, _so_far: FloatArray) -> list[Term]:
    """Nutrient per ton x yield x share."""
    source = chosen_source(rule, ctx.options[rule.source_option], ctx.book.where)
    ton_note(source, ctx)
    tons, share = ctx.tons(source.basis_dm_fraction), float(ctx.options["share"])
    amount = kinds.removal_balance(lb_per_ton(source), tons, share)

    def detail(i: int) -> str:
        text = f"{per_ton_words(source)} x {at(tons, i):.2f} t (yield {ctx.yield_words(i)})"
        return text if share == 1 else f"{text} x share {share:g}"

    who = "hay removes" if source.word == "removes" else "crop takes up"
    return [Term(term=f"{who} ({source.title})", lb_per_ac=amount, detail=detail,
                 locator=source.locator, evidence=source.evidence)]


def flat_rate(rule: schema.FlatRate, ctx: Context, _so_far: FloatArray) -> list[Term]:
    """One rate for the field."""
    given, own = ctx.options["rate_lb_per_ac"], "rate_lb_per_ac" in ctx.given
    usual = rule.usual_lb_per_ac
    if given is None:
        raise RuleError(
            "the guide prints no rate, and the plan gives none", code="rules-rate-missing",
            where=ctx.book.where, hint="set rate_lb_per_ac in the book's section of the plan"
            + (f" (usual: {usual[0]:g} to {usual[1]:g} lb/ac)" if usual else ""))
    rate = float(given)
    if own:
        usual_note(rate, usual, ctx)
    words = "rate of the plan" if own else "default"
    detail = f"{rate:g} lb/ac in every zone, {words}"
    if usual is not None:
        memory = ", from memory" if rule.evidence == "from memory" else ""
        detail += f" (usual {usual[0]:g} to {usual[1]:g}{memory})"
    return [Term(term="flat rate", lb_per_ac=kinds.flat_rate(rate, np.zeros(ctx.shape)),
                 detail=lambda _i: detail, locator=rule.locator,
                 evidence="user" if own else rule.evidence)]


def organic_matter_credit(rule: schema.OrganicMatterCredit, ctx: Context,
                          _so_far: FloatArray) -> list[Term]:
    """S released by organic matter."""
    term, none = "organic matter releases", np.zeros(ctx.shape)
    om = ctx.optional("organic_matter", "om_pct") if ctx.options["om_credit"] else None
    if om is None:
        said = ("not counted, as the plan asks" if not ctx.options["om_credit"]
                else "no organic matter test: not counted")
        if ctx.options["om_credit"]:
            ctx.tell(Severity.NOTE, "rules-om-missing", "no organic matter test, so nothing is "
                     "subtracted for it",
                     todo="add [soil.organic_matter], or om_pct, or om_credit = false")
        return [Term(term=term, lb_per_ac=none, detail=lambda _i: said, locator=rule.locator,
                     evidence=rule.evidence, credit=True)]
    per = rule.lb_per_ac_per_pct
    return [Term(term=term, lb_per_ac=kinds.organic_matter_credit(om, per),
                 detail=lambda i: f"{per:g} lb S/ac per 1 % x {at(om, i):.2f} %",
                 locator=rule.locator, evidence=rule.evidence, credit=True)]


def _water(ctx: Context) -> tuple[FloatArray, str]:
    """(lb S/ac that the water brings, its arithmetic); with a finding where no test is given."""
    if ctx.water is None:
        ctx.tell(Severity.WARN, "rules-water-missing",
                 "no water test: sulfate in irrigation water may supply part or all of the sulfur",
                 done="nothing is subtracted for water",
                 todo="add [water] with net_in and the sulfate of the water report")
        return np.zeros(ctx.shape), "no water test: not counted"
    share = float(ctx.options["water_share"])
    ppm = ctx.bounded("water_so4s_ppm", np.full(ctx.shape, ctx.water.so4s_ppm))
    inches = ctx.bounded("water_net_in", np.full(ctx.shape, ctx.water.net_in))
    text = f"{ctx.water.words()} x {at(inches, 0):g} in net x 0.22661"
    if share != 1:
        text += f" x share {share:g}"
    return -kinds.water_credit(ppm, inches, share), text


def water_credit(rule: schema.WaterCredit, ctx: Context, _so_far: FloatArray) -> list[Term]:
    """S that irrigation brings."""
    brought, text = _water(ctx)
    return [Term(term="irrigation water brings", lb_per_ac=-brought, detail=lambda _i: text,
                 locator=rule.locator, evidence=rule.evidence, credit=True)]


def water_cap(rule: schema.WaterCap, ctx: Context, so_far: FloatArray) -> list[Term]:
    """The rate so far, cut to what water leaves of the crop's uptake."""
    brought, text = _water(ctx)
    if ctx.water is None:
        return [Term(term="water covers", lb_per_ac=np.zeros(ctx.shape), detail=lambda _i: text,
                     locator=rule.locator, evidence=rule.evidence)]
    ton_note(rule.uptake, ctx)
    tons = ctx.tons(rule.uptake.basis_dm_fraction)
    uptake = kinds.removal_balance(lb_per_ton(rule.uptake), tons, 1.0)
    cut = kinds.water_cap(so_far, uptake, brought)
    ctx.tell_where(cut < 0, -cut, Severity.WARN, "rules-water-covers",
                   "the rate is cut by {value} lb S/ac, because the water already brings most of "
                   "what the crop takes up",
                   todo="water S comes late: watch the first cutting, and test tissue")

    def detail(i: int) -> str:
        return (f"crop takes up {at(uptake, i):.1f} ({per_ton_words(rule.uptake)} x "
                f"{at(tons, i):.2f} t), water brings {at(brought, i):.1f} ({text}): at most "
                f"{max(at(uptake, i) - at(brought, i), 0):.1f} lb/ac is left")

    return [Term(term="water covers", lb_per_ac=cut, detail=detail, locator=rule.locator,
                 evidence=rule.evidence)]


def soil_layer_credit(rule: schema.SoilLayerCredit, ctx: Context,
                      _so_far: FloatArray) -> list[Term]:
    """A share of the sulfate-S in the sampled layer."""
    share, density = (float(ctx.options[n]) for n in ("soil_share", "bulk_density_g_per_cm3"))
    term, none = "soil sulfate counts", np.zeros(ctx.shape)
    if share == 0:
        return [Term(term=term, lb_per_ac=none, locator=rule.locator, evidence=rule.evidence,
                     credit=True, detail=lambda _i: "not counted (soil_share = 0): a weak guide")]
    soil = ctx.optional("sulfate")
    if soil is None:
        raise RuleError("soil_share asks for a soil sulfate test and the plan has none",
                        code="rules-reading-missing", where=ctx.book.where,
                        hint="add [soil.sulfate] to the plan, or set soil_share = 0")
    reading = ctx.readings["sulfate"]
    top, bottom = reading.depth_in
    method = extractant(reading.extractant) or "extractant not stated"

    def detail(i: int) -> str:
        return (f"{at(soil, i):.1f} ppm ({method}, {top:g}-{bottom:g} in) x 0.22661 x "
                f"{bottom - top:g} in x {density:g} g/cm3 x share {share:g}")

    amount = kinds.soil_layer_credit(soil, bottom - top, density, share)
    return [Term(term=term, detail=detail, locator=rule.locator, evidence=rule.evidence,
                 credit=True, lb_per_ac=amount)]


def stated_credit(rule: schema.StatedCredit, ctx: Context, _so_far: FloatArray) -> list[Term]:
    """An amount that the plan states."""
    amount, own = float(ctx.options[rule.option]), rule.option in ctx.given
    most = rule.usual_most_lb_per_ac
    if most is not None and amount > most:
        ctx.tell(Severity.WARN, "rules-credit-unusual",
                 f"{rule.option} = {amount:g} is above {most:g} ({rule.locator})",
                 value=f"{amount:g}", todo="keep it only where it was measured")
    said = f"{amount:g} lb/ac" + (" stated in the plan" if own else f" (plan has no {rule.option})")
    return [Term(term=rule.term, lb_per_ac=kinds.stated_credit(amount, np.zeros(ctx.shape)),
                 detail=lambda _i: said, locator=rule.locator,
                 evidence="user" if own else rule.evidence, credit=True)]


def limit(rule: schema.Limit, ctx: Context, so_far: FloatArray) -> list[Term]:
    """What lies above the guide's most."""
    cut = kinds.limit(so_far, rule.most_lb_per_ac)
    ctx.tell_where(cut < 0, so_far, Severity.WARN, "rules-limit",
                   f"{{value}} lb/ac is above the guide's most, {rule.most_lb_per_ac:g}",
                   done="cut to the guide's most")
    return [Term(term="most of the guide", lb_per_ac=cut,
                 detail=lambda i: f"{at(so_far, i):.1f} lb/ac so far, most {rule.most_lb_per_ac:g}",
                 locator=rule.locator, evidence=rule.evidence)]
