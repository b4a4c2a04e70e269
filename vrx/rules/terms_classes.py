"""Terms of the kinds that read ratings, groups of soils, shares of removal and tissue classes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from vrx.errors import RuleError
from vrx.model import BoolArray, FloatArray, IntArray, Severity
from vrx.rules import kinds
from vrx.rules.context import Context
from vrx.rules.names import nearest
from vrx.rules.stated import named, required
from vrx.rules.term import Term, at
from vrx.rules.terms_soil import lb_per_ton, part_and_stage, per_ton_words, ton_note

if TYPE_CHECKING:
    from vrx.rules import schema_classes as schema
    from vrx.rules.schema_kinds import TissueTable

MOST_SHARE = 3.0
"""Above this a share of removal is taken for a per cent (as in the books' own schema)."""


def in_classes(values: FloatArray, classes: Sequence[schema.SoilClass]) -> IntArray:
    """The class number of each value."""
    limits = [c.limit for c in classes if c.limit is not None]
    return kinds.class_index(values, limits, [c.up_to is not None for c in classes[:-1]])


def rates_of(classes: Sequence[schema.SoilClass], ctx: Context, index: IntArray,
             evidence: str) -> tuple[FloatArray, Callable[[int], str]]:
    """(rate of every class (classes, 1), evidence by class number); the plan's own where open.

    RuleError where a class that a zone lies in has no rate at all, or the plan names strange ones.
    """
    own: Mapping[str, float] = ctx.options.get("class_rates_lb_per_ac") or {}
    open_ = [c.name for c in classes if c.rate_lb_per_ac is None]
    odd = [n for n in own if n not in open_]
    if odd:
        near = "".join(f"; {n!r}" + (f" (nearest {m!r})" if (m := nearest(n, open_)) else "")
                       for n in odd)
        raise RuleError(
            f"class_rates_lb_per_ac names classes that take no rate of the plan{near}",
            code="rules-option-value", where=ctx.book.where,
            hint=f"classes without a rate: {', '.join(open_)}")
    used = {classes[int(i)].name for i in np.unique(index)}
    short = [n for n in open_ if n in used and n not in own]
    stopped = any(f.severity is Severity.STOP for _, f in ctx.findings)
    if short and not stopped:  # what has stopped already is told first
        raise RuleError(
            f"class {', '.join(short)}: the rate could not be read, and the plan gives none",
            code="rules-no-rate", where=ctx.book.where,
            hint="set class_rates_lb_per_ac in the book's section of the plan: { "
                 + ", ".join(f'"{n}" = lb' for n in open_) + " }, from the guide that governs the "
                 "field, or enter that guide as a book of your own")
    rates = [c.rate_lb_per_ac if c.rate_lb_per_ac is not None else own.get(c.name, 0.0)
             for c in classes]
    tell_words(ctx, classes, index)
    memory = evidence == "from memory"

    def label(number: int) -> str:
        return "user" if classes[number].name in open_ and not memory else evidence

    return np.array([[float(r)] for r in rates if not isinstance(r, tuple)]), label


def tell_words(ctx: Context, classes: Sequence[schema.SoilClass], index: IntArray) -> None:
    """What the guide says of a class, where a zone lies in it."""
    for number, c in enumerate(classes):
        if c.words:
            ctx.tell_where(index == number, np.zeros(ctx.shape), Severity.NOTE,
                           "rules-class-words", f"class {c.name}: {c.words}")


def class_term(ctx: Context, *, name: str, classes: Sequence[schema.SoilClass], index: IntArray,
               words: Callable[[int], str], locator: str, evidence: str) -> Term:
    """The term of a rate by class, its own evidence for every zone."""
    rates, label = rates_of(classes, ctx, index, evidence)
    amount = kinds.class_table(index, np.ones(ctx.shape), rates, np.ones(1))
    flat = index.ravel()
    open_ = {k for k, c in enumerate(classes) if c.rate_lb_per_ac is None}

    def detail(i: int) -> str:
        k = int(flat[i])
        return (f"{words(i)} is class {classes[k].name}: {at(amount, i):g} lb/ac"
                + (", your own rate" if k in open_ else ""))

    labels = {label(int(k)) for k in flat}
    return Term(term=name, lb_per_ac=amount, detail=detail, locator=locator,
                evidence="from memory" if "from memory" in labels
                else "user" if labels == {"user"} else evidence)


def rating_table(rule: schema.RatingTable, ctx: Context, _so_far: FloatArray) -> list[Term]:
    """Rate of the laboratory's rating: stated in the plan, or from limits of guide or laboratory.
    """
    names = [c.name for c in rule.ratings]
    index = named(ctx, "rating", names)
    stated, limits = index is not None, ctx.options.get("rating_limits")
    if index is None and rule.has_limits:
        index = in_classes(ctx.soil(), rule.ratings)
        limits = [c.limit for c in rule.ratings if c.limit is not None]
    elif index is None and limits is not None:
        if len(limits) != len(names) - 1:
            raise RuleError(
                f"rating_limits holds {len(limits)} numbers for {len(names)} ratings",
                code="rules-option-value", where=ctx.book.where,
                hint=f"give the {len(names) - 1} limits between {', '.join(names)}")
        index = kinds.class_index(ctx.soil(), [float(x) for x in limits], [True] * len(limits))
    if index is None:
        raise RuleError(
            "the guide reads the laboratory's rating, and the plan has none",
            code="rules-rating-missing", where=ctx.book.where,
            hint=f'set rating = "..." ({", ".join(names)}) as the laboratory\'s sheet has it, for '
                 "the field or by zone, or rating_limits with the laboratory's own limits")
    ctx.class_index, ctx.class_names = index, tuple(names)
    for k, limit in enumerate([] if stated else limits or []):
        ctx.turns(f"limit {names[k]} / {names[k + 1]}", float(limit))
    term = class_term(
        ctx, name=f"rate of the rating ({rule.id})", classes=rule.ratings, index=index,
        words=(lambda _i: "the laboratory's rating") if stated else ctx.soil_words,
        locator=rule.locator, evidence=rule.evidence)
    return [term]


def _group_index(rule: schema.GroupedClassTable | schema.ClassShare,
                 ctx: Context) -> tuple[IntArray, IntArray]:
    """(group number, class number) of every zone."""
    groups = rule.groups
    which = np.zeros(ctx.shape, dtype=np.int64) if rule.group_option is None else \
        required(ctx, rule.group_option, [g.name for g in groups])
    soil = ctx.soil()
    by_group = np.stack([in_classes(soil, g.classes) for g in groups])
    index = np.take_along_axis(by_group, which[None, ...], axis=0)[0]
    ctx.class_index, ctx.class_names = index, tuple(c.name for c in groups[0].classes)
    for k in range(len(groups[0].classes) - 1):
        limits = np.array([g.classes[k].limit for g in groups], dtype=np.float64)
        ctx.turns(f"limit {ctx.class_names[k]} / {ctx.class_names[k + 1]}", limits[which])
    return which, index


def grouped_class_table(rule: schema.GroupedClassTable, ctx: Context,
                        _so_far: FloatArray) -> list[Term]:
    """Rate of the soil's class by the table of its group; one term for each group that is used."""
    which, index = _group_index(rule, ctx)
    terms = []
    for k in np.unique(which):
        group = rule.groups[int(k)]
        here = which == k
        # Zones of another group must not ask for this group's rates.
        shown = np.where(here, index, index[here].ravel()[0])
        term = class_term(
            ctx, name=f"rate of the soil class ({group.name})", classes=group.classes, index=shown,
            words=_of_group(group.name, ctx), locator=group.locator, evidence=group.evidence)
        terms.append(_only(term, here))
    return terms


def _of_group(name: str, ctx: Context) -> Callable[[int], str]:
    return lambda i: f"{name}: {ctx.soil_words(i)}"


def _only(term: Term, here: BoolArray) -> Term:
    """The term in some zones, nothing in the others."""
    flat = here.ravel()
    return Term(term=term.term, lb_per_ac=np.where(here, term.lb_per_ac, 0.0),
                locator=term.locator, evidence=term.evidence,
                detail=lambda i: term.detail(i) if flat[i] else "these soils are of another group")


def class_share(rule: schema.ClassShare, ctx: Context, _so_far: FloatArray) -> list[Term]:
    """Share of removal by class, and what is added beside it."""
    which, index = _group_index(rule, ctx)
    names = [c.name for c in rule.groups[0].classes]
    own = _by_class(ctx, "class_shares", names, whole=True)
    over = [f"{n} = {v:g}" for n, v in (own or {}).items() if v > MOST_SHARE]
    if over:
        raise RuleError(f"class_shares: {', '.join(over)} is no share of removal",
                        code="rules-option-value", where=ctx.book.where,
                        hint="1 is all of removal, 0.5 half of it; per cents are not meant")
    extra = _by_class(ctx, "class_extra_lb_per_ac", names, whole=False)
    if own is None and not rule.has_shares:
        raise RuleError(
            "the guide prints no share of removal by class, and the plan gives none",
            code="rules-no-rate", where=ctx.book.where,
            hint="set class_shares in the book's section of the plan: { "
                 + ", ".join(f'"{n}" = share' for n in names) + " }, 1 for all of removal")
    ton_note(rule.removal, ctx)
    tons = ctx.tons(rule.removal.basis_dm_fraction)
    removed = kinds.removal_balance(lb_per_ton(rule.removal), tons, 1.0)
    shares = np.array([[(own or {}).get(c.name, c.share_of_removal or 0.0) for c in g.classes]
                       for g in rule.groups])
    extras = np.array([[(extra or {}).get(c.name, c.extra_lb_per_ac or 0.0) for c in g.classes]
                       for g in rule.groups])
    flat_index = which * len(names) + index
    plain = kinds.class_share(flat_index, removed, shares.ravel(), np.zeros(shares.size))
    beside = kinds.class_share(flat_index, np.zeros(ctx.shape), shares.ravel(), extras.ravel())
    for k in np.unique(which):
        tell_words(ctx, rule.groups[int(k)].classes, np.where(which == k, index, -1))

    def detail(i: int) -> str:
        g = rule.groups[int(which.ravel()[i])]
        k = int(index.ravel()[i])
        text = f"{ctx.soil_words(i)} is class {names[k]}"
        text += f" ({g.name})" if rule.group_option else ""
        share = float(shares.ravel()[int(flat_index.ravel()[i])])
        return (f"{text}: share {share:g} x {per_ton_words(rule.removal)} x {at(tons, i):.2f} t"
                + (", your own share" if own else ""))

    memory = "from memory" in (rule.evidence, rule.removal.evidence)
    terms = [Term(
        term="share of removal by soil class", lb_per_ac=plain, detail=detail,
        locator=f"{rule.locator}; {rule.removal.locator}",
        evidence="from memory" if memory else "user" if own else rule.evidence)]
    if bool((extras != 0).any()):
        terms.append(Term(
            term="beside removal by soil class", lb_per_ac=beside,
            detail=lambda i: f"class {names[int(index.ravel()[i])]}: {at(beside, i):g} lb/ac"
                             + (" of the plan" if extra else ""),
            locator=rule.locator, evidence="user" if extra else rule.evidence))
    return terms


def _by_class(ctx: Context, option: str, names: Sequence[str], *,
              whole: bool) -> Mapping[str, float] | None:
    own = ctx.options.get(option)
    if own is None:
        return None
    odd = [n for n in own if n not in names]
    missing = [n for n in names if n not in own] if whole else []
    if odd or missing:
        said = [f"missing {', '.join(missing)}"] if missing else []
        said += [f"unknown {n!r}" + (f" (nearest {near!r})" if (near := nearest(n, names)) else "")
                 for n in odd]
        raise RuleError(f"{option}: " + "; ".join(said), code="rules-option-value",
                        where=ctx.book.where, hint=f"classes: {', '.join(names)}")
    return {n: float(v) for n, v in own.items()}


def tissue_table(rule: TissueTable, ctx: Context, _so_far: FloatArray) -> list[Term]:
    """Rate of the class of a tissue content."""
    tissue = ctx.tissue
    ids = ctx.zone_ids or ctx.all_ids or [0]
    content = tissue.content(rule.nutrient, ids) if tissue is not None else None
    key = {"sulfate-sulfur": "sulfate_s_ppm"}.get(rule.nutrient, f"{rule.nutrient}_pct")
    if tissue is None or content is None:
        raise RuleError(
            f"the guide reads a tissue test for {rule.nutrient} and the plan has none",
            code="rules-tissue-missing", where=ctx.book.where,
            hint=f"add [tissue] with {key}, part and stage ({rule.parts[0]}; {rule.stages[0]})")
    part, stage = part_and_stage(rule, tissue.part, tissue.stage, ctx)
    values = ctx.by_zone(np.array(content))
    values = ctx.bounded("tissue_pct" if rule.unit == "%" else "tissue_ppm", values)
    index = in_classes(values, rule.classes)
    ctx.class_index, ctx.class_names = index, tuple(c.name for c in rule.classes)
    return [class_term(
        ctx, name=f"rate of the tissue class ({rule.id})", classes=rule.classes, index=index,
        words=lambda i: f"{rule.nutrient} {at(values, i):g} {rule.unit} in {part}, {stage},",
        locator=rule.locator, evidence=rule.evidence)]
