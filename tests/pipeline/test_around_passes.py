"""Blends, calendar, conditions, ceilings and livestock from plan to page and job record."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from vrx.audit import audit_run
from vrx.errors import PlanError, RuleError, VrxError
from vrx.pipeline import RunResult, run_field

POTASH = 'material = "muriate of potash 0-0-60"'
BLEND = """
[[blend]]
id = "potash with sulfate 0-0-58-4S"
code = "PKS"
by = "weight"
part = [
  { material = "muriate of potash 0-0-60", parts = 3 },
  { material = "potassium sulfate 0-0-50-17S", parts = 1 },
]

[[pass]]
id = "after-first"
"""


class Plan:
    """Kettle's plan file, changed piece by piece."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def change(self, old: str, new: str) -> Plan:
        file = self.folder / "plan.toml"
        text = file.read_text(encoding="utf-8")
        assert old in text, old
        file.write_text(text.replace(old, new, 1), encoding="utf-8")
        return self

    def run(self) -> RunResult:
        return run_field(self.folder)


@pytest.fixture
def kettle(copy_of: Callable[[str], Path]) -> Plan:
    return Plan(copy_of("kettle"))


def codes(result: RunResult) -> set[str]:
    return {one.code for one in result.job.findings}


def told(result: RunResult, code: str) -> str:
    return next(one.what for one in result.job.findings if one.code == code)


def record(result: RunResult) -> dict[str, Any]:
    return json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))["care"]


def test_kettle_tells_windows_and_what_a_missed_pass_leaves(runs: dict[str, RunResult]) -> None:
    care = record(runs["kettle"])
    days = {one["pass_id"]: (one["opens"], one["closes"], one["fits"]) for one in care["windows"]}
    # By hand from the plan's calendar: wheels until 5 days after the cut, water from July 6,
    # 3 days of bare stubble, the fourth cutting within 4 to 6 weeks before Oct 10.
    assert days == {"after-first": ("2027-05-31", "2027-06-02", True),
                    "stubble-2": ("2027-07-06", "2027-07-08", True),
                    "late-summer": ("2027-09-09", "2027-09-11", None)}
    passes = {one.pass_id: one for one in runs["kettle"].job.prescription.passes}
    missed = {(one["pass_id"], one["nutrient"]): one for one in care["missed"]}
    # All that the first pass brings is needed: 25,148 lb x 60 %, less what zone G did not get.
    first = missed["after-first", "K2O"]
    assert first["short_lb"] <= passes["after-first"].prescription_total * 0.6 + 1e-6
    assert first["short_lb"] == pytest.approx(sum(
        of["lb"] for of in first["carriers"]) + first["still_lb"])
    assert missed["late-summer", "K2O"]["carriers"] == []
    page = (runs["kettle"].folder / "page.html").read_text(encoding="utf-8")
    for text in ("Before and around the passes", "Go or no-go on the day", "If a pass is missed",
                 "Jul 6, 2027 to Jul 8, 2027", "Put right first"):
        assert text in page


def test_a_plan_without_a_calendar_still_has_boxes_and_what_comes_first(
    runs: dict[str, RunResult]
) -> None:
    result = runs["bench"]
    care = record(result)
    assert care["windows"] == []
    assert care["first"]
    spreads = [one.pass_id for one in result.job.prescription.passes if one.rates.any()]
    assert list(dict.fromkeys(one["pass_id"] for one in care["conditions"])) == spreads
    assert not {"conditions-not-known", "calendar-window-unknown"} & codes(result)


def test_a_blend_is_planned_ordered_and_told(kettle: Plan) -> None:
    kettle.change('\n[[pass]]\nid = "after-first"\n', BLEND)
    kettle.change(f'method = "broadcast"\n{POTASH}',
                  'method = "broadcast"\nmaterial = "potash with sulfate 0-0-58-4S"')
    result = kettle.run()
    line = next(one for one in result.job.prescription.order if one.material.startswith("potash"))
    # Mass balance by hand: 57.5 % K2O and 4.25 % S of every pound.
    assert line.k2o_lb == pytest.approx(line.lb * 0.575)
    assert line.s_lb == pytest.approx(line.lb * 0.0425)
    assert "blend-segregation" in codes(result)
    written = json.loads((result.folder / "prescription.geojson").read_text(encoding="utf-8"))
    assert sum("P1_PKS_LB" in one["properties"] for one in written["features"]) == 9
    assert any(one["blend"] for one in record(result)["materials"])
    # The auditor reads the files again and counts the blend's nutrients from the job record; a
    # grade rounded to whole percents is no doubt.
    audited = audit_run(folder=result.folder)
    assert audited.agrees
    assert "audit-credit-grade" not in {one.code for one in audited.faults}


def test_a_late_day_and_a_no_go_are_warned_and_move_no_rate(
    kettle: Plan, runs: dict[str, RunResult]
) -> None:
    kettle.change("on = 2027-07-07", "on = 2027-07-15")
    kettle.change("[conditions]", "[conditions]\nsnow_cover = true")
    result = kettle.run()
    assert "2027-07-06 to 2027-07-08" in told(result, "calendar-outside-window")
    assert {"conditions-no-go", "calendar-outside-window"} <= codes(result)
    assert "No-go" in (result.folder / "page.html").read_text(encoding="utf-8")
    assert [one.prescription_total for one in result.job.prescription.passes] == [
        one.prescription_total for one in runs["kettle"].job.prescription.passes]


def test_a_ceiling_of_k2o_is_hard_and_told(kettle: Plan) -> None:
    kettle.change("s_lb_per_ac = 50.0", "s_lb_per_ac = 50.0\nk2o_lb_per_ac = 200.0")
    result = kettle.run()
    brought = sum(one.rates * one.material.nutrient_lb_per_unit("K2O")
                  for one in result.job.prescription.passes)
    assert brought.max() <= 200.0
    assert "your ceiling of 200 lb K2O/ac" in told(result, "pass-ceiling")


def test_a_ceiling_below_a_fixed_rate_lowers_it(kettle: Plan) -> None:
    kettle.change("s_lb_per_ac = 50.0", "s_lb_per_ac = 50.0\nk2o_lb_per_ac = 10.0")
    rates = kettle.run().job.prescription.passes[1].rates
    assert rates.max() == 3.0  # 3 gal bring 9.15 lb K2O, 3.5 gal 10.7


def test_livestock_counts_drinking_water_as_sulfur(kettle: Plan) -> None:
    kettle.change("[limits]", "[livestock]\nanimals = \"dry cows\"\nhay_k_pct = 2.8\n"
                  "hay_s_pct = 0.30\nhay_share = 1.0\nforage_share = 1.0\n"
                  "water_sulfate_so4_ppm = 2000.0\nwater_gal_per_day = 12.0\n"
                  "dry_matter_lb_per_day = 26.0\n\n[limits]")
    result = kettle.run()
    high = [one.what for one in result.job.findings if one.code == "feed-high"]
    assert any("K of the hay" in text for text in high)
    # 2,000 ppm SO4 x 0.3338 x 12 gal x 8.3454 lb / 26 lb = 0.26 %.
    assert any("0.56 %, 0.26 % of it from water" in text for text in high)
    assert "The hay as feed" in (result.folder / "page.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(("old", "new", "says"), [
    ("[calendar.pass.stubble-2]", "[calendar.pass.stuble-2]", "calendar.pass.stuble-2] fits no"),
    ("[conditions.pass.stubble-2]", "[conditions.pass.x]", "conditions.pass.x] fits no pass"),
    ("killing_frost = 2027-10-10", "killing_frots = 2027-10-10", "did you mean 'killing_frost'"),
    ("bales_off = 2027-05-31", "bale_off = 2027-05-31", "did you mean 'bales_off'"),
    ("bales_off = 2027-05-31", "bales_off = 2027-05-01", "bales_off on 2027-05-01 is before cut"),
    ("killing_frost = 2027-10-10", "killing_frost = 2031-10-10", "outside the season 2027"),
    ("slope_pct = 2.0", 'slope_pct = "2"', "must be a number"),
    ("slope_pct = 2.0", "slope_pct = 200.0", "less than or equal to 100"),
    ("wind_most_mph = 12.0", "wind_most_kmh = 12.0", "did you mean 'wind_most_mph'"),
    ("s_lb_per_ac = 50.0", "s_lb_per_ac = 50.0\nk2o_kg_per_ha = 200", "k2o_lb_per_ac"),
    ("s_lb_per_ac = 50.0", "s_lb_per_ac = 50.0\ncl_lb_per_ac = -1", "greater than 0"),
    ("last_stand_year = 5", "last_stand_year = 2", "stand_year 3 lies beyond"),
    ("[limits]", '[livestock]\nanimals = "dry cows"\nwater_sulfate_s_ppm = 9.0\n[limits]',
     "water_gal_per_day"),
    ("[limits]", '[livestock]\nanimals = "goats"\n[limits]', "'dry cows'"),
    ('\n[[pass]]\nid = "after-first"\n', BLEND.replace("58-4S", "60-4S"), "the parts give 57.50"),
    ('\n[[pass]]\nid = "after-first"\n', BLEND.replace('by = "weight"\n', ""), "by' is missing"),
    ('\n[[pass]]\nid = "after-first"\n', BLEND.replace("parts = 3", "parts = 0"), "greater than 0"),
    ('\n[[pass]]\nid = "after-first"\n', BLEND.replace("muriate of", "muriat of"), "nearest:"),
])
def test_bad_input_names_the_place_and_the_remedy(
    kettle: Plan, old: str, new: str, says: str
) -> None:
    with pytest.raises(VrxError) as caught:
        kettle.change(old, new).run()
    assert isinstance(caught.value, PlanError | RuleError)
    assert says in str(caught.value)
    assert not (kettle.folder / "output" / "current.json").exists()
