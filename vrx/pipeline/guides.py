"""The guides that the plan's needs rest on, for the page and the job record."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping

from vrx import rules
from vrx.model import Guide, GuideTable
from vrx.pipeline.ground import find_book
from vrx.pipeline.inputs import Inputs
from vrx.pipeline.season import need_sections
from vrx.plan import Plan


def in_toml(value: object) -> str:
    """An option as the plan file has it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        held = (f"{_key(str(key))} = {in_toml(inner)}" for key, inner in value.items())
        return "{ " + ", ".join(held) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(in_toml(inner) for inner in value) + "]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else json.dumps(name, ensure_ascii=False)


def guides(plan: Plan, inputs: Inputs) -> tuple[Guide, ...]:
    """One for each nutrient that the plan asks for, in the plan's order."""
    found = []
    for nutrient, section in need_sections(plan).items():
        book = find_book(inputs.books, section.book)
        page = rules.explain(book)
        source = page.source
        found.append(Guide(
            nutrient=nutrient, id=book.id, name=page.row.name,
            source=f"{source.title}. {source.publisher}, {source.year}; {source.locator} "
                   f"({source.evidence})",
            origin=book.origin, evidence=book.evidence, reads=page.soil,
            options=tuple((name, in_toml(value)) for name, value in section.options().items()),
            tables=tuple(
                GuideTable(heading=t.heading, columns=t.columns, rows=t.rows, locator=t.locator,
                           evidence=t.evidence) for t in page.tables),
            refuses=page.refusals, cautions=page.cautions, examples=len(page.examples),
            no_published_example_because=page.no_published_example_because))
    return tuple(found)
