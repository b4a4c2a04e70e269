"""A rule cell by cell and with the soil test's error: closed forms, Jensen, Monte Carlo."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from vrx.errors import RuleError
from vrx.model import FloatArray, Yield, ZoneReading
from vrx.rules import (
    HEADINGS,
    Book,
    Question,
    TissueTest,
    WaterTest,
    answer,
    bounds,
    in_cells,
    load_books,
    ways,
    why_differ,
)

BOOKS = load_books()


def a_reading(analyte: str, mean: object, error: object = 0.0, *, extractant: str = "",
              depth_in: tuple[float, float] = (0, 8)) -> ZoneReading:
    held = np.atleast_1d(np.asarray(mean, dtype=np.float64))
    return ZoneReading(
        analyte=analyte, unit={"cec": "meq/100 g", "organic_matter": "%"}.get(analyte, "ppm"),
        extractant=extractant, depth_in=depth_in, mean=held,
        standard_error=np.broadcast_to(np.asarray(error, dtype=np.float64), held.shape).copy(),
        low=held, high=held)


def asked(book: str, readings: Mapping[str, ZoneReading], **more: Any) -> Question:
    count = max([one.mean.size for one in readings.values()], default=1)
    ids = tuple(more.pop("zone_ids", range(1, count + 1)))
    return Question(
        book=BOOKS[book], nutrient=BOOKS[book].nutrient, zone_ids=ids,
        zone_names=tuple(str(one) for one in ids), readings=readings, crop="alfalfa",
        expected_yield=more.pop("expected_yield", Yield(tons_per_ac=6.0, moisture_pct=0.0)),
        **more)


def acetate(mean: object, error: object = 0.0) -> dict[str, ZoneReading]:
    return {"potassium": a_reading("potassium", mean, error, extractant="ammonium acetate",
                                   depth_in=(0, 6))}


# The South Dakota book reads tons of hay at 12 % moisture (its own label: common practice).
HAY = {"expected_yield": Yield(tons_per_ac=6.0, moisture_pct=12.0)}


def mehlich(mean: object, error: object = 0.0, cec: object = 12.0) -> dict[str, ZoneReading]:
    made = {"potassium": a_reading("potassium", mean, error, extractant="mehlich-3")}
    return made | {"cec": a_reading("cec", np.broadcast_to(cec, made["potassium"].mean.shape))}


def cells_of(book: str, readings: Mapping[str, ZoneReading], **more: Any) -> FloatArray:
    size = next(iter(readings.values())).mean.size
    one = asked(book, {}, zone_ids=(1,), **more)
    found, _ = in_cells(one, readings=readings, of_zone=np.zeros(size, dtype=np.int64))
    return found


def rule_at(book: str, readings: Mapping[str, ZoneReading], **more: Any) -> float:
    return answer(asked(book, readings, **more))[0].lb_per_ac


RATES = {"deficient": 300, "marginal": 200, "adequate": 100, "high": 0}
SOIL = np.random.default_rng(7).uniform(60.0, 140.0, 4000)


def test_a_straight_rule_is_the_same_on_the_mean_and_cell_by_cell() -> None:
    # (55.7 - 0.38 STK) x yield is a straight line below 146.6 ppm: E f(X) = f(E X).
    by_cell = cells_of("south-dakota-k-equation", acetate(SOIL), **HAY)
    assert by_cell.mean() == pytest.approx((55.7 - 0.38 * SOIL.mean()) * 6.0, rel=1e-12)
    assert by_cell.mean() == pytest.approx(
        rule_at("south-dakota-k-equation", acetate(SOIL.mean()), **HAY), rel=1e-12)


def test_a_rule_clamped_at_nothing_is_convex_so_cells_need_more() -> None:
    # max(0, a - b X) of a uniform X on [lo, hi] over the zero at c = a / b: closed form
    # b (c - lo)^2 / (2 (hi - lo)); Jensen: at least f(E X).
    a, b, tons, low, high = 55.7, 0.38, 6.0, 100.0, 200.0
    centre = a / b
    grid = low + (np.arange(200_000) + 0.5) / 200_000 * (high - low)
    by_cell = cells_of("south-dakota-k-equation", acetate(grid), **HAY).mean()
    exact = tons * b * (centre - low) ** 2 / (2 * (high - low))
    assert by_cell == pytest.approx(exact, rel=1e-6)
    assert by_cell > rule_at("south-dakota-k-equation", acetate(grid.mean()),
                            **HAY) + 15


def test_build_up_is_convex_below_and_the_limit_cuts_above() -> None:
    # Half the zone under the critical level: build-up of the cells (no cell pays back), while the
    # mean lies on it and gets none. Uniform 100 to 140 about 120: E max(120 - X, 0) = 5 ppm.
    grid = 100.0 + (np.arange(40_000) + 0.5) / 1000.0
    by_cell = cells_of("tri-state-2020", mehlich(grid)).mean()
    assert by_cell == pytest.approx(294.0 + 5.0 * 1.6, rel=1e-6)
    assert rule_at("tri-state-2020", mehlich(120.0)) == pytest.approx(294.0)
    # Over the maintenance limit (170) half of it needs removal, half nothing; the mean is "at the
    # limit" and gets all of it.
    grid = 150.0 + (np.arange(40_000) + 0.5) / 1000.0
    assert cells_of("tri-state-2020", mehlich(grid)).mean() == pytest.approx(147.0, rel=1e-3)
    assert rule_at("tri-state-2020", mehlich(170.0)) == pytest.approx(294.0)


def test_cells_take_the_yield_and_the_plant_test_of_their_zone() -> None:
    goals = (Yield(tons_per_ac=4.0, moisture_pct=0.0), Yield(tons_per_ac=8.0, moisture_pct=0.0))
    one = asked("removal-potassium", {}, zone_ids=(3, 5), expected_yield=goals,
                options={"removal_source": "tri-state-2020"})
    found, _ = in_cells(one, readings={}, of_zone=np.array([0, 1, 1, 0]))
    assert found.tolist() == pytest.approx([196.0, 392.0, 392.0, 196.0])
    tissue = TissueTest(part="top 6 in", stage="bud to first flower",
                        sulfur_pct={3: 0.2, 5: 0.3})
    two = asked("tissue-sulfur", {}, zone_ids=(3, 5), tissue=tissue)
    found, _ = in_cells(two, readings={}, of_zone=np.array([1, 0]))
    assert found.tolist() == [0.0, 25.0]


def test_bounds_of_a_straight_rule_are_its_slope_times_the_error() -> None:
    held = bounds(asked("south-dakota-k-equation", acetate([80.0, 100.0], [5.0, 10.0]), **HAY),
                  level=0.9)
    times = stats.norm.ppf(0.95)
    assert held.times == pytest.approx(times)
    rate = (55.7 - 0.38 * np.array([80.0, 100.0])) * 6.0
    half = 0.38 * 6.0 * times * np.array([5.0, 10.0])
    assert held.low == pytest.approx(rate - half)
    assert held.high == pytest.approx(rate + half)
    nothing, = held.thresholds
    assert nothing.level == pytest.approx([146.5789, 146.5789], abs=1e-4)


def test_bounds_and_chance_against_monte_carlo() -> None:
    # 400,000 normal soil tests of the zone through the rule itself, asked one by one.
    mean, error = 112.0, 9.0
    held = bounds(asked("tri-state-2020", mehlich(mean, error)), level=0.9)
    drawn = np.random.default_rng(3).normal(mean, error, 400_000)
    rates = cells_of("tri-state-2020", mehlich(drawn))
    critical, limit = held.thresholds
    assert (critical.words, limit.words) == ("critical level", "maintenance limit")
    assert critical.below[0] == pytest.approx(np.mean(drawn < 120.0), abs=0.003)
    assert limit.below[0] == pytest.approx(1.0, abs=1e-6)
    low, high = np.quantile(rates, [0.05, 0.95])
    assert held.low[0] == pytest.approx(low, abs=0.3)
    assert held.high[0] == pytest.approx(high, abs=0.3)


def test_a_class_table_tells_the_chance_under_each_of_its_limits() -> None:
    options = {"class_rates_lb_per_ac": RATES}
    readings = {"potassium": a_reading("potassium", [75.0, 45.0], [6.0, 6.0],
                                       extractant="ammonium acetate", depth_in=(0, 12))}
    book = BOOKS["western-acetate-k-classes"]
    depth = book.data.soil.depth if book.data.soil else None
    assert depth is not None
    readings = {"potassium": replace(readings["potassium"],
                                     depth_in=(depth.from_in, depth.to_in))}
    held = bounds(asked("western-acetate-k-classes", readings, options=options), level=0.9)
    # Univ. California 8292 (from memory): 40, 80, 125 ppm.
    assert [one.level[0] for one in held.thresholds] == [40.0, 80.0, 125.0]
    assert held.thresholds[1].words == "limit marginal / adequate"
    for one in held.thresholds:
        assert one.below == pytest.approx(
            stats.norm.cdf((one.level - np.array([75.0, 45.0])) / 6.0))
    assert (held.low.tolist(), held.high.tolist()) == ([100.0, 200.0], [200.0, 300.0])


def test_no_soil_test_no_bounds() -> None:
    held = bounds(asked("flat-sulfur", {}), level=0.9)
    assert held.refused
    assert held.low.size == 0
    unknown = bounds(asked("tri-state-2020", mehlich(110.0, np.nan)), level=0.9)
    assert "standard error" in unknown.refused
    for level in (0.0, 1.0, float("nan"), 90.0):
        with pytest.raises(RuleError) as error:
            bounds(asked("flat-sulfur", {}), level=level)
        assert error.value.code == "bounds-level"


def test_a_bound_may_need_a_rate_that_the_guide_does_not_print() -> None:
    # No zone lies below 4 ppm, so that the run needs no rate; a bound does.
    soil = {"sulfate": a_reading("sulfate", [5.0], [1.0], extractant="potassium phosphate",
                                 depth_in=(0, 12))}
    one = asked("western-sulfate-criterion", soil)
    assert answer(one)[0].lb_per_ac == 0
    held = bounds(one, level=0.9)
    assert "prints no rate" in held.no_rate
    assert np.isnan(held.low).all()
    # Western valleys 1974: 4.0 ppm by KH2PO4, so one standard error above it.
    assert held.thresholds[0].below == pytest.approx(stats.norm.cdf(-1.0))
    rated = bounds(asked("western-sulfate-criterion", soil, options={"rate_lb_per_ac": 30}),
                   level=0.9)
    assert (rated.low[0], rated.high[0], rated.no_rate) == (0.0, 30.0, "")


def test_a_soil_test_without_error_has_no_width() -> None:
    held = bounds(asked("tri-state-2020", mehlich([110.0, 130.0], 0.0)), level=0.9)
    assert held.low.tolist() == held.high.tolist()
    assert held.thresholds[0].below.tolist() == [1.0, 0.0]


def test_a_wide_error_stays_where_the_guide_reads() -> None:
    # A soil test whose lower end is below nothing.
    wide = mehlich([20.0], [200.0])
    held = bounds(asked("tri-state-2020", wide), level=0.99)
    assert held.soil_low[0] == 0.0
    assert np.isfinite(held.high).all()
    for one in BOOKS.values():
        for told in one.data.ranges:
            if told.input != one.analyte or told.outside != "stop":
                continue
            reached = [held for held in (asked_of(one, example, error=1e4)
                                         for example in one.data.examples) if held is not None]
            for question in reached:
                held = bounds(question, level=0.9)
                # Nothing but the guide's own range holds the soil test in.
                assert held.no_rate == "" or "prints no" in held.no_rate or "none" in held.no_rate
                assert 0.0 <= held.soil_low[0] < held.soil_high[0] < np.inf


def asked_of(book: Book, example: Any, *, error: float) -> Question | None:
    """A book's own example as a question, its soil test with an error; None where it is refused."""
    given = example.given
    soil = book.data.soil
    if soil is None or example.expect.refused or getattr(given.readings, book.analyte) is None:
        return None
    depth = (soil.depth.from_in, soil.depth.to_in) if soil.depth else (0.0, 12.0)
    extractant = given.extractant or (soil.extractants[0] if soil.extractants else "not stated")
    readings = {
        analyte: a_reading(analyte, [value], [error if analyte == book.analyte else 0.0],
                           extractant=extractant, depth_in=given.depth_in or depth)
        for analyte, value in given.readings.model_dump(exclude_none=True).items()}
    return asked(
        book.id, readings, options=given.options,
        expected_yield=Yield(tons_per_ac=given.yield_tons_per_ac,
                             moisture_pct=given.yield_moisture_pct),
        water=WaterTest(**given.water.model_dump()) if given.water else None,
        tissue=TissueTest(**given.tissue.model_dump()) if given.tissue else None)


def test_every_guide_says_the_same_by_zone_in_cells_and_at_no_error() -> None:
    # The guides' own worked examples, most of them printed by the guides.
    seen: set[str] = set()
    for book in BOOKS.values():
        for example in book.data.examples:
            one = asked_of(book, example, error=0.0)
            if one is None:
                continue
            need = answer(one)[0].lb_per_ac
            cells, _ = in_cells(one, readings=one.readings, of_zone=np.zeros(1, dtype=np.int64))
            held = bounds(one, level=0.9)
            assert cells[0] == pytest.approx(need, abs=1e-12)
            assert (held.low[0], held.high[0]) == pytest.approx((need, need), abs=1e-9)
            if example.expect.lb_per_ac is not None:
                assert need == pytest.approx(example.expect.lb_per_ac,
                                             abs=example.expect.tolerance + 1e-9)
            wide = bounds(replace(one, readings={
                **one.readings, book.analyte: replace(
                    one.readings[book.analyte], standard_error=np.array([30.0]))}), level=0.9)
            if not wide.no_rate:
                assert wide.low[0] - 1e-9 <= need <= wide.high[0] + 1e-9
            seen.add(book.id)
    assert len(seen) >= 12


def test_every_guide_has_words_for_its_ways() -> None:
    for book in BOOKS.values():
        told = ways(book, {})
        assert tuple(told) == HEADINGS
        assert all(told.values()), book.id
        assert why_differ(told, told, name=book.id) == ()
        other = ways(BOOKS["tri-state-2020" if book.nutrient == "K2O" else "sulfur-balance"], {})
        assert len(why_differ(told, other, name="x")) == sum(
            told[heading] != other[heading] for heading in HEADINGS)


@settings(max_examples=60)
@given(mean=st.floats(5.0, 300.0), error=st.floats(0.0, 80.0), cec=st.floats(2.0, 35.0),
       level=st.floats(0.05, 0.99))
def test_the_need_lies_between_its_bounds_and_wider_levels_are_wider(
    mean: float, error: float, cec: float, level: float
) -> None:
    one = asked("tri-state-2020", mehlich(mean, error, cec))
    need = answer(one)[0].lb_per_ac
    held, wider = bounds(one, level=level), bounds(one, level=(1 + level) / 2)
    assert held.low[0] - 1e-9 <= need <= held.high[0] + 1e-9
    assert wider.low[0] <= held.low[0] + 1e-9
    assert wider.high[0] >= held.high[0] - 1e-9
    below = [float(one.below[0]) for one in held.thresholds]
    assert 0.0 <= below[0] <= below[1] <= 1.0
