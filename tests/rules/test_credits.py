"""Credits beside the guide: arithmetic by handbooks and pint, never twice, never below nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vrx.errors import RuleError
from vrx.model import Need, Severity, Yield, ZoneReading
from vrx.rules import (
    Credits,
    ResidualSulfate,
    TissueTest,
    WaterTest,
    findings_of,
    load_books,
    needs,
)

BOOKS = load_books()
Ask = Callable[..., tuple[Need, ...]]
Reading = Callable[..., ZoneReading]
Readings = Callable[..., dict[str, ZoneReading]]
NEBRASKA = {"removal_source": "nebraska"}


def line(need: Need, term: str) -> Any:
    found, = [one for one in need.lines if one.term == term]
    return found


def codes(found: tuple[Need, ...]) -> dict[str, str]:
    return {one.code: one.severity.value for one in findings_of(found)}


def k_in_water(ppm: float, net_in: float) -> float:
    """lb K2O/ac by pint: mg/L in acre-inches; K2O by atomic weights (IUPAC 2021: K 39.0983, O
    15.999)."""
    ureg = pint.UnitRegistry()
    depth = net_in * ureg.inch
    per_area = ppm * ureg.mg / ureg.liter * depth
    k = per_area.to("pound / acre").magnitude
    return float(k * (2 * 39.0983 + 15.999) / (2 * 39.0983))


def test_potassium_in_water_by_pint(ask: Ask, tri_state: Readings) -> None:
    water = WaterTest(net_in=24.0, sulfate_s_ppm=0.0, potassium_ppm=8.0)
    need, = ask("tri-state-2020", tri_state(130.0), water=water)
    credit = line(need, "irrigation water brings")
    # pint's acre is the US survey acre: 4 parts in a million apart.
    assert credit.lb_per_ac == pytest.approx(-k_in_water(8.0, 24.0), rel=1e-5)
    assert credit.credit
    assert credit.evidence == "computed"
    assert "8 ppm K x 24 in net x 0.22661 x 1.2046" in credit.detail
    assert need.lb_per_ac == pytest.approx(294.0 - k_in_water(8.0, 24.0), rel=1e-5)
    assert need.surplus_lb_per_ac == 0


def test_sulfate_of_water_is_oregon_states(ask: Ask) -> None:
    # Oregon State, water units: 48 ppm SO4 = 16 ppm SO4-S, an acre-foot is 2,716,435 lb.
    water = WaterTest(net_in=12.0, sulfate_so4_ppm=48.0)
    need, = ask("removal-sulfur", options={"removal_source": "ontario"}, water=water, tons=20 / 2,
                credited=Credits(water=True))
    assert -line(need, "irrigation water brings").lb_per_ac == pytest.approx(
        16.0 * 2.716435, rel=3e-3)
    assert any("water S comes late" in one.what for one in need.findings)


def test_organic_matter_is_wisconsins(ask: Ask, reading: Reading) -> None:
    # Univ. Wisconsin prints 2.8 lb S/ac per 1 % organic matter.
    om = {"organic_matter": reading("organic_matter", 1.0, 3.0)}
    found = ask("removal-sulfur", om, options={"removal_source": "nebraska"},
                credited=Credits(organic_matter=True), moisture=12.0, tons=5.0)
    assert [line(n, "organic matter releases").lb_per_ac for n in found] == pytest.approx(
        [-2.8, -8.4])
    # Nebraska prints 40 lb S for 5 tons.
    assert [n.lb_per_ac for n in found] == pytest.approx([37.2, 31.6])


def test_residual_sulfate_is_the_mass_of_the_layer(ask: Ask) -> None:
    ureg = pint.UnitRegistry()
    mass = 12.0 * ureg.inch * 1.33 * ureg.gram / ureg.centimeter**3
    expected = (5e-6 * mass).to("pound / acre").magnitude * 0.5
    held = ResidualSulfate(so4s_ppm=5.0, depth_in=(12.0, 24.0), share=0.5, words="stated")
    need, = ask("flat-sulfur", credited=Credits(residual=held))
    assert -line(need, "sulfate left at depth").lb_per_ac == pytest.approx(expected, rel=1e-4)
    assert need.lb_per_ac == pytest.approx(25.0 - expected, rel=1e-3)


def test_residual_sulfate_by_zone_and_what_is_missing(ask: Ask, reading: Reading) -> None:
    om = {"organic_matter": reading("organic_matter", 1.0, 1.0)}
    by_zone = ResidualSulfate(so4s_ppm=np.array([2.0, 4.0]), depth_in=(24.0, 36.0), share=1.0,
                              words="samples")
    one, two = ask("flat-sulfur", om, credited=Credits(residual=by_zone))
    assert line(two, "sulfate left at depth").lb_per_ac == pytest.approx(
        2 * line(one, "sulfate left at depth").lb_per_ac)
    hole = ResidualSulfate(so4s_ppm=np.array([2.0, np.nan]), depth_in=(24.0, 36.0), share=1.0,
                           words="samples")
    with pytest.raises(RuleError) as error:
        ask("flat-sulfur", om, credited=Credits(residual=hole))
    assert error.value.code == "credit-depth-missing"


def test_the_same_layer_is_never_counted_twice(ask: Ask, reading: Reading) -> None:
    soil = {"sulfate": reading("sulfate", 5.0, extractant="calcium phosphate", depth_in=(0, 24))}
    held = ResidualSulfate(so4s_ppm=5.0, depth_in=(12.0, 24.0), share=0.5, words="stated")
    with pytest.raises(RuleError) as error:
        ask("sulfur-balance", soil, options={"soil_share": 0.5}, credited=Credits(residual=held))
    assert error.value.code == "credit-depth-twice"
    # A guide that leaves the sample uncounted does not stand in the way.
    need, = ask("sulfur-balance", soil, credited=Credits(residual=held))
    assert line(need, "sulfate left at depth").lb_per_ac < 0


def test_a_guide_that_counts_water_keeps_its_own_line(ask: Ask) -> None:
    water = WaterTest(net_in=12.0, sulfate_so4_ppm=10.0)
    plain, = ask("sulfur-balance", water=water)
    asked, = ask("sulfur-balance", water=water, credited=Credits(
        water=True, organic_matter=True, manure=True, manure_lb_per_ac=4.0, manure_words="x"))
    assert asked.lb_per_ac == plain.lb_per_ac
    assert codes((asked,))["credit-guide-counts"] == "note"
    refused, = ask("sulfur-balance", water=water, credited=Credits(water=False))
    assert refused.lb_per_ac == plain.lb_per_ac
    assert codes((refused,))["credit-guide-counts"] == "warn"


def test_what_is_not_counted_is_told(ask: Ask, tri_state: Readings) -> None:
    water = WaterTest(net_in=20.0, sulfate_so4_ppm=30.0, potassium_ppm=5.0)
    plain, = ask("removal-sulfur", options=NEBRASKA, water=water)
    assert codes((plain,))["credit-not-counted"] == "warn"
    off, = ask("tri-state-2020", tri_state(130.0), water=water, credited=Credits(water=False))
    assert off.lb_per_ac == pytest.approx(294.0)
    assert codes((off,))["credit-not-counted"] == "note"
    tissue = TissueTest(part="top 6 in", stage="bud to first flower", sulfur_pct=0.2)
    tested, = ask("tissue-sulfur", water=water, tissue=tissue)
    assert codes((tested,))["credit-not-counted"] == "note"


def test_a_surplus_is_told_and_the_need_is_never_below_nothing(
    ask: Ask, tri_state: Readings
) -> None:
    manure = Credits(manure_lb_per_ac=400.0, manure_words="20 tons/ac x 20 lb K2O/ton")
    low, high = ask("tri-state-2020", tri_state(130.0, 180.0), credited=manure)
    assert (low.lb_per_ac, high.lb_per_ac) == (0.0, 0.0)
    assert (low.surplus_lb_per_ac, high.surplus_lb_per_ac) == pytest.approx((106.0, 400.0))
    for need in (low, high):
        assert sum(one.lb_per_ac for one in need.lines) == pytest.approx(0.0, abs=1e-9)
    told = [f for f in findings_of((low, high)) if f.code == "rules-surplus"]
    assert len(told) == 1
    assert "106 to 400 lb K2O/ac" in told[0].what
    assert told[0].severity is Severity.NOTE


def test_carry_over_needs_no_guide_and_names_its_source(ask: Ask, tri_state: Readings) -> None:
    need, = ask("tri-state-2020", tri_state(130.0), credited=Credits(
        carry_over_lb_per_ac=40.0, carry_over_source="half of the rate not spread in 2026"))
    held = line(need, "carried over from earlier years")
    assert (held.lb_per_ac, held.evidence) == (-40, "user")
    assert held.locator == "half of the rate not spread in 2026"


def test_a_credit_without_its_test_is_refused(ask: Ask, tri_state: Readings) -> None:
    water = WaterTest(net_in=20.0, sulfate_so4_ppm=30.0)
    for book, options, more, credited, code in (
        ("removal-sulfur", NEBRASKA, {}, Credits(water=True), "credit-water-missing"),
        ("removal-potassium", NEBRASKA, {"water": water}, Credits(water=True),
         "credit-water-missing"),
        ("removal-potassium", NEBRASKA, {}, Credits(manure=True), "credit-manure-missing"),
        ("removal-potassium", NEBRASKA, {}, Credits(organic_matter=True), "credit-nutrient"),
        ("removal-sulfur", NEBRASKA, {}, Credits(organic_matter=True), "rules-reading-missing"),
        ("removal-potassium", NEBRASKA,
         {"water": WaterTest(net_in=10.0, sulfate_s_ppm=1.0, potassium_ppm=500.0)}, Credits(),
         "credit-out-of-range"),
        ("removal-potassium", NEBRASKA,
         {"water": WaterTest(net_in=90.0, sulfate_s_ppm=1.0, potassium_ppm=5.0)}, Credits(),
         "credit-out-of-range"),
    ):
        with pytest.raises(RuleError) as error:
            ask(book, options=options, credited=credited, **more)
        assert error.value.code == code, book
        assert error.value.hint


def test_much_potassium_in_water_is_doubted(ask: Ask) -> None:
    water = WaterTest(net_in=10.0, sulfate_s_ppm=1.0, potassium_ppm=80.0)
    assert codes(ask("removal-potassium", options=NEBRASKA, water=water))[
        "credit-water-k-unusual"] == "warn"


def test_the_yield_line_stands_where_a_guide_reads_the_yield(
    ask: Ask, tri_state: Readings
) -> None:
    need, = ask("tri-state-2020", tri_state(130.0), yield_source="one goal for the whole field")
    first = need.lines[0]
    assert (first.term, first.lb_per_ac, first.evidence) == ("yield goal", 0.0, "user")
    assert first.detail == "6 t/ac at 0 % moisture, one goal for the whole field"
    flat, = ask("flat-sulfur", yield_source="one goal for the whole field")
    assert "yield goal" not in [one.term for one in flat.lines]


@given(
    base=st.floats(0.5, 14.0),
    water=st.tuples(st.floats(0.0, 60.0), st.floats(0.0, 60.0), st.floats(0.05, 1.0)),
    manure=st.floats(0.0, 500.0), carried=st.floats(0.0, 300.0),
)
def test_need_is_base_less_credits_or_nothing_with_the_surplus(
    base: float, water: tuple[float, float, float], manure: float, carried: float
) -> None:
    water_k, inches, share = water
    need, = needs(
        book=BOOKS["removal-potassium"], nutrient="K2O", zone_ids=(1,), readings={},
        crop="alfalfa", expected_yield=Yield(tons_per_ac=base, moisture_pct=0.0),
        options={"removal_source": "tri-state-2020"},
        water=WaterTest(net_in=inches, sulfate_s_ppm=0.0, potassium_ppm=water_k),
        credited=Credits(water_share=share, manure_lb_per_ac=manure, manure_words="m",
                         carry_over_lb_per_ac=carried, carry_over_source="s"))
    credit = sum(one.lb_per_ac for one in need.lines if one.credit)
    rest = 49.0 * base + credit
    assert min(need.lb_per_ac, need.surplus_lb_per_ac) == 0
    assert need.lb_per_ac - need.surplus_lb_per_ac == pytest.approx(rest, abs=1e-9)
    assert sum(one.lb_per_ac for one in need.lines) == pytest.approx(need.lb_per_ac, abs=1e-9)
