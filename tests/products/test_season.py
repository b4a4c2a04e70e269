"""Season plans against published arithmetic, limits and the order of rights."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyproj
import pytest

from vrx.errors import ComputeError, PlanError, PlanInfeasible
from vrx.model import CropTruth, Finding, PassPlan
from vrx.products import PassRequest, load_materials, plan_passes

MATERIALS = load_materials()
KCL = "muriate of potash 0-0-60"
KSUL = "potassium sulfate 0-0-50-17S"
KTHI = "potassium thiosulfate 0-0-25-17S"
NTHI = "ammonium thiosulfate 12-0-0-26S"
GYPS = "gypsum 0-0-0-18S"
SELE = "elemental sulfur 0-0-0-90S"

BASE = PassRequest(pass_id="a", number=1, timing="after cutting 1", method="broadcast",
                   material=KCL, kind="variable", serves="K2O", step=1.0)
INJECT = replace(BASE, pass_id="inject", number=9, timing="stubble of cutting 2", kind="fixed",
                 method="through irrigation", material=KTHI, serves="", fixed_rate=5.0, step=0.1,
                 label_most=10.0, treated_ac=130.0)


def plan(
    *requests: PassRequest, k2o: list[float] | None = None, s: list[float] | None = None,
    area: list[float] | None = None, s_most: float | None = None, **more: object,
) -> tuple[PassPlan, ...]:
    needs = {name: np.array(values) for name, values in (("K2O", k2o), ("S", s))
             if values is not None}
    zones = len(next(iter(needs.values())))
    return plan_passes(
        zone_ids=range(1, zones + 1), zone_area_ac=np.array(area or [10.0] * zones), needs=needs,
        requests=requests, materials=MATERIALS, s_most_lb_per_ac=s_most, **more,  # type: ignore[arg-type]
    )


def codes(plans: tuple[PassPlan, ...]) -> set[str]:
    return {finding.code for one in plans for finding in one.findings}


def found(plans: tuple[PassPlan, ...], code: str) -> Finding:
    return next(f for one in plans for f in one.findings if f.code == code)


def test_900_lb_k2o_is_1500_lb_of_0_0_60() -> None:
    # Ontario Ministry of Agriculture, fieldcropnews.com 2013: 900 lb K2O = 1,500 lb of 0-0-60.
    (one,) = plan(BASE, k2o=[900.0])
    assert one.wanted[0] == pytest.approx(1500)
    assert {"pass-k2o-split", "pass-k2o-season", "pass-chloride"} <= codes((one,))


def test_a_split_plan_is_not_told_to_split() -> None:
    # Univ. Georgia: split when more than 200 lb K2O/ac is called for; two halves of 300 are split.
    halves = [replace(BASE, pass_id=f"p{n}", number=n, share_of_need=0.5) for n in (1, 2)]
    assert "pass-k2o-split" not in codes(plan(*halves, k2o=[300.0]))
    assert "pass-k2o-split" in codes(plan(BASE, k2o=[300.0]))


def test_chloride_is_weighed_over_the_season() -> None:
    # Rominger et al., Agron. J. 68:573 (1976): KCl yielded best near 448 kg K/ha = 481 lb K2O/ac,
    # potassium sulfate did no harm at any rate.
    halves = [replace(BASE, pass_id=f"p{n}", number=n, share_of_need=0.5) for n in (1, 2)]
    assert "pass-chloride-season" in codes(plan(*halves, k2o=[490.0]))
    assert "pass-chloride-season" not in codes(plan(*halves, k2o=[470.0]))
    ksul = replace(BASE, material="potassium sulfate 0-0-50-17S")
    assert "pass-chloride-season" not in codes(plan(ksul, k2o=[490.0]))


def test_findings_call_zones_by_their_names() -> None:
    told = found(plan(BASE, k2o=[250.0, 100.0], zone_names=["A", "B"]), "pass-k2o-split")
    assert told.what.startswith("zone A (250)")
    with pytest.raises(ComputeError, match="1 names for 2 zones"):
        plan(BASE, k2o=[250.0, 100.0], zone_names=["A"])


def test_faulty_published_range_is_not_repeated() -> None:
    # A trade page equals 330-420 lb K2O with 600-700 lb of 0-0-60; the arithmetic gives 550-700.
    (one,) = plan(BASE, k2o=[330.0, 420.0])
    assert one.wanted == pytest.approx([550, 700])


def test_25_lb_s_from_potassium_thiosulfate() -> None:
    # 25 / (12.2 lb/gal x 17 %) = 12.05 gal/ac, which brings 36.8 lb K2O/ac (from the definitions;
    # density from memory, analysis from the label).
    request = replace(BASE, material=KTHI, serves="S", label_most=20.0, step=0.1)
    (one,) = plan(request, s=[25.0])
    assert one.planned[0] == pytest.approx(12.05, abs=0.005)
    k2o = one.planned[0] * one.material.nutrient_lb_per_unit("K2O")
    assert k2o == pytest.approx(36.8, abs=0.05)
    assert "36.8 lb K2O/ac" in found((one,), "pass-k2o-on-top").what
    assert "pass-density-from-memory" in codes((one,))


def test_300_lb_k2o_from_potassium_sulfate_brings_102_lb_s() -> None:
    # 300 / 0.50 = 600 lb; x 17 % = 102 lb S (from the label).
    (one,) = plan(replace(BASE, material=KSUL), k2o=[300.0])
    assert one.planned[0] == pytest.approx(600)
    assert one.planned[0] * one.material.nutrient_lb_per_unit("S") == pytest.approx(102)
    assert "from memory, check your guide" in found((one,), "pass-s-season").what


def test_an_s_ceiling_hands_the_rest_of_the_k2o_to_the_next_pass() -> None:
    first = replace(BASE, material=KSUL)
    second = replace(BASE, pass_id="b", number=2)
    plans = plan(first, second, k2o=[300.0], s_most=51.0)
    assert plans[0].planned[0] == pytest.approx(300)  # 51 lb S, 150 lb K2O
    assert plans[1].planned[0] == pytest.approx(250)  # the other 150 lb K2O
    assert "600 lb/ac" not in found(plans, "pass-s-ceiling").what
    assert "6,000 lb -> 3,000 lb" in found(plans, "pass-s-ceiling").what


def test_five_gallons_are_a_small_share_of_what_the_crop_takes_up() -> None:
    # Common practice, no source: a 10 ton crop takes up 475 lb K = 572.2 lb K2O and 55 lb S.
    truth = CropTruth(takes_up_k2o_lb_per_ac=572.2, takes_up_s_lb_per_ac=55.0,
                      takes_up_source="common practice, no source",
                      removes_k2o_lb_per_ac=None, removes_s_lb_per_ac=None, removes_source="")
    (one,) = plan(INJECT, k2o=[100.0], s=[20.0], crop_truth=truth)
    assert one.planned[0] * one.material.nutrient_lb_per_unit("K2O") == pytest.approx(15.25)
    said = found((one,), "pass-small-share").what
    assert "15.2 lb K2O/ac of the 572 lb" in said
    assert "(3 %)" in said
    assert "10.4 lb S/ac of the 55 lb" in said
    (bare,) = plan(INJECT, k2o=[100.0], s=[20.0])
    assert "what 0.27 ton of hay takes up" in found((bare,), "pass-small-share").what


def test_fixed_then_k2o_then_s_and_the_s_of_k_products_counts() -> None:
    requests = (
        replace(BASE, pass_id="gyps", number=1, material=GYPS, serves="S"),
        replace(BASE, pass_id="ksul", number=2, material=KSUL, share_of_need=0.4),
        replace(BASE, pass_id="kcl", number=3),
        INJECT,
    )
    gyps, ksul, kcl, inject = plan(*requests, k2o=[115.25, 15.25], s=[60.0, 5.0])
    assert inject.planned == pytest.approx([5.0, 5.0])
    # 115.25 - 15.25 = 100 left: 40 from sulfate, 60 from muriate.
    assert ksul.planned == pytest.approx([80, 0])
    assert kcl.planned == pytest.approx([100, 0])
    # 60 - 5 x 2.074 - 80 x 0.17 = 36.03 lb S by gypsum; the second zone has more S than it needs.
    assert gyps.planned == pytest.approx([(60 - 5 * 12.2 * 0.17 - 13.6) / 0.18, 0])


def test_flat_rate_is_the_weighted_mean_and_later_passes_fill_up() -> None:
    flat = replace(BASE, kind="flat", share_of_need=0.5)
    rest = replace(BASE, pass_id="b", number=2)
    plans = plan(flat, rest, k2o=[120.0, 0.0], area=[30.0, 10.0])
    assert plans[0].planned == pytest.approx([75, 75])  # 0.5 x 90 lb K2O mean / 0.6
    assert plans[1].planned == pytest.approx([125, 0])  # 120 - 45, and 0 where the need is 0
    assert "pass-flat-beyond-need" in codes(plans)


def test_shares_are_shares_of_what_the_fixed_passes_leave() -> None:
    # 135.25 lb less the 15.25 lb of the 5 gal leaves 120 lb: half, a quarter, and the rest.
    plans = plan(replace(BASE, share_of_need=0.5),
                 replace(BASE, pass_id="b", number=2, share_of_need=0.25),
                 replace(BASE, pass_id="c", number=3), INJECT, k2o=[135.25])
    assert [one.planned[0] for one in plans] == pytest.approx([100, 50, 50, 5])


def test_what_is_left_takes_up_what_limits_cut_from_a_share() -> None:
    plans = plan(replace(BASE, share_of_need=0.5, most=60.0),
                 replace(BASE, pass_id="b", number=2), k2o=[120.0])
    assert [one.planned[0] for one in plans] == pytest.approx([60, 140])


def test_no_s_needed_is_said_and_nothing_is_bought() -> None:
    variable = replace(BASE, pass_id="s", material=GYPS, serves="S")
    plans = plan(variable, INJECT, k2o=[50.0], s=[0.0])
    assert plans[0].planned[0] == 0
    assert "no S needed in any zone: none bought" in found(plans, "pass-no-s-needed").what
    beyond = found(plans, "pass-beyond-need-s")
    assert beyond.severity == "warn"
    assert "brings 10.4 lb S/ac beyond the need" in beyond.what


def test_s_need_already_met_by_the_k_product_is_said() -> None:
    plans = plan(replace(BASE, material=KSUL),
                 replace(BASE, pass_id="s", number=2, material=GYPS, serves="S"),
                 k2o=[100.0], s=[20.0])
    assert plans[1].planned[0] == 0
    assert "already met by the passes before it" in found(plans, "pass-no-s-needed").what


def test_elemental_s_stops_as_a_cure_and_is_not_counted_when_fixed() -> None:
    plans = plan(replace(BASE, material=SELE, serves="S"), s=[20.0])
    assert found(plans, "pass-elemental-s").severity == "stop"
    assert plans[0].planned[0] == 0
    fixed = replace(BASE, material=SELE, serves="S", kind="fixed", fixed_rate=30.0)
    other = replace(BASE, pass_id="b", number=2, material=GYPS, serves="S")
    plans = plan(fixed, other, s=[18.0])
    assert plans[1].planned[0] == pytest.approx(100)  # the 27 lb of elemental S count for nothing
    assert "pass-elemental-s-not-counted" in codes(plans)
    plans = plan(fixed, other, s=[18.0], s_most=36.0)
    assert plans[1].planned[0] == pytest.approx(50)  # but against the ceiling they count


def test_nitrogen_is_warned_about() -> None:
    # University of Wisconsin 2012 priced ammonium sources with their N at nothing on alfalfa.
    request = replace(BASE, material=NTHI, serves="S", step=0.1, label_most=12.0)
    plans = plan(request, s=[20.0])
    assert "no value to nodulated alfalfa" in found(plans, "pass-nitrogen").what
    assert plans[0].planned[0] == pytest.approx(20 / (11.04 * 0.26))


def test_label_maxima_hold_and_are_told() -> None:
    request = replace(BASE, material=NTHI, serves="S", step=0.1, label_most=5.0,
                      label_most_season=8.0, share_of_need=0.5)
    plans = plan(request, replace(request, pass_id="b", number=2, share_of_need="what is left"),
                 s=[40.0])
    assert [one.planned[0] for one in plans] == pytest.approx([5, 3])
    assert {"pass-label-limit", "pass-season-label"} <= codes(plans)
    assert plans[0].season_most == 8.0


S34 = Path(__file__).resolve().parents[2].parent / "shared" / "troubles" / "S34_machine_limits"


def s34() -> tuple[list[float], list[float], float, float, float]:
    """Rates and geodesic acres; the numbers below are the same data, written out."""
    if not S34.exists():
        return [37.0, 412.0, 150.0, 0.0], [78.6857, 79.0974, 0.4448, 0.0356], 60, 300, 5
    zones = json.loads((S34 / "zones.geojson").read_text())["features"]
    machine = json.loads((S34 / "machine.json").read_text())
    geod = pyproj.Geod(ellps="WGS84")
    acres = []
    for zone in zones:
        rings = zone["geometry"]["coordinates"]
        areas = [abs(geod.polygon_area_perimeter(*zip(*ring, strict=True))[0]) for ring in rings]
        acres.append((areas[0] - sum(areas[1:])) / 4046.8564224)
    return ([zone["properties"]["rate_lb_ac"] for zone in zones], acres,
            machine["min_rate_lb_ac"], machine["max_rate_lb_ac"], machine["rate_step_lb_ac"])


def test_machine_limits_are_applied_only_when_asked_and_told_with_both_totals() -> None:
    # West 37 lb/ac and East 412 lb/ac on a machine of 60 to 300: 2,911 -> 4,721 lb and
    # 32,588 -> 23,729 lb, and a wanted 0 stays 0 (trade knowledge, from memory).
    rates, acres, least, most, step = s34()
    need = [rate * 0.6 for rate in rates]
    (free,) = plan(BASE, k2o=need, area=acres)
    assert free.planned == pytest.approx(rates)
    asked = replace(BASE, least=least, most=most, step=step, below_least="raise")
    (held,) = plan(asked, k2o=need, area=acres)
    assert held.planned == pytest.approx([60, 300, 150, 0])
    assert held.planned[3] == 0.0
    assert "zone 1 (37)" in found((held,), "pass-below-least").what
    assert "2,911 lb -> 4,721 lb there" in found((held,), "pass-below-least").what
    assert "zone 2 (412)" in found((held,), "pass-above-most").what
    assert "32,588 lb -> 23,729 lb there" in found((held,), "pass-above-most").what


@pytest.mark.parametrize(
    ("policy", "expected"),
    [("nearest", [0, 80, 80, 80.0]), ("raise", [80, 80, 80, 80]), ("off", [0, 0, 0, 80])],
)
def test_below_least(policy: str, expected: list[float]) -> None:
    request = replace(BASE, least=75.0, step=10.0, below_least=policy)
    (one,) = plan(request, k2o=[18.0, 24.0, 45.9, 48.0])
    assert one.planned == pytest.approx(expected)  # 75 is no step: the machine's least is 80


def test_less_than_the_least_under_a_ceiling_is_off_not_raised() -> None:
    request = replace(BASE, material=GYPS, serves="S", least=100.0, below_least="raise")
    (one,) = plan(request, s=[30.0], s_most=15.0)
    assert one.planned[0] == 0
    assert {"pass-s-ceiling", "pass-below-least"} <= codes((one,))


def refuse(expected: str, *requests: PassRequest, **more: list[float]) -> str:
    with pytest.raises(PlanError) as caught:
        plan(*requests, **(more or {"k2o": [50.0], "s": [20.0]}))  # type: ignore[arg-type]
    assert expected in {finding.code for finding in caught.value.findings}
    return str(caught.value)


def test_a_liquid_on_a_growing_crop_needs_its_label() -> None:
    said = refuse("pass-label-missing", replace(INJECT, label_most=None))
    assert "pass inject" in said
    assert "label_most_gal_per_ac" in said
    refuse("pass-label-missing", replace(BASE, material=NTHI, serves="S", timing="summer"))
    dormant = replace(BASE, material=NTHI, serves="S", timing="dormant, late fall")
    assert plan(dormant, s=[20.0])[0].planned[0] > 0


def test_water_carries_one_liquid_rate_over_stated_acres() -> None:
    said = refuse("pass-treated-missing", replace(INJECT, treated_ac=None))
    assert "treated_ac" in said
    assert 'treated_ac = "prescription"' in said
    refuse("pass-irrigation-variable", replace(INJECT, kind="variable", serves="S",
                                               fixed_rate=None, treated_ac=None,
                                               treated_is_prescription=True))
    refuse("pass-irrigation-dry", replace(INJECT, material=KCL))
    refuse("pass-treated", replace(INJECT, treated_is_prescription=True))
    said = refuse("pass-treated-missing", replace(INJECT, treated_ac=None, label_most=None))
    assert "label_most_gal_per_ac" in said  # everything wrong is listed at once


@pytest.mark.parametrize(
    ("code", "change"),
    [
        ("pass-share", {"share_of_need": 0.0}), ("pass-share", {"share_of_need": 1.2}),
        ("pass-share", {"share_of_need": "half"}), ("pass-share", {"share_of_need": float("nan")}),
        ("pass-value", {"step": -1.0}), ("pass-value", {"most": float("inf")}),
        ("pass-value", {"method": "by air"}), ("pass-value", {"kind": "banded"}),
        ("pass-value", {"serves": "K"}), ("pass-value", {"fixed_rate": 10.0}),
        ("pass-value", {"number": 0}), ("pass-value", {"below_least": "guess"}),
        ("pass-serves", {"material": GYPS}), ("pass-rate-missing", {"kind": "fixed"}),
        ("material-unknown", {"material": "muriate"}), ("pass-treated", {"treated_ac": 3.0}),
        ("pass-density", {"density_lb_per_gal": 12.0}),
    ],
)
def test_wrong_requests_are_refused(code: str, change: dict[str, object]) -> None:
    refuse(code, replace(BASE, **change))  # type: ignore[arg-type]


def test_passes_that_do_not_go_together_are_refused() -> None:
    refuse("pass-twice", BASE, replace(BASE, pass_id="b"))
    refuse("pass-twice", BASE, replace(BASE, number=2))
    refuse("pass-share", replace(BASE, share_of_need=0.7),
           replace(BASE, pass_id="b", number=2, share_of_need=0.4))
    refuse("pass-share", BASE, replace(BASE, pass_id="b", number=2, share_of_need=0.4))
    refuse("pass-no-need", replace(BASE, material=GYPS, serves="S"), k2o=[5.0])
    refuse("pass-density", replace(INJECT, density_lb_per_gal=12.1),
           replace(INJECT, pass_id="b", number=2))


def test_contradicting_limits_are_infeasible() -> None:
    with pytest.raises(PlanInfeasible, match="label_most_gal_per_ac = 4"):
        plan(replace(INJECT, label_most=4.0), k2o=[1.0])
    with pytest.raises(PlanInfeasible, match="least_lb_per_ac = 90 is above most_lb_per_ac = 80"):
        plan(replace(BASE, least=90.0, most=80.0), k2o=[1.0])
    with pytest.raises(PlanInfeasible, match="no step of 10"):
        plan(replace(BASE, least=71.0, most=79.0, step=10.0), k2o=[1.0])


def test_needs_must_be_numbers_and_oxide() -> None:
    for bad in (-1.0, float("nan")):
        with pytest.raises(ComputeError, match="zone 2"):
            plan(BASE, k2o=[1.0, bad])
    with pytest.raises(PlanError, match="K is not K2O"):
        plan_passes(zone_ids=[1], zone_area_ac=np.ones(1), needs={"K": np.ones(1)}, requests=[],
                    materials=MATERIALS, s_most_lb_per_ac=None)


def test_shares_that_leave_some_need_and_two_unlimited_liquids_are_told() -> None:
    plans = plan(replace(BASE, share_of_need=0.6), k2o=[50.0])
    assert "serve 60 %" in found(plans, "pass-shares").what
    plans = plan(INJECT, replace(INJECT, pass_id="b", number=2), k2o=[50.0], s=[50.0])
    assert "pass-season-label-unknown" in codes(plans)


def test_density_of_the_load_ticket_replaces_the_lists() -> None:
    (one,) = plan(replace(INJECT, density_lb_per_gal=12.0), k2o=[50.0], s=[50.0])
    assert one.material.lb_per_unit == 12.0
    assert "density: user" in one.material.evidence
    assert "pass-density-from-memory" not in codes((one,))


def test_a_density_in_another_unit_is_refused() -> None:
    # Potassium thiosulfate, 12.2 lb/gal, is 1.46 kg/L (x 0.119826); water is 8.33 lb/gal.
    for wrong in (1.46, 1460.0, 8.33, 15.0):
        refuse("pass-density", replace(INJECT, density_lb_per_gal=wrong))


def test_step_is_assumed_aloud() -> None:
    plans = plan(replace(BASE, step=None), replace(INJECT, step=None), k2o=[50.0], s=[0.0])
    assert [one.step for one in plans] == [1.0, 0.1]
    assert sum(f.code == "pass-step-assumed" for one in plans for f in one.findings) == 2


@pytest.mark.parametrize(
    ("timing", "growing"),
    [("stubble of cutting 1", True), ("dormant", False), ("late fall, ground firm", False),
     ("preplant", False), ("4 to 6 weeks before killing frost", True), ("summer", True),
     ("after the last cutting, dormant", True)],
)
def test_in_season(timing: str, growing: bool) -> None:
    assert replace(BASE, timing=timing).in_season is growing
