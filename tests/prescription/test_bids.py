"""The bid sheet against published amounts, analyses of the trade and linear algebra."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from money_builders import ALL, AMS, GYPS, KCL, KCL62, KSUL, KTHI, NTHI, passed, price, season

from vrx.errors import PlanError
from vrx.model import Bid, Finding, Material, PassPlan, Price
from vrx.prescription import BidTerms, SupplyTerms, bid_sheet, purchases

MORE = {"deadline": None, "max_examples": 40, "derandomize": True}


def sheet(
    *plans: PassPlan, area: tuple[float, ...] = (1.0,), prices: tuple[Price, ...] = (),
    quotes: tuple[BidTerms, ...] = (), on: date | None = None,
    terms: tuple[SupplyTerms, ...] = (),
) -> tuple[tuple[Bid, ...], list[Finding]]:
    made = season(*plans, area=list(area))
    bought, _ = purchases(made.passes, prices, terms)
    return bid_sheet(purchases=bought, passes=made.passes, area_ac=sum(area), materials=ALL,
                     prices=prices, quotes=quotes, on=on)


def line(lines: tuple[Bid, ...], of: Material, state: str = "substitute") -> Bid:
    (one,) = [each for each in lines if each.material == of.id and each.state == state]
    return one


def quote(of: Material, usd: float = 500.0, per: str = "short ton", **more: object) -> BidTerms:
    held = {"seller": "S", "as_of": "2027-01-01", "freight_usd": 0.0} | more
    return BidTerms(material=of.id, usd=usd, per=per, **held)  # type: ignore[arg-type]


def test_a_pound_of_k2o_as_michigan_state_counts_it() -> None:
    # 360 / 2000 / 0.62 USD a pound; 49 lb cost 14.22 as printed (Michigan State University 2024).
    lines, _ = sheet(passed([100.0], of=KCL62), prices=(price(KCL62, 360.0),))
    own = line(lines, KCL62, "order")
    assert own.usd_per_lb_k2o is not None
    assert 49 * own.usd_per_lb_k2o == pytest.approx(14.226, abs=5e-4)


def test_what_stands_in_by_analysis() -> None:
    # Ontario 2013: 900 lb K2O are 1,500 lb of 0-0-60, here instead of 0-0-62.
    lines, _ = sheet(passed([900 / 0.62], of=KCL62))
    assert line(lines, KCL).quantity == pytest.approx(1500)
    # A trade page says 330 to 420 lb K2O equal 600 to 700 lb of 0-0-60; it is 550 to 700.
    for k2o, lb in ((330.0, 550.0), (420.0, 700.0)):
        lines, _ = sheet(passed([k2o / 0.62], of=KCL62))
        assert line(lines, KCL).quantity == pytest.approx(lb)
    # 300 lb K2O from 0-0-50-17S: 600 lb, with 102 lb S (from the analysis).
    lines, _ = sheet(passed([500.0], of=KCL))
    one = line(lines, KSUL)
    assert (one.quantity, one.s_lb) == (pytest.approx(600), pytest.approx(102))


def test_25_lb_s_from_potassium_thiosulfate_cross_loads_k2o() -> None:
    # Worked from 12.2 lb/gal, 17 % S, 25 % K2O: 12.05 gal/ac and 36.8 lb K2O/ac.
    lines, _ = sheet(passed([25 / 2.8704], of=NTHI, serves="S"))
    one = line(lines, KTHI)
    assert one.nutrient == "S"
    assert one.quantity == pytest.approx(12.05, abs=0.005)
    assert one.k2o_lb == pytest.approx(36.8, abs=0.05)
    assert {each.material for each in lines if each.state == "substitute"} == {KTHI.id}


def test_chloride_that_comes_with_potash() -> None:
    # South Dakota's rule, KCl = Cl x 2.2: 25 lb Cl are in 55 lb.
    lines, _ = sheet(passed([55.0]))
    assert lines[0].cl_lb == pytest.approx(25, abs=0.2)


def test_s_net_of_k2o_solves_the_two_equations() -> None:
    # A lb of KCl and of K2SO4 each cost the sum of their nutrients: the net price of S is the
    # second unknown of that system (numpy.linalg).
    prices = (price(KCL, 480.0), price(KSUL, 790.0))
    lines, _ = sheet(passed([300.0]), passed([100.0], of=KSUL, number=2), prices=prices)
    k2o, s = np.linalg.solve([[0.60, 0.0], [0.50, 0.17]], [480 / 2000, 790 / 2000])
    one = line(lines, KSUL, "order")
    assert one.k2o_usd_per_lb == pytest.approx(k2o)
    assert one.usd_per_lb_s_net == pytest.approx(s)
    assert line(lines, KCL, "order").usd_per_lb_s is None


def test_s_substitutes_are_as_dear_where_the_cost_of_s_net_of_k2o_is_the_same() -> None:
    prices = (price(KCL, 480.0), price(KTHI, 6.1, "gal"))
    lines, _ = sheet(passed([300.0]), passed([5.0], of=KTHI, number=2, serves="S"), prices=prices)
    own, other = line(lines, KTHI, "order"), line(lines, NTHI)
    assert own.usd_per_lb_s_net is not None
    # 11.04 lb/gal x 26 % S at the net price of S: its N counts as nothing.
    assert other.equal_usd == pytest.approx(own.usd_per_lb_s_net * 11.04 * 0.26)
    assert other.equal_per == "gal"
    assert line(lines, KCL62).equal_usd == pytest.approx(480 * 62 / 60)


def test_elemental_s_and_another_form_never_stand_in() -> None:
    lines, _ = sheet(passed([100.0], of=GYPS, serves="S"))
    assert {one.material for one in lines if one.state == "substitute"} == {KSUL.id, AMS.id}


def test_a_quote_counts_freight_and_spreading_over_all_trips() -> None:
    told = quote(KCL, 462.0, freight_usd=None, freight_usd_per_short_ton=16.0,
                 spreading_usd_per_ac=9.5, valid_until=date(2027, 2, 28))
    lines, said = sheet(passed([100.0, 50.0]), passed([100.0, 50.0], number=2),
                        area=(60.0, 40.0), quotes=(told,))
    one = line(lines, KCL, "quote")
    tons = 2 * (100 * 60 + 50 * 40) / 2000
    assert one.usd_delivered == pytest.approx(tons * (462 + 16))
    assert one.usd_spread == pytest.approx(tons * 478 + 2 * 100 * 9.5)
    assert one.usd_per_lb_k2o == pytest.approx(478 / 1200)
    assert line(lines, KCL, "open").usd is None
    assert not said


def test_a_quote_instead_of_what_is_ordered_brings_as_much_k2o() -> None:
    lines, _ = sheet(passed([100.0]), area=(50.0,), quotes=(quote(KSUL, instead_of=KCL.id),))
    one = line(lines, KSUL, "quote")
    assert one.k2o_lb == pytest.approx(3000)
    assert one.quantity == pytest.approx(6000)


def test_quotes_that_cannot_stand() -> None:
    def code(told: BidTerms) -> str:
        with pytest.raises(PlanError) as err:
            sheet(passed([100.0]), quotes=(told,))
        assert err.value.where == "[[bid]] of S"
        assert err.value.hint
        return err.value.code

    assert code(quote(KSUL)) == "bid-not-ordered"
    assert code(quote(GYPS, instead_of=KCL.id)) == "bid-material"
    assert code(BidTerms(seller="S", material="nothing", usd=1.0, per="lb", as_of="")) == (
        "bid-material")
    assert code(quote(KCL, -1.0)) == "bid-value"
    assert code(quote(KCL, freight_usd=-1.0)) == "bid-value"
    assert code(quote(KCL, freight_usd=1.0, freight_usd_per_short_ton=1.0)) == "bid-value"
    with pytest.raises(PlanError, match="no price per gallon"):
        sheet(passed([100.0]), quotes=(quote(KCL, per="gal"),))


def test_expired_quotes_and_quotes_without_freight_are_told() -> None:
    told = (quote(KCL, valid_until=date(2027, 1, 31)),
            quote(KCL, freight_usd=None, valid_until=date(2026, 12, 1)))
    _, said = sheet(passed([100.0]), quotes=told, on=date(2027, 2, 1))
    assert [one.code for one in said] == ["bid-expired", "bid-expired", "bid-expired",
                                          "bid-no-freight"]


def test_the_ticket_density_prices_the_ordered_liquid_only() -> None:
    own = SupplyTerms(material=KTHI.id, ticket_lb_per_gal=12.5)
    lines, _ = sheet(passed([10.0], of=KTHI), prices=(price(KTHI, 900.0),), terms=(own,),
                     quotes=(quote(KTHI, 900.0),))
    for state in ("order", "quote"):
        one = line(lines, KTHI, state)
        assert one.short_tons == pytest.approx(10 * 12.5 / 2000)
        assert one.usd_per_lb_k2o == pytest.approx(900 / 2000 / 0.25)


def test_nothing_ordered_gives_an_empty_sheet() -> None:
    assert sheet(passed([0.0])) == ((), [])


@settings(**MORE)
@given(rate=st.floats(1, 400), usd=st.floats(0, 2000), freight=st.floats(0, 200))
def test_cost_of_a_pound_grows_with_price_and_freight_and_not_with_the_field(
    rate: float, usd: float, freight: float
) -> None:
    def cost(usd: float, freight: float, rate: float) -> float:
        told = quote(KCL, usd, freight_usd=None, freight_usd_per_short_ton=freight)
        lines, _ = sheet(passed([rate]), quotes=(told,))
        found = line(lines, KCL, "quote").usd_per_lb_k2o
        assert found is not None
        return found

    here = cost(usd, freight, rate)
    assert cost(usd + 1, freight, rate) > here
    assert cost(usd, freight + 1, rate) > here
    assert cost(usd, freight, rate * 2) == pytest.approx(here, rel=1e-9, abs=1e-12)
