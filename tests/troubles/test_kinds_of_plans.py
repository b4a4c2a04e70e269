"""Kinds behind S34 and S36: machines, steps and prices that are none, and rates on their step."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
import trouble_builders as make

from vrx.errors import ComputeError, PlanError, PlanInfeasible
from vrx.model import Price
from vrx.prescription import order_lines
from vrx.products import PassRequest, load_materials, plan_passes


def planned(**limits: float) -> list[float]:
    request = PassRequest(
        pass_id="potash", number=1, timing="after cutting 1", method="broadcast",
        material="muriate of potash 0-0-60", kind="variable", serves="K2O", **limits)
    (one,) = plan_passes(
        zone_ids=(1, 2, 3), zone_area_ac=np.array([10.0, 10.0, 10.0]), requests=(request,),
        needs={"K2O": np.array([0.0, 60.0, 120.0])}, materials=load_materials(),
        s_most_lb_per_ac=None)
    return one.planned.tolist()


def test_s34_a_machine_that_can_set_no_rate_stops() -> None:
    assert planned(most=150.0, step=5.0) == pytest.approx([0, 100, 150])
    assert planned(most=5.0, step=5.0) == pytest.approx([0, 5, 5])
    for limits in ({"most": 3.0, "step": 5.0}, {"most": 3.0, "step": 5.0, "least": 1.0}):
        with pytest.raises(PlanInfeasible) as caught:
            planned(**limits)
        assert caught.value.code == "pass-limits"


@pytest.mark.parametrize(("rates", "step"), [
    ([100.0], 1e-18), ([1e308], 1.0), ([-5.0], 1.0), ([100.0], 0.0), ([100.0], -5.0),
    ([100.0], float("nan")), ([100.0], float("inf")),
])
def test_s36_steps_that_cannot_be_counted_stop(rates: list[float], step: float) -> None:
    with pytest.raises(ComputeError) as caught:
        make.prescribed(None, rates, step=step, acres=[10.0])
    assert caught.value.code == "prescription-step"


# Half up, worked by hand: 12.25 lies between 12.0 and 12.5, 37 nearest 35.
@pytest.mark.parametrize(("rate", "step", "text"), [
    (83.3, 0.1, "83.3"), (83.35, 0.1, "83.4"), (0.3, 0.1, "0.3"), (12.25, 0.5, "12.5"),
    (12.2, 0.25, "12.25"), (37, 5, "35.0"), (37.5, 5, "40.0"), (1.005, 0.01, "1.01"),
    (2.5, 5, "5.0"), (2.4, 5, "0.0"), (0, 5, "0.0"), (-0.0, 5, "0.0"),
])
def test_s36_rates_are_written_as_their_step_says(rate: float, step: float, text: str) -> None:
    done = make.prescribed(None, [rate], step=step, acres=[10.0])
    assert str(float(done.passes[0].rates[0])) == text


@pytest.mark.parametrize("usd", [1e308, float("inf"), float("nan"), -1.0])
def test_s36_prices_that_are_none_stop(usd: float) -> None:
    done = make.prescribed(None, [100.0], acres=[10.0])
    with pytest.raises(PlanError) as caught:
        order_lines(done.passes, [Price(
            material="muriate of potash 0-0-60", usd=usd, per="short ton",
            as_of=date(2026, 11, 1))])
    assert caught.value.code == "prescription-price"
