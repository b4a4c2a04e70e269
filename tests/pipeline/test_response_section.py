"""`[response.*]` from plan to page: what a yield function says, and what it refuses."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pint
import pytest

from vrx.errors import ComputeError, PlanError, RuleError, VrxError
from vrx.pipeline import run_field
from vrx.units import k2o_from_k

IOWA = """
[response.potassium]
published = "iowa-1952-alfalfa"
p2o5_lb_per_ac = 80.0
moisture_pct = 12
hay_usd_per_ton = 200.0
hay_moisture_pct = 12
usd_per_lb = 0.40
trip_usd_per_ac = 9.0
"""
TRIAL = """
[response.potassium]
form = "linear-plateau"
source = "strips of our own, 2026 (invented)"
moisture_pct = 0
hay_usd_per_ton = 200.0
hay_moisture_pct = 12
usd_per_lb = 0.40
[response.potassium.trial]
file = "trial.csv"
rate_column = "K rate"
rate_is = "kg K/ha"
yield_column = "hay"
yield_is = "t/ha"
plot_column = "plot"
"""


def _run(copy_of: Callable[[str], Path], text: str, *, rows: list[list[str]] | None = None) -> dict:
    folder = copy_of("kettle")
    plan = folder / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + text, encoding="utf-8")
    if rows is not None:
        with (folder / "trial.csv").open("w", newline="", encoding="utf-8") as stream:
            csv.writer(stream).writerows([["plot", "K rate", "hay"], *rows])
    made = run_field(folder)
    page = (made.folder / "page.html").read_text(encoding="utf-8")
    record = json.loads((made.folder / "manifest.json").read_text(encoding="utf-8"))
    return {"page": page, "record": record, "job": made.job}


def test_a_published_function_stands_beside_the_plan_and_moves_no_rate(
    copy_of: Callable[[str], Path], runs: dict
) -> None:
    made = _run(copy_of, IOWA)
    said = made["record"]["responses"][0]
    # Iowa 1952, P2O5 80, price ratio 0.002: 52 lb/ac (worked by hand from the printed terms).
    assert round(said["best"]["rate_lb_per_ac"]) == 52
    assert made["record"]["order"] == runs["kettle"].manifest["order"]
    page = made["page"]
    assert "By this function 52 lb/ac pays most" in page
    assert "It moves no rate" in page
    codes = {one["code"] for one in made["record"]["findings"]}
    assert "response-published" in codes
    for zone in said["zones"]:
        def hay(k: float) -> float:
            root = 80.0**0.5
            return (1.8735521 - 0.0013943 * k - 0.0050195 * 80 + 0.0617458 * k**0.5
                    + 0.1735383 * root - 0.0014402 * root * k**0.5)

        rate, best = zone["brought_lb_per_ac"], said["best"]["rate_lb_per_ac"]
        apart = 200 * (hay(best) - hay(min(rate, 320.0))) + 0.40 * (rate - best)
        assert zone["usd_per_ac_apart"] == pytest.approx(apart, abs=1e-6)
        assert zone["usd_per_ac_apart"] >= -1e-9


def test_a_trial_in_other_units_is_fitted_in_ours(copy_of: Callable[[str], Path]) -> None:
    unit = pint.UnitRegistry()
    rates = [0.0, 30, 60, 90, 120, 150]
    plateau = 90.0
    rows = [[f"{r:g}-{k}", f"{r:g}", f"{10 + 0.04 * min(r, plateau) + 0.02 * (-1) ** k:.4f}"]
            for r in rates for k in range(4)]
    rows[3][2] = ""
    said = _run(copy_of, TRIAL, rows=rows)["record"]["responses"][0]
    terms = said["function"]["terms"]
    join = k2o_from_k((plateau * unit.kg / unit.hectare).to("lb/acre").magnitude)
    tons = (10.0 * unit.tonne / unit.hectare).to("US_ton/acre").magnitude
    assert terms["join"] == pytest.approx(join, rel=0.02)
    assert terms["a"] == pytest.approx(tons, rel=0.005)
    assert said["best"]["rate_lb_per_ac"] == pytest.approx(terms["join"])
    # 200 USD a ton of 12 % moisture is 227.27 a ton of dry matter.
    assert said["usd_per_ton"] == pytest.approx(200 / 0.88)


def test_a_trial_without_a_response_names_no_rate(copy_of: Callable[[str], Path]) -> None:
    draw = np.random.default_rng(2)
    rows = [[f"{r}-{k}", str(r), f"{12 + draw.normal(0, 0.5):.3f}"]
            for r in (0, 50, 100, 150) for k in range(4)]
    made = _run(copy_of, TRIAL, rows=rows)
    said = made["record"]["responses"][0]
    assert said["best"] is None
    assert "no response" in said["why_none"]
    assert "No response is used" in made["page"]
    assert {"response-none"} <= {one["code"] for one in made["record"]["findings"]}


@pytest.mark.parametrize(("change", "kind", "said"), [
    (("p2o5_lb_per_ac = 80.0", ""), PlanError, "also needs p2o5_lb_per_ac"),
    (("80.0", "900.0"), RuleError, "0 to 320"),
    (("iowa-1952-alfalfa", "iowa-1953"), RuleError, "no published function"),
    (("[response.potassium]", "[response.sulfur]"), PlanError, "response to K2O"),
    (("trip_usd_per_ac = 9.0", 'zones = ["Z9"]'), PlanError, "Z9"),
    (("hay_usd_per_ton = 200.0", "hay_usd_per_ton = 0.0"), PlanError, "hay_usd_per_ton"),
    (("usd_per_lb = 0.40", "usd_per_lb = -0.40"), PlanError, "usd_per_lb"),
    (("usd_per_lb = 0.40", "form = 'quadratic'"), PlanError, "belong to figures of your own"),
])
def test_contradictions_are_told_with_their_place(
    copy_of: Callable[[str], Path], change: tuple[str, str], kind: type[VrxError], said: str
) -> None:
    with pytest.raises(kind, match=said) as caught:
        _run(copy_of, IOWA.replace(*change))
    assert caught.value.hint


OWN = """
[response.potassium]
form = "quadratic"
a = 5.0
b = 0.01
c = -0.00002
least_lb_per_ac = 0.0
most_lb_per_ac = 300.0
source = "ours"
moisture_pct = 12
hay_usd_per_ton = 200.0
hay_moisture_pct = 12
"""


def test_a_curve_that_bends_upwards_is_refused(copy_of: Callable[[str], Path]) -> None:
    with pytest.raises(ComputeError, match="no rate that pays most") as caught:
        _run(copy_of, OWN.replace("c = -0.00002", "c = 0.001"))
    assert caught.value.where == "[response.potassium]"


def test_the_price_of_what_is_ordered_stands_in(copy_of: Callable[[str], Path]) -> None:
    said = _run(copy_of, OWN)["record"]["responses"][0]
    # 480 USD a short ton of 0-0-60: 480 / 2000 / 0.60 a lb of K2O.
    assert said["usd_per_lb"] == pytest.approx(0.40)
    assert said["best"]["rate_lb_per_ac"] == pytest.approx((0.01 - 0.002) / 2 / 0.00002)
