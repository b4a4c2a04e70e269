"""Rates of single zones set by hand: limits named, nothing lowered, totals by plain arithmetic."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import vrx.prescription
from vrx.errors import InputError, PlanInfeasible
from vrx.model import Material, PassPlan, Prescription
from vrx.model.by_hand import RateOverride
from vrx.prescription import (
    RateLimits,
    prescribe,
    prescribe_by_hand,
    rate_reasons,
    require_reason,
)

AREA = [10.25, 33.1, 4.06]
KCL = Material(
    id="muriate of potash 0-0-60", code="KCL", form="dry", n_pct=0.0, p2o5_pct=0.0, k2o_pct=60.0,
    s_pct=0.0, mg_pct=0.0, cl_pct=45.2, density_lb_per_gal=None, s_form="", cautions=(),
    evidence="user", source="label")
KSUL = replace(KCL, id="potassium sulfate 0-0-50-17S", code="KSUL", k2o_pct=50.0, s_pct=17.0,
               cl_pct=0.0, s_form="sulfate")
AMS = replace(KCL, id="ammonium sulfate 21-0-0-24S", code="AMSU", n_pct=21.0, k2o_pct=0.0,
              s_pct=24.0, cl_pct=0.0, s_form="sulfate")


def passed(planned: list[float], *, of: Material = KCL, number: int = 1, **more: Any) -> PassPlan:
    rates = np.array(planned, dtype=float)
    return PassPlan(**{
        "pass_id": f"p{number}", "number": number, "timing": "early spring, dormant",
        "method": "broadcast", "material": of, "serves": "K2O", "kind": "variable",
        "wanted": rates, "planned": rates, "step": 10.0, "most": None, "treated_ac": None, **more})


def by_hand(zone_id: int, rate: float, pass_id: str = "p1", **more: Any) -> RateOverride:
    return RateOverride(**{
        "zone_id": zone_id, "pass_id": pass_id, "rate": rate, "unit": "lb/ac", "material": KCL.id,
        "reason": "trial strip", "geometry": "0" * 24, **more})


def made(*plans: PassPlan, hand: tuple[RateOverride, ...] = (), **more: Any) -> Prescription:
    return prescribe_by_hand(**{
        "by_hand": hand, "zone_ids": [4, 5, 9], "zone_area_ac": np.array(AREA), "plans": plans,
        "needs": {"K2O": np.array([60.0, 90.0, 30.0]), "S": np.zeros(3)},
        "s_most_lb_per_ac": None, "zone_names": ["A", "B", "C"], **more})


def refused(*plans: PassPlan, hand: tuple[RateOverride, ...], **more: Any) -> PlanInfeasible:
    with pytest.raises(PlanInfeasible) as caught:
        made(*plans, hand=hand, **more)
    assert [one.severity.value for one in caught.value.findings] == ["stop"] * len(
        caught.value.findings)
    return caught.value


PLAN = passed([104.0, 150.0, 52.0])


def test_without_any_it_is_the_rule() -> None:
    done = made(PLAN)
    plain = prescribe(zone_ids=[4, 5, 9], zone_area_ac=np.array(AREA), plans=[PLAN],
                      needs={"K2O": np.array([60.0, 90.0, 30.0]), "S": np.zeros(3)},
                      s_most_lb_per_ac=None, zone_names=["A", "B", "C"])
    assert list(done.passes[0].rates) == list(plain.passes[0].rates) == [100.0, 150.0, 50.0]
    assert done.findings == plain.findings
    assert done.order == plain.order
    assert done.passes[0].by_hand == ()
    assert done.passes[0].rule_planned_total is None


def test_totals_order_and_balance_follow_and_needs_stay() -> None:
    done = made(PLAN, hand=(by_hand(9, 120.0), by_hand(4, 0.0)))
    rates = [0.0, 150.0, 120.0]
    one = done.passes[0]
    assert list(one.rates) == rates
    assert list(one.steps) == [0, 15, 12]
    total = sum(rate * acres for rate, acres in zip(rates, AREA, strict=True))
    assert one.prescription_total == pytest.approx(total, rel=1e-12)
    assert one.order_total == pytest.approx(total, rel=1e-12)
    assert done.order[0].k2o_lb == pytest.approx(0.6 * total, rel=1e-12)
    k2o = next(balance for balance in done.balances if balance.nutrient == "K2O")
    assert list(k2o.need) == [60.0, 90.0, 30.0]
    assert list(k2o.brought) == pytest.approx([0.0, 90.0, 72.0])
    assert one.rule_planned_total == pytest.approx(104 * 10.25 + 150 * 33.1 + 52 * 4.06)
    assert [(held.letter, held.rule_rate, held.rate) for held in one.by_hand] == [
        ("A", 100.0, 0.0), ("C", 50.0, 120.0)]
    assert [held.k2o_lb for held in one.by_hand] == pytest.approx(
        [-100 * 0.6 * 10.25, 70 * 0.6 * 4.06])
    told = [f for f in one.findings if f.code == "prescription-by-hand"]
    assert [f.severity.value for f in told] == ["warn", "warn"]
    assert told[0].where == "zone A, pass p1"
    assert "-615.0 lb K2O over 10.25 ac (trial strip)" in told[0].what
    assert "brings 54.2 lb Cl/ac" in told[1].what
    # Nothing was rounded where the hand said a whole step.
    assert not any(f.code == "prescription-rounding" and "2 of 3" in f.what for f in one.findings)


def test_the_rules_own_rate_set_by_hand_only_informs() -> None:
    [told] = [f for f in made(PLAN, hand=(by_hand(5, 150.0),)).passes[0].findings
              if f.code == "prescription-by-hand"]
    assert told.severity.value == "note"


@pytest.mark.parametrize(("rate", "words"), [
    (125.0, "give 120 or 130"), (0.5, "give 0 or 10"), (1e-6, "give 0 or 10")])
def test_a_rate_is_a_whole_number_of_steps(rate: float, words: str) -> None:
    err = refused(PLAN, hand=(by_hand(4, rate),))
    assert err.code == "prescription-by-hand-step"
    assert "zone A, pass p1" in str(err)
    assert "machine steps of 10" in str(err)
    assert words in err.hint


def test_steps_that_are_no_round_numbers_in_binary() -> None:
    plan = passed([0.5, 0.7, 0.2], step=0.1, of=KCL)
    done = made(plan, hand=(by_hand(4, 0.3), by_hand(5, 83.3), by_hand(9, 0.1 + 0.2)))
    assert list(done.passes[0].rates) == [0.3, 83.3, 0.3]


@pytest.mark.parametrize(("limits", "rate", "words"), [
    (RateLimits(most=300.0), 310.0, "above the machine's most, 300 lb/ac"),
    (RateLimits(label_most=200.0, most=300.0), 210.0, "above the label's maximum for one pass"),
    (RateLimits(least=50.0), 40.0, "below the machine's least, 50 lb/ac"),
])
def test_limits_of_machine_and_label_are_named(
    limits: RateLimits, rate: float, words: str
) -> None:
    err = refused(PLAN, hand=(by_hand(4, rate),), limits={"p1": limits})
    assert err.code == "prescription-by-hand-limit"
    assert words in str(err)


def test_off_is_always_below_the_least() -> None:
    done = made(PLAN, hand=(by_hand(4, 0.0),), limits={"p1": RateLimits(least=50.0)})
    assert done.passes[0].rates[0] == 0.0


def test_season_maximum_of_a_label_counts_all_passes() -> None:
    both = [passed([100.0] * 3, number=n, season_most=260.0) for n in (1, 2)]
    assert made(*both, hand=(by_hand(5, 160.0),)).passes[0].rates[1] == 160.0
    err = refused(*both, hand=(by_hand(5, 170.0),))
    assert err.code == "prescription-by-hand-ceiling"
    assert "brings all passes there to 270 lb/ac" in str(err)
    assert "label's maximum of the season, 260" in str(err)


def test_ceilings_of_the_season_hold() -> None:
    plans = [passed([100.0] * 3, of=KSUL), passed([50.0] * 3, of=AMS, number=2)]
    hand = (by_hand(4, 200.0, material=KSUL.id),)
    # 200 x 0.17 + 50 x 0.24 = 46 lb S/ac, and 50 x 0.21 = 10.5 lb N/ac.
    assert made(*plans, hand=hand, s_most_lb_per_ac=46.0).passes[0].rates[0] == 200.0
    err = refused(*plans, hand=hand, s_most_lb_per_ac=45.9)
    assert "46 lb S/ac, above your ceiling of 45.9 lb S/ac" in str(err)
    err = refused(*plans, hand=hand, most_lb_per_ac={"K2O": 90.0})
    assert "100 lb K2O/ac, above your ceiling of 90 lb K2O/ac" in str(err)
    # A ceiling of what the pass does not bring is none of its business.
    assert made(*plans, hand=hand, most_lb_per_ac={"N": 10.5}).passes[0].rates[0] == 200.0


def test_another_pass_gives_way_before_a_rate_by_hand_is_refused() -> None:
    # 55 rounds up to 60 lb, 14.4 lb S; with 34 lb by hand that breaks 48 lb, 50 lb do not.
    plans = [passed([100.0] * 3, of=KSUL), passed([55.0] * 3, of=AMS, number=2, serves="S")]
    done = made(*plans, hand=(by_hand(4, 200.0, material=KSUL.id),), s_most_lb_per_ac=48.0)
    assert list(done.passes[1].rates) == [50.0, 60.0, 60.0]


@pytest.mark.parametrize(("one", "code"), [
    (by_hand(6, 100.0), "prescription-by-hand-unknown"),
    (by_hand(4, 100.0, "p7"), "prescription-by-hand-unknown"),
    (by_hand(4, 100.0, material="gypsum 0-0-0-18S"), "prescription-by-hand-material"),
    (by_hand(4, 100.0, unit="gal/ac"), "prescription-by-hand-material"),
    (by_hand(4, float("nan")), "prescription-by-hand-value"),
    (by_hand(4, float("inf")), "prescription-by-hand-value"),
    (by_hand(4, -10.0), "prescription-by-hand-value"),
])
def test_a_key_that_no_longer_fits_stops_the_run(one: RateOverride, code: str) -> None:
    err = refused(PLAN, hand=(one,))
    assert err.code == code
    assert "pass p" in str(err)


def test_everything_wrong_is_told_at_once() -> None:
    err = refused(PLAN, hand=(by_hand(4, 125.0), by_hand(5, 135.0), by_hand(9, 100.0)))
    assert [one.where for one in err.findings] == ["zone A, pass p1", "zone B, pass p1"]


@pytest.mark.parametrize("more", [{"treated_ac": 60.0}, {"method": "through irrigation"}])
def test_what_is_injected_has_one_rate(more: dict[str, Any]) -> None:
    err = refused(passed([100.0] * 3, kind="flat", **more), hand=(by_hand(4, 50.0),))
    assert err.code == "prescription-by-hand-one-rate"
    wetted = passed([100.0] * 3, method="through irrigation", treated_ac=50.0,
                    wetted_ac=np.array([11.0, 34.0, 5.0]))
    done = made(wetted, hand=(by_hand(4, 50.0),))
    assert done.passes[0].order_total == pytest.approx(50 * 11 + 100 * 34 + 100 * 5)


def test_a_flat_pass_becomes_a_variable_one_and_says_so() -> None:
    done = made(passed([100.0] * 3, kind="flat"), hand=(by_hand(4, 50.0),)).passes[0]
    assert done.kind == "variable"
    assert any(f.code == "prescription-by-hand-varies" for f in done.findings)
    fixed = made(passed([100.0] * 3, kind="fixed"), hand=(by_hand(4, 50.0),)).passes[0]
    assert fixed.kind == "fixed"


def test_much_potash_in_one_pass_is_to_be_split() -> None:
    [told] = [f for f in made(PLAN, hand=(by_hand(4, 400.0),), k2o_split_lb_per_ac=200.0)
              .passes[0].findings if f.code == "prescription-by-hand"]
    assert "240 lb K2O/ac in one pass: split it" in told.todo


def test_reasons_come_from_the_list() -> None:
    path = Path(vrx.prescription.__file__).with_name("reasons.toml")
    listed = tomllib.loads(path.read_text(encoding="utf-8"))["reason"]
    assert [name for name, _ in rate_reasons()] == [one["words"] for one in listed]
    assert [name for name, asks in rate_reasons() if asks] == ["other"]
    assert require_reason("  Known  POOR stand ", "") == "known poor stand"
    assert require_reason("other", "a reason") == "other"
    for reason, words in (("", ""), ("because", "x"), ("other", "  ")):
        with pytest.raises(InputError) as caught:
            require_reason(reason, words)
        assert caught.value.code == "prescription-by-hand-reason"
