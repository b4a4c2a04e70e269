"""Pages of whole runs: drawings keep their laws, the applicator's sheet is a file of the run."""

from __future__ import annotations

import hashlib
import re
from types import ModuleType

import numpy as np
import pytest

from vrx.pipeline import RunResult

FIELDS = ("kettle", "long-eighty", "bench")


@pytest.mark.parametrize("name", FIELDS)
def test_every_drawing_of_a_run_keeps_the_laws(
    name: str, runs: dict[str, RunResult], svg_laws: ModuleType
) -> None:
    for file in ("page.html", "sheet.html"):
        text = (runs[name].folder / file).read_text(encoding="utf-8")
        assert svg_laws.faults(text) == []
        assert svg_laws.drawings(text)


@pytest.mark.parametrize("name", FIELDS)
def test_the_sheet_is_a_file_of_the_run_and_holds_no_money(
    name: str, runs: dict[str, RunResult]
) -> None:
    result = runs[name]
    data = (result.folder / "sheet.html").read_bytes()
    told = {one["path"]: one for one in result.manifest["files"]}
    assert told["sheet.html"]["sha256"] == hashlib.sha256(data).hexdigest()
    assert told["sheet.html"]["bytes"] == len(data)
    page = (result.folder / "page.html").read_text(encoding="utf-8")
    assert hashlib.sha256(data).hexdigest() in page
    text = re.sub(r"<style>.*?</style>", "", data.decode(), flags=re.S)
    assert "$" not in text
    assert not re.search(r"\bUSD\b", text)
    for one in result.job.prescription.passes:
        assert f">{one.column}<" in text
        assert f"Cautions for pass {one.number}" in text


def test_cautions_stand_with_the_pass_that_they_are_for(runs: dict[str, RunResult]) -> None:
    text = (runs["kettle"].folder / "sheet.html").read_text(encoding="utf-8")
    sheets = text.split('<article class="pass"')[1:4]
    assert ["acid tank cleaner" in one for one in sheets] == [False, True, False]
    assert ["check its pattern with this product" in one for one in sheets] == [True, False, True]
    assert all("overrule every number here" in one for one in sheets)


@pytest.mark.parametrize("name", FIELDS)
def test_left_out_samples_are_those_that_the_scores_rest_on(
    name: str, runs: dict[str, RunResult]
) -> None:
    job = runs[name].job
    for key, surface in job.surfaces.items():
        assert surface.left_out is not None
        own = next(one for one in surface.scores if one.method == surface.method)
        miss = surface.left_out[:, 0] - surface.left_out[:, 1]
        if (job.soil.columns[key].censored == 0).all():
            assert len(miss) == own.n
            assert np.sqrt(np.mean(miss**2)) == pytest.approx(own.rmse, rel=1e-9)
            assert miss.mean() == pytest.approx(own.mean_error, abs=1e-9)
        else:
            assert len(miss) < own.n
        measured = set(np.round(job.soil.measured(key)[1], 9).tolist())
        assert set(np.round(surface.left_out[:, 0], 9).tolist()) <= measured
