"""The season's balance: mass by pint, published buffering, and no number without a range."""

from __future__ import annotations

import numpy as np
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from money_builders import KCL, KSUL, KTHI, passed, season

from vrx.errors import PlanError
from vrx.model import CropTruth, FloatArray, SoilBalance, ZoneReading
from vrx.prescription import (
    BalanceTerms,
    balance_findings,
    layer_k2o_lb_per_ppm,
    pass_words,
    ppm_change,
    soil_balance,
)
from vrx.units import k2o_from_k

U = pint.UnitRegistry()
MORE = {"deadline": None, "max_examples": 80, "derandomize": True}


def reading(
    mean: list[float], *, extractant: str = "mehlich-3", depth: tuple[float, float] = (0, 8)
) -> ZoneReading:
    values = np.array(mean)
    return ZoneReading(analyte="potassium", unit="ppm", extractant=extractant, depth_in=depth,
                       mean=values, standard_error=values * 0.05, low=values, high=values)


def balanced(
    rates: list[float], removed: list[float], *, soil: ZoneReading | None = None,
    cec: list[float] | None = None, own: BalanceTerms | None = None,
) -> SoilBalance:
    made = season(passed(rates), area=[1.0] * len(rates))
    return soil_balance(
        "K2O", passes=made.passes, otherwise=np.zeros(len(rates)), otherwise_words="",
        removed=np.array(removed), removed_words="49 lb K2O per ton of dry matter",
        reading=soil, cec=None if cec is None else np.array(cec), terms=own)


def test_a_layer_of_two_million_pounds() -> None:
    # Soil course: 383.18 ppm are 766.36 lb K/ac in such a layer; K2O is K x 1.2046 (IUPAC weights).
    assert 383.18 * layer_k2o_lb_per_ppm(20 / 3) / 1.2046 == pytest.approx(766.36, rel=1e-5)
    soil = 2_000_000 * U.pound / U.acre
    per_ppm = (soil * 1e-6).to("pound / acre").magnitude
    assert layer_k2o_lb_per_ppm(20 / 3) == pytest.approx(float(k2o_from_k(per_ppm)))
    assert layer_k2o_lb_per_ppm(8.0) == pytest.approx(2.0 * 1.2046 * 8 / (20 / 3), rel=1e-5)


def test_brought_less_removed_at_the_stated_basis() -> None:
    # Tri-State 2020: 6 tons of dry matter x 49 = 294 lb K2O; 500 lb of 0-0-60 bring 300.
    one = balanced([500.0, 0.0], [294.0, 294.0], soil=reading([110, 110]), cec=[10, 10])
    assert one.left == pytest.approx([6.0, -294.0])


def test_the_range_lies_between_no_buffering_and_the_build_up_figure() -> None:
    # By hand: 8 in, CEC 10: least 2.8911, most 4 x (1 + 0.05 x 10) = 6 lb K2O/ac for 1 ppm.
    one = balanced([500.0], [240.0], soil=reading([110.0]), cec=[10.0])
    assert one.ppm_low is not None
    assert one.ppm_high is not None
    assert one.ppm_low[0] == pytest.approx(60 / 6)
    assert one.ppm_high[0] == pytest.approx(60 / 2.8911, rel=1e-4)
    assert one.after_high is not None
    assert one.after_high[0] == pytest.approx(110 + 4 * 60 / 2.8911, rel=1e-4)
    assert any("from memory" in text for text in one.basis)


@pytest.mark.parametrize("share", [0.22, 0.75])
def test_colorado_held_its_soil_test_with_part_of_the_removal(share: float) -> None:
    # Irrigated alfalfa in Colorado: exchangeable K held with 0.22 and 0.75 of removal brought, so
    # a range that leaves out "no change" at either would contradict it.
    removed = 300.0
    one = balanced([share * removed / 0.6], [removed], soil=reading([100.0]), cec=[15.0])
    assert one.ppm_low is not None
    assert one.ppm_high is not None
    assert one.ppm_low[0] < 0
    assert one.ppm_high[0] == pytest.approx(0, abs=1e-6)


def test_a_soil_test_never_ends_below_nothing() -> None:
    one = balanced([0.0], [400.0], soil=reading([40.0]), cec=[5.0])
    assert one.after_low is not None
    assert one.after_low[0] == 0


@pytest.mark.parametrize(("soil", "cec", "word"), [
    (None, [10.0], "no soil-test K"),
    (reading([100.0], extractant="morgan"), [10.0], "'morgan'"),
    (reading([100.0], extractant="olsen"), [10.0], "'olsen'"),
    (reading([100.0]), None, "needs the CEC"),
    (reading([100.0]), [float("nan")], "needs the CEC"),
    (reading([100.0]), [400.0], "needs the CEC"),
    (reading([100.0], depth=(0, 36)), [10.0], "0 to 36 in"),
    (reading([100.0], depth=(6, 12)), [10.0], "6 to 12 in"),
    (reading([100.0], depth=(0, 0)), [10.0], "0 to 0 in"),
])
def test_without_a_source_it_says_cannot_tell_and_shows_no_number(
    soil: ZoneReading | None, cec: list[float] | None, word: str
) -> None:
    one = balanced([100.0], [240.0], soil=soil, cec=cec)
    assert one.ppm_low is None
    assert one.after_high is None
    assert one.cannot_tell.startswith("cannot tell")
    assert word in one.cannot_tell
    codes = [f.code for f in balance_findings([one], zone_names="A", area=np.array([10.0]))]
    assert codes == ["balance-k2o", "balance-cannot-tell"]
    own = balanced([100.0], [240.0], soil=soil, cec=cec, own=BalanceTerms(
        k2o_lb_per_ppm=(5.0, 9.0), source="county trial"))
    assert (own.ppm_low is None) == (soil is None)


def test_figures_of_the_user_replace_those_of_vrx_and_name_their_source() -> None:
    own = BalanceTerms(k2o_lb_per_ppm=(6.0, 12.0), minerals=(0.5, 0.5), seasons=2,
                       source="county trial")
    one = balanced([0.0], [240.0], soil=reading([100.0], extractant="olsen"), own=own)
    # 240 drawn, half of it from minerals: 120 / 6 = 20 and 120 / 12 = 10 ppm a season.
    assert one.ppm_low == pytest.approx([-20])
    assert one.ppm_high == pytest.approx([-10])
    assert one.after_low == pytest.approx([60])
    assert [text.count("county trial") for text in one.basis] == [1, 1, 0]


@pytest.mark.parametrize("terms", [
    {"k2o_lb_per_ppm": (9.0, 5.0)}, {"k2o_lb_per_ppm": (0.0, 5.0)}, {"seasons": 0},
    {"minerals": (0.0, 1.1)}, {"minerals": (-0.1, 0.5)},
    {"k2o_lb_per_ppm": (float("nan"), 5.0)},
])
def test_ranges_that_are_none_are_refused(terms: dict[str, object]) -> None:
    with pytest.raises(PlanError) as err:
        BalanceTerms(**terms)  # type: ignore[arg-type]
    assert err.value.where == "[balance]"


def test_sulfate_is_no_stock() -> None:
    made = season(passed([100.0], of=KSUL), area=[1.0])
    one = soil_balance("S", passes=made.passes, otherwise=np.array([12.0]),
                       otherwise_words="irrigation water brings", removed=np.array([37.0]),
                       removed_words="Wisconsin", reading=reading([100.0]), cec=np.array([10.0]))
    assert one.left == pytest.approx([17 + 12 - 37])
    assert one.after_low is None
    assert "leaches" in one.cannot_tell


def test_five_gallons_beside_what_the_crop_takes_up() -> None:
    # Trade fact: 10 tons take up 475 lb K = 572 lb K2O and 55 lb S; 6.5 tons 372 and 36. Five
    # gallons of 12.2 lb, 25 % K2O, 17 % S: 15 lb K2O, 10 lb S.
    made = season(passed([5.0, 5.0], of=KTHI, kind="fixed"), passed([0.0, 0.0], number=2),
                  area=[100.0, 21.0])
    truth = CropTruth(
        takes_up_k2o_lb_per_ac=572.2 * 0.65, takes_up_s_lb_per_ac=55 * 0.65,
        takes_up_source="common practice, no source", removes_k2o_lb_per_ac=280.3,
        removes_s_lb_per_ac=None, removes_source="Tri-State 2020")
    first, crop = pass_words(made.passes, area=np.array([100.0, 21.0]), truth=truth,
                             ton_words="6.5 tons/ac of 12 % moisture")
    assert "5 gal/ac" in first
    assert "brings 15 lb K2O/ac and 10 lb S/ac" in first
    assert "At 6.5 tons/ac of 12 % moisture the crop takes up about 372 lb K2O/ac" in crop
    assert "no source" in crop
    assert "the hay removes 280 lb K2O/ac (Tri-State 2020)" in crop


LEFT = st.floats(-600, 600)


@settings(**MORE)
@given(left=st.lists(LEFT, min_size=1, max_size=5), removed=st.floats(0, 600),
       low=st.floats(0.5, 10), width=st.floats(0, 20),
       share=st.tuples(st.floats(0, 1), st.floats(0, 1)))
def test_a_range_is_ordered_keeps_the_sign_and_is_never_steeper_than_its_ends(
    left: list[float], removed: float, low: float, width: float, share: tuple[float, float]
) -> None:
    held = np.array(left)
    ends: tuple[FloatArray, FloatArray] = (np.full_like(held, low), np.full_like(held, low + width))
    down, up = ppm_change(held, removed=np.full_like(held, removed), buffer=ends,
                          minerals=(min(share), max(share)))
    assert (down <= up + 1e-12).all()
    assert ((down >= 0) | (held < 0)).all()
    assert ((up <= 0) | (held >= 0)).all()
    assert (np.abs(down) <= np.abs(held) / low + 1e-9).all()
    more_down, more_up = ppm_change(held + 10, removed=np.full_like(held, removed), buffer=ends,
                                    minerals=(min(share), max(share)))
    assert (more_down >= down - 1e-9).all()
    assert (more_up >= up - 1e-9).all()


@settings(**MORE)
@given(rates=st.lists(st.floats(0, 400), min_size=2, max_size=2), other=st.floats(0, 100))
def test_mass_is_kept_to_1e_9(rates: list[float], other: float) -> None:
    made = season(passed(rates, of=KCL), passed(rates, of=KSUL, number=2), area=[3.0, 4.0])
    one = soil_balance("K2O", passes=made.passes, otherwise=np.full(2, other), otherwise_words="",
                       removed=np.array([250.0, 260.0]), removed_words="")
    rounded = sum(0.01 * pct * each.rates for pct, each in zip((60, 50), made.passes, strict=True))
    assert one.left == pytest.approx(rounded + other - np.array([250.0, 260.0]), abs=1e-9)
