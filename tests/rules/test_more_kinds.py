"""Kinds of rule against computations that share no code with them, and their laws."""

from __future__ import annotations

import bisect
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binned_statistic

from vrx.rules import kinds, own_book_template, run_examples
from vrx.rules.book import KINDS
from vrx.rules.load import parse_book

amounts = st.floats(0, 500, allow_nan=False)


def test_classes_are_pandas_cut_and_scipy_bins() -> None:
    # pandas.cut closes bins on the right (up_to), scipy.stats.binned_statistic on the left (below).
    rng = np.random.default_rng(7)
    soil = np.round(rng.uniform(0, 300, 400))
    limits = [40.0, 80.0, 125.0]
    right = pd.cut(soil, [-1, *limits, 1e9], labels=False)
    assert list(kinds.class_index(soil, limits, [True] * 3)) == list(right)
    left = binned_statistic(soil, soil, bins=[-1, *limits, 1e9]).binnumber - 1
    assert list(kinds.class_index(soil, limits, [False] * 3)) == list(left)


@settings(derandomize=True, max_examples=60, deadline=None)
@given(index=st.lists(st.integers(0, 3), min_size=1, max_size=9), removed=amounts,
       shares=st.lists(st.floats(0, 2), min_size=4, max_size=4),
       extras=st.lists(amounts, min_size=4, max_size=4))
def test_class_share_by_exact_fractions(
    index: list[int], removed: float, shares: list[float], extras: list[float]
) -> None:
    found = kinds.class_share(np.array(index), removed, np.array(shares), np.array(extras))
    wanted = [float(Fraction(shares[i]) * Fraction(removed) + Fraction(extras[i])) for i in index]
    assert found == pytest.approx(wanted, rel=1e-12, abs=1e-12)


def test_class_share_as_guides_print_it() -> None:
    # Wisconsin, from memory: all of removal at optimum, half when high; 6 t x 60 lb = 360 lb.
    found = kinds.class_share(np.array([0, 1, 2]), 360.0, np.array([1.0, 0.5, 0.0]), np.zeros(3))
    assert list(found) == [360, 180, 0]
    # PDA leaflet 8: offtake replacement + soil adjustment.
    assert kinds.class_share(np.array([0]), 250.0, np.array([1.0]), np.array([50.0])) == [300]


@settings(derandomize=True, max_examples=60, deadline=None)
@given(year=st.floats(0, 12), starts=st.lists(st.integers(1, 12), min_size=1, max_size=4,
                                               unique=True), so_far=st.floats(-50, 500))
def test_stand_age_by_bisection(year: float, starts: list[int], so_far: float) -> None:
    rising = sorted(starts)
    shares = np.linspace(0.9, 0.0, len(rising))
    share = float(kinds.stand_year_share(year, np.array(rising, float), shares))
    at = bisect.bisect_right(rising, year)
    assert share == (1.0 if at == 0 else shares[at - 1])
    left = so_far + float(kinds.stand_age(so_far, share))
    # A rate is scaled; a balance that is below nothing already is left alone.
    assert left == pytest.approx(so_far * share if so_far > 0 else so_far)


def test_last_year_by_hand() -> None:
    # Ten Minnesota farms (ars.usda.gov 259794): above 80 ppm K may be skipped in the last year.
    share = kinds.last_year_share(np.array([79.9, 80.0, 80.1]), 80.0, 0.0)
    assert list(share) == [1, 1, 0]
    # hayandforage.com 2810: a site of 160 ppm was flat from 0 to 360 lb/ac, one of 35 ppm was not.
    assert list(kinds.last_year_share(np.array([35.0, 160.0]), 80.0, 0.0)) == [1, 0]


@settings(derandomize=True, max_examples=60, deadline=None)
@given(met=st.lists(st.lists(st.booleans(), min_size=3, max_size=3), min_size=1, max_size=4),
       rate=amounts)
def test_conditions_are_pythons_all(met: list[list[bool]], rate: float) -> None:
    found = kinds.conditional_rate([np.array(m) for m in met], rate)
    assert list(found) == [rate if all(column) else 0.0 for column in zip(*met, strict=True)]


def test_conditions_as_nebraska_prints_them() -> None:
    # Sandy, less than 1 % organic matter, low S test: all three.
    sandy, om, low = np.array([True] * 4), np.array([0.5, 1.0, 0.5, 2.0]) < 1.0, \
        np.array([True, True, False, True])
    assert list(kinds.conditional_rate([sandy, om, low], 20.0)) == [20, 0, 0, 0]


@settings(derandomize=True, max_examples=60, deadline=None)
@given(supplies=st.lists(amounts, min_size=0, max_size=6))
def test_index_is_the_sum(supplies: list[float]) -> None:
    found = kinds.availability_index(supplies, np.zeros(2))
    assert found == pytest.approx([float(sum(map(Fraction, supplies)))] * 2)


def test_index_as_wisconsin_counts_it() -> None:
    # 2.8 lb S per 1 % organic matter (printed); 3 lb deposition; subsoil 10 (from memory).
    index = kinds.availability_index([2.8 * np.array([1.0, 4.0, 10.0]), 3.0, 10.0], np.zeros(3))
    assert index == pytest.approx([15.8, 24.2, 41.0])


def test_ratings_are_rows_of_the_table() -> None:
    # clemson.edu alfalfa: 300, 200, 100, 50, 0; the lookup by numpy's own take.
    rates = np.array([[300.0], [200.0], [100.0], [50.0], [0.0]])
    index = np.array([4, 0, 2, 2, 1, 3])
    found = kinds.class_table(index, np.ones(6), rates, np.ones(1))
    assert list(found) == list(np.take(rates.ravel(), index)) == [0, 300, 100, 100, 200, 50]


def test_tissue_classes_by_sorting() -> None:
    # Univ. Georgia: 2.00-3.50 % K sufficient; the class number is how many limits are passed.
    content = np.array([1.99, 2.0, 3.5, 3.51])
    found = kinds.class_index(content, [2.0, 3.5], [False, True])
    assert list(found) == [0, 1, 1, 2]
    assert list(found) == [sum((v >= 2.0, v > 3.5)) for v in content]


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_template_that_runs(kind: str) -> None:
    book = parse_book(own_book_template(kind).encode(), file=f"{kind}.toml", origin="user")
    assert kind in {rule.kind for rule in book.data.rules}
    results = run_examples(book)
    assert results
    assert [(r.title, r.differences) for r in results if not r.passed] == []
    assert "THE NUMBERS BELOW ARE INVENTED" in own_book_template(kind)
    assert book.evidence == ("user",)
