"""Probabilities of being below a critical value, and the three words."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from vrx.errors import ComputeError
from vrx.model import NOT_SURE, SAMPLE_HERE, SURE, FloatArray, Grid, Knowledge
from vrx.sampling import judge, probability_below

GRID = Grid(west_m=0.0, north_m=30.0, cell_m=10.0, rows=1, columns=5)


def judged(mean: list[float], error: list[float], *, critical: tuple[float, ...] = (120.0, 170.0),
           gain: FloatArray | None = None, inside: list[bool] | None = None) -> Knowledge:
    return judge(
        analyte="potassium", unit="ppm", grid=GRID, mean=np.array([mean]),
        standard_error=np.array([error]), critical=critical,
        inside=np.array([inside or [True] * 5]), area_ac=40.0, zone_mean=np.array([100.0, 150.0]),
        zone_error=np.array([5.0, 25.0]), sure_from=0.8, gain=gain, gain_from=0.5, basis="test",
    )


def test_the_probability_is_the_normals() -> None:
    # Reference: normal distribution function of SciPy's statistics, and table values: one standard
    # error on the safe side leaves 15.87 %, 1.645 leave 5 %.
    mean = np.array([100.0, 120.0, 140.0, 130.0])
    error = np.array([20.0, 20.0, 20.0, 10.0 / 1.6448536269514722])
    found = probability_below(mean=mean, standard_error=error, critical=120.0)
    assert found == pytest.approx(norm.cdf(120.0, loc=mean, scale=error), abs=1e-12)
    assert found == pytest.approx([0.8413447, 0.5, 0.1586553, 0.05], abs=1e-6)


def test_a_known_value_is_below_or_it_is_not() -> None:
    found = probability_below(
        mean=np.array([119.9, 120.0, 120.1]), standard_error=np.zeros(3), critical=120.0)
    assert found.tolist() == [1.0, 0.0, 0.0]


def test_the_share_of_simulated_truths_below_the_limit_is_the_probability() -> None:
    mean, error = np.array([90.0, 118.0, 133.0]), np.array([15.0, 22.0, 9.0])
    drawn = mean + error * np.random.default_rng(5).normal(size=(200_000, 3))
    found = probability_below(mean=mean, standard_error=error, critical=120.0)
    assert np.abs(found - (drawn < 120.0).mean(axis=0)).max() < 0.004


def test_words_follow_the_stated_limits() -> None:
    # Class edges 120 and 170. Standard errors make one class in the middle likely or not.
    gain = np.array([[0.9, 0.9, 0.2, 0.9, 0.9]])
    known = judged([80.0, 118.0, 118.0, 145.0, 145.0], [10.0, 20.0, 20.0, 10.0, 40.0], gain=gain)
    assert known.word.tolist() == [[SURE, SAMPLE_HERE, NOT_SURE, SURE, SAMPLE_HERE]]
    inside = norm.cdf(170, 145, 40) - norm.cdf(120, 145, 40)
    assert known.right[0, 4] == pytest.approx(inside)
    assert known.acres == pytest.approx((16.0, 8.0, 16.0))
    assert known.zone_below[0] == pytest.approx(norm.cdf(120.0, [100.0, 150.0], [5.0, 25.0]))
    assert known.below.shape == (2, 1, 5)
    assert (np.diff(known.below, axis=0) >= 0).all()


def test_without_a_variogram_the_third_word_is_not_used() -> None:
    known = judged([118.0] * 5, [20.0] * 5)
    assert set(known.word.ravel().tolist()) == {NOT_SURE}
    assert not known.third_word


def test_acres_are_those_inside_and_sum_to_the_fields() -> None:
    known = judged([80.0, 118.0, 80.0, 80.0, 118.0], [10.0] * 5,
                   inside=[True, True, False, False, False])
    assert known.word.tolist() == [[SURE, NOT_SURE, -1, -1, -1]]
    assert sum(known.acres) == pytest.approx(40.0)


@pytest.mark.parametrize("critical", [(), (170.0, 120.0), (120.0, 120.0)])
def test_critical_values_must_rise(critical: tuple[float, ...]) -> None:
    with pytest.raises(ComputeError) as err:
        judged([80.0] * 5, [10.0] * 5, critical=critical)
    assert err.value.code == "sampling-critical"


@pytest.mark.parametrize("error", [[-1.0] * 5, [np.nan] * 5, [np.inf] * 5])
def test_what_is_no_standard_error_is_refused(error: list[float]) -> None:
    with pytest.raises(ComputeError) as err:
        judged([80.0] * 5, error)
    assert err.value.code == "sampling-probability"
