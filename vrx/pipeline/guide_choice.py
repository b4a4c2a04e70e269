"""Every guide for a nutrient as this field could use it: what it gives here, or why it does not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from vrx import rules
from vrx.errors import VrxError
from vrx.model import Finding, Need
from vrx.pipeline import needs as asking
from vrx.pipeline import season
from vrx.pipeline.compare import with_book
from vrx.pipeline.guides import in_toml
from vrx.pipeline.inputs import Inputs
from vrx.plan import NeedSection, Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One thing that a guide may or must be told. `told` is the plan's value as TOML, "" if none.

    `kind`, `what`, `choices`, `low`, `high` as `vrx.rules.Option` has them; `default` as TOML, ""
    where nothing is used unless it is given.
    """

    name: str
    kind: str
    what: str
    told: str
    default: str
    choices: tuple[str, ...]
    low: float
    high: float
    required: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideChoice:
    """A guide on this field. `low` and `high` are the least and greatest need of a zone, lb/ac.

    `refused` says why it cannot be read here ("" where it can), `todo` what would let it; `missing`
    are the names of what it must still be told.
    """

    book: str
    name: str
    region: str
    evidence: tuple[str, ...]
    of_plan: bool
    asks: tuple[Asked, ...]
    missing: tuple[str, ...]
    low: float = 0.0
    high: float = 0.0
    needs: tuple[Need, ...] = ()
    refused: str = ""
    code: str = ""
    todo: str = ""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the guide tells of its own needs here."""
        return rules.findings_of(self.needs)


def guide_choices(
    plan: Plan, inputs: Inputs, on: asking.Ground, nutrient: str
) -> tuple[GuideChoice, ...]:
    """All guides of a nutrient ("K2O", "S"): those that read this field first, the plan's own on
    top; each with the options that the plan states for it, in [need] or in [compare]."""
    own = season.need_sections(plan).get(nutrient)
    found = [
        _choice(plan, inputs, on, nutrient=nutrient, book=book, own=own)
        for book in inputs.books.values() if book.nutrient == nutrient]
    return tuple(sorted(found, key=lambda one: (
        not one.of_plan, bool(one.refused), bool(one.refused) and not one.missing, one.book)))


def _choice(
    plan: Plan, inputs: Inputs, on: asking.Ground, *, nutrient: str, book: rules.Book,
    own: NeedSection | None,
) -> GuideChoice:
    of_plan = own is not None and own.book == book.id
    stated: Mapping[str, object] = (
        own.options() if own is not None and of_plan
        else dict(plan.compare.options.get(book.id, {})))
    section = NeedSection(book=book.id, **dict(stated))
    other = with_book(plan, nutrient, section)
    by_plan = asking.book_options(other, inputs, nutrient, section)
    options = rules.options_of(book)
    row = next(iter(rules.catalogue({book.id: book})))
    low = high = 0.0
    needs: tuple[Need, ...] = ()
    refused = code = todo = ""
    try:
        needs = rules.answer(asking.question(other, inputs, on, nutrient, section))
        each = [one.lb_per_ac for one in needs]
        low, high = min(each), max(each)
    except VrxError as err:
        refused, code, todo = err.message, err.code, err.hint
    return GuideChoice(
        book=book.id, name=row.name, region=row.region, evidence=book.evidence, of_plan=of_plan,
        asks=tuple(Asked(
            name=one.name, kind=one.kind, what=one.what,
            told=in_toml(stated[one.name]) if one.name in stated else "",
            default="" if one.default is None else in_toml(one.default), choices=one.choices,
            low=one.low, high=one.high, required=one.required) for one in options),
        missing=tuple(one.name for one in options if one.required and one.name not in by_plan),
        low=low, high=high, needs=needs, refused=refused, code=code, todo=todo)
