"""The trade verdict: delivered against ordered, apart from the arithmetic.

Tolerances of 2 % for liquids and 5 % for dry materials: common practice, no source.
"""

from __future__ import annotations

import math

import pytest
from audit_builders import POTASH, SULFATE, THIO, Run

from vrx.audit import audit_run
from vrx.errors import InputError

FORMS = {"liquid": 2.0, "dry": 5.0}


def ordered(run: Run) -> dict[str, float]:
    return {line["material"]: line["quantity"] for line in run.record()["order"]}


@pytest.mark.parametrize(
    ("material", "factor", "agrees"),
    [
        (THIO, 1.0199, True), (THIO, 1.0201, False), (THIO, 0.9801, True), (THIO, 0.9799, False),
        (POTASH, 1.0499, True), (POTASH, 1.0501, False), (POTASH, 0.9501, True),
        (POTASH, 0.9499, False),
    ],
)
def test_two_percent_liquid_and_five_percent_dry(
    run: Run, material: str, factor: float, agrees: bool
) -> None:
    amounts = ordered(run)
    amounts[material] *= factor
    result = audit_run(folder=run.folder, delivered=amounts, trade_tolerance_pct=FORMS)
    assert (result.arithmetic, result.trade) == (True, agrees)
    assert result.agrees is agrees
    row = next(row for row in result.rows if row.trade and material in row.where)
    assert row.agrees is agrees
    assert row.unit == ("gal" if material == THIO else "lb")
    assert row.difference == pytest.approx(ordered(run)[material] * (factor - 1), rel=1e-9)


def test_exactly_on_the_tolerance_agrees(run: Run) -> None:
    quantity = ordered(run)[SULFATE]
    result = audit_run(
        folder=run.folder, delivered={SULFATE: quantity + quantity * 5.0 / 100.0},
        trade_tolerance_pct=5.0,
    )
    assert result.trade is True


def test_a_material_of_its_own_goes_before_its_form(run: Run) -> None:
    amounts = {POTASH: ordered(run)[POTASH] * 1.03}
    by_form = audit_run(folder=run.folder, delivered=amounts, trade_tolerance_pct=FORMS)
    own = audit_run(
        folder=run.folder, delivered=amounts, trade_tolerance_pct={**FORMS, POTASH: 1.0}
    )
    assert (by_form.trade, own.trade) == (True, False)


def test_wrong_arithmetic_leaves_the_trade_verdict_alone(run: Run) -> None:
    amounts = ordered(run)

    def change(record: dict[str, object]) -> None:
        record["field"]["area_ac"] += 1.0  # type: ignore[index]
    run.edit_record(change)
    run.seal()
    result = audit_run(folder=run.folder, delivered=amounts, trade_tolerance_pct=FORMS)
    assert (result.arithmetic, result.trade) == (False, True)


def test_a_trade_tolerance_does_not_widen_the_arithmetic(run: Run) -> None:
    def change(record: dict[str, object]) -> None:
        record["order"][0]["quantity"] *= 1.001  # type: ignore[index]
    run.edit_record(change)
    run.seal()
    amounts = ordered(run)
    result = audit_run(folder=run.folder, delivered=amounts, trade_tolerance_pct=50.0)
    assert (result.arithmetic, result.trade) == (False, True)


def test_the_arithmetic_tolerance_is_the_users(run: Run) -> None:
    def change(record: dict[str, object]) -> None:
        record["passes"][0]["prescription_total"] *= 1.0005  # type: ignore[index]
    run.edit_record(change)
    run.seal()
    assert audit_run(folder=run.folder).arithmetic is False
    assert audit_run(folder=run.folder, arithmetic_tolerance_pct=0.1).arithmetic is True


def test_what_was_not_delivered_is_named_and_not_judged(run: Run) -> None:
    result = audit_run(
        folder=run.folder, delivered={POTASH: ordered(run)[POTASH]}, trade_tolerance_pct=5.0
    )
    assert result.trade is True
    named = [f.where for f in result.faults if f.code == "audit-not-delivered"]
    assert named == [f"delivery of {SULFATE}", f"delivery of {THIO}"]


def test_a_delivery_that_nobody_ordered_differs(run: Run) -> None:
    result = audit_run(
        folder=run.folder, delivered={"gypsum 0-0-0-17S": 4000.0}, trade_tolerance_pct=5.0
    )
    assert (result.arithmetic, result.trade) == (True, False)
    assert "audit-delivered-not-ordered" in {f.code for f in result.faults}


def test_no_delivery_no_verdict(run: Run) -> None:
    for nothing in (None, {}):
        assert audit_run(folder=run.folder, delivered=nothing).trade is None


@pytest.mark.parametrize("given", [None, {}, {"liquid": 2.0}])
def test_a_delivery_without_a_tolerance_asks_for_it(run: Run, given: object) -> None:
    with pytest.raises(InputError) as caught:
        audit_run(
            folder=run.folder, delivered={POTASH: 1.0},
            trade_tolerance_pct=given,  # type: ignore[arg-type]
        )
    assert caught.value.code == "audit-tolerance-missing"
    assert POTASH in str(caught.value)
    assert "percent" in caught.value.hint


@pytest.mark.parametrize("pct", [-1.0, math.nan, 100.0])
def test_a_tolerance_that_is_none(run: Run, pct: float) -> None:
    with pytest.raises(InputError) as caught:
        audit_run(folder=run.folder, delivered={POTASH: 1.0}, trade_tolerance_pct=pct)
    assert caught.value.code == "audit-tolerance"


@pytest.mark.parametrize("amount", [-1.0, math.nan, math.inf, "4000"])
def test_an_amount_that_is_none(run: Run, amount: float) -> None:
    with pytest.raises(InputError) as caught:
        audit_run(folder=run.folder, delivered={POTASH: amount}, trade_tolerance_pct=5.0)
    assert caught.value.code == "audit-delivered"
