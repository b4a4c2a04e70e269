from __future__ import annotations

from pathlib import Path

import pytest

from vrx.plan.load import load_plan
from vrx.products import load_materials
from vrx.rules import load_books, options_of, run_examples

FIELDS = ("bench", "kettle", "long-eighty")


@pytest.mark.parametrize("field", FIELDS)
def test_a_sample_plan_is_complete_and_its_files_books_and_materials_exist(
    root: Path, field: str
) -> None:
    folder = root / "sample_geo" / field
    plan = load_plan(folder / "plan.toml")
    files = [plan.field.boundary, plan.soil.samples, *plan.books, *plan.materials]
    assert [name for name in files if not (folder / name).is_file()] == []
    books = load_books([folder / name for name in plan.books])
    for section in (plan.need.potassium, plan.need.sulfur):
        assert section is not None
        assert set(section.options()) <= {option.name for option in options_of(books[section.book])}
    materials = load_materials([folder / name for name in plan.materials])
    assert {one.material for one in plan.passes} <= set(materials)


def test_the_planned_season_is_the_same_field_with_other_passes(root: Path) -> None:
    folder = root / "sample_geo" / "long-eighty"
    plain, season = load_plan(folder / "plan.toml"), load_plan(folder / "season.toml")
    for part in ("field", "soil", "water", "yield_goal", "surface", "zones", "need"):
        assert getattr(season, part) == getattr(plain, part)
    assert season.season_plan is not None
    named = {each.material for one in season.passes for each in one.materials}
    assert named <= set(load_materials([]))
    assert named == set(season.prices)


def test_the_invented_county_guide_gives_what_was_worked_by_hand(root: Path) -> None:
    books = load_books([root / "sample_geo" / "bench" / "county_guide.toml"])
    results = run_examples(books["bench-county-invented"])
    assert len(results) == 3
    assert [result.differences for result in results if not result.passed] == []


def test_the_bench_water_brings_more_sulfur_than_the_crop_takes_up(root: Path) -> None:
    plan = load_plan(root / "sample_geo" / "bench" / "plan.toml")
    assert plan.water is not None
    assert plan.water.sulfate_so4_ppm is not None
    # Oregon State, water units: an acre-foot of water weighs 2,716,435 lb; SO4 / 3 = SO4-S.
    water_s = plan.water.sulfate_so4_ppm / 3 * plan.water.net_in / 12 * 2.716435
    # Uptake 5.5 lb S a ton: common practice, no source.
    assert water_s > 5 * 5.5 * plan.yield_goal.tons_per_ac
