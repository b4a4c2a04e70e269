"""Every finding has a step: families of the catalogue are placed once, and pages show them."""

from __future__ import annotations

import tomllib
from pathlib import Path

from vrx.app import findings
from vrx.app.steps import STEPS


def test_every_family_of_the_catalogue_has_one_place(tools) -> None:
    told = tomllib.loads((tools.ROOT / "vrx/formats/findings.toml").read_text(encoding="utf-8"))
    placed = [family for families in findings.FAMILIES.values() for family in families]
    assert len(placed) == len(set(placed))
    assert set(placed) | findings.ELSEWHERE == set(told["families"])
    assert not set(placed) & findings.ELSEWHERE
    assert set(findings.FAMILIES) == {one.id for one in STEPS}


def test_what_no_job_tells_is_told_by_no_stage_of_a_job(tools) -> None:
    """Families without a step come from other commands, or are errors and no findings."""
    told = tomllib.loads((tools.ROOT / "vrx/formats/findings.toml").read_text(encoding="utf-8"))
    rooms = {entry["room"] for code, entry in told["codes"].items()
             if code.partition("-")[0] in findings.ELSEWHERE and entry["severity"] != ["error"]}
    assert not rooms & {"geo", "surfaces", "rules", "zones", "prescription", "sampling"}


def test_every_finding_of_a_job_is_shown_in_one_step_and_at_the_end(small: Path, tools) -> None:
    import html

    with tools.open_desk(small) as desk:
        pages = {one.id: html.unescape(desk.ready(one.path)) for one in STEPS}
        job = desk.session.bench.job()
        assert len(job.findings) > 10
        lines = {str(view["line"]): view for view in findings.finding_views(job.findings)}
        for one in job.findings:
            shown = [str(view["line"]) for view in findings.finding_views(
                each for each in job.findings
                if findings.step_of(each) == findings.step_of(one))]
            if one.line() in shown:
                assert one.line() in pages[findings.step_of(one)], one.code
            if one.line() in lines:
                assert one.line() in pages["hand-over"], one.code
