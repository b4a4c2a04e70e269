"""Coefficients against scipy's own, at sample points on a grid."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from vrx.model import Grid
from vrx.surfaces import FEWEST, agreement

GRID = Grid(west_m=-50.0, north_m=40.0, cell_m=10.0, rows=8, columns=10)


def places_of(cells: list[tuple[int, int]]) -> np.ndarray:
    return np.array([(GRID.west_m + 10.0 * c + 3.0, GRID.north_m - 10.0 * r - 8.0)
                     for r, c in cells])


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(FEWEST, 40), st.booleans())
def test_coefficients_equal_those_of_a_reference_library(seed: int, n: int, tied: bool) -> None:
    # scipy.stats.pearsonr and spearmanr are the reference.
    rng = np.random.default_rng(seed)
    layer = rng.normal(250.0, 3.0, GRID.shape)
    values = rng.normal(120.0, 30.0, n)
    if tied:
        layer, values = np.round(layer), np.round(values, -1)
    cells = [(int(r), int(c)) for r, c in zip(
        rng.integers(0, 8, n), rng.integers(0, 10, n), strict=True)]
    found = agreement(analyte="potassium", places=places_of(cells), values=values, layer=layer,
                      grid=GRID)
    beside = np.array([layer[cell] for cell in cells])
    assert found.n == n
    assert found.same_cell == n - len(set(cells))
    if np.ptp(beside) == 0 or np.ptp(values) == 0:
        assert found.pearson is None
        assert found.spearman is None
        return
    assert found.pearson == pytest.approx(stats.pearsonr(values, beside).statistic, abs=1e-9)
    assert found.spearman == pytest.approx(stats.spearmanr(values, beside).statistic, abs=1e-9)


def test_gaps_and_places_off_the_grid_are_left_out() -> None:
    layer = np.arange(80.0).reshape(8, 10)
    layer[0, 0] = np.nan
    cells = [(0, 0), (1, 1), (2, 3), (3, 2), (5, 5), (6, 7)]
    places = np.vstack([places_of(cells), [[-60.0, 0.0], [0.0, 900.0]]])
    values = np.array([9.0, 1.0, 2.0, 3.0, 4.0, 5.0, 99.0, 99.0])
    found = agreement(analyte="sulfate", places=places, values=values, layer=layer, grid=GRID)
    assert found.n == 5
    assert found.spearman == pytest.approx(1.0)
    assert found.pearson == pytest.approx(np.corrcoef(values[1:6], [11, 23, 32, 55, 67])[0, 1])


def test_too_few_points_or_a_flat_layer_give_no_coefficient() -> None:
    cells = [(r, r) for r in range(6)]
    values = np.arange(6.0)
    flat = agreement(analyte="potassium", places=places_of(cells), values=values,
                     layer=np.full(GRID.shape, 0.1), grid=GRID)
    assert (flat.n, flat.pearson, flat.spearman) == (6, None, None)
    few = agreement(analyte="potassium", places=places_of(cells[: FEWEST - 1]),
                    values=values[: FEWEST - 1], layer=np.arange(80.0).reshape(8, 10), grid=GRID)
    assert (few.n, few.pearson) == (FEWEST - 1, None)
    none = agreement(analyte="potassium", places=np.empty((0, 2)), values=np.empty(0),
                     layer=np.arange(80.0).reshape(8, 10), grid=GRID)
    assert (none.n, none.pearson) == (0, None)


def test_very_large_and_very_small_numbers_do_not_overflow() -> None:
    cells = [(r, r) for r in range(6)]
    for size in (1e-200, 1e200):
        layer = np.arange(80.0).reshape(8, 10) * size
        found = agreement(analyte="potassium", places=places_of(cells), values=np.arange(6.0),
                          layer=layer, grid=GRID)
        assert found.pearson == pytest.approx(1.0)
