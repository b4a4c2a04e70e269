"""The equipment sheet against worked examples of extension services and weed districts.

- UF/IFAS Extension Marion County, "Sprayer Calibration: Getting It Right" (2017, read): GPA =
  5940 x GPM / (MPH x W inches); 16 oz in one minute are 0.125 gal/min; mph = ft x 60 / (s x 88).
- Albany County Weed and Pest, "Calibrating your sprayer" (read): 480 oz in one minute over 222 in
  at 5 mph are 20 GPA (20.07 unrounded); ounces caught over 340 ft2 (1/128 acre) are GPA.
- Mesa County, "Stationary calibration method for boom sprayers" (read): GPA = 495 x GPM / (mph x
  swath in feet).
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import PlanError
from vrx.model import BlendPart, CatchTest, Equipment, Material, PassRates, SheetLine
from vrx.products.equipment import caught_rate, equipment_rules, equipment_sheet, flow_per_min


def material(*, liquid: bool = True, parts: tuple[tuple[str, float], ...] = ()) -> Material:
    return Material(
        id="potassium thiosulfate 0-0-25-17S" if liquid else "a blend 0-0-50", code="X",
        form="liquid" if liquid else "dry", n_pct=0, p2o5_pct=0, k2o_pct=25, s_pct=17, mg_pct=0,
        cl_pct=0, density_lb_per_gal=12.2 if liquid else None, s_form="", cautions=(),
        evidence="", source="", parts=parts)


def a_pass(rates: list[float], **more: object) -> PassRates:
    steps = np.round(np.array(rates) / 0.5).astype(np.int64)
    return PassRates(
        pass_id="one", number=1, timing="", method="broadcast", material=material(**more),
        serves="", kind="variable", column="P1_X_GAL", step=0.5, steps=steps, rates=steps * 0.5,
        treated_ac=None, wanted_total=0.0, planned_total=0.0, prescription_total=0.0,
        order_total=0.0)


def line(told: Equipment, item: str, one: PassRates | None = None) -> SheetLine:
    sheet, _ = equipment_sheet(one or a_pass([5.0, 10.0]), told)
    (found,) = [each for each in sheet.lines if each.item == item]
    return found


def test_albany_county_s_example() -> None:
    test = CatchTest(caught_oz=480, width_ft=222 / 12, seconds=60, speed_mph=5)
    rate = caught_rate(test, material())
    assert rate == pytest.approx(5940 * 3.75 / (5 * 222), rel=1e-12)
    assert round(rate) == 20


def test_ounces_over_a_128th_of_an_acre_are_gallons_per_acre() -> None:
    # 340 ft2 is the rounded 43,560 / 128 = 340.3125.
    for ounces in (7.0, 20.0, 40.0):
        test = CatchTest(caught_oz=ounces, width_ft=10, distance_ft=34)
        assert caught_rate(test, material()) == pytest.approx(ounces, rel=0.001)
        exact = CatchTest(caught_oz=ounces, width_ft=20 / 12, distance_ft=340.3125 / (20 / 12))
        assert caught_rate(exact, material()) == pytest.approx(ounces, rel=1e-12)


@settings(max_examples=60, derandomize=True)
@given(rate=st.floats(0.5, 60), mph=st.floats(1, 20), feet=st.floats(1, 120))
def test_flow_is_the_published_formula(rate: float, mph: float, feet: float) -> None:
    flow = flow_per_min(rate, speed_mph=mph, swath_ft=feet)
    assert flow * 495 / (mph * feet) == pytest.approx(rate, rel=1e-12)  # Mesa County
    assert 5940 * flow / (mph * feet * 12) == pytest.approx(rate, rel=1e-12)  # UF/IFAS
    # Standing still for a minute is driving what the speed gives in it (88 ft a minute and mph).
    still = CatchTest(caught_gal=flow, width_ft=feet, seconds=60, speed_mph=mph)
    driven = CatchTest(caught_gal=flow, width_ft=feet, distance_ft=mph * 88)
    assert caught_rate(still, material()) == pytest.approx(rate, rel=1e-12)
    assert caught_rate(driven, material()) == pytest.approx(rate, rel=1e-12)


def test_pounds_of_a_liquid_are_taken_by_its_density() -> None:
    test = CatchTest(caught_lb=12.2, width_ft=43.56, distance_ft=100)  # a tenth of an acre
    assert caught_rate(test, material()) == pytest.approx(10.0, rel=1e-12)
    assert caught_rate(test, material(liquid=False)) == pytest.approx(122.0, rel=1e-12)


def test_gallons_of_a_dry_material_are_refused() -> None:
    with pytest.raises(PlanError) as caught:
        caught_rate(CatchTest(caught_gal=1, width_ft=10, distance_ft=10), material(liquid=False))
    assert caught.value.code == "plan-catch-unit"


def test_the_range_of_flow_takes_rates_and_speeds_together() -> None:
    # 5 gal/ac at 5 mph and 10 gal/ac at 8 mph over 60 ft: 3.03 to 9.70 gal/min, 3.2 to 1.
    told = Equipment(swath_ft=60, speed_mph=(5, 8), flow_per_min=(2, 9))
    flow = line(told, "Flow")
    assert flow.verdict == "check"
    assert flow.words == "needs 3.03 to 9.7 gal/min, the meter gives 2 to 9"
    turn = line(told, "Turndown")
    assert turn.verdict == "check"
    assert "needs 3.20 to 1 (rates 2.00, speeds 1.60), beyond 2 to 1" in turn.words
    assert "common practice, no source" in turn.source
    _, found = equipment_sheet(a_pass([5.0, 10.0]), told)
    assert {one.code for one in found} == {"equipment-flow-range", "equipment-turndown"}
    assert line(Equipment(swath_ft=60, speed_mph=(5, 8), turndown=4), "Turndown").verdict == (
        "in order")
    steady = Equipment(swath_ft=60, speed_mph=(6, 6))
    assert line(steady, "Turndown").verdict == "in order"  # exactly 2 to 1


def test_off_is_no_least_rate() -> None:
    told = Equipment(swath_ft=60, speed_mph=(6, 6))
    assert "needs 2.00 to 1" in line(told, "Turndown", a_pass([0.0, 5.0, 10.0])).words
    nothing = line(told, "Turndown", a_pass([0.0, 0.0]))
    assert (nothing.verdict, nothing.words) == ("", "")


def test_no_rule_of_thumb_for_what_is_no_fixed_orifice() -> None:
    dry = a_pass([50.0, 300.0], liquid=False)
    told = Equipment(swath_ft=60, speed_mph=(5, 10))
    assert line(told, "Turndown", dry).verdict == ""
    assert line(told, "Turndown").verdict == "check"
    varies = Equipment(swath_ft=60, speed_mph=(5, 10), fixed_orifice=False)
    assert line(varies, "Turndown").verdict == ""


def test_speeds_at_which_the_meter_holds_a_rate() -> None:
    # At 8.25 mph over 60 ft one gal/ac is one gal/min (495 = 8.25 x 60).
    words = line(Equipment(swath_ft=60, flow_per_min=(5, 10)), "Speed").words
    assert words == ("the meter holds 5 gal/ac from 8.2 mph up and 10 gal/ac up to 8.2 mph"
                     ).replace("8.2", f"{8.25:.1f}")
    assert "no one speed holds both" in line(
        Equipment(swath_ft=60, flow_per_min=(6, 9)), "Speed").words


def test_what_is_not_stated_stays_blank_and_unjudged() -> None:
    sheet, found = equipment_sheet(a_pass([5.0, 10.0]), Equipment())
    assert found == ()
    assert {one.item: one.stated for one in sheet.lines} == dict.fromkeys(
        ("Swath", "Pattern test", "Speed", "Flow", "Turndown", "Catch test"), "")
    assert all(one.verdict == "" for one in sheet.lines)


@pytest.mark.parametrize(("caught", "verdict"), [(10.0, "in order"), (10.5, "in order"),
                                                 (10.6, "check"), (9.4, "check")])
def test_a_catch_is_held_against_the_rate_set(caught: float, verdict: str) -> None:
    told = Equipment(catch=CatchTest(
        on=date(2026, 5, 2), caught_gal=caught / 10, width_ft=43.56, distance_ft=100,
        set_rate=10.0))
    found = line(told, "Catch test")
    assert found.verdict == verdict
    assert found.stated.startswith("2026-05-02: ")


def test_parts_of_a_blend_are_held_against_each_other() -> None:
    parts = (("potash", 0.6), ("sulfate", 0.4))
    one = a_pass([100.0, 200.0], liquid=False, parts=parts)
    told = Equipment(parts=(BlendPart(name="potash", sgn=300, bulk_lb_per_ft3=64),
                            BlendPart(name="sulfate", sgn=240, bulk_lb_per_ft3=66)))
    assert line(told, "Particle size", one).verdict == "check"
    assert "parts lie 60 apart, beyond 20" in line(told, "Particle size", one).words
    assert line(told, "Bulk density", one).verdict == "in order"
    half = Equipment(parts=(BlendPart(name="potash", sgn=300),))
    assert line(half, "Particle size", one).verdict == ""
    assert line(half, "Particle size", one).stated == "potash SGN 300"
    with pytest.raises(PlanError) as caught:
        equipment_sheet(one, Equipment(parts=(BlendPart(name="urea", sgn=300),)))
    assert caught.value.code == "plan-blend-part"


def test_every_rule_says_what_it_rests_on() -> None:
    rules = equipment_rules()
    for name in rules.__slots__:
        rule = getattr(rules, name)
        assert rule.value > 0
        assert rule.evidence in {"read", "computed", "from memory", "common practice, no source"}
        assert rule.source
