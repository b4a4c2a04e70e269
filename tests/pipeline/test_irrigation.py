"""Injection from the plan to page, schedule, order and audit."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from pathlib import Path

import pytest

from vrx.audit import audit_run
from vrx.errors import PlanError, PlanInfeasible
from vrx.pipeline import RunResult, check_field, run_field

POTASH_SULFUR = '[need.sulfur]\nbook = "sulfur-balance"\n'


def change(folder: Path, *pairs: tuple[str, str]) -> Path:
    """The plan with each text exchanged; each must stand there once."""
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    for old, new in pairs:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    plan.write_text(text, encoding="utf-8")
    return folder


def rows_of(folder: Path, name: str = "irrigation_stubble-2.csv") -> list[dict[str, str]]:
    with (folder / name).open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def codes(result: RunResult) -> set[str]:
    return {one.code for one in result.job.findings}


def test_kettles_turn_by_hand(runs: dict[str, RunResult]) -> None:
    # By hand: 1,316.5 ft is 125.00 ac (7.2121e-5 R²); at 18 h a circle, 60 % takes 30 h and 45 %
    # 40 h a circle, so 270 degrees take 22.5 h and 90 take 10 h. 125.00 / 30 = 4.1666 ac/h x 5
    # gal/ac = 20.83 gal/h; 125.00 / 40 x 5 = 15.62. Water: 900 gpm x 30 h / (452.571 x 125 ac) =
    # 0.477 in.
    result = runs["kettle"]
    (made,) = result.job.irrigation
    assert made.wetted_ac == pytest.approx(7.21210e-5 * 1316.5**2, rel=1e-5)
    assert made.injecting_h == pytest.approx(32.5)
    assert [round(leg.gal_per_h, 2) for leg in made.legs] == [20.83, 15.62, 20.83]
    assert made.legs[0].gross_in == pytest.approx(900 * 30 / (452.571 * 125), rel=1e-4)
    assert made.legs[0].net_in == pytest.approx(0.85 * 0.4773, rel=1e-3)
    # One setting: 624.99 gal / 32.5 h = 19.23 gal/h, over 4.1666 ac/h 4.615, over 3.125 6.154.
    assert [round(leg.one_setting_gal_per_ac, 2) for leg in made.legs] == [4.62, 6.15, 4.62]
    # The hollow of 3.6 ac is wetted too.
    inside = math.fsum(leg.field_ac or 0 for leg in made.legs)
    assert inside == pytest.approx(result.job.field.area_ac, rel=1e-3)
    rates = next(one for one in result.job.prescription.passes if one.pass_id == "stubble-2")
    assert made.total_gal == pytest.approx(rates.order_total, rel=1e-4)
    assert {"irrigation-order-rounded", "irrigation-lag"} <= codes(result)


def test_the_schedule_is_a_file_of_the_run_and_holds_what_the_record_holds(
    runs: dict[str, RunResult],
) -> None:
    folder = runs["kettle"].folder
    record = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    assert "irrigation_stubble-2.csv" in {one["path"] for one in record["files"]}
    (told,) = record["irrigation"]
    rows = rows_of(folder)
    assert [row["what"] for row in rows] == [
        "fill the tank", "clean water", "inject", "fill the tank", "inject", "inject",
        "fill the tank", "flush"]
    injected = [row for row in rows if row["what"] == "inject"]
    for row, leg in zip(injected, told["legs"], strict=True):
        for key in ("wetted_ac", "hours", "gal_per_ac", "gal_per_h", "gallons", "cumulative_gal"):
            assert float(row[key]) == pytest.approx(leg[key], rel=1e-7)
        assert float(row["gallons"]) == pytest.approx(
            float(row["gal_per_h"]) * float(row["hours"]), rel=1e-6)
    assert float(injected[-1]["cumulative_gal"]) == pytest.approx(told["total_gal"], rel=1e-7)
    fills = [float(row["fill_gal"]) for row in rows if row["what"] == "fill the tank"]
    assert sum(fills) == pytest.approx(told["total_gal"], rel=1e-7)
    page = (folder / "page.html").read_text(encoding="utf-8")
    assert 'id="irrigation"' in page
    assert "irrigation_stubble-2.csv" in page
    assert "low-pressure shut-off" in page


def test_wetted_acres_go_into_the_order_where_the_pass_leaves_them_out(
    copy_of: Callable[[str], Path],
) -> None:
    folder = change(copy_of("kettle"), ("treated_ac = 125.0\n", ""),
                    ("radius_ft = 1316.5", "radius_ft = 1400.0"))
    result = run_field(folder)
    rates = next(one for one in result.job.prescription.passes if one.pass_id == "stubble-2")
    acres = math.pi * 1400**2 / 43_560
    assert rates.treated_ac == pytest.approx(acres, rel=1e-9)
    assert rates.order_total == pytest.approx(5 * acres, rel=1e-9)
    assert result.job.irrigation[0].total_gal == pytest.approx(rates.order_total, rel=1e-9)
    assert "irrigation-order-rounded" not in codes(result)
    audit = audit_run(folder=result.folder)
    assert audit.arithmetic is True, [row for row in audit.rows if not row.agrees]


def test_other_acres_in_pass_and_geometry_stop(copy_of: Callable[[str], Path]) -> None:
    folder = change(copy_of("kettle"), ("radius_ft = 1316.5", "radius_ft = 1400.0"))
    with pytest.raises(PlanInfeasible) as caught:
        run_field(folder)
    assert "irrigation-order-differs" in {one.code for one in caught.value.findings}
    assert not (folder / "output").exists() or not (folder / "output" / "current.json").exists()
    told = next(one for one in check_field(folder).findings
                if one.code == "irrigation-order-differs")
    assert "leave treated_ac out" in told.todo


def test_a_fixed_injector_over_the_label_stops(copy_of: Callable[[str], Path]) -> None:
    folder = change(copy_of("kettle"), ('injector = "set anew"', 'injector = "fixed"'),
                    ("label_most_gal_per_ac = 10.0", "label_most_gal_per_ac = 6.0"))
    with pytest.raises(PlanInfeasible) as caught:
        run_field(folder)
    assert {one.code for one in caught.value.findings} == {"irrigation-above-label"}


def test_limits_of_the_season_count_what_one_setting_brings_on_top(
    copy_of: Callable[[str], Path],
) -> None:
    # By hand: 5 gal/ac x 12.2 lb/gal x 17 % = 10.37 lb S/ac; the slow quarter gets 6.154 gal/ac,
    # 12.76 lb: under a ceiling of 11 lb the plan passes and that quarter does not.
    fixed = ('injector = "set anew"', 'injector = "fixed"')
    folder = change(copy_of("kettle"), fixed, ("s_lb_per_ac = 50.0", "s_lb_per_ac = 11.0"))
    told = next(one for one in run_field(folder).job.findings
                if one.code == "irrigation-s-ceiling")
    assert "12.8 lb S/ac" in told.what
    change(folder, ("s_lb_per_ac = 11.0", "s_lb_per_ac = 13.0"))
    assert "irrigation-s-ceiling" not in codes(run_field(folder))
    change(folder, ("label_most_gal_per_ac = 10.0",
                    "label_most_gal_per_ac = 10.0\nlabel_most_season_gal_per_ac = 6.0"))
    with pytest.raises(PlanInfeasible) as caught:
        run_field(folder)
    assert "in the season" in str(caught.value.findings[0].what)


def test_the_ground_of_a_field_pivot_is_the_machines(copy_of: Callable[[str], Path]) -> None:
    ground = """[field.pivot]
centre = [-85.5478, 41.9312]
radius_ft = 1300
corner_arm_ft = 250
square_side_ft = 2640
"""
    folder = change(
        copy_of("kettle"), ('boundary = "boundary.geojson"\n', ""),
        ("\n[soil]\n", f"\n{ground}\n[soil]\n"), ("treated_ac = 125.0\n", ""),
        ("centre = [-85.5478, 41.9312]\nradius_ft = 1316.5\n", ""))
    result = run_field(folder)
    (made,) = result.job.irrigation
    # The field is drawn from the same figures by another room, with chords.
    assert made.wetted_ac == pytest.approx(result.job.field.area_ac, rel=1e-4)
    inside = math.fsum(leg.field_ac or 0 for leg in made.legs)
    assert inside == pytest.approx(result.job.field.area_ac, rel=1e-4)
    assert all(leg.corner_arm for leg in made.legs)
    assert "irrigation-field-dry" not in codes(result)


def test_a_pivot_that_does_not_reach_the_field_says_what_stays_dry(
    copy_of: Callable[[str], Path],
) -> None:
    folder = change(copy_of("kettle"), ("treated_ac = 125.0\n", ""),
                    ("radius_ft = 1316.5", "radius_ft = 1200.0"), ("= 1265", "= 1150"))
    result = run_field(folder)
    told = next(one for one in result.job.findings if one.code == "irrigation-field-dry")
    beyond = math.pi * (1316.0**2 - 1200.0**2) / 43_560
    assert float(told.value.split()[0]) == pytest.approx(beyond, abs=0.15)


def test_the_hollow_can_be_left_out_by_its_arc(copy_of: Callable[[str], Path]) -> None:
    # The hollow lies between about 117 and 160 degrees from the pivot.
    folder = change(copy_of("kettle"), ("treated_ac = 125.0\n", ""),
                    ("tank_gal = 275", "tank_gal = 275\noff_arcs_deg = [[115, 162]]"))
    result = run_field(folder)
    (made,) = result.job.irrigation
    off = [leg for leg in made.legs if not leg.injecting]
    assert [(leg.start_deg, leg.stop_deg) for leg in off] == [(115, 162)]
    assert made.wetted_ac == pytest.approx(math.pi * 1316.5**2 / 43_560 * 313 / 360, rel=1e-9)
    outside = math.fsum(leg.wetted_ac - (leg.field_ac or 0) for leg in made.legs if leg.injecting)
    assert outside < 0.2  # the rim alone; the hollow has 3.6 ac
    assert "irrigation-off-in-field" in codes(result)
    kinds = {row["what"] for row in rows_of(result.folder)}
    assert "injector off" in kinds


SECTORS = """[zones]
from = "pivot sectors"
smallest_ac = 2.0
narrowest_ft = 120
[zones.sectors]
centre = [-85.5478, 41.9312]
angles_deg = [0, 90, 180, 270]
"""


def by_sectors(folder: Path, *pairs: tuple[str, str]) -> Path:
    """Kettle with the pivot's quarters as zones, and thiosulfate that varies by the need of S."""
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    start = text.index("[zones]\n")
    end = text.index("[need.potassium]")
    plan.write_text(text[:start] + SECTORS + "\n" + text[end:], encoding="utf-8")
    return change(
        folder, ('serves = "sulfur"\nrate_gal_per_ac = 5.0\n',
                 'serves = "sulfur"\nrate = "variable"\nshare_of_need = 1.0\n'),
        ("treated_ac = 125.0\n", ""),
        ("label_most_gal_per_ac = 10.0", "label_most_gal_per_ac = 20.0"),
        ("step_gal_per_ac = 0.5", "step_gal_per_ac = 0.1"), *pairs)


def test_sectors_as_zones_vary_what_is_injected(copy_of: Callable[[str], Path]) -> None:
    result = run_field(by_sectors(copy_of("kettle")))
    rates = next(one for one in result.job.prescription.passes if one.pass_id == "stubble-2")
    assert len(set(rates.rates.tolist())) > 1
    assert rates.wetted_ac is not None
    quarter = math.pi * 1316.5**2 / 43_560 / 4
    assert rates.wetted_ac.tolist() == pytest.approx([quarter] * 4, rel=1e-9)
    assert rates.order_total == pytest.approx(float(rates.rates.sum()) * quarter, rel=1e-9)
    (made,) = result.job.irrigation
    assert made.total_gal == pytest.approx(rates.order_total, rel=1e-9)
    named = {zone.label: float(rate)
             for zone, rate in zip(result.job.zones.zones, rates.rates, strict=True)}
    for leg in made.legs:
        middle = ((leg.start_deg or 0) + (leg.sweep_deg or 0) / 2) % 360
        low = 90 * int(middle // 90)
        assert leg.gal_per_ac == pytest.approx(
            named[f"sector {low} to {(low + 90) % 360} degrees"])
    audit = audit_run(folder=result.folder)
    assert audit.arithmetic is True, [row for row in audit.rows if not row.agrees]
    record = json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))
    line = next(one for one in record["passes"] if one["pass_id"] == "stubble-2")
    assert len(line["wetted_ac_by_zone"]) == 4


def test_the_audit_sees_wetted_acres_that_were_changed(copy_of: Callable[[str], Path]) -> None:
    result = run_field(by_sectors(copy_of("kettle")))
    path = result.folder / "manifest.json"
    text = path.read_text(encoding="utf-8")
    record = json.loads(text)
    line = next(one for one in record["passes"] if one["pass_id"] == "stubble-2")
    line["wetted_ac_by_zone"][0]["wetted_ac"] *= 1.2
    path.write_text(json.dumps(record), encoding="utf-8")
    audit = audit_run(folder=result.folder)
    assert audit.arithmetic is not True


def test_ground_of_several_zones_under_one_sector_is_refused(
    copy_of: Callable[[str], Path],
) -> None:
    folder = by_sectors(copy_of("kettle"),
                        ("angles_deg = [0, 90, 180, 270]",
                         "angles_deg = [0, 90, 180, 270]\nring_radii_ft = [900]"))
    with pytest.raises(PlanError, match="lies in several zones") as caught:
        run_field(folder)
    assert "without rings" in caught.value.hint


def test_a_variable_rate_without_a_pivot_described_still_stops(
    copy_of: Callable[[str], Path],
) -> None:
    folder = by_sectors(copy_of("kettle"))
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    start, end = text.index("[irrigation]\n"), text.index("# Most S of the whole season.")
    plan.write_text(text[:start] + text[end:], encoding="utf-8")
    with pytest.raises(PlanError) as caught:
        run_field(folder)
    assert caught.value.code == "pass-irrigation-variable"


SETS = """[irrigation]
system = "{system}"
flow_gpm = 450
application_efficiency_pct = 65
distribution_uniformity_pct = 80
{tail}
[irrigation.sets]
number = 24
set_ac = 5.2
per_day = 2
[irrigation.inject.stubble-2]
injector = "fixed"
set_h = 11.5
clean_before_h = 5.0
inject_h = 3.0
flush_h = 2.0
tank_gal = 120
"""


def with_sets(folder: Path, system: str, tail: str = "") -> Path:
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    start, end = text.index("[irrigation]\n"), text.index("# Most S of the whole season.")
    text = text[:start] + SETS.format(system=system, tail=tail) + "\n" + text[end:]
    plan.write_text(text.replace("treated_ac = 125.0\n", ""), encoding="utf-8")
    return folder


def test_sets_of_a_wheel_line(copy_of: Callable[[str], Path]) -> None:
    # By hand: 24 x 5.2 ac = 124.8 ac x 5 gal/ac = 624 gal; 26 gal a set in 3 h are 8.667 gal/h.
    result = run_field(with_sets(copy_of("kettle"), "wheel line"))
    (made,) = result.job.irrigation
    assert made.total_gal == pytest.approx(624)
    assert {round(leg.gal_per_h, 3) for leg in made.legs} == {8.667}
    assert len(made.fills) == 6
    rates = next(one for one in result.job.prescription.passes if one.pass_id == "stubble-2")
    assert rates.order_total == pytest.approx(624)
    rows = rows_of(result.folder)
    assert [row["day"] for row in rows if row["what"] == "inject"] == [
        str(1 + n // 2) for n in range(24)]
    audited = audit_run(folder=result.folder)
    days = [row for row in audited.rows if row.what == "schedule, day"]
    assert len(days) == len(rows)
    assert audited.arithmetic is True
    page = (result.folder / "page.html").read_text(encoding="utf-8")
    assert "24, 2 a day: 12 days" in page


def test_another_day_of_a_set_is_told(copy_of: Callable[[str], Path]) -> None:
    run = run_field(with_sets(copy_of("kettle"), "wheel line")).folder
    path = next(run.glob("irrigation_*.csv"))
    head, *rows = path.read_text(encoding="utf-8-sig").splitlines()
    at = head.split(",").index("day")
    k = next(n for n, row in enumerate(rows) if row.split(",")[at] == "3")
    cells = rows[k].split(",")
    cells[at] = "4"
    rows[k] = ",".join(cells)
    path.write_text("\r\n".join([head, *rows, ""]), encoding="utf-8-sig", newline="")
    wrong = [row for row in audit_run(folder=run).rows
             if row.what == "schedule, day" and not row.agrees]
    assert [(row.found, row.expected) for row in wrong] == [(4.0, 3.0)]


@pytest.mark.parametrize(("tail", "code"), [
    ("", "irrigation-tailwater-missing"),
    ('tailwater = "leaves the field"', "irrigation-tailwater-leaves"),
])
def test_surface_irrigation_without_a_place_for_its_tailwater_stops(
    copy_of: Callable[[str], Path], tail: str, code: str
) -> None:
    with pytest.raises(PlanInfeasible) as caught:
        run_field(with_sets(copy_of("kettle"), "border", tail))
    assert {one.code for one in caught.value.findings} == {code}


def test_more_sets_than_a_day_has_hours_are_refused(copy_of: Callable[[str], Path]) -> None:
    folder = change(with_sets(copy_of("kettle"), "wheel line"), ("per_day = 2", "per_day = 3"))
    with pytest.raises(PlanError, match=r"3 sets of 11\.5 h are more than a day"):
        run_field(folder)


def test_wetted_acres_that_nobody_states_stop(copy_of: Callable[[str], Path]) -> None:
    # Neither the pass nor [irrigation] says how many acres the water wets.
    folder = copy_of("kettle")
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8").replace("treated_ac = 125.0\n", "")
    start, end = text.index("[irrigation]\n"), text.index("# Most S of the whole season.")
    plan.write_text(text[:start] + text[end:], encoding="utf-8")
    with pytest.raises(PlanError) as caught:
        run_field(folder)
    assert caught.value.code == "pass-treated-missing"
    assert "stubble-2" in str(caught.value)
    assert "[irrigation.inject" in caught.value.hint
    assert not (folder / "output").exists()


def test_a_pass_that_nobody_described_says_so(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("kettle")
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    start, end = text.index("[irrigation]\n"), text.index("# Most S of the whole season.")
    plan.write_text(text[:start] + text[end:], encoding="utf-8")
    result = run_field(folder)
    assert "irrigation-no-schedule" in codes(result)
    assert result.job.irrigation == ()
    assert not list(result.folder.glob("irrigation_*"))
    assert 'id="irrigation"' not in (result.folder / "page.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(("old", "new", "words"), [
    ("speed_pct = 60\n", "", "one of full_circle_h, speed_pct and gross_in"),
    ("speed_pct = 60\n", "speed_pct = 60\ngross_in = 0.5\n", "one of full_circle_h"),
    ("begin_deg = 0\n", "", "give begin_deg"),
    ('direction = "clockwise"\n', 'direction = "left"\n', "irrigation.inject.stubble-2.direction"),
    ("tank_gal = 275", 'tank_gal = "275"', "must be a number"),
    ("tank_gal = 275", "tank_l = 275", "unknown key"),
    ("step_gal_per_ac = 0.5\n", "step_gal_per_ac = 0.5\ntank_gal = 250\n",
     "275 in [irrigation.inject.stubble-2] and 250 in [machine.stubble-2]"),
    ("flush_h = 1.0\n", "", "flush_h"),
    ("flush_h = 1.0\n", "flush_h = 0\n", "flush_h"),
    ("radius_ft = 1316.5", "radius_ft = 1e308", "less than or equal to 20000"),
    ("radius_ft = 1316.5", "radius_ft = nan", "radius_ft"),
    ("speed_pct = 60\n", "speed_pct = 1e-300\n", "greater than or equal to 1"),
    ("speed_pct = 60\n", "full_circle_h = inf\n", "full_circle_h"),
    ("least_gal_per_h = 5", "least_gal_per_h = 80", "above most_gal_per_h"),
    ("distribution_uniformity_pct = 88", "distribution_uniformity_pct = 188",
     "distribution_uniformity_pct"),
    ("from_deg = 225, to_deg = 315, speed_pct = 45", "from_deg = 225, to_deg = 225, hours = 4",
     "is no arc"),
    ("from_deg = 225, to_deg = 315, speed_pct = 45", "from_deg = 225, to_deg = 315",
     "one of hours, speed_pct and gross_in"),
    ("[irrigation.inject.stubble-2]", "[irrigation.inject.stubble-3]", "fits no pass"),
    ("[irrigation.inject.stubble-2]", "[irrigation.inject.after-first]",
     'not "through irrigation'),
    ("centre = [-85.5478, 41.9312]\nradius_ft = 1316.5\n", "", "centre and radius_ft"),
    ("radius_ft = 1316.5\n", "radius_ft = 1316.5\nend_gun_ft = 80\n", "end_gun_arcs"),
    ("radius_ft = 1316.5\n", ("radius_ft = 1316.5\ncorner_arm_ft = 200\nsquare_side_ft = 2300\n"
     "corner_arm_arcs = [[30, 60]]\n"), "square_side_ft = 2300 is narrower than the circle"),
    ("radius_ft = 1316.5\n", "radius_ft = 1316.5\nsquare_side_ft = 2640\n", "corner_arm_ft"),
    ("last_tower_ft = 1265", "last_tower_ft = 1400", "beyond radius_ft"),
    ('system = "centre pivot"', 'system = "wheel line"', "not to \"wheel line\""),
    ('system = "centre pivot"', 'system = "centre pivot"\ntailwater = "none"', "border and furrow"),
])
def test_a_wrong_key_names_itself_and_the_rule(
    copy_of: Callable[[str], Path], old: str, new: str, words: str
) -> None:
    folder = change(copy_of("kettle"), (old, new))
    with pytest.raises(PlanError) as caught:
        run_field(folder)
    assert words in str(caught.value)


@pytest.mark.parametrize(("old", "new", "code"), [
    ("speed_pct = 60\n", "full_circle_h = 10\n", "irrigation-too-fast"),
    ("full_speed_circle_h = 18\n", "", "irrigation-speed-missing"),
    ("tank_gal = 275", "tank_gal = 1", "irrigation-tank"),
    ("most_gal_per_h = 60", "most_gal_per_h = 18", "irrigation-pump-range"),
    ("flow_gpm = 900", "flow_gpm = 90000", "irrigation-water-beyond-season"),
    ("centre = [-85.5478, 41.9312]\nr", "centre = [41.9312, -85.5478]\nr", "irrigation-elsewhere"),
    ("centre = [-85.5478, 41.9312]\nr", "centre = [-85.5478, 41.9412]\nr",
     "irrigation-elsewhere"),
])
def test_what_cannot_run_stops_before_anything_is_written(
    copy_of: Callable[[str], Path], old: str, new: str, code: str
) -> None:
    folder = change(copy_of("kettle"), (old, new))
    with pytest.raises((PlanError, PlanInfeasible)) as caught:
        run_field(folder)
    assert code in {caught.value.code, *(one.code for one in caught.value.findings)}
    assert not list(folder.glob("output/run-*"))


@pytest.mark.parametrize("treated", ["treated_ac = 125.0\n", ""])
def test_an_injector_that_is_off_all_round_is_told_in_its_own_words(
    copy_of: Callable[[str], Path], treated: str
) -> None:
    folder = change(copy_of("kettle"), ("treated_ac = 125.0\n", treated),
                    ("tank_gal = 275", "tank_gal = 275\noff_arcs_deg = [[0, 180], [180, 360]]"))
    with pytest.raises(PlanError) as caught:
        run_field(folder)
    assert caught.value.code == "irrigation-all-off"
    assert "off_arcs_deg" in caught.value.hint
