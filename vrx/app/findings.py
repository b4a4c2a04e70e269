"""Findings on a page: each in the step that it is about, what is alike in one line, gravest first.
"""

from __future__ import annotations

from collections.abc import Iterable

from vrx.app.remedies import line_of, remedies_of
from vrx.app.session import Session
from vrx.formats.catalogue import gravest_first
from vrx.model import Finding, Job

_ALIKE = 3
FAMILIES = {
    "files": ("boundary", "crs", "field", "file", "geojson", "json", "kml", "lab", "pivot",
              "shapefile", "table", "workbook", "xml", "zip"),
    "samples": ("soil", "trend"),
    "maps": ("surface", "sampling", "layer", "raster", "yield"),
    "zones": ("zones", "zone", "edit", "edits", "coverage", "zonal", "trace", "polygons",
              "parquet"),
    "needs": ("rules", "need", "credit", "manure", "test", "bounds", "compare", "response"),
    "season": ("pass", "prescription", "mix", "blend", "order", "bid", "charges", "calendar",
               "conditions", "feed", "irrigation", "material", "plan", "equipment", "balance"),
    "hand-over": ("export", "task", "load", "run"),
}
"""Id of a step -> the families of codes that are told there."""
ELSEWHERE = frozenset({
    "answer", "app", "applied", "audit", "reconcile", "sign", "tickets", "time", "trial"})
"""Families that no job tells: errors of forms, and what other commands find."""
_STEP = {family: step for step, families in FAMILIES.items() for family in families}


def step_of(finding: Finding) -> str:
    """Id of the step that a finding is told in; what no step claims is told at the end."""
    return _STEP.get(finding.code.split("-", 1)[0], "hand-over")


def of_step(session: Session, step: str) -> tuple[Finding, ...]:
    """What the last job told of a step, while the folder is as it was then."""
    state, told = session.findings or ("", ())
    return tuple(one for one in told if state == session.bench.state and step_of(one) == step)


def here(
    job: Job | None, step: str, *, more: Iterable[Finding] = (), title: str = "What was found",
    waiting: bool = False,
) -> dict[str, object]:
    """What `found_part.html.j2` prints: the job's findings of one step, and `more`.

    `known` is False where there is no job and nothing else to tell; `waiting` says that the page
    is to ask again for what takes longer.
    """
    own = () if job is None else (one for one in job.findings if step_of(one) == step)
    views = finding_views(dict.fromkeys((*more, *own)))
    return {"rows": views, "known": job is not None or bool(views), "title": title,
            "waiting": waiting}


def finding_views(findings: Iterable[Finding]) -> list[dict[str, object]]:
    """(severity, code, line) of each finding; from three alike on the rest are counted."""
    shown: list[dict[str, object]] = []
    counts: dict[tuple[str, str], int] = {}
    for one in gravest_first(findings):
        key = (str(one.severity), one.code)
        counts[key] = counts.get(key, 0) + 1
        if counts[key] <= _ALIKE or key[0] == "stop":
            shown.append({"severity": key[0], "code": one.code, "line": line_of(one),
                          "more": 0, "remedies": remedies_of(one)})
    for line in shown:
        key = (str(line["severity"]), str(line["code"]))
        if counts[key] > _ALIKE and key[0] != "stop":
            line["more"] = counts[key] - _ALIKE
            counts[key] = 0
    return shown
