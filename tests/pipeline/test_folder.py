"""What files of a folder seem to be, and what a plan still asks, on the invented fields."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from vrx.pipeline import check_field, new_plan
from vrx.pipeline.folder import files_of, seen_file, used_files
from vrx.pipeline.questions import open_groups
from vrx.plan import blanks, read_document

SAMPLES = Path(__file__).resolve().parents[2] / "sample_geo"


@pytest.fixture
def draft(tmp_path: Path) -> Path:
    for name in ("boundary.geojson", "soil.csv"):
        shutil.copyfile(SAMPLES / "kettle" / name, tmp_path / name)
    new_plan(tmp_path, boundary=tmp_path / "boundary.geojson", samples=tmp_path / "soil.csv")
    return tmp_path


def test_files_of_the_invented_fields_are_what_they_seem() -> None:
    seen = {(field, one.name): seen_file(one, used={}) for field in (
        "kettle", "long-eighty", "bench") for one in files_of(SAMPLES / field)}
    assert seen["kettle", "boundary.geojson"].kind == "boundary"
    assert "121.38 ac" in seen["kettle", "boundary.geojson"].facts[0]
    assert seen["kettle", "soil.csv"].seems == "soil tests"
    assert seen["long-eighty", "boundary.zip"].kind == "boundary"
    assert seen["long-eighty", "samples.shp"].kind == "soil tests"
    assert ("long-eighty", "samples.dbf") not in seen
    assert seen["bench", "soil.csv"].seems == "soil tests"
    assert seen["bench", "conductivity.csv"].kind != "boundary"
    assert not any(one.trouble for one in seen.values())
    assert not any(name == "plan.toml" for _, name in seen)


@pytest.mark.parametrize(("name", "text", "seems"), [
    ("water.csv", "source,sulfate_ppm,chloride_ppm,ec\nwell,90,40,0.8\n", "a water test"),
    ("log.csv", "longitude,latitude,dry_yield,moisture\n-85,41,3,12\n-85.1,41,3,12\n",
     "a yield log, or a layer of points"),
    ("tissue.csv", "sample,plant_part,stage\n1,top,bud\n", "a plant test"),
    ("notes.pdf", "x", "something that vrx does not read"),
    ("guide.toml", "x = 1\n", "a rule book, materials or a column map of your own"),
    ("broken.geojson", "{", "cannot be read as it is"),
    ("broken.xlsx", "no workbook", "cannot be read as it is")])
def test_what_a_file_seems_to_be(tmp_path: Path, name: str, text: str, seems: str) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    told = seen_file(path, used={})
    assert told.seems == seems
    assert bool(told.trouble) == (seems == "cannot be read as it is")


def test_files_named_by_a_plan_are_told(draft: Path) -> None:
    used = used_files(read_document(draft / "plan.toml"))
    assert used["boundary.geojson"] == "field.boundary"
    assert used["soil.csv"] == "soil.samples"
    assert seen_file(draft / "soil.csv", used=used).used_as == "soil.samples"


def test_links_and_hidden_files_are_no_files_of_the_folder(draft: Path, tmp_path: Path) -> None:
    (draft / ".hidden.csv").write_text("a\n", encoding="utf-8")
    (draft / "linked.csv").symlink_to(draft / "soil.csv")
    assert [one.name for one in files_of(draft)] == ["boundary.geojson", "soil.csv"]


def test_every_open_key_is_asked_once(draft: Path) -> None:
    plan = draft / "plan.toml"
    groups = open_groups(plan, check_field(draft).mapping)
    asked = [one.key for group in groups for one in group.questions]
    wanted = {key.partition("[")[0] if key.endswith("]") else key
              for key in blanks(read_document(plan))}
    assert len(asked) == len(set(asked))
    assert set(asked) == wanted


def test_only_what_the_file_states_is_filled_in_beforehand(draft: Path) -> None:
    groups = open_groups(draft / "plan.toml", check_field(draft).mapping)
    asked = {one.key: one for group in groups for one in group.questions}
    assert asked["soil.potassium.unit"].stated == "ppm"
    assert asked["soil.potassium.extractant"].stated == "mehlich-3"
    form = asked["soil.potassium.form"]
    assert form.stated == ""
    assert "suggests K" in form.hint
    assert [one.value for one in form.choices] == ["K", "K2O"]
    assert asked["soil.sulfate.extractant"].stated == ""
    assert asked["soil.potassium.depth_in"].kind == "pair"
    assert {"tri-state-2020"} <= {one.value for one in asked["need.potassium.book"].choices}
    assert not any(one.stated for key, one in asked.items() if not key.startswith("soil."))


def test_a_group_shows_the_column_that_it_asks_about(draft: Path) -> None:
    groups = {one.id: one for one in open_groups(
        draft / "plan.toml", check_field(draft).mapping)}
    assert groups["soil.potassium"].column == "K_M3_ppm"
    assert groups["soil.potassium"].values[0] == "65"
    assert groups["water"].drop == "water"
    assert groups["yield_goal"].drop == ""
