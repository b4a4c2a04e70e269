"""The guides that the plan's needs rest on, for the page and the job record."""

from __future__ import annotations

from vrx import rules
from vrx.model import Guide, GuideTable
from vrx.pipeline.ground import find_book
from vrx.pipeline.inputs import Inputs
from vrx.pipeline.season import need_sections
from vrx.plan import Plan


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
            options=tuple((name, str(value)) for name, value in section.options().items()),
            tables=tuple(
                GuideTable(heading=t.heading, columns=t.columns, rows=t.rows, locator=t.locator,
                           evidence=t.evidence) for t in page.tables),
            refuses=page.refusals, cautions=page.cautions, examples=len(page.examples),
            no_published_example_because=page.no_published_example_because))
    return tuple(found)
