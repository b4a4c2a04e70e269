"""What open lines of a plan are about: comments, choices, what may be left out.

The check from outside is TOML itself (v1.0.0: comments, tables, arrays of tables) as tomllib reads
it: every key that is found in the text is a key of the parsed document.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from vrx.plan.open import choices_at, comments_of, kind_of, may_be_left_out

ROOT = Path(__file__).resolve().parents[2]

TEXT = '''\
# About the file.
schema = 1

[field]
# Year of the harvest.
season = "?"
stand_year = "?"
crop = "alfalfa"
# not about the next line

name = "?"

# What the well brings,
# in inches.
[water]
net_in = "?"
# of the report
sulfate_so4_ppm = "?"

[[pass]]
# first
id = "?"
[[pass]]
# second
# example = "left out"
id = "?"
'''


def _keys(value: object, at: str = "") -> set[str]:
    if isinstance(value, dict):
        return {at} | {one for key, inner in value.items()
                       for one in _keys(inner, f"{at}.{key}" if at else key)}
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return {at} | {one for number, inner in enumerate(value, 1)
                       for one in _keys(inner, f"{at}[{number}]")}
    return {at}


def test_comments_belong_to_the_lines_beneath_them(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(TEXT, encoding="utf-8")
    about = comments_of(path)
    assert about["field.season"] == "Year of the harvest."
    assert about["field.stand_year"] == "Year of the harvest."
    assert about["field.name"] == ""
    assert about["water"] == "What the well brings, in inches."
    assert about["water.net_in"] == "What the well brings, in inches."
    assert about["water.sulfate_so4_ppm"] == "of the report"
    assert about["pass[1].id"] == "first"
    assert about["pass[2].id"] == "second"


@pytest.mark.parametrize("field", ["kettle", "long-eighty", "bench"])
def test_every_key_found_is_a_key_of_the_file(field: str) -> None:
    path = ROOT / "sample_geo" / field / "plan.toml"
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    found = {key.replace('"', "") for key in comments_of(path) if key}
    known = {key.replace('"', "") for key in _keys(document)}
    assert found <= known


def test_choices_are_those_of_the_schema() -> None:
    assert choices_at("zones.from")[:1]
    assert set(choices_at("surface.method")) >= {"choose", "inverse distance"}
    assert choices_at("field.name") == ()


@pytest.mark.parametrize(("key", "kind"), [
    ("field.season", "number"), ("soil.lab", "text"), ("soil.potassium.depth_in", "pair"),
    ("water.net_in", "number"), ("need.potassium.book", "text"), ("soil.sampled_on", "date"),
    ("yield_goal.moisture_pct", "number")])
def test_how_an_answer_is_typed(key: str, kind: str) -> None:
    assert kind_of(key) == kind


@pytest.mark.parametrize(("key", "may"), [
    ("field.season", False), ("soil.lab", True), ("water", True), ("soil", False),
    ("soil.cec", True), ("yield_goal", False)])
def test_what_a_plan_may_do_without(key: str, may: bool) -> None:
    assert may_be_left_out(key) is may
