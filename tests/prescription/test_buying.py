"""Purchases and tank fills against pint, published amounts and laws of sums."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from money_builders import KCL, KCL62, KSUL, KTHI, passed, price, season

from vrx.errors import PlanError
from vrx.model import Price, Purchase
from vrx.prescription import SupplyTerms, price_age_findings, purchases, tank_fills

U = pint.UnitRegistry()
MORE = {"deadline": None, "max_examples": 60, "derandomize": True}


def bought(*args: object, **more: object) -> Purchase:
    (one,), _ = purchases(*args, **more)  # type: ignore[arg-type]
    return one


def test_cost_of_49_lb_k2o_as_michigan_state_prints_it() -> None:
    # Michigan State University 2024: 0-0-62 at 360 USD a short ton, 49 lb K2O per ton of dry
    # matter: 14.22 printed, 14.226 exactly; at 441 USD 17.43.
    for usd, cost in ((360.0, 14.226), (441.0, 17.43)):
        made = season(passed([49 / 0.62], of=KCL62), area=[1.0])
        one = bought(made.passes, [price(KCL62, usd)])
        assert one.usd_bought == pytest.approx(cost, abs=0.005)


def test_1500_lb_of_0_0_60_for_900_lb_k2o() -> None:
    # Ontario Ministry of Agriculture, fieldcropnews.com 2013.
    one = bought(season(passed([1500.0]), area=[1.0]).passes)
    assert one.k2o_lb == pytest.approx(900)


def test_300_lb_k2o_from_potassium_sulfate_overshoots_s() -> None:
    # From the analysis (worked example of the trade): 600 lb of 0-0-50-17S bring 102 lb S.
    one = bought(season(passed([600.0], of=KSUL), area=[1.0]).passes)
    assert (one.k2o_lb, one.s_lb) == (pytest.approx(300), pytest.approx(102))


@pytest.mark.parametrize(("usd", "per", "unit"), [
    (612.5, "short ton", "short_ton"), (0.31, "lb", "pound"), (3.4, "gal", "gallon")])
def test_pounds_tons_gallons_and_dollars_by_pint(usd: float, per: str, unit: str) -> None:
    made = season(passed([7.3, 4.1], of=KTHI, step=0.1), area=[31.7, 12.9])
    own = SupplyTerms(material=KTHI.id, package="tote", package_gal=275, load_lb=44_000,
                      overage_pct=2.5, ticket_lb_per_gal=12.31, ticket="4411")
    one = bought(made.passes, [price(KTHI, usd, per)], [own])
    net = 7.3 * U.gallon / U.acre * 31.7 * U.acre + 4.1 * U.gallon / U.acre * 12.9 * U.acre
    totes = math.ceil((net * 1.025 / (275 * U.gallon)).to("").magnitude)
    volume = totes * 275 * U.gallon
    mass = volume * (12.31 * U.pound / U.gallon)
    assert one.net == pytest.approx(net.to("gallon").magnitude, rel=1e-12)
    assert one.bought == volume.magnitude
    assert one.bought_lb == pytest.approx(mass.to("pound").magnitude, rel=1e-12)
    amount = volume if per == "gal" else mass
    assert one.usd_bought == pytest.approx(usd * amount.to(unit).magnitude, rel=1e-12)
    assert one.k2o_lb == pytest.approx(0.25 * mass.to("pound").magnitude, rel=1e-12)
    assert one.loads == math.ceil((mass / (22 * U.short_ton)).to("").magnitude)
    assert one.density_from == "load ticket 4411"


def test_every_step_is_a_line_and_the_lines_add_up() -> None:
    made = season(passed([201.0, 148.0], step=10), passed([97.0, 0.0], number=2, step=10),
                  area=[40.0, 21.5])
    one = bought(made.passes, (), [SupplyTerms(material=KCL.id, package_lb=2000.0)],
                 overage_pct=3.0)
    words = [line.words for line in one.lines]
    assert words == ["exact rates on the zones' acres", "machine steps",
                     "acres treated beyond or short of the zones", "overage stated",
                     "whole steps of sale"]
    # 200 x 40 + 150 x 21.5 + 100 x 40 = 15,225 lb net; 3 % more is 15,681.75; 8 short tons.
    assert one.net == pytest.approx(15_225)
    assert one.bought == 16_000
    assert sum(line.amount for line in one.lines) == pytest.approx(16_000)
    assert one.left_over == pytest.approx(775)
    assert [share[:2] for share in one.shares] == [(1, "p1"), (2, "p2")]


def test_a_whole_package_is_not_rounded_up_by_the_last_bit() -> None:
    made = season(passed([100.0]), area=[20.0])
    for size in (2000.0, 2000.0 / 3, 0.1, 2000.0 / 7):
        one = bought(made.passes, (), [SupplyTerms(material=KCL.id, package_lb=size)])
        assert one.packages == round(2000.0 / size)


def test_no_price_is_not_known_and_never_nothing() -> None:
    made = season(passed([100.0]), area=[20.0])
    one = bought(made.passes)
    assert one.usd_bought is None
    assert one.usd_net is None
    assert "not known" in one.price_note
    free, said = purchases(made.passes, [price(KCL, 0.0)])
    assert free[0].usd_bought == 0
    assert [finding.code for finding in said] == ["order-price-zero"]


def test_a_need_of_zero_buys_nothing() -> None:
    made = season(passed([0.0, 0.0]), area=[20.0, 5.0])
    assert purchases(made.passes) == ((), [])
    assert tank_fills(made.passes, {"p1": 1000.0}, zone_area_ac=np.array([20.0, 5.0])) == ()


def test_a_ticket_far_from_the_density_of_the_rates_is_told_with_the_remedy() -> None:
    made = season(passed([10.0], of=KTHI), area=[100.0])
    _, said = purchases(
        made.passes, (), [SupplyTerms(material=KTHI.id, ticket_lb_per_gal=12.5)])
    (one,) = said
    assert one.code == "order-ticket-density"
    assert "+2.5%" in one.what
    assert "density_lb_per_gal = 12.5" in one.todo
    _, near = purchases(made.passes, (), [SupplyTerms(material=KTHI.id, ticket_lb_per_gal=12.25)])
    assert not near


def test_a_package_much_larger_than_the_need_is_told() -> None:
    made = season(passed([1.0], of=KTHI), area=[20.0])
    _, said = purchases(
        made.passes, (), [SupplyTerms(material=KTHI.id, package="tote", package_gal=275)])
    assert [one.code for one in said] == ["order-mostly-left-over"]


@pytest.mark.parametrize(("own", "code"), [
    (SupplyTerms(material=KTHI.id, package="tote", package_gal=0.0), "order-size"),
    (SupplyTerms(material=KTHI.id, package="tote", package_gal=-275.0), "order-size"),
    (SupplyTerms(material=KTHI.id, package="tote"), "order-size"),
    (SupplyTerms(material=KTHI.id, package_lb=1.0, package_gal=1.0), "order-size"),
    (SupplyTerms(material=KTHI.id, load_lb=math.inf), "order-size"),
    (SupplyTerms(material=KTHI.id, package_gal=1e-9), "order-size"),
    (SupplyTerms(material=KTHI.id, overage_pct=-1.0), "order-overage"),
    (SupplyTerms(material=KTHI.id, overage_pct=101.0), "order-overage"),
    (SupplyTerms(material=KCL.id, package_gal=275.0), "order-unit"),
    (SupplyTerms(material=KCL.id, ticket_lb_per_gal=12.0), "order-unit"),
])
def test_terms_that_are_none_name_material_and_remedy(own: SupplyTerms, code: str) -> None:
    made = season(passed([5.0], of=KTHI), passed([100.0], number=2), area=[20.0])
    with pytest.raises(PlanError) as err:
        purchases(made.passes, (), [own])
    assert err.value.code == code
    assert own.material in err.value.where
    assert err.value.hint


def test_terms_given_twice_and_terms_of_nothing() -> None:
    made = season(passed([100.0]), area=[20.0])
    twice = [SupplyTerms(material=KCL.id), SupplyTerms(material=KCL.id.upper())]
    with pytest.raises(PlanError, match="twice"):
        purchases(made.passes, (), twice)
    _, said = purchases(made.passes, (), [SupplyTerms(material=KSUL.id)])
    assert [one.code for one in said] == ["order-terms-unused"]


def test_price_age_and_the_day_that_stands_for_the_order() -> None:
    def codes(as_of: str, on: date | None, days: int | None = None) -> list[str]:
        told = [Price(material="x", usd=1.0, per="lb", as_of=as_of)]
        return [one.code for one in price_age_findings(told, on=on, season=2027, days=days)]

    on = date(2027, 2, 1)
    assert codes("2026-11-03", on) == []  # 90 days
    assert codes("2026-11-02", on) == ["order-price-old"]
    assert codes("2026-11-02", on, 120) == []
    assert codes("2027-02-02", on) == ["order-price-later"]
    assert codes("last fall", on) == ["order-price-undated"]
    assert codes("2026-10-02", None) == ["order-price-old"]  # 91 days before 1 January
    assert codes("2027-03-02", None) == []


def test_a_fill_reaches_over_the_acres_that_get_product_only() -> None:
    # 12,000 lb at 200 and 300 lb/ac on 60 ac: a mean of 233.3, 51.4 ac; zone 2 is off.
    made = season(passed([200.0, 0.0, 300.0]), area=[40.0, 60.0, 20.0])
    (one,) = tank_fills(made.passes, {"p1": 12_000.0}, zone_area_ac=np.array([40.0, 60.0, 20.0]))
    assert one.acres_per_fill == pytest.approx(12_000 / (14_000 / 60))
    assert one.acres_at_most == pytest.approx(40)


def test_tank_fills_by_hand() -> None:
    # 5 gal/ac on a wetted circle of 125 ac: 625 gal, of 250 gal a fill three, 50 ac each.
    made = season(passed([5.0, 5.0], of=KTHI, kind="fixed", treated_ac=125.0,
                         method="through irrigation"), area=[100.0, 21.0])
    (one,) = tank_fills(made.passes, {"p1": 250.0}, zone_area_ac=np.array([100.0, 21.0]))
    assert (one.fills, one.last_fill, one.acres_per_fill, one.acres_at_most) == (3, 125, 50, 50)
    for tank in (0.0, -1.0, math.nan, 1e-9):
        with pytest.raises(PlanError) as err:
            tank_fills(made.passes, {"p1": tank}, zone_area_ac=np.array([100.0, 21.0]))
        assert err.value.where == "[machine.p1]"


RATES = st.lists(st.floats(0, 500), min_size=3, max_size=3)


@settings(**MORE)
@given(one=RATES, two=RATES, overage=st.floats(0, 100), size=st.floats(0.5, 5000),
       tank=st.floats(50, 20_000))
def test_the_order_is_the_sum_of_the_passes(
    one: list[float], two: list[float], overage: float, size: float, tank: float
) -> None:
    area = [12.3, 4.56, 78.9]
    made = season(passed(one, step=5), passed(two, number=2, step=10), area=area)
    found, _ = purchases(made.passes, [price(KCL, 480.0)],
                         [SupplyTerms(material=KCL.id, package_lb=size)], overage_pct=overage)
    totals = [each.order_total for each in made.passes]
    if not found:
        assert sum(totals) == 0
        return
    (bill,) = found
    assert bill.net == pytest.approx(sum(totals), rel=1e-12)
    assert bill.net == pytest.approx(sum(share[2] for share in bill.shares), rel=1e-12)
    assert bill.net == pytest.approx(made.order[0].quantity, rel=1e-12)
    assert bill.bought == pytest.approx(sum(line.amount for line in bill.lines), rel=1e-9, abs=1e-6)
    least = bill.net * (1 + overage / 100)
    assert least * (1 - 1e-8) <= bill.bought <= least + size * (1 + 1e-9)
    assert bill.usd_bought == pytest.approx(bill.bought * 0.24, rel=1e-12)
    fills = tank_fills(made.passes, {"p1": tank, "p2": tank}, zone_area_ac=np.array(area))
    live = [each for each in made.passes if each.order_total > 0]
    for fill, each in zip(fills, live, strict=True):
        assert 0 < fill.last_fill <= tank * (1 + 1e-8)
        assert (fill.fills - 1) * tank + fill.last_fill == pytest.approx(each.order_total)
        assert fill.acres_at_most <= fill.acres_per_fill * (1 + 1e-12)


def test_capitals_and_blanks_of_a_material_do_not_count() -> None:
    made = season(passed([100.0]), area=[20.0])
    own = SupplyTerms(material="Muriate  of Potash 0-0-60", package_lb=3000.0)
    assert bought(made.passes, [replace(price(KCL, 480.0), material=KCL.id.upper())],
                  [own]).usd_bought == pytest.approx(720)
