"""What a season costs and takes, in print: every text escaped, every figure as the job holds it."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from vrx.model import (
    Against,
    AmountLine,
    Bid,
    Charge,
    Comparison,
    Money,
    Purchase,
    RateCase,
    SoilBalance,
    Supply,
    TankFills,
)
from vrx.report import supply_chart

BAD = "<script>alert('x')</script> & \"q\" \x07 ]]>"


def purchase(name: str, *, usd: float | None) -> Purchase:
    return Purchase(
        material=name, form="liquid", unit="gal",
        lines=(AmountLine(words="exact rates", amount=606.9, detail=BAD),
               AmountLine(words="whole packages", amount=-5.0, detail="")),
        shares=((2, BAD, 606.9),), net=606.9, bought=601.9, lb_per_unit=12.31,
        density_from=f"load ticket {BAD}", package="tote", package_size=275.0, packages=3,
        load_size=4000.0, loads=1, last_load=601.9, k2o_lb=1.0, s_lb=1.0, n_lb=0.0,
        usd_per_unit=usd, usd_net=None if usd is None else 606.9 * usd,
        usd_bought=None if usd is None else 601.9 * usd, price_note=BAD)


def bid(state: str) -> Bid:
    return Bid(
        state=state, seller=BAD if state == "quote" else "", material=BAD, instead_of=BAD,
        nutrient="S", quantity=10.0, unit="gal", short_tons=0.06, k2o_lb=30.5, s_lb=20.7, n_lb=0.0,
        cl_lb=0.0, usd=6.1, per="gal", freight_usd=12.0, spreading_usd_per_ac=4.0,
        usd_delivered=73.0, usd_spread=101.0, usd_per_lb_k2o=2.393, usd_per_lb_s=3.527,
        usd_per_lb_s_net=2.9375, k2o_usd_per_lb=0.4,
        equal_usd=8.44 if state == "substitute" else None, equal_per="gal", as_of="2027-01-01",
        valid_until="2027-02-01", note=BAD)


def case(name: str, short: float, over: float) -> RateCase:
    return RateCase(
        name=name, rates=((BAD, "lb/ac", 0.0, 250.0),), product=((BAD, 100.0, "lb", None),),
        usd_product=None, charges=(Charge(what=BAD, usd=None, how=BAD),),
        supplies=(Supply(nutrient="K2O", slack=3.0, over_ac=over, over_lb=over * 10, near_ac=5.0,
                         near_lb=0.0, short_ac=short, short_lb=short * 20),))


COMPARED = Comparison(
    cases=(case("by zone", 0.0, 0.0), case("flat", 30.0, 65.0)),
    against=(Against(flat="flat", usd_more=None, uncounted=(), breakeven_tons=None,
                     response_tons=None, verdict=f"verdict {BAD}"),),
    hay_usd_per_ton=None, response=(), remarks=(BAD,))


@pytest.fixture(scope="module")
def costly(job):
    count = len(job.zones.zones)
    one = np.ones(count)
    told = SoilBalance(
        nutrient="K2O", brought=100 * one, otherwise=5 * one, otherwise_words=BAD,
        removed=280.2 * one, removed_words=BAD, seasons=4, soil_now=110 * one, buffer_low=3 * one,
        buffer_high=6 * one, ppm_low=-58.4 * one, ppm_high=0 * one, after_low=0 * one,
        after_high=110 * one, basis=("from memory, check your guide",), cannot_tell="")
    unknown = replace(told, nutrient="K2O", soil_now=None, ppm_low=None, ppm_high=None,
                      after_low=None, after_high=None, basis=(), cannot_tell=f"cannot tell: {BAD}")
    return replace(job, money=Money(
        ordered_on="2027-01-15", purchases=(purchase(BAD, usd=6.1), purchase("plain", usd=None)),
        fills=(TankFills(pass_id=BAD, number=2, material=BAD, unit="gal", tank=250.0, total=606.9,
                         fills=3, last_fill=106.9, acres_per_fill=50.0, acres_at_most=41.2),),
        comparison=COMPARED, balances=(told, unknown), pass_words=(f"Pass 2 {BAD}",),
        bids=(bid("open"), bid("quote"), bid("substitute"))))


class _Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_every_text_of_a_user_is_escaped(written, costly) -> None:
    text = written(costly)
    assert "<script" not in text
    assert "\x07" not in text
    for one in ("verdict", "Pass 2", "cannot tell: "):
        assert f"{one} &lt;script&gt;" in text or f"{one}&lt;script&gt;" in text


def test_figures_stand_as_the_job_holds_them(written, costly) -> None:
    parser = _Words()
    parser.feed(written(costly))
    text = " ".join(" ".join(parser.text).split())
    for words in ("−58 to 0", "0 to 110", "−175", "12.31 lb/gal, load ticket", "3 totes of 275 gal",
                  "not known", "−$30.50", "1 of at most 4,000 gal", "$8.44 per gal",
                  "$2.938 with K2O at $0.400", "spread: $101.00", "30.0 ac, 600 lb",
                  "range partly from memory, check your guide", "cannot tell"):
        assert words in text, words
    # A dollar that nobody stated is no nought.
    assert "$0.00" not in text


def test_a_job_without_money_shows_none_of_it(written, job) -> None:
    text = written(job)
    for anchor in ("season", "flat", "buying"):
        assert f'id="{anchor}"' not in text
        assert f'href="#{anchor}"' not in text


def test_every_link_of_the_contents_has_its_part(written, costly) -> None:
    text = written(costly)
    for anchor in re.findall(r'<a href="#([a-z]+)"', text):
        assert f'id="{anchor}"' in text


def test_bars_have_the_lengths_of_their_acres() -> None:
    drawn = supply_chart.supply_chart(key="k", nutrient="K2O", comparison=COMPARED)
    root = ET.fromstring(drawn)  # noqa: S314 - drawn two lines above
    widths = [float(one.get("width", "0")) for one in root.iter()
              if one.tag.rpartition("}")[2] == "rect" and one.get("height") == "18"]
    whole = widths[0]
    assert widths[1:] == pytest.approx([whole * 0.30, whole * 0.05, whole * 0.65], abs=0.1)
    assert "flat: 30.0 ac short, 65.0 ac above; 600 lb short, 650 lb more than needed" in drawn


def test_no_picture_where_all_cases_supply_alike() -> None:
    alike = replace(COMPARED, cases=(COMPARED.cases[0], replace(COMPARED.cases[0], name="flat")))
    assert supply_chart.drawn(COMPARED) == ["K2O"]
    assert supply_chart.drawn(alike) == []
    assert supply_chart.drawn(replace(COMPARED, cases=COMPARED.cases[:1])) == []
