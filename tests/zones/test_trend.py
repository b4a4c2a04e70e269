"""Lines per zone against scipy.stats.linregress, least squares, and simulated truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress, t, ttest_rel

from vrx.errors import ComputeError
from vrx.zones import Lines, means_by, resampled, verdicts, zone_lines


def sampled(seed: int, slopes: tuple[float, ...] = (-6.0, 0.0, 7.0), n: int = 8):
    rng = np.random.default_rng(seed)
    year = np.repeat([2018.0, 2021.0, 2024.0, 2026.0], n * len(slopes))
    zone = np.tile(np.repeat(np.arange(len(slopes)), n), 4)
    level = np.array([150.0, 120.0, 200.0])[: len(slopes)]
    value = level[zone] + np.array(slopes)[zone] * (year - 2022) + rng.normal(0, 12, len(year))
    return year, value, zone


def test_one_zone_is_linregress() -> None:
    year, value, zone = sampled(1, (-6.0,))
    lines = zone_lines(year=year, value=value, zone=zone, zones=1)
    fit = linregress(year, value)
    assert lines.slope[0] == pytest.approx(fit.slope, rel=1e-12)
    reach = t.ppf(0.95, len(year) - 2) * fit.stderr
    assert lines.low[0] == pytest.approx(fit.slope - reach, rel=1e-10)
    assert lines.high[0] == pytest.approx(fit.slope + reach, rel=1e-10)
    assert lines.freedom == len(year) - 2


def test_several_zones_are_least_squares_with_their_own_intercepts_and_slopes() -> None:
    year, value, zone = sampled(2)
    lines = zone_lines(year=year, value=value, zone=zone, zones=3)
    design = np.zeros((len(year), 6))
    for k in range(3):
        design[zone == k, k] = 1.0
        design[zone == k, 3 + k] = (year - 2022)[zone == k]
    beta, rest, _, _ = np.linalg.lstsq(design, value, rcond=None)
    noise = np.sqrt(rest[0] / (len(year) - 6))
    error = noise * np.sqrt(np.diag(np.linalg.inv(design.T @ design)))[3:]
    np.testing.assert_allclose(lines.slope, beta[3:], rtol=1e-9)
    assert lines.noise == pytest.approx(noise, rel=1e-10)
    np.testing.assert_allclose(
        lines.high - lines.slope, t.ppf(0.95, len(year) - 6) * error, rtol=1e-8)


def test_zone_of_one_year_has_no_line_but_its_noise_counts() -> None:
    year = np.array([2020.0, 2020, 2024, 2024, 2024, 2024])
    value = np.array([100.0, 104, 90, 94, 150, 156])
    zone = np.array([0, 0, 0, 0, 2, 2])
    lines = zone_lines(year=year, value=value, zone=zone, zones=3)
    assert lines.slope[0] == pytest.approx(-2.5)
    assert np.isnan(lines.slope[1:]).all()
    # 2 + 2 + 2 squared about the lines, 2 x 3 squared about the mean; 4 - 2 + 2 - 1 degrees.
    assert lines.freedom == 3
    assert lines.noise == pytest.approx(np.sqrt((4 * 4 + 2 * 9) / 3))
    assert verdicts(lines, mean=np.array([97.0, np.nan, 153.0]))[1:] == ("cannot tell",) * 2


def test_two_samples_leave_no_doubt_to_measure() -> None:
    lines = zone_lines(year=np.array([2020.0, 2024]), value=np.array([100.0, 150]),
                       zone=np.zeros(2, dtype=int), zones=1)
    assert lines.slope[0] == pytest.approx(12.5)
    assert np.isnan(lines.low[0])
    assert verdicts(lines, mean=np.array([125.0])) == ("cannot tell",)


def test_intervals_cover_the_truth_and_verdicts_follow_it() -> None:
    """600 simulated fields: 90 % intervals hold the true slope in 90 % (binomial sd 0.7 %)."""
    true = np.array([-6.0, 0.0, 7.0])
    held, said = 0, []
    for seed in range(600):
        lines = zone_lines(**dict(zip(("year", "value", "zone"), sampled(seed), strict=True)),
                           zones=3)
        held += int(((lines.low <= true) & (true <= lines.high)).sum())
        said.append(verdicts(lines, mean=np.array([150.0, 120.0, 200.0])))
    assert 0.88 < held / 1800 < 0.92
    first, middle, last = zip(*said, strict=True)
    # Slopes of many standard errors are found; a slope of 0 is called a change in at most 10 %.
    assert first.count("drawn down") == 600
    assert last.count("built up") > 590
    assert middle.count("built up") + middle.count("drawn down") < 0.10 * 600
    assert middle.count("held") > 300


def test_places_sampled_again_are_least_squares_with_a_level_for_each_place() -> None:
    rng = np.random.default_rng(11)
    place = np.tile(np.arange(14), 3)
    zone, year = place % 2, np.repeat([2019.0, 2022.0, 2026.0], 14)
    value = 120 + rng.normal(0, 40, 14)[place] + np.array([-5.0, 2.0])[zone] * (year - 2022) \
        + rng.normal(0, 4, 42)
    kept = rng.random(42) > 0.15
    place, zone, year, value = place[kept], zone[kept], year[kept], value[kept]
    lines = zone_lines(year=year, value=value, zone=zone, zones=2, place=place)
    design = np.zeros((len(year), 16))
    design[np.arange(len(year)), place] = 1.0
    design[np.arange(len(year)), 14 + zone] = year - 2022
    beta, rest, rank, _ = np.linalg.lstsq(design, value, rcond=None)
    noise = np.sqrt(rest[0] / (len(year) - rank))
    error = noise * np.sqrt(np.diag(np.linalg.inv(design.T @ design)))[14:]
    np.testing.assert_allclose(lines.slope, beta[14:], rtol=1e-9)
    assert lines.freedom == len(year) - rank
    np.testing.assert_allclose(
        lines.high - lines.slope, t.ppf(0.95, len(year) - rank) * error, rtol=1e-8)
    # What differs from place to place is no noise any more.
    assert lines.noise < 6
    assert zone_lines(year=year, value=value, zone=zone, zones=2).noise > 30


def test_two_years_at_the_same_places_are_the_paired_t_interval() -> None:
    rng = np.random.default_rng(12)
    first = rng.normal(150, 30, 12)
    second = first - 20 + rng.normal(0, 5, 12)
    lines = zone_lines(
        year=np.repeat([2022.0, 2026.0], 12), value=np.concatenate([first, second]),
        zone=np.zeros(24, dtype=int), zones=1, place=np.tile(np.arange(12), 2))
    interval = ttest_rel(second, first).confidence_interval(0.90)
    assert 4 * lines.low[0] == pytest.approx(interval.low, rel=1e-9)
    assert 4 * lines.high[0] == pytest.approx(interval.high, rel=1e-9)


def test_places_are_found_again_within_ten_metres_and_one_zone() -> None:
    spots = np.array([[0.0, 0.0], [100, 0], [200, 0], [300, 0]])
    places = np.vstack([spots, spots + np.array([6.0, 5.0])])
    year, zone = np.repeat([2022.0, 2026.0], 4), np.zeros(8, dtype=int)
    np.testing.assert_array_equal(
        resampled(places=places, year=year, zone=zone), [0, 1, 2, 3, 0, 1, 2, 3])
    assert resampled(places=np.vstack([spots, spots + 50]), year=year, zone=zone) is None
    # Another zone is another place; the same year twice is no resampling.
    assert resampled(places=places, year=year, zone=np.repeat([0, 1], 4)) is None
    assert resampled(places=places, year=np.full(8, 2022.0), zone=zone) is None


@pytest.mark.parametrize(("low", "high", "word"), [
    (-1.9, 1.9, "held"), (0.1, 1.9, "held"), (0.1, 5.0, "built up"), (-5.0, -0.1, "drawn down"),
    (-5.0, 0.1, "cannot tell"), (np.nan, np.nan, "cannot tell"),
])
def test_words(low: float, high: float, word: str) -> None:
    lines = Lines(slope=np.array([0.0]), low=np.array([low]), high=np.array([high]), noise=1.0,
                  freedom=9)
    assert verdicts(lines, mean=np.array([100.0])) == (word,)


def test_means_and_counts_by_zone_and_group() -> None:
    count, mean = means_by(
        [(np.array([1.0, 3.0, 10.0]), np.array([0, 0, 2])), (np.array([5.0]), np.array([1]))], 3)
    np.testing.assert_array_equal(count, [[2, 0], [0, 1], [1, 0]])
    np.testing.assert_array_equal(mean, [[2.0, np.nan], [np.nan, 5.0], [10.0, np.nan]])


@pytest.mark.parametrize("bad", [np.array([np.nan, 1.0]), np.array([1.0])])
def test_samples_that_are_no_numbers_are_refused(bad: np.ndarray) -> None:
    with pytest.raises(ComputeError) as caught:
        zone_lines(year=np.array([2020.0, 2021.0]), value=bad, zone=np.zeros(2, dtype=int), zones=1)
    assert caught.value.code == "trend-samples"
