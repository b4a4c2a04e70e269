"""Which step of the job a finding belongs to, so that it is told beside what it is about."""

from __future__ import annotations

from vrx.app.findings import finding_views
from vrx.model import Finding, Job

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


def views_of(job: Job, step: str) -> list[dict[str, object]]:
    """The job's findings of one step ready for print, the weighty first."""
    return finding_views(one for one in job.findings if step_of(one) == step)
