"""The operator's schedule on the page: its figures, its picture, its text as text."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest

from vrx.model import InjectionSchedule
from vrx.products import irrigation as made_by
from vrx.products.irrigation_pivot import Pace, Pivot, Turn
from vrx.report import page, page_views
from vrx.report.irrigation import MOST_ROWS, schedule_views
from vrx.report.turn import plan_of_turn


@pytest.fixture
def view_of(job):
    def make(made: InjectionSchedule):
        return schedule_views(replace(job, irrigation=(made,)))[0]

    return make


@pytest.fixture
def page_with(job):
    def make(*schedules: InjectionSchedule) -> str:
        return page(page_views(replace(job, irrigation=schedules), run="run-0", cautions=["one"]))

    return make


def test_the_page_prints_settings_acres_and_gallons(injections, page_with, view_of) -> None:
    made = injections.pivot_schedule()
    text = page_with(made)
    assert '<section id="irrigation"' in text
    for leg in made.legs:
        if leg.injecting:
            assert f">{leg.gal_per_h:.1f}<" in text
            assert f">{leg.gallons:.1f}<" in text
    assert "6.00 gal/ac" in text
    assert "Injector off" in text
    assert "gun on" in text
    assert text.count("Fill ") >= len(made.fills)
    view = view_of(made)
    assert dict(view.pairs)["Water"].endswith("as stated")
    # 3,785.41 mL in a gallon (231 cubic inches of 16.387064 mL) over 60 minutes.
    low = min(leg.gal_per_h for leg in made.legs if leg.gallons > 0) * 231 * 16.387064 / 60
    assert dict(view.pairs)["Calibrate"].startswith(f"{low:,.0f} to ")


def test_a_page_without_injection_has_no_such_part(job) -> None:
    text = page(page_views(job, run="run-0", cautions=["one"]))
    assert 'id="irrigation"' not in text
    assert 'href="#irrigation"' not in text


@pytest.mark.parametrize("clockwise", [True, False])
def test_the_picture_is_well_formed_and_its_arcs_add_up(injections, clockwise: bool) -> None:
    made = injections.pivot_schedule(clockwise=clockwise)
    root = ET.fromstring(plan_of_turn(made))  # noqa: S314 - our own text
    said = root.find("desc")
    assert said is not None
    assert said.text is not None
    assert said.text.startswith(f"Starts at 90 degrees, {made.direction}")
    numbers = [one.text for one in root.iter("text")]
    for leg in made.legs:
        if abs(leg.sweep_deg or 0) >= 9:
            assert (f"{leg.gal_per_h:,.1f}" if leg.injecting else "off") in numbers
    assert "F2" in numbers


def test_one_setting_all_round_needs_no_second_table(injections, view_of) -> None:
    pivot = Pivot(radius_ft=1300)
    turn = Turn(begin_deg=0, is_clockwise=True, pace=Pace(full_circle_h=30))
    legs = made_by.pivot_legs(pivot, turn, flow_gpm=None, efficiency_pct=None, where="t")
    made = made_by.schedule(
        told=made_by.InjectedPass(pass_id="p", number=1, material=injections.THIOSULFATE,
                                  gal_per_ac=5.0, order_gal=5 * made_by.wetted_ac(legs)),
        water=made_by.Water(system="centre pivot"), legs=legs, pivot=pivot, turn=turn,
        injector=made_by.Injector(way="fixed", flush_h=1))
    view = view_of(made)
    assert view.settings == ()
    assert "the rate changes with it" in view.truth
    ET.fromstring(str(view.picture))  # noqa: S314 - our own text


def test_words_of_sets_speak_of_no_machine_that_turns(injections, view_of) -> None:
    sets = made_by.Sets(acres=(2.0, 2.0, 2.0), set_h=6, inject_h=2, clean_before_h=3)
    made = made_by.schedule(
        told=made_by.InjectedPass(pass_id="p", number=1, material=injections.THIOSULFATE,
                                  gal_per_ac=5.0, order_gal=30.0),
        water=made_by.Water(system="border", tailwater="none"), sets=sets,
        legs=made_by.set_legs(sets, flow_gpm=None, efficiency_pct=None),
        injector=made_by.Injector(way="set anew", flush_h=1, tank_gal=137.5))
    view = view_of(made)
    assert "one pump setting brings 5.00 gal/ac in each" in view.truth
    assert not re.search("end gun|speed|machine", view.truth)
    # A tank of an odd size keeps its half gallon.
    assert dict(view.pairs)["Tank"].startswith("137.5 gal, filled 1 time")


def test_acres_outside_the_field_are_the_same_on_the_sheet_and_in_the_schedule(
    injections, page_with, view_of, job
) -> None:
    made = injections.pivot_schedule()
    one = next(each for each in job.prescription.passes if each.treated_ac is not None)
    # The injector is off over 3 ac of the field: more lies outside than the acres alone would say.
    legs = tuple(replace(leg, field_ac=leg.wetted_ac * 0.9) for leg in made.legs)
    made = replace(made, legs=legs, pass_id=one.pass_id)
    beyond = sum(leg.wetted_ac * 0.1 for leg in legs if leg.injecting)
    assert f"; {beyond:.2f} of them lie outside the field" in dict(view_of(made).pairs)["Wetted"]
    assert f"<b>{beyond:.2f} ac outside it are wetted too:" in page_with(made)


def test_speeds_that_hold_the_rate_at_one_setting_do_so(injections, view_of) -> None:
    # Taken at their word: a pivot that walks at the printed speeds brings 6 gal/ac everywhere.
    made = injections.pivot_schedule("fixed")
    view = view_of(made)
    live = [leg for leg in made.legs if leg.gallons > 0]
    assert "speed" in view.by_speed
    for row, leg in zip(view.settings, live, strict=True):
        hours = leg.hours * leg.speed_pct / float(row[4])
        assert leg.gal_per_h * hours / leg.wetted_ac == pytest.approx(6.0, rel=5e-3)


def test_many_sets_are_counted_and_point_to_the_file(injections, page_with, view_of) -> None:
    made = injections.set_schedule(MOST_ROWS + 7)
    view = view_of(made)
    assert len(view.rows) == MOST_ROWS
    assert view.more == 7
    text = page_with(made)
    assert "7 more steps stand in" in text
    assert view.rows[-1].clock == "5:00 to 8:00"


def test_text_of_a_schedule_stays_text(injections, page_with) -> None:
    made = replace(injections.pivot_schedule(), material="<script>alert(1)</script>",
                   checks=("<b>tick</b>",))
    text = page_with(made)
    assert "<script" not in text
    assert "<b>tick" not in text
    assert not re.search(r"https?://(?!www\.w3\.org)", text)
