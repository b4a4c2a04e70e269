"""The guides behind the needs, made ready for print."""

from __future__ import annotations

from dataclasses import dataclass

from vrx.model import Guide, GuideTable, Job
from vrx.report import words


@dataclass(frozen=True, slots=True, kw_only=True)
class TableView:
    """A table of a guide; `memory` where it rests on memory."""

    table: GuideTable
    memory: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideView:
    """A guide, its tables, and its evidence in words."""

    guide: Guide
    evidence: str
    memory: bool
    tables: tuple[TableView, ...]


def guide_views(job: Job) -> tuple[GuideView, ...]:
    """One view for each guide of the job."""
    return tuple(
        GuideView(
            guide=one, evidence=", ".join(map(words.evidence_words, one.evidence)),
            memory=any(words.is_from_memory(label) for label in one.evidence),
            tables=tuple(TableView(table=t, memory=words.is_from_memory(t.evidence))
                         for t in one.tables))
        for one in job.guides)
