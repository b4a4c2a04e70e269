"""Plan keys as controls: what a form shows is what the plan holds, and what it sends is checked."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from vrx.app import controls
from vrx.app.controls import answers, control, words_of
from vrx.errors import PlanError
from vrx.plan import key_steps, key_text, kinds_at

SAMPLES = Path(__file__).parents[2] / "sample_geo"
PLANS = sorted(path for path in SAMPLES.glob("*/*.toml") if "[field]" in path.read_text("utf-8"))


def _leaves(value, at=()):
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, (*at, key))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for number, inner in enumerate(value):
            yield from _leaves(inner, (*at, number))
    else:
        yield at, value


def _documents():
    return [pytest.param(tomllib.loads(path.read_text(encoding="utf-8")),
                         id=f"{path.parent.name}-{path.stem}") for path in PLANS]


@pytest.mark.parametrize("document", _documents())
def test_a_form_that_nobody_touched_changes_nothing(document) -> None:
    keys = [key_text(at) for at, value in _leaves(document)
            if not (isinstance(value, list) and any(isinstance(one, dict) for one in value))]
    assert len(keys) > 40
    typed = {key: control(document, key).value for key in keys}
    assert answers(document, typed) == ([], [])


def test_every_entry_of_the_words_is_a_key_of_the_plan() -> None:
    for key in controls._words():
        analyte = "potassium"
        tried = key.replace("*", analyte)
        if tried.startswith("pass."):
            tried = f"pass[1].{tried[5:]}"
        assert kinds_at(key_steps(tried)), key
        assert words_of(tried)["label"] == controls._words()[key]["label"]


@pytest.fixture
def kettle():
    return tomllib.loads((SAMPLES / "kettle" / "plan.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize(("key", "typed", "toml"), [
    ("yield_goal.tons_per_ac", "7", "7"),
    ("zones.narrowest_ft", ".5", "0.5"),
    ("zones.narrowest_ft", "1,200.", "1200.0"),
    ("soil.potassium.depth_in", "0, 6", "[0, 6]"),
    ("pass[1].share_of_need", "what is left", '"what is left"'),
    ("pass[1].share_of_need", "0.25", "0.25"),
    ("field.name", "12", '"12"'),
    ("field.name", 'a "quoted" name', '"a \\"quoted\\" name"'),
    ("soil.leave_out", "K7, K8", '["K7", "K8"]'),
])
def test_typed_text_becomes_the_value_that_the_key_holds(kettle, key, typed, toml) -> None:
    assert answers(kettle, {key: typed}) == ([(key, toml)], [])


def test_an_empty_control_takes_the_line_out(kettle) -> None:
    assert answers(kettle, {"zones.smallest_ac": " "}) == ([], ["zones.smallest_ac"])
    assert answers(kettle, {"zones.smooth_ft": ""}) == ([], [])


@pytest.mark.parametrize(("key", "typed"), [
    ("yield_goal.tons_per_ac", "seven"), ("yield_goal.tons_per_ac", "nan"),
    ("yield_goal.tons_per_ac", "-3"), ("yield_goal.tons_per_ac", "1e400"),
    ("field.season", "2027.5"), ("surface.method", "magic"), ("soil.potassium.unit", "pmm"),
    ("field.name", "x" * 5000),
])
def test_a_wrong_value_is_told_beside_its_control(kettle, key, typed) -> None:
    with pytest.raises(PlanError) as caught:
        answers(kettle, {key: typed})
    assert caught.value.where == key


def test_choices_are_those_of_the_schema_and_a_stated_value_is_kept(kettle) -> None:
    method = control(kettle, "surface.method")
    assert ("kriging", "kriging") in method.options
    assert method.kind == "choice"
    odd = control(kettle, "pass[1].material", options=[("gypsum 0-0-0-18S", "gypsum")])
    assert odd.value == "muriate of potash 0-0-60"
    assert odd.value in [value for value, _ in odd.options]


def test_a_key_without_words_is_shown_by_its_own_name(kettle) -> None:
    assert control(kettle, "soil.only_inside").label == "only inside"
