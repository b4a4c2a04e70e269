"""The application record as pages to print, one a pass: filled in, or a line to write on."""

from __future__ import annotations

from collections.abc import Sequence

from vrx.formats.application import KEEP, SOURCES
from vrx.model.application import ApplicationRecord, RecordField
from vrx.report.page import template

_MOST_ZONES = 40


def application_pages(records: Sequence[ApplicationRecord], *, run: str) -> str:
    """One HTML file that needs nothing else; a page for each pass, readable in grey."""
    return template("application.html.j2").render(
        title=records[0].field if records else "", run=run, keep=KEEP, sources=SOURCES,
        records=[
            {"pass_id": one.pass_id, "number": one.number, "field": one.field,
             "unit": one.rate_unit, "zones": one.zones if len(one.zones) <= _MOST_ZONES else (),
             "zone_count": len(one.zones), "sections": _sections(one.fields)}
            for one in records
        ])


def _sections(fields: Sequence[RecordField]) -> list[tuple[str, list[RecordField]]]:
    names = dict.fromkeys(one.section for one in fields)
    return [(name, [one for one in fields if one.section == name]) for name in names]
