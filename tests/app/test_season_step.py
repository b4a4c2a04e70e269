"""The season plan: passes, machines, limits and prices written by forms, checked as a whole."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest

from vrx.pipeline import compute, read_inputs
from vrx.plan import load_plan

EIGHTY = Path(__file__).resolve().parents[2] / "sample_geo" / "long-eighty"
POTASH, THIO = "muriate of potash 0-0-60", "potassium thiosulfate 0-0-25-17S"


def plan_of(folder):
    return tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))


def quantities(folder):
    """Order of the folder as the command line works it out, by plain arithmetic from the rates."""
    plan_file = folder / "plan.toml"
    plan = load_plan(plan_file)
    told = compute(plan, read_inputs(plan, plan_file=plan_file)).prescription
    totals = {}
    for one in told.passes:
        acres = list(told.zone_area_ac)
        amount = sum(rate * ac for rate, ac in zip(one.rates.tolist(), acres, strict=True))
        if one.treated_ac:
            amount *= one.treated_ac / sum(acres)
        totals[one.material.id] = totals.get(one.material.id, 0.0) + amount
    return totals


def test_the_order_shown_is_the_sum_of_rates_times_acres(small, desk) -> None:
    text = desk.ready("/season")
    for name, amount in quantities(small).items():
        unit = "gal" if "thiosulfate" in name else "lb"
        assert f"{amount:,.0f} {unit}" in text
    assert "Takes up about" in text
    assert "Removes" in text


def test_a_fixed_rate_of_thiosulfate_moves_order_and_cost_alone(small, desk) -> None:
    desk.ready("/season")
    before = quantities(small)
    at = next(k for k, one in enumerate(plan_of(small)["pass"], 1) if one["material"] == THIO)
    told = desk.post("/season/save-pass", {
        "number": str(at), f"pass[{at}].rate_gal_per_ac": "4"}, fetched=True)
    assert told.status_code == 200, told.text
    after = quantities(small)
    treated = plan_of(small)["pass"][at - 1].get("treated_ac")
    acres = treated if isinstance(treated, float | int) else sum(
        desk.session.bench.job().prescription.zone_area_ac)
    assert after[THIO] == pytest.approx(4 * acres, rel=1e-12)
    assert after[POTASH] == before[POTASH]
    assert f"{4 * acres:,.0f} gal" in desk.ready("/season")


def test_a_rate_above_the_label_is_refused_where_it_was_typed_or_told_as_a_stop(
        small, desk) -> None:
    desk.ready("/season")
    at = next(k for k, one in enumerate(plan_of(small)["pass"], 1) if one["material"] == THIO)
    desk.post("/season/save-pass", {"number": str(at), f"pass[{at}].rate_gal_per_ac": "40"})
    text = desk.ready("/season")
    assert "label" in text
    assert "Not known until what stops the plan is mended" in text
    assert f'name="pass[{at}].rate_gal_per_ac" value="40"' in text
    desk.post("/season/save-pass", {"number": str(at), f"pass[{at}].rate_gal_per_ac": "5"})
    assert "Not known until" not in desk.ready("/season")


def test_another_material_takes_what_was_said_in_the_other_unit_and_its_price_along(
        small, desk) -> None:
    desk.ready("/season")
    at = next(k for k, one in enumerate(plan_of(small)["pass"], 1) if one["material"] == THIO)
    told = desk.post("/season/save-pass", {
        "number": str(at), f"pass[{at}].material": "gypsum 0-0-0-18S",
        f"pass[{at}].rate_lb_per_ac": "100", f"pass[{at}].label_most_lb_per_ac": "300"},
        fetched=True)
    assert told.status_code == 200, told.text
    plan = plan_of(small)
    own = plan["pass"][at - 1]
    assert own["material"] == "gypsum 0-0-0-18S"
    assert own["rate_lb_per_ac"] == 100
    assert not [key for key in own if key.endswith("_gal_per_ac")]
    assert THIO not in plan["prices"]
    assert "went with" in told.json()["said"]


@pytest.mark.parametrize(("field", "value", "where"), [
    ("pass[1].share_of_need", "3", "pass[1].share_of_need"),
    ("pass[1].method", "catapult", "pass[1].method"),
    ("machine.after-first.step_lb_per_ac", "-5", "machine.after-first.step_lb_per_ac"),
    ("machine.after-first.step_lb_per_ac", "ten", "machine.after-first.step_lb_per_ac"),
])
def test_a_wrong_value_of_a_pass_is_told_beside_it(small, desk, field, value, where) -> None:
    desk.ready("/season")
    before = (small / "plan.toml").read_bytes()
    told = desk.post("/season/save-pass", {"number": "1", field: value}, fetched=True)
    assert told.status_code == 422
    assert told.json()["trouble"]["where"] == where
    assert (small / "plan.toml").read_bytes() == before


def test_two_ways_to_set_a_rate_are_refused_together(small, desk) -> None:
    desk.ready("/season")
    before = (small / "plan.toml").read_bytes()
    told = desk.post("/season/save-pass", {"number": "1", "pass[1].rate_lb_per_ac": "100"},
                     fetched=True)
    assert told.status_code == 422
    assert "exactly one of" in told.json()["trouble"]["message"]
    assert (small / "plan.toml").read_bytes() == before


def test_a_pass_that_is_not_there_is_refused(small, desk) -> None:
    desk.ready("/season")
    for number in ("0", "99", "-1", "1.5", "x"):
        told = desk.post("/season/save-pass", {"number": number}, fetched=True)
        assert told.status_code == 422, number


def test_limits_and_prices_are_written_and_counted(small, desk) -> None:
    desk.ready("/season")
    key = f'prices."{POTASH}".usd'
    assert desk.post("/season/save-prices", {key: "600"}).status_code == 303
    assert plan_of(small)["prices"][POTASH]["usd"] == 600
    desk.ready("/season")
    amount = quantities(small)[POTASH]
    line = next(one for one in desk.session.bench.job().prescription.order
                if one.material == POTASH)
    # 2,000 lb in a short ton (NIST Handbook 44, Appendix C).
    assert line.usd == pytest.approx(amount / 2000 * 600, rel=1e-12)
    assert desk.post("/season/save-limits", {"limits.s_lb_per_ac": "45"}).status_code == 303
    assert plan_of(small)["limits"]["s_lb_per_ac"] == 45


def test_materials_of_a_planned_pass_are_ticked(empty, desk) -> None:
    for one in EIGHTY.iterdir():
        if one.is_file() and one.name != "plan.toml":
            shutil.copyfile(one, empty / one.name)
    shutil.copyfile(EIGHTY / "season.toml", empty / "plan.toml")
    text = desk.ready("/season")
    assert text.count('name="candidates"') >= 30
    told = desk.post("/season/save-pass", {
        "number": "2", "planned": "yes", "candidates": [THIO], f"most gal {THIO}": "9"},
        fetched=True)
    assert told.status_code == 200, told.text
    assert plan_of(empty)["pass"][1]["materials"] == [
        {"material": THIO, "label_most_gal_per_ac": 9.0}]
    desk.ready("/season")
    none = desk.post("/season/save-pass", {"number": "2", "planned": "yes"}, fetched=True)
    assert none.status_code == 422
    assert none.json()["trouble"]["where"] == "candidates"
    assert plan_of(empty)["pass"][1]["materials"]


def test_a_pass_is_added_moved_and_taken_out_and_comments_stay(small, desk) -> None:
    desk.ready("/season")
    before = plan_of(small)
    comments = [line for line in (small / "plan.toml").read_text("utf-8").splitlines()
                if line.lstrip().startswith("#")]
    told = desk.post("/season/add-pass", {
        "timing": "stubble of cutting 3", "method": "broadcast", "material": "gypsum 0-0-0-18S",
        "way": "fixed", "rate": "120", "label_most": "500", "step": "10"}, fetched=True)
    assert told.status_code == 200, told.text
    added = plan_of(small)["pass"][-1]
    assert (added["material"], added["rate_lb_per_ac"]) == ("gypsum 0-0-0-18S", 120)
    assert plan_of(small)["machine"][added["id"]] == {"step_lb_per_ac": 10}
    desk.ready("/season")
    assert quantities(small)["gypsum 0-0-0-18S"] == pytest.approx(
        120 * sum(desk.session.bench.job().prescription.zone_area_ac), rel=1e-12)
    count = len(plan_of(small)["pass"])
    desk.post("/season/move-pass", {"number": str(count), "by": "-1"})
    assert plan_of(small)["pass"][count - 2]["id"] == added["id"]
    desk.ready("/season")
    told = desk.post("/season/remove-pass", {"number": str(count - 1)}, fetched=True)
    assert told.status_code == 200, told.text
    assert plan_of(small) == before
    left = (small / "plan.toml").read_text("utf-8").splitlines()
    assert [one for one in left if one.lstrip().startswith("#")] == comments


def test_a_pass_taken_out_takes_its_machine_and_its_own_price_along_and_undo_brings_all_back(
        small, desk) -> None:
    desk.ready("/season")
    before = plan_of(small)
    at = next(k for k, one in enumerate(before["pass"], 1) if one["material"] == THIO)
    told = desk.post("/season/remove-pass", {"number": str(at)}, fetched=True)
    assert told.status_code == 200, told.text
    plan, name = plan_of(small), before["pass"][at - 1]["id"]
    assert THIO not in plan["prices"]
    for section in (("machine",), ("calendar", "pass"), ("conditions", "pass")):
        held, left = before, plan
        for key in section:
            held, left = held[key], left.get(key, {})
        assert name in held
        assert name not in left
    assert name in before["irrigation"]["inject"]
    assert "Not known until" not in desk.ready("/season")
    bench = desk.session.bench
    bench.look()
    bench.undo_plan(on=bench.state)
    assert plan_of(small) == before
