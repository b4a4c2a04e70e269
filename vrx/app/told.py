"""Which step of the job a finding belongs to, so that it is told beside what it is about."""

from __future__ import annotations

from collections.abc import Sequence

from vrx.formats.catalogue import gravest_first
from vrx.model import Finding, Job, Severity

_FAMILIES = {
    "files": ("boundary", "crs", "field", "file", "geojson", "json", "kml", "lab", "pivot",
              "polygons", "shapefile", "table", "workbook", "xml", "zip"),
    "samples": ("soil", "test", "trend"),
    "maps": ("surface", "sampling", "layer", "raster"),
    "zones": ("zones", "zone", "edit", "edits", "coverage", "zonal", "trace"),
    "needs": ("rules", "need", "credit", "manure", "yield", "bounds", "compare", "balance",
              "response"),
    "season": ("pass", "prescription", "mix", "blend", "order", "bid", "charges", "calendar",
               "conditions", "feed", "irrigation", "material", "plan", "equipment"),
    "hand-over": ("export", "task", "load", "parquet", "run", "machine"),
}
_STEP = {family: step for step, families in _FAMILIES.items() for family in families}


def step_of(finding: Finding) -> str:
    """Id of the step that a finding is told in; what no step claims is told at the end."""
    return _STEP.get(finding.code.split("-", 1)[0], "hand-over")


def findings_of(job: Job, step: str) -> tuple[Finding, ...]:
    """The job's findings of one step, the weighty first."""
    return tuple(one for one in gravest_first(job.findings) if step_of(one) == step)


def counted(findings: Sequence[Finding]) -> tuple[int, int, int]:
    """Numbers of stops, warnings and notes."""
    of = [one.severity for one in findings]
    return of.count(Severity.STOP), of.count(Severity.WARN), of.count(Severity.NOTE)
