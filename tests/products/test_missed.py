"""What a missed pass leaves: worked by hand, against a linear programme, and laws."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from vrx.model import MissedPass, PassRates, PassWindow
from vrx.prescription import prescribe
from vrx.products import Ceilings, PassRequest, if_missed, load_materials, missed_words, plan_passes

FEW = settings(derandomize=True, max_examples=60, deadline=None)
MATERIALS = load_materials()
KCL, KSUL = "muriate of potash 0-0-60", "potassium sulfate 0-0-50-17S"
KTHI, SELE = "potassium thiosulfate 0-0-25-17S", "elemental sulfur 0-0-0-90S"
BASE = PassRequest(pass_id="a", number=1, timing="after cutting 1", method="broadcast",
                   material=KCL, kind="variable", serves="K2O", share_of_need=0.5, step=1.0)
SECOND = replace(BASE, pass_id="b", number=2)
FREE = Ceilings(s_lb_per_ac=None, k2o_split_lb_per_ac=200.0)


def rates_of(
    requests: list[PassRequest], needs: dict[str, np.ndarray], area: np.ndarray,
    s_most: float | None = None,
) -> tuple[PassRates, ...]:
    ids = range(1, len(area) + 1)
    plans = plan_passes(zone_ids=ids, zone_area_ac=area, needs=needs, requests=requests,
                        materials=MATERIALS, s_most_lb_per_ac=s_most)
    return prescribe(zone_ids=ids, zone_area_ac=area, plans=plans, needs=needs,
                     s_most_lb_per_ac=s_most).passes


def missed(
    *requests: PassRequest, k2o: list[float] | None = None, s: list[float] | None = None,
    area: list[float] | None = None, ceilings: Ceilings = FREE,
    windows: tuple[PassWindow, ...] = (),
) -> tuple[MissedPass, ...]:
    needs = {name: np.array(values) for name, values in (("K2O", k2o), ("S", s))
             if values is not None}
    zones = len(next(iter(needs.values())))
    acres = np.array(area or [10.0] * zones)
    passes = rates_of(list(requests), needs, acres, ceilings.s_lb_per_ac)
    return if_missed(passes, requests=requests, needs=needs, area_ac=acres,
                     zone_names=[f"Z{n}" for n in range(zones)], ceilings=ceilings,
                     windows=windows)


def test_the_second_half_carries_the_first_up_to_the_split() -> None:
    # 300 and 120 lb K2O/ac on 10 ac each, half each pass. Missed the first: 150 + 60 = 210 x 10 lb
    # short. The second may go up to 200 lb K2O/ac (333 lb of 0-0-60, 199.8 lb): 49.8 and 60.
    first, second = missed(BASE, SECOND, k2o=[300.0, 120.0])
    assert (first.pass_id, first.nutrient) == ("a", "K2O")
    assert first.short_lb == pytest.approx(2100)
    assert dict(first.short_lb_per_ac) == pytest.approx({"Z0": 150, "Z1": 60})
    assert first.carriers[0].lb == pytest.approx(498 + 600)
    assert first.carriers[0].bound == "200 lb K2O/ac a pass"
    assert first.still_lb == pytest.approx(2100 - 1098)
    assert "1,002 lb would stay short" in missed_words(first)
    assert second.carriers == ()
    assert "no pass comes later" in missed_words(second)


def test_limits_of_machine_label_and_season_bind() -> None:
    machine = replace(SECOND, most=300.0)
    (first, _) = missed(BASE, machine, k2o=[300.0])
    assert first.carriers[0].lb == pytest.approx((300 - 250) * 0.6 * 10)
    assert first.carriers[0].bound == "the machine's most"
    # The second pass is of potassium sulfate, held to 40 lb S/ac already: 235 lb, no room left.
    held = Ceilings(s_lb_per_ac=40.0, k2o_split_lb_per_ac=200.0)
    told = missed(BASE, replace(SECOND, material=KSUL), k2o=[300.0], ceilings=held)
    assert told[0].carriers[0].lb == 0
    assert told[0].carriers[0].bound == "the S ceiling"
    liquid = [replace(BASE, pass_id=name, number=n, material=KTHI, serves="S", kind="fixed",
                      fixed_rate=5.0, label_most=8.0, label_most_season=12.0, step=0.1)
              for n, name in ((1, "a"), (2, "b"))]
    told = missed(*liquid, s=[20.7])
    # Without the first 5 gal, 12 of the season are left for the second, 8 by label a pass.
    assert told[0].carriers[0].lb == pytest.approx(3 * 12.2 * 0.17 * 10, abs=0.1)
    assert told[0].carriers[0].bound == "the label's maximum"


def test_one_rate_for_all_is_raised_by_one_figure() -> None:
    flat = replace(SECOND, kind="flat", share_of_need="what is left")
    (first, *_) = missed(BASE, flat, k2o=[100.0, 300.0])
    # The flat pass brings the mean of 50 and 150, 100 lb/ac, to both. Without the first pass only
    # the second zone is short of more, by 150 lb/ac on 10 ac; one rate goes up by 75, their mean.
    assert first.short_lb == pytest.approx(1500, rel=0.01)
    assert first.carriers[0].lb == pytest.approx(750, rel=0.01)


def test_later_is_later_in_the_year_where_windows_tell_it() -> None:
    def at(name: str, number: int, day: date) -> PassWindow:
        return PassWindow(pass_id=name, number=number, timing="", opens=day, closes=day, on=None,
                          closed=False, fits=None, words="")

    days = (at("a", 1, date(2027, 9, 1)), at("b", 2, date(2027, 6, 1)))
    first, second = missed(BASE, SECOND, k2o=[300.0], windows=days)
    assert first.carriers == ()
    assert second.carriers[0].pass_id == "a"


def test_elemental_s_is_missed_by_no_need_and_carries_none() -> None:
    late = replace(BASE, pass_id="late", number=3, material=SELE, serves="S", kind="fixed",
                   fixed_rate=100.0)
    sul = replace(BASE, material=KSUL, serves="K2O", share_of_need=1.0)
    told = missed(sul, late, k2o=[100.0], s=[30.0])
    assert {one.pass_id for one in told} == {"a"}
    s = next(one for one in told if one.nutrient == "S")
    assert s.carriers[0].lb == 0
    assert "brings no S for this season" in missed_words(s)


NEEDS = st.lists(st.tuples(st.floats(0, 400), st.floats(1, 60)), min_size=1, max_size=5)


@FEW
@given(NEEDS, st.floats(100, 500))
def test_the_carrier_is_the_optimum_of_a_linear_programme(
    zones: list[tuple[float, float]], most: float
) -> None:
    """One later variable pass: the most pounds that any raise within the limits can carry."""
    k2o, area = [need for need, _ in zones], np.array([acres for _, acres in zones])
    step = 0.01
    first, second = (replace(one, step=step) for one in (BASE, replace(SECOND, most=most)))
    needs = {"K2O": np.array(k2o)}
    passes = rates_of([first, second], needs, area)
    told = if_missed(passes, requests=[first, second], needs=needs, area_ac=area,
                     zone_names=[str(n) for n in range(len(area))], ceilings=FREE)
    told = tuple(one for one in told if one.pass_id == "a")
    if not told:
        return
    before, after = passes[0].rates * 0.6, passes[1].rates * 0.6
    short = np.maximum(needs["K2O"] - after, 0) - np.maximum(needs["K2O"] - after - before, 0)
    tops = np.maximum(np.minimum(most, 200 / 0.6) - passes[1].rates, 0) * 0.6
    best = linprog(-area, bounds=list(zip(np.zeros_like(area), np.minimum(tops, short),
                                          strict=True)))
    assert told[0].carriers[0].lb == pytest.approx(-best.fun, abs=step * 0.6 * area.sum() + 1e-6)
    assert told[0].short_lb == pytest.approx(float(short @ area))


@FEW
@given(NEEDS, st.floats(0, 300), st.floats(50, 500),
       st.sampled_from(["variable", "flat"]), st.sampled_from([1.0, 10.0, 25.0]))
def test_nothing_is_made_or_lost(
    zones: list[tuple[float, float]], least: float, most: float, kind: str, step: float
) -> None:
    k2o, area = [need for need, _ in zones], [acres for _, acres in zones]
    if np.ceil(least / step) * step > most:
        return
    later = [replace(SECOND, pass_id=name, number=n, kind=kind, least=least, most=most, step=step,
                     share_of_need=0.25) for n, name in ((2, "b"), (3, "c"))]
    for one in missed(BASE, *later, k2o=k2o, area=area):
        carried = [of.lb for of in one.carriers]
        assert all(lb >= 0 for lb in carried)
        assert sum(carried) + one.still_lb == pytest.approx(one.short_lb)
        per_ac = dict(one.short_lb_per_ac)
        total = sum(lb * acres for (name, lb), acres in
                    zip(per_ac.items(), [area[int(name[1:])] for name in per_ac], strict=True))
        assert total == pytest.approx(one.short_lb)
