"""The plan file is strict, and says what is wrong where."""

from __future__ import annotations

from pathlib import Path

import pytest

from vrx.errors import PlanError
from vrx.plan import load_plan, plan_path

GOOD = """
schema = 1
[field]
name = "A"
boundary = "b.geojson"
crop = "alfalfa"
season = 2027
[soil]
samples = "s.csv"
[soil.potassium]
column = "K"
unit = "ppm"
form = "K"
extractant = "mehlich-3"
depth_in = [0, 8]
[yield_goal]
tons_per_ac = 6.5
moisture_pct = 12
[zones]
from = "soil classes"
[need.potassium]
book = "tri-state-2020"
build_up = true
[[pass]]
id = "one"
timing = "after cutting 1"
method = "broadcast"
material = "muriate of potash 0-0-60"
serves = "potassium"
rate = "variable"
share_of_need = 1.0
[machine.one]
step_lb_per_ac = 10
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_good_plan_loads_with_the_options_of_its_books(tmp_path: Path) -> None:
    plan = load_plan(write(tmp_path, GOOD))
    assert plan.field.season == 2027
    assert plan.need.potassium is not None
    assert plan.need.potassium.options() == {"build_up": True}
    assert plan.passes[0].share_of_need == 1.0
    assert plan.zones.source == "soil classes"


@pytest.mark.parametrize(
    ("old", "new", "code", "words"),
    [
        ('name = "A"', 'nam = "A"', "plan-value", ["unknown key 'field.nam'", "mean 'name'"]),
        ("season = 2027", 'season = "2027"', "plan-value", ["field.season", "'2027'"]),
        ("season = 2027", "", "plan-missing-key", ["field.season"]),
        ("tons_per_ac = 6.5", "tons_per_ac = -1", "plan-value", ["yield_goal.tons_per_ac", "-1"]),
        ("[0, 8]", "[8, 0]", "plan-value", ["soil.potassium"]),
        ('unit = "ppm"', "", "plan-value", ["soil.potassium", "unit_column"]),
        ("[machine.one]", "[machine.two]", "plan-value", ["machine.two", "one"]),
        ('rate = "variable"', "", "plan-value", ["exactly one of rate"]),
        ("share_of_need = 1.0", "", "plan-value", ["share_of_need"]),
        ("share_of_need = 1.0", 'share_of_need = "half"', "plan-value",
         ["pass[1].share_of_need = 'half': must be a number", "'what is left'"]),
        ('from = "soil classes"', 'form = "soil classes"', "plan-value", ["zones.form", "'from'"]),
        ("step_lb_per_ac = 10", 'step_lb_per_ac = "10"', "plan-value", ["machine.one.step_lb"]),
        ("schema = 1", "schema = 2", "plan-value", ["schema"]),
        ('crop = "alfalfa"', 'crop = "barley"', "plan-value", ["field.crop", "barley"]),
        ("[[pass]]", "[[pas]]", "plan-value", ["'pas'", "'pass'"]),
    ],
)
def test_a_fault_is_named_with_its_key_and_value(
    tmp_path: Path, old: str, new: str, code: str, words: list[str]
) -> None:
    assert old in GOOD
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, GOOD.replace(old, new, 1)))
    assert caught.value.code == code
    assert caught.value.where.endswith("plan.toml")
    for word in words:
        assert word in str(caught.value)


def test_one_unknown_key_alone_has_its_own_code(tmp_path: Path) -> None:
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, GOOD + "[surface]\ncell = 5\n"))
    assert caught.value.code == "plan-unknown-key"
    assert "'cell_m'" in str(caught.value)


def test_blanks_are_listed_with_their_lines(tmp_path: Path) -> None:
    text = GOOD.replace('unit = "ppm"', 'unit = "?"').replace("season = 2027", 'season = "?"')
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, text))
    assert caught.value.code == "plan-blank"
    assert "2 lines are still to be filled in" in str(caught.value)
    assert 'unit = "?"' in str(caught.value)
    assert 'line 7: season = "?"' in str(caught.value)


def test_broken_toml_names_the_line(tmp_path: Path) -> None:
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, GOOD.replace('name = "A"', "name = A")))
    assert caught.value.code == "plan-syntax"
    assert "line 4" in str(caught.value)


def test_a_folder_without_a_plan_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(PlanError) as caught:
        plan_path(tmp_path)
    assert caught.value.code == "plan-missing"
    assert "vrx new" in str(caught.value)


@pytest.mark.parametrize(("old", "new", "words"), [
    # A key in a unit that the plan does not have: every unit that it has, none preferred.
    ("step_lb_per_ac = 10", "step_kg_per_ha = 10",
     "did you mean 'step_lb_per_ac' or 'step_gal_per_ac'? The unit stands in the key"),
    ("step_lb_per_ac = 10", "step_lb_per_ac = 10\nswath_m = 20", "did you mean 'swath_ft'?"),
    ("tons_per_ac = 6.5", 'tons_per_ac = "6,5"', "without quotation marks, with a decimal point"),
    ("season = 2027", 'season = "2027"', "must be a number: without quotation marks"),
    ("depth_in = [0, 8]", "depth_in = [8, 0]", "depth_in is [top, bottom] in inches"),
    ("depth_in = [0, 8]", "depth_in = [0, 0]", "depth_in is [top, bottom] in inches"),
    ('crop = "alfalfa"', 'crop = "corn"', "field.crop = 'corn': must be 'alfalfa'"),
    ("depth_in = [0, 8]", "depth_in = 8", "must be a list, in square brackets"),
    ('share_of_need = 1.0', 'share_of_need = 1.0\ndensity_lb_per_gal = 1.46',
     "density_lb_per_gal = 1.46: must be greater than 6"),
    ("[machine.one]", """[prices]
"muriate of potsh 0-0-60" = { usd = 1.0, per = "lb", as_of = "2027" }
[machine.one]""",
     "which no pass uses; did you mean 'muriate of potash 0-0-60'?"),
])
def test_the_rule_that_is_broken_is_told_in_words_of_the_plan(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, GOOD.replace(old, new)))
    assert words in str(caught.value)
    assert "Input should" not in str(caught.value)


@pytest.mark.parametrize(("old", "new", "hint"), [
    ('crop = "alfalfa"', 'crop = "alfalfa"\ncrop = "alfalfa"', "stands twice"),
    ("[zones]", "[yield_goal]\n[zones]", "stands twice"),
    ("tons_per_ac = 6.5", "tons_per_ac = 6,5", "numbers with a decimal point"),
])
def test_a_syntax_fault_is_answered_by_its_remedy(
    tmp_path: Path, old: str, new: str, hint: str
) -> None:
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, GOOD.replace(old, new)))
    assert caught.value.code == "plan-syntax"
    assert hint in caught.value.hint


def test_a_plan_that_may_not_be_read_is_a_plan_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path, GOOD)

    def refuse(*_: object, **__: object) -> str:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "read_text", refuse)
    with pytest.raises(PlanError, match="cannot be read: Permission denied") as caught:
        load_plan(path)
    assert caught.value.code == "plan-unreadable"
