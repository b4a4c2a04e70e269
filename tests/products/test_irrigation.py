"""Injection through the irrigation against extension figures, pint, integrals and laws."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pint
import pytest
import scipy.integrate
import shapely
from hypothesis import given
from hypothesis import strategies as st

from vrx.errors import PlanError
from vrx.model import InjectionLeg, InjectionSchedule, Severity
from vrx.products import find_material, load_materials
from vrx.products import irrigation as made_by
from vrx.products import irrigation_water as identities
from vrx.products.irrigation_ground import leg_polygon, shares_of, with_field_acres
from vrx.products.irrigation_pivot import Pace, Pivot, Turn, parts_of_turn
from vrx.products.irrigation_rules import SETS, SURFACE, safety_list
from vrx.units import injection_gal_per_h, pivot_area_ac

KTS = find_material(load_materials(), "potassium thiosulfate 0-0-25-17S", where="test")
CIRCLE = Pivot(radius_ft=1300.0)
PLAIN = Turn(begin_deg=0.0, is_clockwise=True, pace=Pace(full_circle_h=60.0))
WATER = made_by.Water(system="centre pivot", flow_gpm=800.0, efficiency_pct=85.0,
                      uniformity_pct=88.0)


def legs_of(pivot: Pivot = CIRCLE, turn: Turn = PLAIN) -> tuple[InjectionLeg, ...]:
    return made_by.pivot_legs(pivot, turn, flow_gpm=WATER.flow_gpm,
                              efficiency_pct=WATER.efficiency_pct, where="test")


def scheduled(
    legs: tuple[InjectionLeg, ...], *, rate: float | tuple[float, ...] = 10.0, way: str = "fixed",
    **more: object,
) -> InjectionSchedule:
    """A schedule whose order is what the legs take, so that only what is asked for is told."""
    rates = rate if isinstance(rate, tuple) else (rate,) * len(legs)
    order = math.fsum(r * leg.wetted_ac for r, leg in zip(rates, legs, strict=True)
                      if leg.injecting)
    injector = {"flush_h": 0.5, "tank_gal": 500.0} | {
        key: more.pop(key) for key in list(more)
        if key in made_by.Injector.__dataclass_fields__}
    told = {key: more.pop(key) for key in list(more) if key in ("label_most", "timing")}
    return made_by.schedule(
        told=made_by.InjectedPass(pass_id="stubble", number=1, material=KTS, gal_per_ac=rate,
                                  order_gal=order, **told),  # type: ignore[arg-type]
        injector=made_by.Injector(way=way, **injector),  # type: ignore[arg-type]
        legs=legs, **({"water": WATER} | more))  # type: ignore[arg-type]


def codes(made: InjectionSchedule) -> set[str]:
    return {one.code for one in made.findings}


# Water ------------------------------------------------------------------------------------------

def test_acre_inches_and_flows_by_pint() -> None:
    u = pint.UnitRegistry()
    # pint's acre is the US survey acre; the international one is 43,560 square feet.
    acre = 43_560 * u.foot**2
    water = (acre * u.inch).to("gallon").magnitude
    assert pytest.approx(water, rel=1e-12) == identities.GAL_PER_AC_IN
    assert round(water, 3) == 27154.286
    flow = 452.571 * u.gallon / u.minute
    assert ((flow * 1 * u.hour) / acre).to("inch").magnitude == pytest.approx(1, rel=1e-6)
    found = identities.gross_in(800, hours=60, acres=121.88)
    by_pint = (800 * u.gallon / u.minute * 60 * u.hour / (121.88 * acre)).to("inch").magnitude
    assert found == pytest.approx(by_pint, rel=1e-12)
    tube = (37.5 * u.gallon / u.hour).to("milliliter/minute").magnitude
    assert identities.catch_tube_ml_per_min(37.5) == pytest.approx(tube, rel=1e-12)


def test_a_small_line_takes_hours_for_an_inch_and_not_minutes() -> None:
    # A drip dealer's page: six gpm over 1.8 ac is 0.0074 in/h; it then prints "135 minutes" for an
    # inch, where it must be hours.
    assert round(identities.gross_in(6, hours=1, acres=1.8), 4) == 0.0074
    hours = identities.hours_for_depth(1.0, flow_gpm=6, acres=1.8)
    assert hours == pytest.approx(135, rel=0.01)
    assert hours * 60 > 8000


def test_extension_constant_of_450_is_a_rounding() -> None:
    # Mississippi State irrigation page: gpm x hours / (450 x acres) = inches.
    assert identities.gross_in(900, hours=10, acres=20) == pytest.approx(
        900 * 10 / (450 * 20), rel=0.006)


def test_pump_setting_is_rate_times_acres_an_hour() -> None:
    # University of Nebraska: 10 gal/ac x 5 ac/h = 50 gal/h.
    assert injection_gal_per_h(10, ac_per_h=5) == 50
    acres = pivot_area_ac(1300)
    turn = replace(PLAIN, pace=Pace(full_circle_h=acres / 5))
    (leg,) = scheduled(legs_of(turn=turn)).legs
    assert leg.ac_per_h == pytest.approx(5, rel=1e-12)
    assert leg.gal_per_h == pytest.approx(50, rel=1e-12)
    # North Dakota: gal/h = 60 / minutes to draw one gallon.
    assert identities.minutes_per_gal(leg.gal_per_h) == pytest.approx(1.2, rel=1e-12)


# The pivot's ground ------------------------------------------------------------------------------

def test_acres_of_a_circle_sector_and_ring() -> None:
    # South Dakota: radius² x 3.14 / 43,560 (7.208e-5): 1,300 ft is 121.82 ac so, 121.88 with pi.
    assert round(CIRCLE.sector_ac(0, 360), 2) == 121.88
    assert CIRCLE.sector_ac(0, 360) == pytest.approx(7.208e-5 * 1300**2, rel=6e-4)
    assert CIRCLE.sector_ac(17, 90) == pytest.approx(121.88 / 4, rel=1e-4)
    ring = Pivot(radius_ft=1300, inner_radius_ft=400)
    by_integral, _ = scipy.integrate.quad(lambda r: 2 * math.pi * r, 400, 1300)
    assert ring.sector_ac(0, 360) == pytest.approx(by_integral / 43_560, rel=1e-12)


@pytest.mark.parametrize(("arm", "side", "gun"), [
    (250.0, 2640.0, 0.0), (250.0, 2640.0, 90.0), (600.0, 2640.0, 40.0), (60.0, 2620.0, 0.0),
    (300.0, 5280.0, 0.0), (300.0, 2400.0, 75.0)])
def test_corner_arm_and_end_gun_by_numerical_integration(
    arm: float, side: float, gun: float
) -> None:
    pivot = Pivot(radius_ft=1300, corner_arm_ft=arm, square_side_ft=side, end_gun_ft=gun)

    def reach(turn: float) -> float:
        edge = side / 2 / max(abs(math.sin(turn)), abs(math.cos(turn)))
        return min(1300 + arm, max(edge, 1300.0)) + gun

    for start, sweep in ((0, 360), (10, 71), (200, 250), (44, 3)):
        grid = np.radians(np.linspace(start, start + sweep, 400_001))
        values = np.array([reach(float(one)) ** 2 / 2 for one in grid[::40]])
        expected = scipy.integrate.simpson(values, x=grid[::40]) / 43_560
        found = pivot.sector_ac(start, sweep, end_gun=True, corner_arm=True)
        assert found == pytest.approx(expected, rel=2e-7)


def test_a_corner_arm_fills_the_square_at_most() -> None:
    # Half a mile square: a circle of 1,320 ft has 125.66 ac, the whole square 160.
    pivot = Pivot(radius_ft=1320, corner_arm_ft=1000, square_side_ft=2640)
    assert pivot.sector_ac(0, 360, corner_arm=True) == pytest.approx(160, rel=1e-12)
    assert pivot.sector_ac(0, 360) == pytest.approx(125.66, abs=0.005)


def test_hours_come_from_the_last_tower() -> None:
    # By hand: the last tower of 1,250 ft goes round 2 pi 1,250 = 7,854 ft; at 360 ft/h (6 ft/min)
    # and 50 % it takes 43.63 h.
    pivot = Pivot(radius_ft=1300, last_tower_ft=1250, full_speed_ft_per_h=360)
    (leg,) = legs_of(pivot, replace(PLAIN, pace=Pace(speed_pct=50)))
    assert leg.hours == pytest.approx(7853.98 / 180, rel=1e-6)
    assert leg.tower_ft_per_h == pytest.approx(180)
    assert leg.speed_pct == pytest.approx(50)
    same = replace(pivot, full_speed_ft_per_h=None, full_speed_circle_h=7853.9816 / 360)
    assert legs_of(same, replace(PLAIN, pace=Pace(speed_pct=50)))[0].hours == pytest.approx(
        leg.hours, rel=1e-7)


def test_inches_make_the_hours_and_net_is_kept_apart_from_gross() -> None:
    (leg,) = legs_of(turn=replace(PLAIN, pace=Pace(gross_in=0.5)))
    u = pint.UnitRegistry()
    volume = 0.5 * u.inch * 121.8846 * 43_560 * u.foot**2
    assert leg.hours == pytest.approx(
        (volume / (800 * u.gallon / u.minute)).to("hour").magnitude, rel=1e-6)
    assert leg.gross_in == pytest.approx(0.5, rel=1e-12)
    assert leg.net_in == pytest.approx(0.425, rel=1e-12)
    (dry,) = made_by.pivot_legs(CIRCLE, PLAIN, flow_gpm=None, efficiency_pct=85, where="t")
    assert dry.gross_in is None
    assert dry.net_in is None


# What a fixed setting does -----------------------------------------------------------------------

TWO_SPEEDS = replace(PLAIN, pace=Pace(full_circle_h=60), paces=(
    ((90.0, 270.0), Pace(full_circle_h=30)),))


def test_a_fixed_injector_halves_the_rate_where_the_pivot_runs_twice_as_fast() -> None:
    made = scheduled(legs_of(turn=TWO_SPEEDS))
    slow, fast, again = made.legs
    assert fast.gal_per_ac == pytest.approx(slow.gal_per_ac / 2, rel=1e-12)
    assert again.gal_per_ac == pytest.approx(slow.gal_per_ac, rel=1e-12)
    # By hand: 45 h in all, so 10 gal/ac x 121.88 ac / 45 h = 27.09 gal/h; slow 13.33, fast 6.67.
    assert slow.gal_per_h == pytest.approx(27.085, abs=0.001)
    assert slow.gal_per_ac == pytest.approx(13.333, abs=0.001)
    assert {"irrigation-rate-strays"} <= codes(made)
    assert made.one_setting


def test_an_injector_set_anew_holds_the_rate_and_says_the_settings() -> None:
    made = scheduled(legs_of(turn=TWO_SPEEDS), way="set anew")
    assert [leg.gal_per_ac for leg in made.legs] == pytest.approx([10, 10, 10])
    slow, fast, _ = made.legs
    assert fast.gal_per_h == pytest.approx(2 * slow.gal_per_h)
    assert slow.gal_per_h == pytest.approx(10 * pivot_area_ac(1300) / 60)
    assert "irrigation-rate-strays" not in codes(made)
    assert not made.one_setting


def test_the_label_binds_every_leg_and_not_their_mean() -> None:
    held = scheduled(legs_of(turn=TWO_SPEEDS), label_most=12.0, way="set anew")
    assert "irrigation-above-label" not in codes(held)
    told = scheduled(legs_of(turn=TWO_SPEEDS), label_most=12.0)
    found = next(one for one in told.findings if one.code == "irrigation-above-label")
    assert found.severity is Severity.STOP
    assert "13.33" in found.what


def test_an_end_gun_thins_what_a_fixed_injector_brings() -> None:
    pivot = Pivot(radius_ft=1300, end_gun_ft=100, end_gun_arcs=((0.0, 90.0),))
    made = scheduled(legs_of(pivot))
    gun, rest = made.legs
    assert gun.end_gun
    assert not rest.end_gun
    assert rest.gal_per_ac / gun.gal_per_ac == pytest.approx((1400 / 1300) ** 2)


def test_ground_without_injection_gets_nothing_and_takes_hours() -> None:
    turn = replace(PLAIN, off_arcs=((30.0, 60.0),))
    made = scheduled(legs_of(turn=turn))
    first, dry, last = made.legs
    assert dry.gallons == dry.gal_per_h == 0
    assert dry.hours == pytest.approx(5)
    assert last.start_h == pytest.approx(10)
    assert made.wetted_ac == pytest.approx(pivot_area_ac(1300) * 330 / 360)
    assert first.gal_per_ac == pytest.approx(10)


def test_counterclockwise_over_north_and_a_part_circle() -> None:
    turn = Turn(begin_deg=30, is_clockwise=False, pace=Pace(full_circle_h=72),
                off_arcs=((350.0, 10.0),))
    made = scheduled(legs_of(turn=turn))
    assert [(leg.start_deg, leg.stop_deg) for leg in made.legs] == [(30, 10), (10, 350), (350, 30)]
    assert [leg.injecting for leg in made.legs] == [True, False, True]
    half = Pivot(radius_ft=1300, start_deg=270, stop_deg=90)
    back = Turn(begin_deg=90, is_clockwise=False, pace=Pace(full_circle_h=72))
    (leg,) = legs_of(half, back)
    assert leg.hours == pytest.approx(36)
    assert leg.wetted_ac == pytest.approx(pivot_area_ac(1300) / 2)
    with pytest.raises(PlanError, match="not where the pivot turns"):
        legs_of(half, replace(back, begin_deg=0))


# Tank --------------------------------------------------------------------------------------------

def test_fills_stand_where_the_tank_is_empty() -> None:
    # By hand: 1,218.85 gal at 10 gal/ac from a tank of 500: after 500 gal 147.681 degrees are done.
    made = scheduled(legs_of())
    assert [round(one.gallons, 2) for one in made.fills] == [500, 500, 218.85]
    assert [one.at_deg for one in made.fills] == pytest.approx([0, 147.681, 295.361], abs=0.001)
    assert made.fills[1].at_h == pytest.approx(500 / made.legs[0].gal_per_h)
    other_way = scheduled(legs_of(turn=replace(PLAIN, is_clockwise=False)))
    assert other_way.fills[1].at_deg == pytest.approx(360 - 147.681, abs=0.001)


def test_a_tank_of_cups_is_refused() -> None:
    with pytest.raises(PlanError, match="must be filled"):
        scheduled(legs_of(), tank_gal=0.5)


def test_sectors_that_need_nothing_get_nothing_with_either_injector() -> None:
    legs = legs_of(turn=replace(PLAIN, cuts=(120.0, 240.0)))
    for way in ("fixed", "set anew"):
        made = scheduled(legs, rate=(6.0, 0.0, 9.0), way=way)
        assert [leg.gallons > 0 for leg in made.legs] == [True, False, True]
        assert made.wetted_ac == pytest.approx(pivot_area_ac(1300) * 2 / 3)
        assert made.total_gal == pytest.approx(15 * pivot_area_ac(1300) / 3)
        assert "irrigation-off-in-field" not in codes(made)
    with pytest.raises(PlanError, match="off everywhere"):
        scheduled(legs, rate=(0.0, 0.0, 0.0))


# Sets --------------------------------------------------------------------------------------------

def set_schedule(*, system: str = "wheel line", **more: object) -> InjectionSchedule:
    given_water = {key: more.pop(key) for key in list(more)
                   if key in made_by.Water.__dataclass_fields__}
    sets = made_by.Sets(
        acres=(1.8, 1.8, 2.2), set_h=11.5,
        inject_h=float(more.pop("inject_h", 4.0)),  # type: ignore[arg-type]
        clean_before_h=float(more.pop("before_h", 5.0)), per_day=2)  # type: ignore[arg-type]
    water = replace(WATER, system=system, **given_water)  # type: ignore[arg-type]
    return scheduled(made_by.set_legs(sets, flow_gpm=300, efficiency_pct=70), water=water,
                     sets=sets, **more)


def test_sets_by_hand() -> None:
    # gal/h = gal/ac x acres of the set / hours: 10 x 1.8 / 4 = 4.5; one setting for 58 gal in 12 h.
    made = set_schedule(way="set anew")
    assert [leg.gal_per_h for leg in made.legs] == pytest.approx([4.5, 4.5, 5.5])
    assert made.total_gal == pytest.approx(58)
    assert [leg.start_h for leg in made.legs] == [5, 16.5, 28]
    assert made.legs[0].gross_in == pytest.approx(300 * 11.5 / (452.571 * 1.8), rel=1e-6)
    assert made.legs[0].net_in == pytest.approx(0.7 * 300 * 11.5 / (452.571 * 1.8), rel=1e-6)
    fixed = set_schedule()
    assert [leg.gal_per_h for leg in fixed.legs] == pytest.approx([58 / 12] * 3)
    assert fixed.legs[2].gal_per_ac == pytest.approx(58 / 12 * 4 / 2.2)


def test_thiosulfate_in_a_set_follows_the_makers_guidance() -> None:
    # A maker's injection guidance: over 1 to 4 h, in the middle third or second half of the set.
    fine = set_schedule(way="set anew")
    assert not codes(fine) & {"irrigation-thiosulfate-hours", "irrigation-thiosulfate-early"}
    assert "irrigation-thiosulfate-hours" in codes(set_schedule(inject_h=0.5, before_h=5.0))
    assert "irrigation-thiosulfate-early" in codes(set_schedule(before_h=3.0))
    assert "irrigation-set-too-short" in codes(set_schedule(inject_h=4.0, before_h=7.4))


def test_a_round_of_many_sets_ends_on_regrowth() -> None:
    # Ontario: regrowth starts about 5 days after cutting. Three sets at 2 a day take 1.5 days.
    assert set_schedule().days == pytest.approx(1.5)
    many = made_by.Sets(acres=(1.8,) * 24, set_h=11.5, inject_h=4, clean_before_h=5, per_day=2)
    legs = made_by.set_legs(many, flow_gpm=300, efficiency_pct=70)
    water = replace(WATER, system="hand line")
    late = scheduled(legs, water=water, sets=many, timing="stubble of cutting 2")
    assert late.days == pytest.approx(12)
    assert "irrigation-past-stubble" in codes(late)
    assert "irrigation-past-stubble" not in codes(
        scheduled(legs, water=water, sets=many, timing="green-up"))


@pytest.mark.parametrize(("tailwater", "feet", "code", "weight"), [
    (None, None, "irrigation-tailwater-missing", Severity.STOP),
    ("leaves the field", 500.0, "irrigation-tailwater-leaves", Severity.STOP),
    ("returned", None, "irrigation-tailwater-distance", Severity.WARN),
    ("none", 8.0, "irrigation-tailwater-near", Severity.WARN),
    ("none", 400.0, "irrigation-surface-uneven", Severity.WARN),
])
def test_surface_irrigation_asks_where_its_tailwater_goes(
    tailwater: str | None, feet: float | None, code: str, weight: Severity
) -> None:
    made = set_schedule(system="border", tailwater=tailwater, tailwater_to_water_ft=feet,
                        uniformity_pct=75.0)
    assert next(one for one in made.findings if one.code == code).severity is weight
    assert not [code for code in codes(set_schedule()) if "tailwater" in code]


# Evenness, pump, pipe -----------------------------------------------------------------------------

def test_uneven_water_is_told_with_what_the_driest_quarter_gets() -> None:
    # Distribution uniformity is the low quarter's mean over the mean: 60 % of 10 gal/ac is 6.
    found = {one.code: one for one in scheduled(
        legs_of(), water=replace(WATER, uniformity_pct=60)).findings}
    assert "6 of 10 gal/ac" in found["irrigation-uneven"].what
    assert "common practice" in found["irrigation-uneven"].what
    own = scheduled(legs_of(), water=replace(WATER, uniformity_pct=60, uniformity_least_pct=55))
    assert "irrigation-uneven" not in codes(own)
    unknown = scheduled(legs_of(), water=replace(WATER, uniformity_pct=None))
    assert "irrigation-uniformity-missing" in codes(unknown)


def test_a_pump_that_cannot_run_so_slowly_or_so_fast_stops() -> None:
    assert "irrigation-pump-range" not in codes(
        scheduled(legs_of(), least_gal_per_h=20.0, most_gal_per_h=21.0))
    assert "irrigation-pump-range" in codes(scheduled(legs_of(), least_gal_per_h=20.4))
    assert "irrigation-pump-range" in codes(scheduled(legs_of(), most_gal_per_h=20.0))


def test_the_flush_must_fill_the_pipe_and_changes_arrive_late() -> None:
    # By hand: 800 ft of 6-in pipe holds pi 0.25² x 800 x 7.48052 = 1,175 gal; at 800 gpm 1.47 min.
    water = replace(WATER, line_gal=math.pi * 0.25**2 * 800 * 7.48052)
    made = scheduled(legs_of(turn=TWO_SPEEDS), water=water, way="set anew", flush_h=0.02)
    assert made.line_h == pytest.approx(1.4687 / 60, rel=1e-4)
    assert {"irrigation-flush-short", "irrigation-lag"} <= codes(made)
    assert not codes(scheduled(legs_of(), water=water)) & {"irrigation-flush-short",
                                                           "irrigation-lag"}


def test_an_order_for_other_acres_stops() -> None:
    made = made_by.schedule(
        told=made_by.InjectedPass(pass_id="p", number=1, material=KTS, gal_per_ac=5.0,
                                  order_gal=500.0),
        injector=made_by.Injector(way="fixed", flush_h=1), legs=legs_of(), water=WATER)
    assert next(f for f in made.findings
                if f.code == "irrigation-order-differs").severity is Severity.STOP


def test_the_safety_list_fits_the_system() -> None:
    for system in ("centre pivot", *SETS):
        said = "\n".join(safety_list(system))
        assert "Label and state law first" in said
        assert "licence" in said
        assert "Signs posted" in said
        assert "stays with it" in said
        assert ("low-pressure shut-off" in said) == (system not in SURFACE)
        assert ("tailwater" in said) == (system in SURFACE)
        assert ("End gun" in said) == (system == "centre pivot")
        assert all(line.endswith(")") and "(" in line for line in said.splitlines())


# Ground ------------------------------------------------------------------------------------------

def test_field_acres_of_legs_against_shapely() -> None:
    # A field that is the circle less a hollow in the north-east: only that leg loses ground.
    pivot = Pivot(radius_ft=1300)
    turn = replace(PLAIN, cuts=(90.0, 180.0, 270.0))
    circle = shapely.Point(500.0, -200.0).buffer(1300 * 0.3048, quad_segs=4096)
    hollow = shapely.Point(600.0, -100.0).buffer(60.0, quad_segs=4096)
    legs = with_field_acres(pivot, legs_of(pivot, turn), (500.0, -200.0), circle - hollow)
    quarter = pivot_area_ac(1300) / 4
    lost = math.pi * 60.0**2 / 4046.8564224
    assert [leg.field_ac for leg in legs] == pytest.approx(
        [quarter - lost, quarter, quarter, quarter], rel=5e-6)
    table = shares_of(pivot, legs, (500.0, -200.0), [circle - hollow, hollow])
    assert table.sum() == pytest.approx(pivot_area_ac(1300), rel=5e-6)


@pytest.mark.parametrize("begin", [0.0, 45.0, 270.0])
def test_a_legs_polygon_has_its_acres(begin: float) -> None:
    pivot = Pivot(radius_ft=1300, inner_radius_ft=100, corner_arm_ft=250, square_side_ft=2640,
                  corner_arm_arcs=((20.0, 70.0),), end_gun_ft=80, end_gun_arcs=((100.0, 200.0),))
    for clockwise in (True, False):
        for leg in legs_of(pivot, replace(PLAIN, begin_deg=begin, is_clockwise=clockwise)):
            shape = leg_polygon(pivot, leg, (0.0, 0.0))
            assert shape.is_valid
            assert shape.area / 4046.8564224 == pytest.approx(leg.wetted_ac, rel=2e-4)


# Laws --------------------------------------------------------------------------------------------

ANGLE = st.integers(0, 359).map(float)
ARC = st.tuples(ANGLE, ANGLE).filter(lambda arc: arc[0] != arc[1])


@given(
    radius=st.floats(200, 2500), gun=st.floats(1, 200), gun_arc=ARC, off=ARC, fast=ARC,
    begin=ANGLE, clockwise=st.booleans(), way=st.sampled_from(["fixed", "set anew"]),
    rate=st.floats(0.5, 40), hours=st.floats(5, 200), tank=st.floats(200, 3000),
)
def test_gallons_are_rate_times_wetted_acres_and_sectors_make_the_whole(
    *, radius: float, gun: float, gun_arc: tuple[float, float], off: tuple[float, float],
    fast: tuple[float, float], begin: float, clockwise: bool, way: str, rate: float, hours: float,
    tank: float,
) -> None:
    pivot = Pivot(radius_ft=radius, end_gun_ft=gun, end_gun_arcs=(gun_arc,))
    turn = Turn(begin_deg=begin, is_clockwise=clockwise, pace=Pace(full_circle_h=hours),
                paces=((fast, Pace(full_circle_h=hours / 3)),), off_arcs=(off,))
    legs = legs_of(pivot, turn)
    made = scheduled(legs, rate=rate, way=way, tank_gal=tank)
    swept = (gun_arc[1] - gun_arc[0]) % 360
    whole = (math.pi * radius**2 * (360 - swept) + math.pi * (radius + gun) ** 2 * swept) / 360
    assert math.fsum(leg.wetted_ac for leg in legs) == pytest.approx(whole / 43_560, rel=1e-9)
    assert math.fsum(abs(leg.sweep_deg or 0) for leg in legs) == pytest.approx(360, rel=1e-9)
    fast_deg = (fast[1] - fast[0]) % 360
    assert math.fsum(leg.hours for leg in legs) == pytest.approx(
        hours * (360 - fast_deg + fast_deg / 3) / 360, rel=1e-9)
    assert made.total_gal == pytest.approx(rate * made.wetted_ac, rel=1e-9)
    assert math.fsum(leg.gallons for leg in made.legs) == pytest.approx(made.total_gal, rel=1e-9)
    for leg in made.legs:
        assert leg.gallons == pytest.approx(leg.gal_per_h * leg.hours, rel=1e-9)
        assert leg.gallons == pytest.approx(leg.gal_per_ac * leg.wetted_ac, rel=1e-9)
        # The same gallons at one setting and other hours, which add up to the same time.
        assert leg.hold_hours * made.total_gal / made.injecting_h == pytest.approx(
            leg.wanted_gal_per_ac * leg.wetted_ac, rel=1e-9)
        if way == "set anew" and leg.injecting:
            assert leg.gal_per_ac == pytest.approx(rate, rel=1e-9)
    assert math.fsum(one.gallons for one in made.fills) == pytest.approx(made.total_gal, rel=1e-9)
    assert math.fsum(leg.hold_hours for leg in made.legs) == pytest.approx(
        made.injecting_h, rel=1e-9)
    assert all(one.gallons <= tank * (1 + 1e-12) for one in made.fills)
    assert [one.at_h for one in made.fills] == sorted(one.at_h for one in made.fills)
    assert "irrigation-order-differs" not in codes(made)


@given(acres=st.lists(st.floats(0.2, 40), min_size=1, max_size=30), rate=st.floats(0.5, 40),
       inject=st.floats(0.5, 6), way=st.sampled_from(["fixed", "set anew"]))
def test_gallons_of_sets(acres: list[float], rate: float, inject: float, way: str) -> None:
    sets = made_by.Sets(acres=tuple(acres), set_h=12, inject_h=inject, clean_before_h=5)
    made = scheduled(made_by.set_legs(sets, flow_gpm=None, efficiency_pct=None), rate=rate,
                     way=way, water=replace(WATER, system="solid set"), sets=sets, tank_gal=None)
    assert made.total_gal == pytest.approx(rate * math.fsum(acres), rel=1e-9)
    assert made.fills == ()


# Bad input ---------------------------------------------------------------------------------------

@pytest.mark.parametrize(("pivot", "turn", "flow", "words"), [
    (CIRCLE, replace(PLAIN, pace=Pace(speed_pct=40)), 800.0, "percent timer makes no speed"),
    (CIRCLE, replace(PLAIN, pace=Pace(gross_in=0.5)), None, "without the flow"),
    (replace(CIRCLE, full_speed_circle_h=20.0), replace(PLAIN, pace=Pace(full_circle_h=12)), 800.0,
     "167 % of full speed"),
    (CIRCLE, replace(PLAIN, paces=(((0.0, 90.0), Pace(hours=3)), ((80.0, 100.0), Pace(hours=3)))),
     800.0, "overlap"),
    (Pivot(radius_ft=1300, start_deg=0, stop_deg=180),
     replace(PLAIN, off_arcs=((170.0, 190.0),)), 800.0, "leaves the ground"),
])
def test_what_makes_no_schedule_is_refused_with_a_remedy(
    pivot: Pivot, turn: Turn, flow: float | None, words: str
) -> None:
    with pytest.raises(PlanError, match=words) as caught:
        parts_of_turn(pivot, turn, flow_gpm=flow, where="[irrigation.inject.p]")
    assert caught.value.hint
    assert caught.value.where == "[irrigation.inject.p]"


def test_an_injector_that_is_off_everywhere_is_refused() -> None:
    with pytest.raises(PlanError, match="off everywhere"):
        scheduled(legs_of(turn=replace(PLAIN, off_arcs=((0.0, 360.0),))))
