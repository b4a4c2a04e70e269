"""The joint plan: worked examples, limits, what it tells, laws that it keeps, what it refuses."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pint
import pytest
from hypothesis import given, settings

from vrx.errors import ComputeError, PlanError, PlanInfeasible
from vrx.model import Finding, PassPlan, SeasonMix
from vrx.products import PassRequest, PlannedPass, SeasonAim, allocate_passes, load_materials

from .seasons import (
    GYPS,
    HOLDS,
    KCL,
    KMGS,
    KSUL,
    KTHI,
    NSUL,
    NTHI,
    USD,
    Small,
    Trip,
    seasons,
)

MATERIALS = load_materials()
LATE = "elemental sulfur 0-0-0-90S"
SPREAD = PassRequest(pass_id="a", number=1, timing="after cutting 1", method="broadcast",
                     material=KCL, kind="variable", step=1.0)
INJECT = replace(SPREAD, pass_id="inject", number=2, timing="stubble of cutting 2", kind="flat",
                 method="through irrigation", material=KTHI, step=0.1, label_most=20.0,
                 treated_ac=120.0)


def trip(base: PassRequest, *materials: str, usd: float = 0.0, **more: object) -> PlannedPass:
    return PlannedPass(usd_per_ac=usd, candidates=tuple(
        replace(base, material=name, **more) for name in materials))  # type: ignore[arg-type]


def plan(
    *planned: PlannedPass, k2o: list[float] | None = None, s: list[float] | None = None,
    area: list[float] | None = None, fixed: tuple[PassRequest, ...] = (), **aim: object,
) -> tuple[tuple[PassPlan, ...], SeasonMix]:
    needs = {name: np.array(one) for name, one in (("K2O", k2o), ("S", s)) if one is not None}
    zones = len(next(iter(needs.values())))
    asked = SeasonAim(**{"aim": "least cost", "usd_per_unit": USD, **aim})  # type: ignore[arg-type]
    return allocate_passes(
        zone_ids=range(1, zones + 1), zone_area_ac=np.array(area or [10.0] * zones), needs=needs,
        fixed=fixed, planned=planned, materials=MATERIALS, aim=asked,
        zone_names=[chr(65 + z) for z in range(zones)])


def found(plans: tuple[PassPlan, ...], code: str) -> list[Finding]:
    return [f for one in plans for f in one.findings if f.code == code]


def test_25_lb_s_by_potassium_thiosulfate_bring_36_8_lb_k2o_that_count() -> None:
    # 25 / (12.2 lb/gal x 17 %) = 12.05 gal/ac, which brings 36.8 lb K2O/ac (worked example from the
    # definitions; density from memory): 120 - 36.76 = 83.24 lb K2O = 138.7 lb of 0-0-60.
    potash, inject = plan(trip(SPREAD, KCL), trip(INJECT, KTHI), k2o=[120.0], s=[25.0])[0]
    assert inject.planned[0] == pytest.approx(12.054, abs=5e-4)
    assert inject.planned[0] * 12.2 * 0.25 == pytest.approx(36.76, abs=0.01)
    assert potash.planned[0] == pytest.approx((120 - 36.7647) / 0.6, abs=1e-3)


def test_300_lb_k2o_by_potassium_sulfate_bring_102_lb_s_and_a_ceiling_stops_it() -> None:
    # 300 / 0.50 = 600 lb; x 17 % = 102 lb S (worked example from the label).
    only = trip(SPREAD, KSUL)
    (one,), mix = plan(only, k2o=[300.0], s=[20.0], k2o_per_pass=300.0)
    assert one.planned[0] * 0.17 == pytest.approx(102)
    (one,), mix = plan(only, k2o=[300.0], s=[20.0], k2o_per_pass=300.0, ceilings={"S": 51.0})
    assert one.planned[0] * 0.17 == pytest.approx(51)
    assert mix.shortfalls[0].nutrient == "K2O"
    assert mix.shortfalls[0].lb == pytest.approx(1500)
    assert mix.must_give == (("the season's ceiling of 51 lb S/ac",),)
    assert "51 lb S/ac" in found((one,), "mix-short")[0].what


def test_k2o_of_one_pass_is_held_at_the_split_and_shared_alike() -> None:
    # Univ. Georgia: split when more than 200 lb K2O/ac is called for; two like passes share alike.
    two = [trip(SPREAD, KCL), trip(SPREAD, KCL, pass_id="b", number=2)]
    plans, mix = plan(*two, k2o=[300.0, 90.0])
    assert [list(one.planned) for one in plans] == [[250.0, 75.0], [250.0, 75.0]]
    assert not mix.shortfalls
    (one,), mix = plan(two[0], k2o=[300.0])
    assert one.planned[0] * 0.6 == pytest.approx(199.8)  # 333 lb: the last whole pound below 200
    assert mix.must_give == (("200 lb K2O/ac in one pass",),)


def test_the_cheaper_way_by_hand() -> None:
    # 60 lb K2O and 20 lb S: 0-0-60 and gypsum cost 100 x 0.24 + 111.1 x 0.06 = 30.67 usd/ac,
    # sulfate of potash magnesia alone 272.7 x 0.33 = 90 usd/ac; with trips at 70 usd/ac one pass
    # of the dearer material costs 160 and two of the cheaper 170.67.
    both = [trip(SPREAD, KCL, KMGS, usd=0.0), trip(SPREAD, GYPS, pass_id="b", number=2)]
    plans, mix = plan(*both, k2o=[60.0], s=[20.0], k2o_per_pass=1000.0)
    assert [one.material.id for one in plans] == [KCL, GYPS]
    assert mix.usd_product == pytest.approx(306.67, abs=0.01)
    assert mix.rival is not None
    assert mix.rival.more == pytest.approx(900 - 306.67, abs=0.1)
    dear = [replace(one, usd_per_ac=70.0) for one in both]
    plans, mix = plan(*dear, k2o=[60.0], s=[20.0], k2o_per_pass=1000.0)
    assert mix.choices[0].material == KMGS
    assert mix.choices[1].material == ""
    assert (mix.usd_product, mix.usd_passes) == pytest.approx((900.0, 700.0))
    assert "b" in found(plans, "mix-pass-unused")[0].what


def test_aims_differ_where_they_should() -> None:
    two = [trip(SPREAD, KCL, KMGS), trip(SPREAD, GYPS, pass_id="b", number=2)]
    few = plan(*two, k2o=[60.0], s=[20.0], aim="fewest passes", k2o_per_pass=1000.0)[1]
    assert few.passes_used == 1
    near = plan(*two, k2o=[60.0], s=[20.0], aim="least deviation", k2o_per_pass=1000.0)[0]
    brought = [sum(one.planned[0] * HOLDS[one.material.id][j] for one in near) for j in (0, 1)]
    assert brought == pytest.approx([60.0, 20.0])


def test_what_fixed_passes_bring_counts_for_both_needs() -> None:
    fixed = replace(INJECT, kind="fixed", fixed_rate=5.0, label_most=10.0, serves="")
    (potash, _), _ = plan(trip(SPREAD, KCL), k2o=[115.25], s=[5.0], fixed=(fixed,))
    assert potash.planned[0] == pytest.approx(100 / 0.6)  # 5 gal bring 15.25 lb K2O


def test_elemental_s_counts_against_the_ceiling_and_serves_nobody() -> None:
    late = replace(SPREAD, pass_id="late", number=3, kind="fixed", fixed_rate=20.0, material=LATE,
                   timing="dormant")
    plans, mix = plan(trip(SPREAD, GYPS), s=[20.0], fixed=(late,), ceilings={"S": 30.0})
    assert plans[0].planned[0] * 0.18 == pytest.approx(12.0, abs=0.18)
    assert mix.shortfalls[0].nutrient == "S"
    with pytest.raises(PlanError, match="must first oxidise"):
        plan(trip(SPREAD, LATE), s=[20.0])


def test_ceilings_of_nitrogen_and_chloride_hold_and_are_named() -> None:
    # 20 lb S by 21-0-0-24S bring 17.5 lb N (0.875 lb N per lb S).
    plans, mix = plan(trip(SPREAD, NSUL), s=[20.0], ceilings={"N": 8.75})
    assert plans[0].planned[0] * 0.24 == pytest.approx(10.0, abs=0.24)
    assert mix.must_give == (("the season's ceiling of 8.75 lb N/ac",),)
    # 0.452 lb Cl in a lb of 0-0-60, chlorine of KCl by atomic weights.
    both = trip(SPREAD, KCL, KSUL)
    chosen = plan(both, k2o=[120.0], ceilings={"Cl": 50.0})[1]
    assert chosen.choices[0].material == KSUL
    assert plan(both, k2o=[120.0])[1].choices[0].material == KCL


def test_ceilings_hold_after_rounding_too() -> None:
    # 75 lb of 21-0-0-24S on steps of 50 would be rounded up to 100; N allows 80.
    plans, _ = plan(trip(SPREAD, NSUL, step=50.0), s=[18.0], ceilings={"N": 80 * 0.21})
    assert plans[0].planned[0] == 50.0
    assert found(plans, "mix-step-below")


def test_a_machines_least_and_a_flat_pass() -> None:
    plans, _ = plan(trip(SPREAD, KCL, least=80.0), k2o=[12.0, 0.0, 96.0])
    assert list(plans[0].planned) == pytest.approx([80.0, 0.0, 160.0])
    plans, mix = plan(trip(SPREAD, KCL, kind="flat"), k2o=[12.0, 0.0, 96.0])
    assert list(plans[0].planned) == pytest.approx([160.0] * 3)
    assert mix.usd_product == pytest.approx(160 * 30 * 0.24)


def test_a_label_of_the_season_over_several_passes() -> None:
    twice = [trip(INJECT, KTHI, label_most_season=12.0),
             trip(INJECT, KTHI, label_most_season=12.0, pass_id="c", number=3)]
    plans, mix = plan(*twice, s=[40.0])
    assert sum(one.planned[0] for one in plans) == pytest.approx(12.0)
    assert mix.must_give == ((f"the label's 12 gal/ac of {KTHI} in a season",),)


def test_treated_acres_are_paid_for() -> None:
    _, mix = plan(trip(INJECT, KTHI), s=[20.0], area=[100.0])
    assert mix.usd_product == pytest.approx(20 / (12.2 * 0.17) * 120.0 * 6.1)


def test_whole_loads_are_bought_and_the_rest_is_told() -> None:
    # 10 ac x 200 lb = 2,000 lb of 0-0-60 are two loads of 1,500; 1,000 lb are left over.
    plans, mix = plan(trip(SPREAD, KCL), k2o=[120.0], loads={KCL: 1500.0})
    assert mix.loads == ((KCL, 2, 1500.0, pytest.approx(1000.0)),)
    assert mix.usd_product == pytest.approx(3000 * 0.24)
    assert "1,000 of 3,000 left over" in found(plans, "mix-loads")[0].what
    # With loads of 1,900 lb the second would carry 100 lb; sulfate for 60 lb K2O is no cheaper.
    assert plan(trip(SPREAD, KCL), k2o=[120.0], loads={KCL: 1900.0})[1].loads[0][1] == 2


def test_what_a_limit_costs_is_the_difference_that_it_makes() -> None:
    # The dual value against the same plan with a little more room.
    passes = [trip(SPREAD, KCL, most=100.0), trip(SPREAD, KSUL, pass_id="b", number=2)]
    mix = plan(*passes, k2o=[90.0, 30.0], s=[0.0, 0.0])[1]
    more = plan(trip(SPREAD, KCL, most=101.0), passes[1], k2o=[90.0, 30.0], s=[0.0, 0.0])[1]
    (limit,) = mix.limits
    assert limit.zones == ("A",)
    assert limit.usd_per_unit == pytest.approx(mix.usd_product - more.usd_product)
    # 1 lb of 0-0-60 less means 1.2 lb of potassium sulfate more, on 10 ac of zone A.
    assert limit.usd_per_unit == pytest.approx((1.2 * 0.45 - 0.24) * 10)


def test_equal_plans_are_told_apart_by_the_stated_rule() -> None:
    # Fewest passes first; then the material named first; then earlier passes.
    two = [trip(SPREAD, KCL), trip(SPREAD, KCL, pass_id="b", number=2, most=900.0)]
    plans, mix = plan(*two, k2o=[120.0])
    assert mix.passes_used == 1
    assert plans[0].planned[0] == pytest.approx(200)
    even = {KCL: 0.60, KSUL: 0.50}
    for order in ((KCL, KSUL), (KSUL, KCL)):
        mix = plan(trip(SPREAD, *order), k2o=[120.0], usd_per_unit=even)[1]
        assert mix.choices[0].material == order[0]


def test_no_need_buys_nothing() -> None:
    plans, mix = plan(trip(SPREAD, KCL), trip(INJECT, KTHI), k2o=[0.0, 0.0], s=[0.0, 0.0])
    assert all((one.planned == 0).all() for one in plans)
    assert (mix.passes_used, mix.usd_product, mix.rival, mix.limits) == (0, 0.0, None, ())


def test_a_need_that_no_material_brings_is_said_so() -> None:
    plans, mix = plan(trip(SPREAD, KCL), k2o=[60.0], s=[20.0])
    assert mix.shortfalls[0].nutrient == "S"
    assert "no planned pass has a material that brings S" in found(plans, "mix-short")[0].what


@settings(derandomize=True, max_examples=60, deadline=None)
@given(season=seasons())
def test_what_passes_bring_is_rate_times_analysis(season: Small) -> None:
    # Mass balance to 1e-9, and every limit that the plan states; analyses typed from the labels.
    try:
        plans, mix = season.plan("least cost")
    except PlanInfeasible:
        return
    area = np.array(season.area)
    for j, name in ((0, "k2o_lb"), (1, "s_lb")):
        told = sum(getattr(one, name) for one in mix.choices)
        brought = sum(float(one.planned @ area) * HOLDS[one.material.id][j] for one in plans)
        assert told == pytest.approx(brought, rel=1e-9, abs=1e-9)
    for one, asked in zip(plans, season.trips, strict=True):
        on = one.planned > 0
        top = min(asked.most, asked.label or asked.most)
        assert (one.planned[on] >= asked.least - 1e-9).all()
        assert (one.planned <= top + 1e-9).all()
        assert (one.planned * HOLDS[one.material.id][0] <= season.k2o_per_pass + 1e-9).all()
        if asked.flat or asked.label is not None:
            assert np.ptp(one.planned) == 0
    for j, most in ((1, season.s_most), (2, season.n_most)):
        if most is not None:
            total = sum(one.planned * HOLDS[one.material.id][j] for one in plans)
            assert (total <= most + 1e-6).all()


@settings(derandomize=True, max_examples=15, deadline=None)
@given(season=seasons())
def test_the_same_season_gives_the_same_plan_and_more_room_never_costs_more(season: Small) -> None:
    try:
        first, again = season.plan("least cost"), season.plan("least cost")
    except PlanInfeasible:
        return
    assert first[1] == again[1]
    for one, other in zip(first[0], again[0], strict=True):
        assert one.planned.tobytes() == other.planned.tobytes()
        assert one.findings == other.findings
    if first[1].shortfalls:
        return
    wide = replace(season, k2o_per_pass=2000.0, s_most=None)
    mix = wide.plan("least cost")[1]
    money = [(m.usd_product or 0.0) + (m.usd_passes or 0.0) for m in (mix, first[1])]
    assert money[0] <= money[1] * (1 + 1e-5) + 0.01


def test_units_agree_with_pint() -> None:
    # gal/ac x lb/gal x mass share = lb/ac, and usd over the field, by another unit library.
    units = pint.UnitRegistry()
    units.define("usd = [currency]")
    (one,), mix = plan(trip(INJECT, NTHI), s=[18.0], area=[37.5])
    rate = one.planned[0] * units.gallon / units.acre
    density = 11.04 * units.pound / units.gallon
    assert (rate * density * 0.26).to("pound / acre").magnitude == pytest.approx(18.0, rel=1e-9)
    money = rate * 120 * units.acre * (2.9 * units.usd / units.gallon)
    assert money.to("usd").magnitude == pytest.approx(mix.usd_product, rel=1e-9)
    per_ha = (rate * density * 0.26).to("kilogram / hectare").magnitude
    assert per_ha == pytest.approx(18.0 * 1.120851, rel=1e-5)  # pint's acre is the survey's


@pytest.mark.parametrize(("change", "more", "code", "says"), [
    ({"least": 300.0, "most": 200.0}, {}, "pass-limits", "least"),
    ({"least": 80.0}, {"ceilings": {"Cl": 20.0}}, "mix-never-on", "leaves 20"),
    ({"most": 5.0, "step": 10.0}, {}, "mix-never-on", "first rate, 10 lb/ac"),
    ({}, {"usd_per_unit": {}}, "mix-price-missing", "no price of muriate of potash"),
    ({}, {"usd_per_unit": {KCL: -1.0}}, "mix-value", "price of"),
    ({}, {"ceilings": {"S": float("nan")}}, "mix-value", "ceiling of S"),
    ({}, {"ceilings": {"Mg": 5.0}}, "mix-value", "Mg is not known"),
    ({}, {"loads": {KCL: 0.0}}, "mix-value", "load of"),
    ({}, {"k2o_per_pass": 0.0}, "mix-value", "k2o_split_lb_per_ac"),
    ({}, {"aim": "most profit"}, "mix-aim", "least cost"),
    ({"kind": "flat", "method": "through irrigation"}, {}, "pass-irrigation-dry", "is dry"),
    ({"step": -1.0}, {}, "pass-value", "step"),
])
def test_contradictions_and_wrong_values_stop_with_place_and_remedy(
    change: dict[str, object], more: dict[str, object], code: str, says: str
) -> None:
    kind = PlanInfeasible if code in {"pass-limits", "mix-never-on"} else PlanError
    with pytest.raises(kind, match=re.escape(says)) as caught:
        plan(trip(SPREAD, KCL, **change), k2o=[100.0], **more)
    assert code in {one.code for one in caught.value.findings}
    assert all(one.todo and one.where for one in caught.value.findings)


def test_other_refusals() -> None:
    with pytest.raises(PlanError, match="no need of S"):
        plan(trip(SPREAD, GYPS), k2o=[100.0])
    with pytest.raises(PlanError, match="stands twice"):
        plan(trip(SPREAD, KCL, KCL), k2o=[100.0])
    with pytest.raises(PlanError, match="label's maximum"):
        plan(trip(INJECT, KTHI, label_most=None), s=[20.0])
    with pytest.raises(PlanError, match="two densities"):
        plan(trip(INJECT, KTHI), trip(INJECT, KTHI, pass_id="c", number=3,
                                      density_lb_per_gal=12.5), s=[20.0])
    with pytest.raises(PlanError, match="planned"):
        plan(trip(SPREAD, KCL), k2o=[100.0], fixed=(replace(SPREAD, pass_id="b", number=2,
                                                            serves="K2O"),))
    with pytest.raises(PlanError, match="given twice"):
        plan(trip(SPREAD, KCL), trip(SPREAD, KSUL, number=2), k2o=[100.0])
    with pytest.raises(PlanError, match="unknown material"):
        plan(trip(SPREAD, "muriate of potsh"), k2o=[100.0])
    with pytest.raises(ComputeError, match="need of K2O"):
        plan(trip(SPREAD, KCL), k2o=[-1.0])


def test_a_candidate_that_no_limit_lets_on_is_named_and_the_others_are_planned() -> None:
    plans, mix = plan(trip(SPREAD, KSUL, KCL, least=200.0), k2o=[150.0], s=[0.0],
                      ceilings={"S": 30.0})
    assert mix.choices[0].material == KCL
    assert "potassium sulfate" in found(plans, "mix-candidate-never")[0].what


def test_shared_rates_lie_on_steps_but_for_the_last() -> None:
    trips = tuple(Trip(materials=(KCL,), least=40.0, most=240.0, step=20.0) for _ in range(3))
    season = Small(area=(10.0,), k2o=(150.0,), s=(0.0,), trips=trips)
    plans, _ = season.plan("least cost")
    assert sum(one.planned[0] for one in plans) == pytest.approx(250)
    assert [one.planned[0] % 20 for one in plans if one.planned[0] > 0][:-1] == [0.0] * (
        len([one for one in plans if one.planned[0] > 0]) - 1)
