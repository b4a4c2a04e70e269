"""The stand's age as the plan's field has it, for guides that ask for it."""

from __future__ import annotations

from vrx import rules
from vrx.plan import NeedSection, Plan


def stand_options(plan: Plan, book: rules.Book, section: NeedSection) -> dict[str, object]:
    """`stand_year` and `last_year` of [field], where the guide takes them and the section has none.

    The seeding year is 1. The last year is told by `last_stand_year`, where the plan has that key.
    """
    taken = {option.name for option in rules.options_of(book)} - set(section.options())
    year, last = plan.field.stand_year, getattr(plan.field, "last_stand_year", None)
    found: dict[str, object] = {}
    if "stand_year" in taken and year is not None:
        found["stand_year"] = year
    if "last_year" in taken and year is not None and last is not None:
        found["last_year"] = year >= last
    return found
