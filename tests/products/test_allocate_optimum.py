"""The joint plan is the best there is: against trying everything, and against other solvers."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from scipy.optimize import linprog

from vrx.errors import PlanInfeasible
from vrx.products import load_materials

from .seasons import (
    HOLDS,
    INF,
    KCL,
    KSUL,
    USD,
    Small,
    Trip,
    every_plan,
    rates_of,
    reached,
    seasons,
)

MATERIALS = load_materials()
MANY = settings(derandomize=True, max_examples=40, deadline=None)


@MANY
@given(season=seasons())
@pytest.mark.parametrize("aim", ["least cost", "fewest passes", "least deviation"])
def test_in_whole_steps_no_plan_is_better(aim: str, season: Small) -> None:
    # Enumeration of every material of every pass and every machine step in every zone.
    try:
        plans, mix = season.plan(aim, steps_inside=True)
    except PlanInfeasible:
        # A pass that no rate but 0 is allowed for stops the plan: enumeration agrees that it is so.
        assert any(all(len(rates) == 1 for rates in _rates(season, trip)) for trip in season.trips)
        return
    tried, ours = every_plan(season, aim), reached(season, plans, aim)
    assert ours.short == pytest.approx(tried.short, abs=1e-6)
    assert ours.value == pytest.approx(tried.value, abs=1e-5 * max(1.0, tried.value))
    assert mix.gap == 0
    assert (tried.short > 1e-6) == bool(mix.shortfalls) or aim == "least deviation"


def _rates(season: Small, trip: Trip) -> list[list[float]]:
    out = []
    for m in trip.materials:
        _, s, n = HOLDS[m]
        out.append([rate for rate in rates_of(trip, m, season)
                    if rate * s <= (season.s_most if season.s_most is not None else INF) + 1e-9
                    and rate * n <= (season.n_most if season.n_most is not None else INF) + 1e-9])
    return out


@MANY
@given(season=seasons())
def test_the_next_best_plan_is_the_next_best(season: Small) -> None:
    try:
        plans, mix = season.plan("least cost", steps_inside=False)
        _, stepped = season.plan("least cost", steps_inside=True)
    except PlanInfeasible:
        return
    if mix.shortfalls or not any((p.planned > 0).any() for p in plans):
        return
    free = _linear(season, frozenset())
    assert reached(season, plans, "least cost").value == pytest.approx(free, abs=0.01)
    used = {p.material.id for p in plans if (p.planned > 1e-6).any()}
    others = [_linear(season, frozenset({name})) for name in used]
    if mix.rival is None:
        assert min(others) == INF
    else:
        # The next best is good to a share of 1e-4 of the plan's own money.
        assert mix.rival.more == pytest.approx(min(others) - free, abs=1e-4 * free + 0.02)
        assert set(mix.rival.without) <= used
    assert stepped.steps_inside


def _linear(season: Small, without: frozenset[str]) -> float:
    """Least usd without machine steps: every material and every on or off, each a linear program.

    An independent formulation with scipy.optimize.linprog: no whole numbers, all choices tried.
    """
    best = INF
    zones = range(len(season.area))
    options = [(None, *[m for m in trip.materials if m not in without]) for trip in season.trips]
    for chosen in itertools.product(*options):
        live = [(trip, m) for trip, m in zip(season.trips, chosen, strict=True) if m is not None]
        places = [(i, z) for i, (trip, m) in enumerate(live)
                  for z in ([-1] if trip.flat or trip.label is not None else zones)]
        for switched in itertools.product((False, True), repeat=len(places)):
            on = [place for place, yes in zip(places, switched, strict=True) if yes]
            if {i for i, _ in on} != set(range(len(live))):
                continue
            usd = _one_linear(season, live, on)
            best = min(best, usd)
    return best


def _one_linear(
    season: Small, live: list[tuple[Trip, str]], on: list[tuple[int, int]]
) -> float:
    total = sum(season.area)
    trips = sum(trip.usd_per_ac * total for trip, _ in live)
    if not on:
        return trips if max(*season.k2o, *season.s) <= 0 else INF
    c, bounds = [], []
    for i, z in on:
        trip, m = live[i]
        top = min(trip.most, trip.label or INF)
        if HOLDS[m][0] > 0:
            top = min(top, season.k2o_per_pass / HOLDS[m][0])
        top = np.floor(top / trip.step + 1e-9) * trip.step
        low = np.ceil(trip.least / trip.step - 1e-9) * trip.step
        if low > top:
            return INF
        c.append(USD[m] * (total if z < 0 else season.area[z]))
        bounds.append((low, top))
    rows, right = [], []
    for z in range(len(season.area)):
        here = [[HOLDS[live[i][1]][j] if at in (z, -1) else 0.0 for i, at in on] for j in range(3)]
        rows += [[-v for v in here[0]], [-v for v in here[1]]]
        right += [-season.k2o[z], -season.s[z]]
        for j, most in ((1, season.s_most), (2, season.n_most)):
            if most is not None:
                rows.append(here[j])
                right.append(most)
    done = linprog(c, A_ub=np.array(rows), b_ub=np.array(right), bounds=bounds)
    return trips + float(done.fun) if done.status == 0 else INF


@MANY
@given(season=seasons())
def test_the_limits_that_must_give_are_a_smallest_set(season: Small) -> None:
    # Enumeration of every set of kinds of limit, each kind lifted wherever it stands.
    try:
        _, mix = season.plan("least cost", steps_inside=True)
    except PlanInfeasible:
        return
    if not mix.must_give:
        return
    kinds = {"the season's ceiling": "SN", "the label's": "label", "the machine's most": "most",
             "the machine's least": "least", "lb K2O/ac in one pass": "k2o"}
    all_of_it = frozenset({"S", "N", "label", "most", "least", "k2o"})
    possible = every_plan(season, "least cost", lifted=all_of_it).short
    for held in mix.must_give:
        lifted = frozenset(
            ("S" if "lb S/ac" in words else "N") if kinds[start] == "SN" else kinds[start]
            for words in held for start in kinds if start in words)
        assert every_plan(season, "least cost", lifted=lifted).short <= possible + 1e-6
        assert len(held) == len(mix.must_give[0])
    # No smaller set of kinds does it.
    for fewer in itertools.combinations(sorted(all_of_it), len(mix.must_give[0]) - 1):
        assert every_plan(season, "least cost", lifted=frozenset(fewer)).short > possible + 1e-9


def test_two_materials_and_two_needs_by_their_corners() -> None:
    # Without limits the cheapest mix lies in a corner of two lines and the axes (hand enumeration):
    # 0.60 a + 0.50 b >= 120 lb K2O, 0.17 b >= 8.5 lb S; price 0.24 a + 0.45 b. Corners:
    # (0, 240) 108.0; (158.33.., 50) 38.0 + 22.5 = 60.5 usd/ac.
    season = Small(area=(10.0,), k2o=(120.0,), s=(8.5,), trips=(
        Trip(materials=(KCL,), least=0.0, most=600.0, step=1e-3),
        Trip(materials=(KSUL,), least=0.0, most=600.0, step=1e-3)))
    plans, mix = season.plan("least cost")
    assert [float(p.planned[0]) for p in plans] == pytest.approx([(120 - 25) / 0.6, 50.0])
    assert mix.usd_product == pytest.approx(605.0)
