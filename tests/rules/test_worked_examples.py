"""Printed and computed examples that cross books, crop and materials; faulty prints stay faulty."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from vrx.errors import RuleError
from vrx.model import Material, Need, Yield
from vrx.rules import kinds, load_books, removes, takes_up

Ask = Callable[..., tuple[Need, ...]]
BOOKS = load_books()


def material(**given: Any) -> Material:
    plain: dict[str, Any] = {
        "id": "m", "code": "MMM", "form": "dry", "n_pct": 0.0, "p2o5_pct": 0.0, "k2o_pct": 0.0,
        "s_pct": 0.0, "mg_pct": 0.0, "cl_pct": 0.0, "density_lb_per_gal": None, "s_form": "",
        "cautions": (), "evidence": "read", "source": "",
    }
    return Material(**{**plain, **given})


def test_the_crop_takes_up() -> None:
    # Common practice, no source: 10 tons take up 475 lb K (572.2 K2O) and 55 lb S.
    k2o, s, words = takes_up("Alfalfa", Yield(tons_per_ac=10, moisture_pct=12))
    assert k2o == pytest.approx(572.2, abs=0.05)
    assert s == pytest.approx(55)
    assert words.startswith("takes up: ")
    half = takes_up("alfalfa", Yield(tons_per_ac=4.4, moisture_pct=0))
    assert half[0] == pytest.approx(k2o / 2)
    with pytest.raises(RuleError, match="no uptake figures"):
        takes_up("barley", Yield(tons_per_ac=10, moisture_pct=12))


def test_the_hay_removes_and_the_word_stands_in_the_source() -> None:
    ten = Yield(tons_per_ac=10, moisture_pct=12)
    found = removes(book=BOOKS["tri-state-2020"], expected_yield=ten)
    assert found is not None
    assert found[0] == pytest.approx(49 * 8.8)
    assert found[1].startswith("removes: ")
    wsu = removes(book=BOOKS["removal-potassium"], expected_yield=ten,
                  options={"removal_source": "washington"})
    assert wsu is not None
    assert wsu[0] == pytest.approx(540)  # Washington State agronomists print 540 for 10 tons
    # An uptake figure is never given out as removal.
    assert removes(book=BOOKS["sulfur-balance"], expected_yield=ten) is None
    assert removes(book=BOOKS["western-acetate-k-classes"], expected_yield=ten) is None
    with pytest.raises(RuleError):
        removes(book=BOOKS["removal-potassium"], expected_yield=ten)


def test_a_grower_page_prints_780_for_720(ask: Ask) -> None:
    # A question-and-answer page: 12 tons at 60 lb K2O printed as 780.
    found, = ask("removal-potassium", tons=12, moisture=10,
                 options={"removal_source": "colorado-adviser"})
    assert found.lb_per_ac == pytest.approx(720)
    assert found.lb_per_ac != pytest.approx(780, rel=0.05)


def test_michigan_state_cost_of_removal() -> None:
    # Michigan State: 0-0-62 at $360 a short ton, 49 lb K2O a ton of hay: $14.22 (14.226 exact).
    potash = material(k2o_pct=62.0)
    source = next(s for s in BOOKS["tri-state-2020"].removal_sources())
    usd = source.lb_per_ton / potash.nutrient_lb_per_unit("K2O") * 360 / 2000
    assert usd == pytest.approx(14.22, abs=0.01)
    assert usd * 441 / 360 == pytest.approx(17.43, abs=0.01)


def test_ontario_potash() -> None:
    # Ontario field crop news: 900 lb K2O = 1,500 lb of 0-0-60.
    assert 900 / material(k2o_pct=60.0).nutrient_lb_per_unit("K2O") == pytest.approx(1500)


def test_a_trade_page_that_does_not_divide() -> None:
    # A trade page: 330 to 420 lb K2O said to be 600 to 700 lb of 0-0-60; it is 550 to 700.
    per_lb = material(k2o_pct=60.0).nutrient_lb_per_unit("K2O")
    assert 420 / per_lb == pytest.approx(700)
    assert 330 / per_lb == pytest.approx(550)
    assert 330 / per_lb != pytest.approx(600, abs=10)


def test_products_that_bring_both() -> None:
    # 25 lb S by potassium thiosulfate 0-0-25-17S at 12.2 lb/gal: 12.05 gal/ac, 36.8 lb K2O.
    liquid = material(form="liquid", k2o_pct=25.0, s_pct=17.0, density_lb_per_gal=12.2)
    gallons = 25 / liquid.nutrient_lb_per_unit("S")
    assert gallons == pytest.approx(12.05, abs=0.005)
    assert gallons * liquid.nutrient_lb_per_unit("K2O") == pytest.approx(36.8, abs=0.05)
    # 300 lb K2O by potassium sulfate 0-0-50-17S: 600 lb, 102 lb S.
    sulfate = material(k2o_pct=50.0, s_pct=17.0)
    pounds = 300 / sulfate.nutrient_lb_per_unit("K2O")
    assert pounds == pytest.approx(600)
    assert pounds * sulfate.nutrient_lb_per_unit("S") == pytest.approx(102)


def test_south_dakota_goal_minus_soil_test() -> None:
    # South Dakota State soil testing: chloride goal 60 - soil test 35 = 25 lb Cl/ac; 55 lb KCl
    # (x 2.2). Goal minus soil is the balance of a flat rate and a stated credit.
    goal = kinds.flat_rate(60.0, np.zeros(1))
    left = goal + kinds.stated_credit(35.0, np.zeros(1))
    assert left == pytest.approx([25])
    assert left / material(cl_pct=45.2).nutrient_lb_per_unit("Cl") == pytest.approx([55], abs=0.5)


def test_south_dakota_equation_table(ask: Ask, reading: Any) -> None:
    # (55.7 - 0.38 x STK) x yield goal, from memory; table at class means 20, 60, 100, 140 ppm.
    k = {"potassium": reading("potassium", 20, 60, 100, 140, 147, extractant="ammonium acetate",
                              depth_in=(0, 6))}
    table = {3: (144, 99, 53, 8, 0), 6: (289, 197, 106, 15, 0), 10: (481, 329, 177, 25, 0)}
    for tons, row in table.items():
        found = ask("south-dakota-k-equation", k, tons=tons, moisture=12)
        assert [n.lb_per_ac for n in found] == pytest.approx(row, abs=0.51)
        # Zero from 146.6 ppm is the guide's own; a rich soil is no credit against anything else.
        assert [x.lb_per_ac for x in found[-1].lines] == [0.0]
    # USDA-ARS / Univ. Minnesota abstract: 100-140 lb K2O for 6 t/ac in the medium class.
    medium = ask("south-dakota-k-equation", k, tons=6, moisture=12)[2].lb_per_ac
    assert 100 <= medium <= 140


def test_kinds_by_hand() -> None:
    index = kinds.class_index(np.array([39.9, 40.0, 125.0, 125.1]), [40.0, 125.0], [False, True])
    assert list(index) == [0, 1, 1, 2]
    keep, raised = kinds.build_up_maintenance(
        np.array([90.0, 100.0, 130.0, 140.0, 151.0]), np.full(5, 10.0), np.full(5, 270.0),
        critical=100.0, limit=130.0, base=1.0, per_cec=0.05, draw_down=20.0)
    assert list(keep) == pytest.approx([270, 270, 270, 135, 0])
    assert list(raised) == pytest.approx([15, 0, 0, 0, 0])
    assert kinds.limit(np.array([330.0, 200.0]), 300.0) == pytest.approx([-30, 0])
