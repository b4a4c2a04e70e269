"""A laboratory's column map: saved from one plan, used by another, strict, the plan wins."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import PlanError
from vrx.plan import (
    SoilSection,
    layout_findings,
    layout_text,
    load_plan,
    save_layout,
    with_layout,
)

SOIL = """
[soil]
samples = "s.csv"
id_column = "Sample ID"
longitude_column = "lon"
latitude_column = "lat"
lab = "Two Creeks (invented)"
report_number = "TC-1"
sampled_on = 2026-10-01
[soil.potassium]
column = "K_ppm"
unit = "ppm"
form = "K"
extractant = "mehlich-3"
depth_in = [0, 8]
[soil.ph]
column = "pH"
unit = "pH"
optional = true
"""
REST = """
[yield_goal]
tons_per_ac = 6.5
moisture_pct = 12
[zones]
from = "whole field"
[need.potassium]
book = "tri-state-2020"
[[pass]]
id = "one"
timing = "after cutting 1"
method = "broadcast"
material = "muriate of potash 0-0-60"
serves = "potassium"
rate = "variable"
share_of_need = 1.0
"""
HEAD = """schema = 1
[field]
name = "A"
boundary = "b.geojson"
crop = "alfalfa"
season = 2027
"""
SHORT = '[soil]\nsamples = "other.csv"\nlayout = "maps/lab.toml"\n'


def write(folder: Path, soil: str, *, head: str = HEAD) -> Path:
    path = folder / "plan.toml"
    path.write_text(head + soil + REST, encoding="utf-8")
    return path


def saved(folder: Path) -> Path:
    return save_layout(write(folder, SOIL), folder / "maps" / "lab.toml")


def test_a_map_made_by_one_plan_completes_another(tmp_path: Path) -> None:
    first = load_plan(write(tmp_path, SOIL)).soil
    target = saved(tmp_path)
    told = tomllib.loads(target.read_text(encoding="utf-8"))
    assert told["laboratory"] == "Two Creeks (invented)"
    # What belongs to one report stays in its plan.
    assert not {"samples", "report_number", "sampled_on", "lab"} & set(told["soil"])
    plan = write(tmp_path, SHORT)
    soil = load_plan(plan).soil
    assert soil.potassium == first.potassium
    assert soil.ph == first.ph
    assert soil.id_column == "Sample ID"
    assert soil.lab == "Two Creeks (invented)"
    assert (soil.samples, soil.report_number) == ("other.csv", None)
    assert [f.code for f in layout_findings(plan)] == ["plan-layout"]
    assert layout_findings(write(tmp_path, SOIL)) == ()


def test_the_plan_wins_and_says_so(tmp_path: Path) -> None:
    saved(tmp_path)
    plan = write(tmp_path, SHORT + 'easting_column = "E"\nnorthing_column = "N"\n'
                 'crs = "EPSG:32615"\nid_column = "No"\n[soil.potassium]\nextractant = "olsen"\n'
                 'unit_column = "u"\n[soil.cec]\ncolumn = "CEC"\nunit = "meq/100 g"\n')
    soil = load_plan(plan).soil
    assert soil.potassium is not None
    assert (soil.potassium.extractant, soil.potassium.column) == ("olsen", "K_ppm")
    assert (soil.potassium.unit, soil.potassium.unit_column) == (None, "u")
    assert (soil.longitude_column, soil.easting_column, soil.id_column) == (None, "E", "No")
    assert soil.cec is not None
    told = {f.code: f.what for f in layout_findings(plan)}["plan-layout-overridden"]
    for words in ("soil.potassium.extractant: 'olsen', not 'mehlich-3'", "soil.id_column",
                  "soil.longitude_column: not 'lon'", "soil.potassium.unit: not 'ppm'"):
        assert words in told


@pytest.mark.parametrize(("text", "code", "words"), [
    ("schema = 1\n[soil]\nid_colum = 'x'", "plan-layout-value", ["soil.id_colum", "id_column"]),
    ("schema = 1\n[soil]\nsamples = 's.csv'", "plan-layout-value", ["samples"]),
    ("schema = 1\n[soil]\ncrs = 'EPSG:4326'", "plan-layout-value", ["crs"]),
    ("schema = 1\n[soil.potassium]\nunits = 'ppm'", "plan-layout-value", ["'unit'"]),
    ("schema = 1\n[soil.potassium]\ndepth_in = ['0', 8]", "plan-layout-value", ["depth_in"]),
    ("schema = 1\n[soil.kalium]\ncolumn = 'K'", "plan-layout-value", ["kalium"]),
    ("schema = 2\n[soil]", "plan-layout-value", ["schema"]),
    ("[soil]", "plan-layout-value", ["schema"]), ("schema = 1", "plan-layout-value", ["soil"]),
    ("schema = 1\n[soil]\ndate_order = 'ymd'", "plan-layout-value", ["date_order", "ymd"]),
    ("schema = 1\n[soil]\nid_column = '?'", "plan-layout-blank", ["soil.id_column"]),
    ("schema = x", "plan-syntax", ["line 1"]), (None, "plan-layout-missing", ["--save-layout"]),
])
def test_a_wrong_map_is_named(
    *, tmp_path: Path, text: str | None, code: str, words: list[str]
) -> None:
    (tmp_path / "maps").mkdir()
    if text is not None:
        (tmp_path / "maps" / "lab.toml").write_text(text, encoding="utf-8")
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, SHORT))
    assert caught.value.code == code
    assert caught.value.where.endswith("lab.toml")
    for word in words:
        assert word in str(caught.value)


def test_a_map_is_never_overwritten(tmp_path: Path) -> None:
    target = saved(tmp_path)
    before = target.read_bytes()
    with pytest.raises(PlanError, match="there is a file already"):
        saved(tmp_path)
    assert target.read_bytes() == before
    assert [path.name for path in target.parent.iterdir()] == ["lab.toml"]
    with pytest.raises(PlanError) as caught:
        save_layout(write(tmp_path, SOIL.replace('"ppm"', '"?"')), tmp_path / "n.toml")
    assert caught.value.code == "plan-blank"
    assert not (tmp_path / "n.toml").exists()


@pytest.mark.parametrize(("old", "new", "words"), [
    ('column = "K_ppm"\n', "", ["soil.potassium", "give column"]),
    ('column = "K_ppm"', 'analyte_is = "K"', ["soil.potassium", "analyte_column"]),
    ('column = "K_ppm"', 'column = "K_ppm"\nmethod_is = "M3"', ["method_is"]),
    ('unit = "ppm"', 'unit = "ppm"\nunit_column = "u"', ["soil.potassium", "unit_column"]),
    ('id_column = "Sample ID"', 'analyte_column = "A"', ["value_column"]),
    ('id_column = "Sample ID"', 'unit_column = "U"', ["unit_column", "analyte_column"]),
    ('id_column = "Sample ID"', 'analyte_column = "A"\nvalue_column = "V"', ["analyte_is"]),
    ('id_column = "Sample ID"', 'use_year = "newest"', ["use_year"]),
    ('id_column = "Sample ID"', 'depth_unit = "mm"', ["depth_unit"]),
    ('id_column = "Sample ID"', 'point_order = "latlon"', ["point_order"]),
    ('id_column = "Sample ID"', 'reruns = "first"', ["reruns"]),
])
def test_forms_of_table_are_checked(
    *, tmp_path: Path, old: str, new: str, words: list[str]
) -> None:
    assert old in SOIL
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, SOIL.replace(old, new, 1)))
    assert caught.value.code == "plan-value"
    for word in words:
        assert word in str(caught.value)


def test_a_result_file_and_a_long_table_need_no_unit(tmp_path: Path) -> None:
    xml = SOIL.replace("s.csv", "r.XML").replace('unit = "ppm"\n', "")
    potassium = load_plan(write(tmp_path, xml)).soil.potassium
    assert potassium is not None
    assert potassium.unit is None
    long = SOIL[:SOIL.index("[soil.ph]")].replace('unit = "ppm"\n', "").replace(
        'column = "K_ppm"', 'analyte_is = "K"').replace(
        '[soil]\n', '[soil]\nanalyte_column = "A"\nvalue_column = "V"\nunit_column = "U"\n')
    potassium = load_plan(write(tmp_path, long)).soil.potassium
    assert potassium is not None
    assert potassium.analyte_is == "K"


words = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), min_size=1, max_size=12
                ).filter(lambda t: t.strip() not in {"", "?"})
ANALYTE = st.fixed_dictionaries(
    {"column": words, "unit": words},
    optional={"form": words, "extractant": words, "optional": st.booleans(),
              "depth_in": st.tuples(st.floats(0, 5), st.floats(6, 60)),
              "limit_of_detection": st.floats(0.1, 9)})
SECTION = st.fixed_dictionaries({}, optional={
    "id_column": words, "date_column": words, "lab": words, "sheet": words,
    "decimal_mark": st.sampled_from([".", ","]), "longitudes_are_west": st.booleans(),
    "potassium": ANALYTE, "sulfate": ANALYTE, "cec": ANALYTE})


@settings(max_examples=40, derandomize=True, deadline=None)
@given(SECTION)
def test_a_map_keeps_what_it_saved(tmp_path_factory: pytest.TempPathFactory, told: dict[str, Any]
                                   ) -> None:
    soil = SoilSection.model_validate({"samples": "s.csv", **told})
    folder = tmp_path_factory.mktemp("map")
    (folder / "lab.toml").write_text(layout_text(soil), encoding="utf-8", newline="\n")
    made = with_layout({"soil": {"samples": "s.csv", "layout": "lab.toml"}}, folder=folder)
    again = SoilSection.model_validate(made["soil"])
    assert again.model_copy(update={"layout": None}) == soil
