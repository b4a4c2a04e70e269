"""The steps of soil tests and of their maps: what they show, what they write, what they refuse."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from vrx.pipeline import compute, read_inputs
from vrx.plan import load_plan


def plan_of(folder):
    return tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))


def test_soil_tests_show_every_sample_of_the_file(small, desk) -> None:
    text = desk.ready("/samples")
    plan = load_plan(small / "plan.toml")
    soil = read_inputs(plan, plan_file=small / "plan.toml").soil
    assert f"{len(soil.sample_id)} places" in text
    for name in soil.sample_id:
        assert f">{name}</th>" in text
    # Least and greatest by numpy, beside those of the page.
    values = soil.columns["potassium"].values
    for value in (np.nanmin(values), np.nanmax(values)):
        assert f">{value:,.0f}</td>" in text


def test_a_sample_left_out_is_out_of_the_maps_and_comes_back(small, desk) -> None:
    desk.ready("/samples")
    plan = load_plan(small / "plan.toml")
    name = read_inputs(plan, plan_file=small / "plan.toml").soil.sample_id[3]
    assert desk.post("/samples/leave-out", {"sample": name}).status_code == 303
    assert plan_of(small)["soil"]["leave_out"] == [name]
    text = desk.ready("/samples")
    assert f"Take sample {name} back" in text
    assert f">{name}</th>" not in text
    assert desk.post("/samples/take-back", {"sample": name}).status_code == 303
    assert "leave_out" not in plan_of(small)["soil"]
    assert f">{name}</th>" in desk.ready("/samples")


@pytest.mark.parametrize("name", ["nobody", "<b>x</b>", "../../plan.toml"])
def test_a_sample_that_is_not_there_cannot_be_left_out(small, desk, name) -> None:
    desk.ready("/samples")
    before = (small / "plan.toml").read_bytes()
    answer = desk.post("/samples/leave-out", {"sample": name}, fetched=True)
    assert answer.status_code == 422
    assert answer.json()["trouble"]["where"] == "sample"
    assert (small / "plan.toml").read_bytes() == before


def test_a_wrong_unit_is_told_beside_its_control_and_nothing_is_written(small, desk) -> None:
    desk.ready("/samples")
    before = (small / "plan.toml").read_bytes()
    answer = desk.post("/samples/save", {"soil.potassium.unit": "pmm"}, fetched=True)
    assert answer.status_code == 422
    assert answer.json()["trouble"]["where"] == "soil.potassium.unit"
    assert (small / "plan.toml").read_bytes() == before


def test_values_that_do_not_go_together_are_refused_before_anything_is_written(
        small, desk) -> None:
    desk.ready("/maps")
    before = (small / "plan.toml").read_bytes()
    answer = desk.post("/maps/save", {
        "surface.variogram.potassium.model": "spherical",
        "surface.variogram.potassium.nugget": "100",
        "surface.variogram.potassium.partial_sill": "300",
        "surface.variogram.potassium.range_ft": "900",
        "surface.variogram.potassium.practical_range_ft": "900"}, fetched=True)
    assert answer.status_code == 422
    assert "not both" in answer.json()["trouble"]["message"]
    assert (small / "plan.toml").read_bytes() == before


def test_fields_of_other_sections_are_not_written_by_a_form_of_maps(small, desk) -> None:
    desk.ready("/maps")
    desk.post("/maps/save", {"surface.cell_m": "25", "prices.x.usd": "1", "field.name": "taken"})
    assert plan_of(small)["surface"]["cell_m"] == 25
    assert plan_of(small)["field"]["name"] != "taken"


def test_another_cell_size_draws_the_map_that_the_command_line_draws(small, desk) -> None:
    desk.ready("/maps")
    assert desk.post("/maps/save", {"surface.cell_m": "30"}).status_code == 303
    desk.ready("/maps")
    plan_file = small / "plan.toml"
    plan = load_plan(plan_file)
    own = compute(plan, read_inputs(plan, plan_file=plan_file)).surfaces["potassium"].values
    shown = desk.session.bench.job().surfaces["potassium"].values
    assert shown.shape == own.shape
    np.testing.assert_array_equal(shown, own)


def test_the_map_of_another_soil_test_is_shown_and_an_unknown_one_refused(small, desk) -> None:
    desk.ready("/maps")
    assert desk.post("/maps/show", {"analyte": "ph"}).status_code == 303
    text = desk.ready("/maps")
    assert 'id="show-ph" aria-pressed="true"' in text
    assert desk.post("/maps/show", {"analyte": "gold"}, fetched=True).status_code == 422


def test_places_are_ranked_best_first_and_forgotten_when_the_plan_changes(kettle, desk) -> None:
    plan = kettle / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("cell_m = 5.0", "cell_m = 20.0"),
                    encoding="utf-8")
    desk.ready("/maps")
    assert desk.post("/maps/rank", {"count": "3"}).status_code == 303
    text = desk.ready("/maps")
    gains = [float(row.split(" lb K2O")[0].replace(",", ""))
             for row in text.split('<td class="n">')[1:] if " lb K2O</td>" in row]
    assert len(gains) == 3
    assert gains == sorted(gains, reverse=True)
    desk.post("/maps/save", {"surface.cell_m": "25"})
    assert "Expected to save" not in desk.ready("/maps")
    for count in ("0", "1000", "2.5", "x"):
        assert desk.post("/maps/rank", {"count": count}, fetched=True).status_code == 422


def test_forms_stay_where_the_plan_cannot_be_worked_out(small, desk) -> None:
    plan = small / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace('column = "K_M3_ppm"', 'column = "NOT_THERE"'), encoding="utf-8")
    shown = desk.ready("/samples")
    assert "NOT_THERE" in shown
    assert "Not known until what stops the plan is mended" in shown
    assert 'name="soil.potassium.column"' in shown
    told = desk.post("/samples/save", {"soil.potassium.column": "K_M3_ppm"}, fetched=True)
    assert told.status_code == 200, told.text
    assert "Not known until" not in desk.ready("/samples")
