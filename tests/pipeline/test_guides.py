"""Guides of other states from the plan file to page and job record."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from vrx.errors import RuleError
from vrx.pipeline import RunResult, run_field
from vrx.pipeline.guides import in_toml
from vrx.rules import own_book_template

Copy = Callable[[str], Path]


def changed(folder: Path, *pairs: tuple[str, str]) -> Path:
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    for old, new in (('method = "choose"', 'method = "inverse distance"'), *pairs):
        assert old in text, old
        text = text.replace(old, new)
    # Columns that name the laboratory's method would contradict another one.
    plan.write_text(text.replace("_M3_", "_"), encoding="utf-8")
    table = folder / "soil.csv"
    table.write_text(table.read_text(encoding="utf-8").replace("_M3_", "_"), encoding="utf-8")
    return folder


MEHLICH_1 = ('extractant = "mehlich-3"', 'extractant = "mehlich-1"')
OWN_BREAKS = """nutrients = ["potassium", "cec"]
breaks = { potassium = [80, 100, 120, 170], cec = [5] }"""
BY_GUIDE = (OWN_BREAKS, 'nutrients = ["potassium"]')
TRI_STATE = 'book = "tri-state-2020"'
CLEMSON = """book = "south-carolina-potassium"
rating_limits = [80, 120, 170, 250]
accept_depth_in = [0, 8]"""
GEORGIA = """book = "georgia-potassium"
region_of_georgia = "Coastal Plain"
accept_depth_in = [0, 8]
class_rates_lb_per_ac = { low = 240, medium = 160, high = 80, "very high" = 0 }"""
LAST_YEAR = """book = "last-year-potassium"
accept_depth_in = [0, 8]
accept_extractant = "mehlich-3"
last_year = true"""
INDEX = ('book = "sulfur-balance"',
         'book = "wisconsin-sulfur-index"\nsubsoil_sulfur = "low"\nsoil_sulfate_lb_per_ac = 4.0')


def test_ratings_of_the_laboratory_cut_zones_and_set_rates(copy_of: Copy) -> None:
    folder = changed(copy_of("kettle"), MEHLICH_1, BY_GUIDE, INDEX, (TRI_STATE, CLEMSON))
    done = run_field(folder)
    job = done.job
    # clemson.edu alfalfa: 300, 200, 100, 50, 0 by rating; the limits are the plan's.
    rates = {"low": 300, "medium": 200, "sufficient": 100, "high": 50, "excessive": 0}
    means = job.readings["potassium"].mean
    for mean, need in zip(means, job.needs["K2O"], strict=True):
        name = list(rates)[int(np.searchsorted([80, 120, 170, 250], mean, side="left"))]
        assert (need.soil_class, need.lb_per_ac) == (name, rates[name])
    assert job.readings["potassium"].class_breaks == (80, 120, 170, 250)
    # The index of every zone, by hand: 2.8 x organic matter + 3 + 5 + 4.
    om = job.readings["organic_matter"].mean
    for percent, need in zip(om, job.needs["S"], strict=True):
        assert need.lb_per_ac == (25 if 2.8 * percent + 12 < 30 else 0)
    told(done)


def told(done: RunResult) -> None:
    record = json.loads((done.folder / "manifest.json").read_text(encoding="utf-8"))
    assert [g["id"] for g in record["guides"]] == ["south-carolina-potassium",
                                                   "wisconsin-sulfur-index"]
    assert record["guides"][0]["options"]["rating_limits"] == "[80, 120, 170, 250]"
    page = (done.folder / "page.html").read_text(encoding="utf-8")
    section = page[page.index('id="guides"'):page.index('id="order"')]
    for words in ("clemson.edu", "mehlich-1", "from memory, check your guide", "excessive",
                  "subsoil_sulfur = &#34;low&#34;", "Refuses:", "organic matter"):
        assert words in section, words
    codes = {f.code for f in done.job.findings}
    assert {"rules-depth-accepted", "rules-from-memory"} <= codes


def test_a_table_in_lb_per_acre_reads_ppm_maps(copy_of: Copy) -> None:
    folder = changed(copy_of("kettle"), MEHLICH_1, BY_GUIDE, (TRI_STATE, GEORGIA))
    job = run_field(folder).job
    # aesl.ces.uga.edu: 70, 171-275, above 275 lb/ac, at 2 lb/ac per ppm.
    for ppm, need in zip(job.readings["potassium"].mean, job.needs["K2O"], strict=True):
        lb = 2 * ppm
        want = 240 if lb <= 70 else 160 if lb <= 170 else 80 if lb <= 275 else 0
        assert need.lb_per_ac == want
    assert job.readings["potassium"].class_breaks == (35.0, 85.0, 137.5)


def test_the_last_year_of_a_stand_leaves_potassium_out(copy_of: Copy) -> None:
    # USDA-ARS abstracts 259794, 248225: none above 80 ppm in the last year.
    job = run_field(changed(copy_of("kettle"), (TRI_STATE, LAST_YEAR))).job
    dry_tons = 6.5 * 0.88
    for ppm, need in zip(job.readings["potassium"].mean, job.needs["K2O"], strict=True):
        assert need.lb_per_ac == pytest.approx(0 if ppm > 80 else 49 * dry_tons)
    assert job.readings["potassium"].mean.min() > 80
    assert "need-none-k2o" in {f.code for f in job.findings}


def test_the_stands_year_of_the_field_reaches_a_guide_that_asks(copy_of: Copy) -> None:
    # The template's invented guide halves its rate from year 4; 50 lb K2O a ton of hay at 12 %.
    folder = copy_of("kettle")
    (folder / "guide.toml").write_text(own_book_template("stand-age").replace(
        'extractants = ["ammonium acetate"]', 'extractants = ["mehlich-3"]').replace(
        "to_in = 12.0", "to_in = 8.0"), encoding="utf-8")
    changed(folder, (TRI_STATE, 'book = "my-stand-age"'),
            ('units = "us"', 'units = "us"\nbooks = ["guide.toml"]'))
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    for year, share in ((3, 1.0), (4, 0.5)):
        plan.write_text(text.replace("stand_year = 3", f"stand_year = {year}"), encoding="utf-8")
        job = run_field(folder).job
        assert {round(n.lb_per_ac, 6) for n in job.needs["K2O"]} == {round(50 * 6.5 * share, 6)}


def test_options_stand_as_in_the_plan_file() -> None:
    given = {"soil_group": {"A": "loamy", "b c": 'say "no"'}, "last_year": True,
             "accept_depth_in": [0, 8.5], "share": 0.5, "open": False}
    for name, value in given.items():
        assert tomllib.loads(f"{name} = {in_toml(value)}") == {name: value}


@pytest.mark.parametrize(("line", "code", "words"), [
    ("", "rules-no-classes", "rating_limits"),
    ("rating_limits = [80, 120]", "rules-no-classes", "rating_limits"),
    ("rating_limits = [120, 80, 170, 250]", "rules-option-value", "numbers that rise"),
    ('rating_limits = "80"', "rules-option-value", "numbers that rise"),
    ("rating_limit = [80, 120, 170, 250]", "rules-option-unknown", "mean 'rating_limits'"),
])
def test_bad_options_name_book_and_remedy(
    copy_of: Copy, line: str, code: str, words: str
) -> None:
    folder = changed(copy_of("kettle"), MEHLICH_1, BY_GUIDE, (
        'book = "tri-state-2020"',
        f'book = "south-carolina-potassium"\naccept_depth_in = [0, 8]\n{line}'))
    with pytest.raises(RuleError) as caught:
        run_field(folder)
    assert caught.value.code == code
    assert caught.value.where == "south-carolina-potassium"
    assert words in str(caught.value)
