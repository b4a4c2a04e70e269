"""Terms of the kinds that read a soil or tissue test."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from vrx import units
from vrx.errors import RuleError
from vrx.model import FloatArray, Severity
from vrx.rules import kinds
from vrx.rules.context import Context, ton_words
from vrx.rules.names import extractant, nearest, plain
from vrx.rules.term import Term, at

if TYPE_CHECKING:
    from vrx.rules import schema_rules as schema
    from vrx.rules.schema_classes import ClassTable, Removal
    from vrx.rules.schema_kinds import ConditionalRate, TissueTable


def lb_per_ton(removal: Removal) -> float:
    """lb of oxide K2O (or of S) per ton, from the form that the source prints."""
    return units.k2o_from_k(removal.lb_per_ton) if removal.form == "K" else removal.lb_per_ton


def per_ton_words(removal: Removal) -> str:
    """The figure per ton with its form, conversion and ton."""
    ton = ton_words(removal.basis_dm_fraction)
    text = f"{removal.lb_per_ton:g} lb {removal.form}"
    if removal.form == "K":
        text += f" (= {lb_per_ton(removal):.2f} lb K2O)"
    return f"{text} per {ton}"


def level(held: schema.Level, cec: FloatArray) -> FloatArray:
    """A level in ppm at a CEC."""
    if not held.steps:
        assert held.intercept_ppm is not None and held.slope_ppm_per_cec is not None  # noqa: S101, PT018 - the schema checked it
        return np.asarray(held.intercept_ppm + held.slope_ppm_per_cec * cec, dtype=np.float64)
    ends = [s.cec_up_to for s in held.steps if s.cec_up_to is not None]
    index = kinds.class_index(cec, ends, [True] * len(ends))
    return np.array([s.ppm for s in held.steps])[index]


def class_table(rule: ClassTable, ctx: Context, _so_far: FloatArray) -> list[Term]:
    """Rate of the soil's class; without rates, the plan's own by class."""
    soil = ctx.soil()
    limits = [c.limit for c in rule.classes if c.limit is not None]
    index = kinds.class_index(soil, limits, [c.up_to is not None for c in rule.classes[:-1]])
    names = tuple(c.name for c in rule.classes)
    ctx.class_index, ctx.class_names = index, names
    for k, limit in enumerate(limits):
        ctx.turns(f"limit {names[k]} / {names[k + 1]}", limit)
    own = ctx.options.get("class_rates_lb_per_ac")
    if not rule.has_rates and any(c.rate_lb_per_ac is not None for c in rule.classes):
        from vrx.rules.terms_classes import class_term

        return [class_term(ctx, name=f"rate of the soil class ({rule.id})", classes=rule.classes,
                           index=index, words=ctx.soil_words, locator=rule.locator,
                           evidence=rule.evidence)]
    if rule.has_rates:
        rows = [c.rate_lb_per_ac for c in rule.classes]
        rates = np.array([r if isinstance(r, tuple) else (r,) for r in rows], dtype=np.float64)
        evidence = rule.evidence
    elif own is not None:
        # The rate is the plan's own, but which class a zone falls into still rests on the guide.
        rates = _own_rates(own, names, ctx)
        evidence = "from memory" if rule.evidence == "from memory" else "user"
    else:
        raise RuleError(
            "the book has classes only and prints no rate", code="rules-no-rate",
            where=ctx.book.where,
            hint="choose a book with rates, enter the table of the guide that governs the field "
                 "as a book of your own, or set class_rates_lb_per_ac in the plan: { "
                 + ", ".join(f'"{n}" = lb' for n in names) + " }",
        )
    columns = np.array(rule.yield_tons or (1.0,))
    tons = ctx.tons(ctx.book.data.ton.dm_fraction) if ctx.book.data.ton else np.ones(ctx.shape)
    rate = kinds.class_table(index, tons, rates, columns)
    _edge(ctx, tons, columns)

    def detail(i: int) -> str:
        text = f"{ctx.soil_words(i)} is class {names[int(index.ravel()[i])]}"
        if columns.size > 1:
            text += f"; yield {ctx.yield_words(i)}"
        return text + f": {at(rate, i):.1f} lb/ac" + ("" if rule.has_rates else ", your own rate")

    return [Term(term=f"rate of the soil class ({rule.id})", lb_per_ac=rate, detail=detail,
                 locator=rule.locator if rule.has_rates
                 else f"class limits: {rule.locator}; rates: the plan", evidence=evidence)]


def _own_rates(own: dict[str, float], names: tuple[str, ...], ctx: Context) -> FloatArray:
    if set(own) != set(names):
        odd = sorted(set(own) - set(names))
        missing = [n for n in names if n not in own]
        raise RuleError(
            "class_rates_lb_per_ac must name every class"
            + (f"; missing {', '.join(missing)}" if missing else "")
            + "".join(f"; unknown {n!r}" + (f" (nearest {near!r})" if (near := nearest(n, names))
                                            else "") for n in odd),
            code="rules-option-value", where=ctx.book.where, hint=f"classes: {', '.join(names)}")
    return np.array([[own[n]] for n in names], dtype=np.float64)


def _edge(ctx: Context, tons: FloatArray, columns: FloatArray) -> None:
    if columns.size > 1:
        out = (tons < columns[0]) | (tons > columns[-1])
        ctx.tell_where(out, tons, Severity.WARN, "rules-clamped",
                       f"yield {{value}} lies outside the table's {columns[0]:g} to "
                       f"{columns[-1]:g} t/ac", done="read as the table's nearest column",
                       todo="check the yield goal, or use a guide that covers it")


def rate_table(rule: schema.RateTable, ctx: Context, _so_far: FloatArray) -> list[Term]:
    """Rate from a table of soil test by yield."""
    ton = ctx.book.data.ton
    soil, tons = ctx.soil(), ctx.tons(ton.dm_fraction if ton else 1.0)
    rows, columns = np.array(rule.soil_test), np.array(rule.yield_tons or (1.0,))
    rate = kinds.rate_table(soil, tons, rows, columns, np.array(rule.rates_lb_per_ac))
    _edge(ctx, tons, columns)
    bare = np.flatnonzero((np.array(rule.rates_lb_per_ac) == 0).all(axis=1))
    if bare.size:
        ctx.turns("row from which the table gives nothing", rows[bare[0]])
    out = (soil < rows[0]) | (soil > rows[-1])
    ctx.tell_where(out, soil, Severity.WARN, "rules-clamped",
                   f"soil test {{value}} lies outside the table's {rows[0]:g} to {rows[-1]:g}",
                   done="read as the table's nearest row")

    def detail(i: int) -> str:
        text = ctx.soil_words(i)
        text += f", yield {ctx.yield_words(i)}" if rule.yield_tons else ""
        if rule.sufficiency_pct:
            reached = float(np.interp(at(soil, i), rows, np.array(rule.sufficiency_pct)))
            text += f", sufficient for {reached:.0f} % of yield"
        return (f"{text}: table gives {at(rate, i):.1f} lb/ac (straight lines between its "
                "entries)")

    return [Term(term=f"rate of the table ({rule.id})", lb_per_ac=rate, detail=detail,
                 locator=rule.locator, evidence=rule.evidence)]


def build_up_maintenance(rule: schema.BuildUpMaintenance, ctx: Context,
                         _so_far: FloatArray) -> list[Term]:
    """Soil class, maintenance by removal, constant and build-up, each its own term."""
    cec = _cec(rule, ctx)
    soil, removal, build = ctx.soil(), rule.removal, rule.build_up
    critical, limit = level(rule.critical_level, cec), level(rule.maintenance_limit, cec)
    width = rule.draw_down.width_ppm if rule.draw_down else 0.0
    index = kinds.class_index(soil, [critical, limit], [False, True])
    ctx.class_index, ctx.class_names = index, rule.class_names
    ctx.turns("critical level", critical)
    ctx.turns("maintenance limit", limit)
    tons = ctx.tons(removal.basis_dm_fraction)
    removed = kinds.removal_balance(lb_per_ton(removal), tons, 1.0)
    keep, raised = kinds.build_up_maintenance(
        soil, cec, np.ones(ctx.shape), critical=critical, limit=limit, base=build.base,
        per_cec=build.per_cec, draw_down=width)
    years, wanted = float(ctx.options["build_up_years"]), ctx.options["build_up"]
    raised = raised * (build.years / years) * (1.0 if wanted else 0.0)
    ton_note(removal, ctx)

    def read(i: int) -> str:
        name = rule.class_names[int(index.ravel()[i])]
        return (f"{ctx.soil_words(i)}, CEC {at(cec, i):.1f}: {name} (critical level "
                f"{at(critical, i):g}, maintenance up to {at(limit, i):g} ppm)")

    def keeps(i: int) -> str:
        if at(keep, i) == 0:
            return f"above {at(limit, i) + width:g} ppm: nothing to apply"
        text = f"{per_ton_words(removal)} x {at(tons, i):.2f} t"
        return text if at(keep, i) == 1 else f"{text} x {at(keep, i):.2f} (falling above the limit)"

    def builds(i: int) -> str:
        if at(soil, i) >= at(critical, i):
            return "not under the critical level: no build-up"
        if not wanted:
            return "under the critical level, and the plan asks for no build-up"
        text = (f"({at(critical, i):g} - {at(soil, i):.1f} ppm) x ({build.base:g} + "
                f"{build.per_cec:g} x {at(cec, i):.1f})")
        return text if years == build.years else f"{text} x {build.years:g}/{years:g} years"

    terms = [
        Term(term="soil test read", lb_per_ac=np.zeros(ctx.shape), detail=read,
             locator=rule.critical_level.locator, evidence=rule.critical_level.evidence),
        Term(term=f"hay {removal.word}", lb_per_ac=removed * keep, detail=keeps,
             locator=removal.locator, evidence=removal.evidence),
        # Without build-up a zone rests on the critical level (or the plan), not on the equation.
        Term(term="build-up", lb_per_ac=raised, detail=builds, locator=build.locator,
             evidence=build.evidence,
             at_zero=(rule.critical_level.locator, rule.critical_level.evidence) if wanted
             else ("build_up = false in the plan", "user")),
    ]
    if rule.constant is not None:
        fixed = rule.constant
        terms.append(Term(term="constant of the guide", lb_per_ac=fixed.lb_per_ac * keep,
                          detail=lambda i: f"{fixed.lb_per_ac:g} lb/ac x {at(keep, i):.2f}",
                          locator=fixed.locator, evidence=fixed.evidence))
    return terms


def _cec(rule: schema.BuildUpMaintenance, ctx: Context) -> FloatArray:
    cec = ctx.optional("cec", "cec_meq_per_100g")
    if cec is None:
        raise RuleError(
            "the guide needs CEC and the plan has none", code="rules-reading-missing",
            where=ctx.book.where,
            hint="add [soil.cec] to the plan, or cec_meq_per_100g to the book's section for one "
                 "figure for the field",
        )
    ph = ctx.optional("ph")
    if rule.cec_caution is not None and ph is not None:
        ctx.tell_where(ph > rule.cec_caution.ph_above, ph, Severity.WARN, "rules-cec-lime",
                       f"soil pH {{value}} is above {rule.cec_caution.ph_above:g}: Mehlich-3 "
                       "dissolves calcium of lime, and a CEC summed from it is too high "
                       f"({rule.cec_caution.locator})",
                       todo="use a CEC from another method, or one from soil texture")
    return cec


def ton_note(removal: Removal, ctx: Context) -> None:
    """A finding where a source does not itself say the moisture of its ton."""
    if removal.basis_evidence not in ("read", "user"):
        ctx.tell(Severity.NOTE, "rules-ton-basis",
                 f"{removal.title}: the moisture of its ton is {removal.basis_evidence}",
                 done=f"read per {ton_words(removal.basis_dm_fraction)}",
                 value=f"{removal.basis_dm_fraction:g}")


def linear_in_yield(rule: schema.LinearInYield, ctx: Context, _so_far: FloatArray) -> list[Term]:
    """(intercept - slope x soil test) x yield."""
    ton = ctx.book.data.ton
    soil, tons = ctx.soil(), ctx.tons(ton.dm_fraction if ton else 1.0)
    a, b = rule.intercept_lb_per_ton, rule.slope_lb_per_ton_per_ppm
    rate = kinds.linear_in_yield(soil, tons, a, b)
    ctx.turns("level from which the guide gives nothing", a / b)

    def detail(i: int) -> str:
        if at(rate, i) == 0:
            return f"{ctx.soil_words(i)}: at or above {a / b:.1f} ppm the guide gives nothing"
        return f"({a:g} - {b:g} x {at(soil, i):.1f} ppm) x {at(tons, i):.2f} t; {ctx.soil_words(i)}"

    return [Term(term=f"rate of the equation ({rule.id})", lb_per_ac=rate, detail=detail,
                 locator=rule.locator, evidence=rule.evidence)]


def soil_criterion(rule: schema.SoilCriterion, ctx: Context, _so_far: FloatArray) -> list[Term]:
    """The rate where the soil test lies under the critical value of its extractant."""
    soil = ctx.soil()
    ours = extractant(ctx.readings[ctx.book.analyte].extractant)
    fits = [c for c in rule.critical if c.extractant is None or extractant(c.extractant) == ours]
    if not fits and ctx.options.get("conversion"):
        fits = [rule.critical[0]]
    if not fits:
        raise RuleError(f"the guide has no critical value for {ours}", code="rules-extractant",
                        where=ctx.book.where,
                        hint="it has: " + ", ".join(str(c.extractant) for c in rule.critical))
    critical = fits[0]
    ctx.turns("critical value", critical.ppm)
    low = kinds.class_index(soil, [critical.ppm], [critical.at_or_below]) == 0
    ctx.class_index = low.astype(np.int64) ^ 1
    ctx.class_names = critical_words(critical)
    rate, evidence = rate_or_own(rule, ctx, bool(low.any()))
    amount = kinds.conditional_rate([low], rate)
    sign = "<=" if critical.at_or_below else "<"

    def detail(i: int) -> str:
        if low.ravel()[i]:
            return f"{ctx.soil_words(i)} {sign} {critical.ppm:g} ppm: {rate:g} lb/ac"
        words = "is above" if critical.at_or_below else "is not below"
        return f"{ctx.soil_words(i)} {words} {critical.ppm:g} ppm: nothing to apply"

    return [Term(term="soil criterion", lb_per_ac=amount, detail=detail, locator=critical.locator,
                 evidence=evidence)]


def critical_words(critical: schema.CriticalValue) -> tuple[str, str]:
    """Names of the two classes, low first."""
    if critical.at_or_below:
        return f"{critical.ppm:g} ppm or less", f"above {critical.ppm:g} ppm"
    return f"below {critical.ppm:g} ppm", f"{critical.ppm:g} ppm or more"


def tissue_criterion(rule: schema.TissueCriterion, ctx: Context, _so_far: FloatArray) -> list[Term]:
    """The rate where the tissue test lies under the critical content."""
    tissue = ctx.tissue
    ids = ctx.zone_ids or ctx.all_ids or [0]
    content = tissue.content(rule.nutrient, ids) if tissue is not None else None
    if tissue is None or content is None:
        raise RuleError(
            f"the guide reads a tissue test for {rule.nutrient} and the plan has none",
            code="rules-tissue-missing", where=ctx.book.where,
            hint=f"add [tissue] with {rule.nutrient}_pct, part and stage "
                 f"({rule.parts[0]}; {rule.stages[0]})")
    part, stage = part_and_stage(rule, tissue.part, tissue.stage, ctx)
    pct = ctx.by_zone(np.array(content))
    pct = ctx.bounded("tissue_pct", pct)
    low = pct < rule.critical_pct
    rate, evidence = rate_or_own(rule, ctx, bool(low.any()))
    amount = kinds.below_critical(pct, rule.critical_pct, rate)

    def detail(i: int) -> str:
        text = f"{rule.nutrient} {at(pct, i):.2f} % in {part}, {stage}"
        if low.ravel()[i]:
            return f"{text}, is below {rule.critical_pct:g} %: {rate:g} lb/ac"
        return f"{text}, is not below {rule.critical_pct:g} %: nothing to apply"

    return [Term(term="tissue criterion", lb_per_ac=amount, detail=detail, locator=rule.locator,
                 evidence=evidence)]


def part_and_stage(rule: schema.TissueCriterion | TissueTable, part: str, stage: str,
                   ctx: Context) -> tuple[str, str]:
    """Part and stage in plain words. RuleError for what the guide does not read."""
    head, _, tail = part.partition(",")
    part, stage = plain(head), plain(stage or tail)
    for refused in rule.refused:
        if part == plain(refused.part):
            raise RuleError(f"the tissue test is of {part!r}: {refused.why}",
                            code="rules-tissue-part", where=ctx.book.where,
                            hint=f"sample {rule.parts[0]} at {rule.stages[0]}")
    for value, known, name in ((part, rule.parts, "part"), (stage, rule.stages, "stage")):
        if value not in [plain(k) for k in known]:
            near = nearest(value, known)
            raise RuleError(
                f"[tissue] {name} = {value!r} is not what the guide reads",
                code=f"rules-tissue-{name}", where=ctx.book.where,
                hint=(f"did you mean {near!r}? " if near else "") + "it reads: " + ", ".join(known))
    return part, stage


def rate_or_own(rule: schema.SoilCriterion | schema.TissueCriterion | ConditionalRate,
                ctx: Context, any_low: object) -> tuple[float, str]:
    """(rate, evidence): the plan's own, else the guide's. RuleError where one is due and none is.

    Who gets the plan's own rate still rests on the guide: from memory where that is.
    """
    rate = ctx.options["rate_lb_per_ac"]
    usual = rule.usual_lb_per_ac
    if rate is None:
        if not any_low:
            return 0.0, rule.evidence
        raise RuleError(
            "a zone lies below the critical value, and the guide prints no rate",
            code="rules-rate-missing", where=ctx.book.where,
            hint="set rate_lb_per_ac in the book's section of the plan"
            + (f" (usual: {usual[0]:g} to {usual[1]:g} lb/ac)" if usual else ""))
    own = "rate_lb_per_ac" in ctx.given
    if own:
        usual_note(float(rate), usual, ctx)
    return float(rate), "user" if own and rule.evidence != "from memory" else rule.evidence


def usual_note(rate: float, usual: tuple[float, float] | None, ctx: Context) -> None:
    """A finding where the plan's own rate leaves the usual range."""
    if usual is not None and not usual[0] <= rate <= usual[1]:
        ctx.tell(Severity.WARN, "rules-rate-unusual",
                 f"rate_lb_per_ac = {rate:g} lies outside the usual {usual[0]:g} to {usual[1]:g}",
                 value=f"{rate:g}", todo="keep it only for a reason")
