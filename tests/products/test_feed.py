"""Hay as feed against printed limits, pint and atomic weights."""

from __future__ import annotations

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.products import Livestock, feed_findings, feed_items, total_s_pct
from vrx.units import cation_anion_difference_meq_per_100g, s_from_so4, water_lb_per_gal

FEW = settings(derandomize=True, max_examples=60, deadline=None)
COWS = Livestock(animals="dry cows", hay_k_pct=2.4, hay_s_pct=0.28, hay_share=0.6,
                 forage_share=0.9, rest_s_pct=0.2, rest_k_pct=0.5)


def verdicts(told: Livestock) -> dict[str, str]:
    return {one.item: one.verdict for one in feed_items(told)}


def test_potassium_for_dry_cows() -> None:
    # Univ. Vermont: forage below 2 % K; Hay & Forage Grower: close-up ration below 1.5 % K.
    told = verdicts(COWS)
    assert told["K of the hay"] == "high"
    assert told["K of the ration"] == "high"  # 0.6 x 2.4 + 0.4 x 0.5 = 1.64
    milk = Livestock(animals="milking cows", hay_k_pct=3.5)
    assert verdicts(milk)["K of the hay"] == "shown"


@pytest.mark.parametrize(("forage", "s", "verdict"), [
    (0.10, 0.31, "high"), (0.10, 0.30, "within"),  # Today's Farmer: 0.30 % under 15 % forage
    (0.90, 0.50, "within"), (0.90, 0.51, "high"),  # from memory: 0.50 % over 40 % forage
    (None, 0.41, "high"), (0.30, 0.40, "within"),  # Colorado State, Florida: one ceiling, 0.40 %
])
def test_sulfur_limits_by_forage(forage: float | None, s: float, verdict: str) -> None:
    told = Livestock(animals="beef cattle", hay_s_pct=s, hay_share=1.0 if forage is None or
                     forage >= 1 else min(1.0, forage), forage_share=forage, rest_s_pct=s)
    assert verdicts(told)["S of feed and drinking water"] == verdict


def test_sulfate_of_drinking_water_counts_as_sulfur() -> None:
    # Water 1,500 ppm SO4, 12 gal a day, 26 lb of dry matter: by a unit library.
    ureg = pint.UnitRegistry()
    water = 12 * ureg.gallon * (1 * ureg.kilogram / ureg.liter)
    s = water * 1500e-6 * (32.06 / 96.056)
    pct = 100 * (s / (26 * ureg.pound)).to("dimensionless").magnitude
    told = Livestock(animals="beef cattle", hay_s_pct=0.28, hay_share=1.0,
                     water_s_ppm=s_from_so4(1500.0), water_gal_per_day=12.0,
                     dry_matter_lb_per_day=26.0)
    assert total_s_pct(told) == pytest.approx(0.28 + pct, rel=1e-9)
    assert verdicts(told)["S of feed and drinking water"] == "high"
    assert "from water" in feed_findings(feed_items(told))[0].what
    assert water_lb_per_gal() == pytest.approx(
        (1 * ureg.gallon * ureg.kilogram / ureg.liter).to("pound").magnitude)


def test_cation_anion_difference_by_equivalent_weights() -> None:
    # 1 % of Na, K, Cl, S is 43.5, 25.6, 28.2, 62.4 meq/100 g: equivalents by atomic weights.
    def of(**pct: float) -> float:
        return cation_anion_difference_meq_per_100g(
            **{key: pct.get(key, 0.0) for key in ("na_pct", "k_pct", "cl_pct", "s_pct")})

    assert of(na_pct=1) == pytest.approx(43.5, abs=0.05)
    assert of(k_pct=1) == pytest.approx(25.6, abs=0.05)
    assert of(cl_pct=1) == pytest.approx(-28.2, abs=0.05)
    assert of(s_pct=1) == pytest.approx(-62.4, abs=0.05)
    told = Livestock(animals="dry cows", hay_k_pct=2.0, hay_s_pct=0.3, hay_na_pct=0.1,
                     hay_cl_pct=0.5)
    assert "Cation-anion difference of the hay" in verdicts(told)


def test_what_is_not_stated_is_not_known() -> None:
    told = Livestock(animals="dry cows", hay_s_pct=0.3, hay_share=0.5)
    assert set(verdicts(told).values()) == {"not known"}
    assert [one.code for one in feed_findings(feed_items(told))] == ["feed-not-known"]
    assert total_s_pct(told) is None


@FEW
@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_a_ration_lies_between_hay_and_the_rest(hay: float, rest: float, share: float) -> None:
    total = total_s_pct(Livestock(animals="other", hay_s_pct=hay, rest_s_pct=rest,
                                  hay_share=share))
    assert total is not None
    assert min(hay, rest) - 1e-12 <= total <= max(hay, rest) + 1e-12
