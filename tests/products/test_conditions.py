"""Go / no-go against rules that are printed elsewhere, and where materials may not be used."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.model import GO, NO_GO, NOT_KNOWN, GoItem, PassRates, PassWindow
from vrx.prescription import prescribe
from vrx.products import (
    Conditions,
    PassRequest,
    go_findings,
    go_list,
    load_materials,
    plan_passes,
    use_findings,
)

FEW = settings(derandomize=True, max_examples=60, deadline=None)
MATERIALS = load_materials()
DRY = PassRequest(pass_id="dry", number=1, timing="stubble of cutting 1", method="broadcast",
                  material="muriate of potash 0-0-60", kind="variable", serves="K2O", step=1.0)
WET = PassRequest(pass_id="wet", number=2, timing="stubble of cutting 2",
                  method="through irrigation", material="ammonium thiosulfate 12-0-0-26S",
                  kind="fixed", fixed_rate=5.0, label_most=10.0, treated_is_prescription=True,
                  serves="S", step=0.1)


def rates(*requests: PassRequest, k2o: float = 100.0) -> tuple[PassRates, ...]:
    needs = {"K2O": np.array([k2o]), "S": np.array([20.0])}
    plans = plan_passes(zone_ids=[1], zone_area_ac=np.array([10.0]), needs=needs,
                        requests=requests, materials=MATERIALS, s_most_lb_per_ac=None)
    return prescribe(zone_ids=[1], zone_area_ac=np.array([10.0]), plans=plans, needs=needs,
                     s_most_lb_per_ac=None).passes


DAY = date(2027, 6, 1)


def item(name: str, request: PassRequest = DRY, **told: object) -> GoItem:
    general = Conditions(**{"stated_on": DAY, **told})  # type: ignore[arg-type]
    listed = go_list(rates(request), general=general, of_pass={})
    return next(one for one in listed if one.item.startswith(name))


@pytest.mark.parametrize(("name", "request_", "told", "verdict"), [
    # Never on frozen or snow-covered ground: common practice, no source.
    ("Ground", DRY, {"ground_frozen": True}, NO_GO),
    ("Ground", DRY, {"ground_frozen": False, "snow_cover": True}, NO_GO),
    ("Ground", DRY, {"ground_frozen": False}, NOT_KNOWN),
    ("Ground", DRY, {"ground_frozen": False, "snow_cover": False}, GO),
    ("Soil", DRY, {"soil": "wet"}, NO_GO), ("Soil", DRY, {"soil": "moist"}, GO),
    # Numbers that no source gives come from the user, or nothing is judged.
    ("No rain", DRY, {"rain_ahead_in": 0.0}, GO),
    ("No rain", DRY, {"rain_ahead_in": 1.0}, NOT_KNOWN),
    ("No rain", DRY, {"rain_ahead_in": 1.0, "rain_most_in": 0.5}, NO_GO),
    ("Slope", DRY, {"slope_pct": 3.0}, NOT_KNOWN),
    ("Slope", DRY, {"slope_pct": 3.0, "slope_most_pct": 8.0}, GO),
    ("Wells", DRY, {"well_ft": 90.0, "setback_ft": 100.0}, NO_GO),
    ("Wells", DRY, {"well_ft": 0.0}, NO_GO), ("Wells", DRY, {"setback_ft": 100.0}, NOT_KNOWN),
    ("Open water", DRY, {"water_ft": 100.0, "setback_ft": 100.0}, GO),
    ("Wind", DRY, {"wind_mph": 15.0, "wind_most_mph": 10.0}, NO_GO),
    ("Leaves", DRY, {"leaves_wet": True}, NO_GO),
    ("Regrowth", DRY, {"regrowth_in": 2.0}, GO), ("Regrowth", DRY, {"regrowth_in": 2.5}, NO_GO),
    # Washington Administrative Code 16-202: not within 10 ft of a wellhead or waterway.
    ("Injection", WET, {"injection_point_ft": 10.0}, GO),
    ("Injection", WET, {"injection_point_ft": 9.9}, NO_GO),
    # Table of physical properties: ammonium thiosulfate salts out below 20 F.
    ("Warm", WET, {"low_f": 15.0}, NO_GO), ("Warm", WET, {"low_f": 20.0}, GO),
    ("Warm", WET, {"low_f": 25.0, "salt_out_f": 30.0}, NO_GO), ("Warm", WET, {}, NOT_KNOWN),
    ("No acid", WET, {"line_clean": False}, NO_GO), ("No acid", WET, {"line_clean": True}, GO),
])
def test_verdicts(
    name: str, request_: PassRequest, told: dict[str, object], verdict: str
) -> None:
    found = item(name, request_, **told)
    assert found.verdict == verdict
    assert found.source
    if not told:
        assert found.stated == "not stated"


def test_what_is_asked_depends_on_machine_and_material() -> None:
    names = {one.pass_id: [] for one in go_list(rates(DRY, WET), general=Conditions(), of_pass={})}
    for one in go_list(rates(DRY, WET), general=Conditions(), of_pass={}):
        names[one.pass_id].append(one.item.split()[0])
    assert "Wind" in names["dry"]
    assert "Leaves" in names["dry"]
    assert not {"Wind", "Leaves", "Soil"} & set(names["wet"])
    assert {"Injection", "Warm"} <= set(names["wet"])
    assert go_list(rates(DRY, k2o=0.0), general=Conditions(), of_pass={}) == ()


def test_no_temperature_is_held_for_potassium_thiosulfate() -> None:
    # From memory with little trust only, so nothing is judged until the label's is given.
    kts = replace(WET, material="potassium thiosulfate 0-0-25-17S")
    assert item("Warm", kts, low_f=-10.0).verdict == NOT_KNOWN
    assert item("Warm", kts, low_f=-10.0, salt_out_f=10.0).verdict == NO_GO


def test_yesterdays_go_is_not_todays() -> None:
    def at(on: date | None, stated: date | None, *, leaves_wet: bool,
           opens: date | None = None, closes: date | None = None) -> str:
        window = PassWindow(pass_id="dry", number=1, timing="", opens=opens, closes=closes, on=on,
                            closed=False, fits=None, words="")
        listed = go_list(rates(DRY), windows=(window,), of_pass={},
                         general=Conditions(stated_on=stated, leaves_wet=leaves_wet))
        return next(one.verdict for one in listed if one.item.startswith("Leaves"))

    assert at(DAY, None, leaves_wet=False) == NOT_KNOWN
    assert at(DAY, DAY - timedelta(days=90), leaves_wet=False) == NOT_KNOWN
    assert at(DAY, DAY - timedelta(days=1), leaves_wet=False) == GO
    assert at(None, DAY, leaves_wet=False) == GO
    assert at(None, DAY + timedelta(days=9), leaves_wet=False, closes=DAY) == NOT_KNOWN
    assert at(None, DAY - timedelta(days=9), leaves_wet=False, opens=DAY) == NOT_KNOWN
    assert at(DAY, DAY - timedelta(days=90), leaves_wet=True) == NO_GO
    assert at(DAY, None, leaves_wet=True) == NO_GO


def test_a_pass_of_its_own_goes_before_the_field() -> None:
    listed = go_list(rates(DRY, WET), general=Conditions(slope_pct=12.0, slope_most_pct=8.0),
                     of_pass={"wet": Conditions(slope_pct=2.0)})
    assert {one.pass_id: one.verdict for one in listed if one.item == "Slope"} == {
        "dry": NO_GO, "wet": GO}
    (bad,) = go_findings(listed, stated=False)
    assert (bad.code, bad.severity, bad.where) == ("conditions-no-go", "warn", "pass dry")
    assert "12 %" in bad.what
    assert {one.code for one in go_findings(listed, stated=True)} == {
        "conditions-no-go", "conditions-not-known"}


@FEW
@given(st.floats(0, 500), st.floats(0, 500))
def test_farther_from_a_well_is_never_worse(near: float, more: float) -> None:
    order = [NO_GO, NOT_KNOWN, GO]
    first, second = (item("Wells", setback_ft=100.0, well_ft=ft).verdict
                     for ft in (near, near + more))
    assert order.index(second) >= order.index(first)


def test_thiosulfate_on_leaves_and_in_the_seed_furrow() -> None:
    # Iowa State and Purdue: not foliar, not in-furrow.
    green = replace(WET, method="broadcast", timing="green-up", treated_is_prescription=False)
    assert [one.code for one in use_findings(rates(green))] == ["pass-on-leaves"]
    assert use_findings(rates(WET)) == ()
    assert use_findings(rates(replace(green, timing="dormant"))) == ()
    furrow = replace(green, method="band", timing="before seeding")
    assert [one.code for one in use_findings(rates(furrow))] == ["pass-seed-furrow"]
    assert use_findings(rates(DRY)) == ()
