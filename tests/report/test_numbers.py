"""Printing of numbers: separators, signs, digits of the machine step."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.report import numbers


@pytest.mark.parametrize(
    ("value", "decimals", "shown"),
    [(1234.5, 0, "1,234"), (1235.5, 0, "1,236"), (-12.34, 1, "−12.3"), (-0.04, 1, "0.0"),
     (1e6, 2, "1,000,000.00"), (math.nan, 1, "–"), (math.inf, 0, "–")],
)
def test_fixed(value, decimals, shown):
    assert numbers.fixed(value, decimals) == shown


@pytest.mark.parametrize(("value", "shown"), [(3.0, "+3.0"), (-3.0, "−3.0"), (0.01, "0.0")])
def test_a_difference_has_its_sign(value, shown):
    assert numbers.signed(value, 1) == shown


@pytest.mark.parametrize(
    ("step", "decimals"), [(10, 0), (1, 0), (0.5, 1), (0.25, 2), (0.1, 1), (1e-7, 4), (200.0, 0)]
)
def test_digits_follow_the_step(step, decimals):
    assert numbers.step_decimals(step) == decimals


@given(steps=st.integers(0, 4000), step=st.sampled_from([0.1, 0.25, 0.5, 1.0, 5.0, 10.0]))
@settings(derandomize=True, max_examples=40, deadline=None)
def test_a_printed_rate_reads_back_as_the_machine_rate(steps, step):
    shown = numbers.rate(steps * step, step)
    assert float(shown.replace(",", "")) == pytest.approx(steps * step, abs=1e-9)


def test_a_standard_error_never_prints_as_nothing():
    assert numbers.spread(0.4, "potassium") == "0.4"
    assert numbers.spread(7.2, "potassium") == "7"
    assert numbers.spread(0.04, "sulfate") == "0.04"


def test_feet_and_metres_of_one_length():
    # International foot, 0.3048 m exactly (yard and pound agreement of 1959).
    assert numbers.distance(304.8) == "1,000 ft (300 m)"


def test_listing():
    assert numbers.listing(["A", "B", "C"]) == "A, B and C"
