"""Results known as bounds: against numeric integration, known truth, and the plain substitutes."""

from __future__ import annotations

import runpy
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import dblquad, quad, tplquad
from scipy.stats import multivariate_normal, truncnorm

from vrx.model import FloatArray, Grid, Surface, Variogram
from vrx.surfaces import kriging_system, map_analyte, point_krige
from vrx.surfaces.censored import (
    CHAINS,
    KEPT_SWEEPS,
    Bounds,
    Imputed,
    between_variance,
    bounds_of,
    impute,
    truncated_draw,
    truncated_mean,
)

GRID = Grid(west_m=0.0, north_m=800.0, cell_m=50.0, rows=16, columns=16)
EXPONENTIAL = Variogram(model="exponential", nugget=120.0, partial_sill=400.0, range_m=150.0)
simulated = runpy.run_path(str(Path(__file__).with_name("simulated.py")))["simulated"]


@pytest.mark.parametrize(
    ("mean", "deviation", "low", "high"),
    [(0.0, 1.0, -1.0, 0.5), (100.0, 20.0, 0.0, 60.0), (100.0, 5.0, 0.0, 50.0),
     (100.0, 5.0, 160.0, np.inf), (-30.0, 2.0, 0.0, 10.0), (3.0, 1.0, -np.inf, 2.0)],
)
def test_truncated_normal_is_scipys(
    mean: float, deviation: float, low: float, high: float
) -> None:
    """scipy.stats.truncnorm, tails to 15 standard deviations: mean, and quantiles as draws."""
    theirs = truncnorm((low - mean) / deviation, (high - mean) / deviation, mean, deviation)
    cut = {"mean": np.array([mean]), "deviation": np.array([deviation]),
           "low": np.array([low]), "high": np.array([high])}
    assert truncated_mean(**cut)[0] == pytest.approx(theirs.mean(), rel=1e-7)
    for share in (0.01, 0.3, 0.5, 0.9, 0.999):
        drawn = truncated_draw(**cut, uniform=np.array([share]))[0]
        # Turned over where the upper tail is used, so that one of the two quantiles fits.
        assert min(abs(drawn - theirs.ppf(share)), abs(drawn - theirs.ppf(1 - share))) < (
            1e-6 * deviation
        )


def conditional(
    places: FloatArray, values: FloatArray, index: list[int]
) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of some samples given the rest, the field's mean unknown: plain numpy."""
    distance = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    cov = 400.0 * np.exp(-distance / 150.0) + 120.0 * np.eye(len(values))
    rest = [i for i in range(len(values)) if i not in index]
    inner, cross = np.linalg.inv(cov[np.ix_(rest, rest)]), cov[np.ix_(index, rest)]
    ones, part = np.ones(len(rest)), np.ones(len(index))
    info = ones @ inner @ ones
    level = ones @ inner @ values[rest] / info
    lack = part - cross @ inner @ ones
    mean = level + cross @ inner @ (values[rest] - level)
    return mean, cov[np.ix_(index, index)] - cross @ inner @ cross.T + np.outer(lack, lack) / info


def integrated(
    mean: FloatArray, cov: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """First two moments of the cut normal by scipy's adaptive quadrature, up to three bounds."""
    k = len(mean)
    density = multivariate_normal(mean, cov).pdf
    spread = np.sqrt(np.diagonal(cov))
    # Beyond 9 standard deviations nothing is left; quadrature wants the interval near its mass.
    box = list(zip(np.maximum(low, mean - 9 * spread), np.minimum(high, mean + 9 * spread),
                   strict=True))

    def total(weight: object) -> float:
        def inside(*z: float) -> float:
            point = np.array(z[::-1])
            return float(density(point) * weight(point))  # type: ignore[operator]

        if k == 1:
            return float(quad(inside, *box[0])[0])
        if k == 2:
            return float(dblquad(inside, *box[0], *box[1], epsabs=1e-9, epsrel=1e-6)[0])
        return float(tplquad(inside, *box[0], *box[1], *box[2], epsabs=1e-7, epsrel=1e-4)[0])

    mass = total(lambda _: 1.0)
    first = np.array([total(lambda z, i=i: z[i]) for i in range(k)]) / mass
    second = np.empty((k, k))
    for i, j in product(range(k), range(k)):
        second[i, j] = second[j, i] if j < i else total(
            lambda z, i=i, j=j: (z[i] - first[i]) * (z[j] - first[j])
        ) / mass
    return first, second


@pytest.mark.parametrize("index", [[2], [2, 9], [2, 9, 4]])
def test_imputed_moments_are_those_of_numeric_integration(index: list[int]) -> None:
    """Within four of their own Monte-Carlo standard errors; one below, one above, one below."""
    places, values = simulated(12, 5)
    limits = [values[index[0]] + 3.0, *(values[i] - 2.0 for i in index[1:2]),
              *(values[i] + 6.0 for i in index[2:])]
    bounds = Bounds(
        index=np.array(index), low=np.array([0.0, limits[1] if len(index) > 1 else 0, 0.0])
        [: len(index)], high=np.array([limits[0], np.inf, limits[-1]])[: len(index)],
    )
    mean, cov = conditional(places, values, index)
    first, second = integrated(mean, cov, bounds.low, bounds.high)
    system = kriging_system(places=places, values=values, variogram=EXPONENTIAL)
    found = impute(system=system, values=values, bounds=bounds, seed=1)
    slack = 4.0 * found.error + 1e-7
    np.testing.assert_array_less(np.abs(found.values[index] - first), slack)
    # Relative error of a variance from N nearly independent draws: sqrt(2 / N), about 0.03.
    play = 4.0 * np.sqrt(2.0 / (CHAINS * KEPT_SWEEPS / 3.0))
    size = np.sqrt(np.outer(np.diagonal(second), np.diagonal(second)))
    np.testing.assert_array_less(np.abs(found.spread - second), play * size)
    assert (found.error < 0.05 * np.sqrt(np.diagonal(second))).all()


def test_between_variance_is_that_of_maps_of_many_draws() -> None:
    """Kriging each of 4,000 draws and taking the variance, against w' S w in one step."""
    places, values = simulated(15, 2)
    index = np.array([1, 6, 11])
    rng = np.random.default_rng(3)
    root = rng.normal(size=(3, 3)) * 8.0
    spread = root @ root.T
    system = kriging_system(places=places, values=values, variogram=EXPONENTIAL)
    targets = np.vstack([rng.uniform(0.0, 800.0, (6, 2)), places[1:2]])
    imputed = Imputed(
        bounds=Bounds(index=index, low=np.zeros(3), high=np.full(3, np.inf)), values=values,
        spread=spread, error=np.zeros(3),
    )
    found = between_variance(system=system, imputed=imputed, targets=targets)
    maps = []
    for draw in rng.multivariate_normal(np.zeros(3), spread, 4000):
        other = values.copy()
        other[index] += draw
        again = kriging_system(places=places, values=other, variogram=EXPONENTIAL)
        maps.append(point_krige(system=again, targets=targets)[0])
    np.testing.assert_allclose(found, np.var(maps, axis=0), rtol=0.12, atol=1e-9)
    assert found[-1] == pytest.approx(spread[0, 0])


def cut_below(share: float, n: int, seed: int) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Places, true values, values with those below a limit at half of it, and the limit."""
    places, values = simulated(n, seed)
    limit = float(np.quantile(values, share))
    return places, values, np.where(values < limit, limit / 2.0, values), limit


def mapped(places: FloatArray, values: FloatArray, censored: FloatArray | None) -> Surface:
    return map_analyte(
        analyte="potassium", unit="ppm", places=places, values=values, grid=GRID,
        method="kriging", censored=None if censored is None else censored.astype(np.int64),
    )


def test_bounds_come_nearer_the_uncensored_map_than_half_the_limit() -> None:
    """8 fields with a fifth of the results below the limit; also the field's mean."""
    gains, means = [], []
    for seed in range(8):
        places, values, half, limit = cut_below(0.2, 60, seed)
        known = mapped(places, values, None).values
        marks = np.where(values < limit, -1, 0)
        with_bounds = mapped(places, half, marks)
        plain = mapped(places, half, None)
        gains.append(np.sqrt(np.mean((with_bounds.values - known) ** 2))
                     / np.sqrt(np.mean((plain.values - known) ** 2)))
        means.append([abs(with_bounds.values.mean() - known.mean()),
                      abs(plain.values.mean() - known.mean())])
        told = next(f for f in with_bounds.findings if f.code == "surface-bounds")
        assert "12 of 60 results lie below" in told.what
    assert np.median(gains) < 0.4
    by_bounds, by_half = np.mean(means, axis=0)
    assert by_bounds < 0.25 * by_half


def test_the_map_does_not_depend_on_rows_place_or_unit_and_is_the_same_again() -> None:
    places, values, half, limit = cut_below(0.25, 40, 3)
    marks = np.where(values < limit, -1, 0)
    base = mapped(places, half, marks)
    assert base.bounds_error is not None
    assert (base.bounds_error <= base.standard_error).all()
    np.testing.assert_array_equal(mapped(places, half, marks).values, base.values)
    order = np.random.default_rng(1).permutation(40)
    shuffled = mapped(places[order], half[order], marks[order])
    np.testing.assert_array_equal(shuffled.values, base.values)
    tons = mapped(places, half * 1e-3, marks)
    np.testing.assert_allclose(tons.values * 1e3, base.values, rtol=1e-5)


@pytest.mark.parametrize("method", ["choose", "inverse distance", "spline", "field mean"])
def test_other_methods_take_the_bounds_too(method: str) -> None:
    places, values, half, limit = cut_below(0.25, 40, 3)
    marks = np.where(values < limit, -1, 0).astype(np.int64)
    surface = map_analyte(
        analyte="potassium", unit="ppm", places=places, values=half, grid=GRID, method=method,
        censored=marks,
    )
    assert surface.values.min() >= 0.0
    assert np.isfinite(surface.standard_error).all()
    assert surface.values.min() > limit / 2.0


def test_above_the_limit_the_mean_rises() -> None:
    places, values = simulated(50, 4)
    limit = float(np.quantile(values, 0.8))
    cut = np.minimum(values, limit)
    marks = np.where(values > limit, 1, 0)
    surface = mapped(places, cut, marks)
    assert surface.values.max() > limit
    told = next(f.what for f in surface.findings if f.code == "surface-bounds")
    assert "10 of 50 results lie above" in told


def test_many_bounds_are_warned_of() -> None:
    places, values, half, limit = cut_below(0.5, 40, 6)
    surface = mapped(places, half, np.where(values < limit, -1, 0))
    told = next(f for f in surface.findings if f.code == "surface-bounds-many")
    assert told.severity.value == "warn"
    assert "upper bound" in told.done
    assert np.isfinite(surface.standard_error).all()


def test_six_samples_take_bounds_without_a_variogram() -> None:
    """Independent draws of one normal distribution: no kriging is possible."""
    places, _ = simulated(6, 1)
    values = np.array([40.0, 130.0, 150.0, 160.0, 180.0, 140.0])
    surface = map_analyte(
        analyte="potassium", unit="ppm", places=places, values=values, grid=GRID,
        method="field mean", censored=np.array([-1, 0, 0, 0, 0, 0]),
    )
    assert (surface.values == surface.values[0, 0]).all()
    assert np.mean([0.0, *values[1:]]) < surface.values[0, 0] < np.mean([80.0, *values[1:]])


def test_nothing_measured_is_said() -> None:
    places, _ = simulated(10, 1)
    values = np.full(10, 20.0)
    surface = map_analyte(
        analyte="sulfate", unit="ppm", places=places, values=values, grid=GRID,
        censored=np.full(10, -1),
    )
    assert "surface-bounds-not-used" in {f.code for f in surface.findings}
    assert (surface.values == 20.0).all()


def test_bounds_of_intakes_substitutes() -> None:
    places = np.arange(10.0).reshape(5, 2)
    bounds = bounds_of(
        np.array([5.0, 30.0, 12.0, 14.0, 13.0]), np.array([-1, 1, 0, 0, 0]), places)
    assert bounds is not None
    np.testing.assert_array_equal(bounds.index, [0, 1])
    np.testing.assert_array_equal(bounds.low, [0.0, 30.0])
    np.testing.assert_array_equal(bounds.high, [10.0, np.inf])
    assert bounds_of(np.array([5.0, 6.0, 7.0]), np.array([-1, 0, 0]), places[:3]) is None
