"""Flat against variable: hand figures, pint, and the laws that any comparison must keep."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pint
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from money_builders import KCL, KSUL, KTHI, passed, price, season

from vrx.errors import ComputeError, PlanError
from vrx.model import Comparison, PassPlan, Price
from vrx.prescription import AT_HIGHEST, AT_MEAN, BY_ZONE, ChargeTerms, compare, rate_case, supply

U = pint.UnitRegistry()
MORE = {"deadline": None, "max_examples": 60, "derandomize": True}
AREA = [60.0, 30.0, 10.0]
NEED = [60.0, 120.0, 240.0]
PRICES = (price(KCL, 480.0),)
TERMS = ChargeTerms(sampling_usd_per_sample=12.0, samples=40, flat_samples=5, sampling_seasons=4,
                    mapping_usd_per_ac=1.5, spreading_flat_usd_per_ac=7.0,
                    spreading_variable_usd_per_ac=9.0, hay_usd_per_ton=200.0)


def held_against(
    need: list[float], area: list[float], terms: ChargeTerms = TERMS,
    prices: tuple[Price, ...] = PRICES, step: float = 1e-6,
) -> Comparison:
    """By zone, flat at the mean and at the highest need, one pass of 0-0-60."""
    mean = float(np.dot(need, area) / sum(area))
    cases = []
    for name, wanted in ((BY_ZONE, need), (AT_MEAN, [mean] * len(need)),
                         (AT_HIGHEST, [max(need)] * len(need))):
        plan: PassPlan = passed([one / 0.6 for one in wanted], step=step)
        cases.append(rate_case(name, season(plan, area=area, prices=prices),
                               needs={"K2O": np.array(need)}, terms=terms))
    return compare(cases, terms, area_ac=sum(area))


def test_hand_figures_of_three_zones() -> None:
    # Mean need (60 x 60 + 30 x 120 + 10 x 240) / 100 = 96: short by 24 x 30 + 144 x 10 = 2,160 lb,
    # over by 36 x 60 = 2,160 lb. Highest: over by 180 x 60 + 120 x 30 = 14,400 lb.
    told = held_against(NEED, AREA)
    zoned, mean, most = (case.supplies[0] for case in told.cases)
    assert (zoned.short_lb, zoned.over_lb, zoned.near_ac) == (0, 0, pytest.approx(100))
    assert (mean.short_ac, mean.short_lb) == (pytest.approx(40), pytest.approx(2160, abs=1e-3))
    assert (mean.over_ac, mean.over_lb) == (pytest.approx(60), pytest.approx(2160, abs=1e-3))
    assert (most.over_ac, most.over_lb) == (pytest.approx(90), pytest.approx(14_400, abs=1e-3))
    assert most.short_lb == 0


def test_costs_and_breakeven_by_pint() -> None:
    usd_per_lb = 480 * U.dimensionless / (1 * U.short_ton)
    acre = 100 * U.acre
    told = held_against(NEED, AREA)
    zoned, mean, most = told.cases
    product = (9600 * U.pound / 0.6 * usd_per_lb).to("").magnitude
    highest = (240 * U.pound / U.acre * acre / 0.6 * usd_per_lb).to("").magnitude
    assert zoned.usd_product == pytest.approx(product)
    assert mean.usd_product == pytest.approx(product)
    assert most.usd_product == pytest.approx(highest)
    more = (40 - 5) * 12 / 4 + 100 * 1.5 / 4 + 100 * (9 - 7)
    first, second = told.against
    assert first.usd_more == pytest.approx(more)
    assert first.breakeven_tons == pytest.approx(more / 200)
    assert second.usd_more == pytest.approx(product - highest + more)
    assert second.usd_more < 0
    assert second.breakeven_tons == 0


def test_verdicts_say_what_can_be_known() -> None:
    first, second = (one.verdict for one in held_against(NEED, AREA).against)
    assert "By zone costs $342 more than flat at the mean need ($3.42/ac)" in first
    assert "it takes 1.7 tons more hay" in first
    assert "leaves 40.0 ac short of the need by 2,160 lb K2O (54 lb/ac there)" in first
    assert "pays only if the hay answers" in first
    assert "less than flat at the highest need" in second
    assert "it pays, whatever the hay answers" in second


def test_variable_does_not_pay_where_flat_leaves_nothing_unmet() -> None:
    told = held_against([100.0, 104.0], [50.0, 50.0], step=10.0)
    assert "Variable rate does not pay here" in told.against[0].verdict


def test_a_response_counts_only_where_the_user_enters_one() -> None:
    assert all(one.response_tons is None for one in held_against(NEED, AREA).against)
    terms = replace(TERMS, hay_tons_per_lb_short=(("K2O", 0.002),))
    first, second = held_against(NEED, AREA, terms).against
    # 2,160 lb short x 0.002 = 4.32 tons, worth 864 USD, less 342.50.
    assert first.response_tons == pytest.approx(4.32, abs=1e-5)
    assert "By your own response figure" in first.verdict
    assert "it pays (+$522)" in first.verdict
    assert second.response_tons == pytest.approx(0, abs=1e-6)
    low = replace(TERMS, hay_tons_per_lb_short=(("K2O", 0.0005),))
    assert "it does not pay (-$126)" in held_against(NEED, AREA, low).against[0].verdict


def test_what_is_not_entered_is_left_out_on_both_sides_and_named() -> None:
    told = held_against(NEED, AREA, ChargeTerms(spreading_flat_usd_per_ac=7.0, samples=40))
    first = told.against[0]
    assert first.usd_more == pytest.approx(0, abs=1e-3)
    assert first.uncounted == ("sampling", "mapping", "spreading")
    assert "not counting sampling, mapping and spreading" in first.verdict
    assert first.breakeven_tons is None
    # Cheaper against the highest need, but what is not counted may turn that.
    assert "hangs on the charges that are not counted" in told.against[1].verdict


def test_what_is_open_on_both_sides_alike_moves_no_difference() -> None:
    both = (passed([100.0, 200.0]), passed([50.0, 50.0], number=2))
    flat = (passed([150.0, 150.0]), passed([50.0, 50.0], number=2))
    terms = replace(TERMS, spreading_flat_usd_per_ac=None)
    cases = [rate_case(name, season(*plans, area=[10.0, 10.0], prices=PRICES), needs={},
                       terms=terms) for name, plans in ((BY_ZONE, both), (AT_MEAN, flat))]
    (one,) = compare(cases, terms, area_ac=20.0).against
    # Pass 2 is flat in both; pass 1 has a charge by zone but none flat, so it counts on neither.
    assert one.uncounted == ("spreading",)
    assert one.usd_more == pytest.approx((40 - 5) * 12 / 4 + 20 * 1.5 / 4)


def test_without_a_price_no_cost_is_made_up() -> None:
    told = held_against(NEED, AREA, prices=())
    assert all(case.usd_product is None and case.usd_known is None for case in told.cases)
    assert all(one.usd_more is None and one.breakeven_tons is None for one in told.against)
    assert "is not known: a price is missing" in told.against[0].verdict
    assert told.cases[1].supplies[0].short_lb == pytest.approx(2160, abs=1e-3)


def test_liquids_through_irrigation_are_charged_as_injection_on_the_acres_treated() -> None:
    made = season(passed([5.0, 5.0], of=KTHI, kind="fixed", treated_ac=125.0,
                         method="through irrigation"), area=[100.0, 21.0])
    one = rate_case(BY_ZONE, made, needs={}, terms=replace(TERMS, injection_usd_per_ac=4.0))
    assert [(each.what, each.usd) for each in one.charges][2:] == [("injection, pass 1", 500.0)]
    unknown = rate_case(BY_ZONE, made, needs={}, terms=TERMS)
    assert unknown.charges[2].usd is None


@pytest.mark.parametrize("terms", [
    {"spreading_flat_usd_per_ac": -1.0}, {"hay_usd_per_ton": -200.0}, {"sampling_seasons": 0},
    {"sampling_usd_per_sample": float("nan")}, {"mapping_usd_per_ac": 1e12},
    {"hay_tons_per_lb_short": (("K2O", -0.1),)},
    {"sampling_usd_per_sample": 1.0, "sampling_usd_per_ac": 1.0},
])
def test_charges_that_are_none_are_refused_with_their_key(terms: dict[str, object]) -> None:
    with pytest.raises(PlanError) as err:
        ChargeTerms(**terms)  # type: ignore[arg-type]
    assert err.value.where == "[charges]"
    assert err.value.code in {"charges-value", "charges-twice"}


def test_needs_must_fit_the_zones() -> None:
    made = season(passed([5.0, 5.0]), area=[1.0, 2.0])
    with pytest.raises(ComputeError):
        rate_case(BY_ZONE, made, needs={"K2O": np.array([1.0])}, terms=TERMS)


def test_elemental_s_supplies_nothing_this_season() -> None:
    late = replace(KSUL, s_form="elemental")
    made = season(passed([100.0], of=late), area=[10.0])
    one = supply("S", need=np.array([17.0]), passes=made.passes, area=np.array([10.0]))
    assert one.short_lb == pytest.approx(170)


ZONES = st.lists(st.tuples(st.floats(0, 300), st.floats(0.5, 80)), min_size=1, max_size=8)


@settings(**MORE)
@given(zones=ZONES, step=st.sampled_from([1e-6, 5.0, 10.0]))
def test_pounds_balance_and_acres_add_up(zones: list[tuple[float, float]], step: float) -> None:
    need, area = ([one[k] for one in zones] for k in (0, 1))
    for case in held_against(need, area, step=step).cases:
        (one,) = case.supplies
        assert one.over_ac + one.near_ac + one.short_ac == pytest.approx(sum(area))
        brought = 0.6 * sum(amount for _, amount, _, _ in case.product)
        assert one.over_lb + one.near_lb - one.short_lb == pytest.approx(
            brought - float(np.dot(need, area)), rel=1e-9, abs=1e-3)
        assert abs(one.near_lb) <= one.slack * one.near_ac * (1 + 1e-9)


@settings(**MORE)
@given(need=st.floats(1, 300), area=st.lists(st.floats(0.5, 80), min_size=1, max_size=6),
       step=st.sampled_from([1e-6, 5.0, 10.0]))
def test_flat_is_variable_where_all_zones_are_equal(
    need: float, area: list[float], step: float
) -> None:
    zoned, mean, most = held_against([need] * len(area), area, step=step).cases
    for flat in (mean, most):
        assert flat.usd_product == pytest.approx(zoned.usd_product)
        assert flat.supplies[0].short_lb == pytest.approx(zoned.supplies[0].short_lb, abs=1e-6)
        assert flat.rates == zoned.rates or step < 1


@settings(**MORE)
@given(zones=ZONES)
def test_the_highest_need_is_never_short_and_never_cheaper_in_product(
    zones: list[tuple[float, float]],
) -> None:
    need, area = ([one[k] for one in zones] for k in (0, 1))
    assume(max(need) > 1e-3)
    zoned, mean, most = held_against(need, area).cases
    assert most.supplies[0].short_ac == 0
    for other in (zoned, mean):
        assert other.usd_product is not None
        assert most.usd_product is not None
        assert most.usd_product >= other.usd_product - 0.01


@settings(**MORE)
@given(zones=ZONES, hay=st.floats(50, 400), charge=st.floats(0, 50))
def test_breakeven_falls_with_the_price_of_hay_and_grows_with_charges(
    zones: list[tuple[float, float]], hay: float, charge: float
) -> None:
    need, area = ([one[k] for one in zones] for k in (0, 1))

    def tons(**changes: float) -> list[float]:
        told = held_against(need, area, replace(TERMS, **({"hay_usd_per_ton": hay} | changes)))
        return [one.breakeven_tons or 0.0 for one in told.against]

    here = tons(mapping_usd_per_ac=charge)
    for dear, low in zip(tons(mapping_usd_per_ac=charge, hay_usd_per_ton=hay * 1.5), here,
                         strict=True):
        assert dear <= low + 1e-9
    for more, low in zip(tons(mapping_usd_per_ac=charge + 1), here, strict=True):
        assert more >= low - 1e-9
