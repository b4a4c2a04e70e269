"""Thin-plate splines, nearest samples and left-out blocks against scipy and against refitting."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import NearestNDInterpolator, RBFInterpolator

from vrx.errors import ComputeError
from vrx.model import FloatArray
from vrx.surfaces.folds import spatial_blocks
from vrx.surfaces.simple import (
    inverse_distance,
    inverse_distance_leave_one_out,
    mean_leave_block_out,
    nearest_leave_out,
    nearest_sample,
)
from vrx.surfaces.spline import (
    fit_spline,
    spline_at,
    spline_leave_block_out,
    spline_leave_one_out,
)


def samples(n: int = 40, seed: int = 3) -> tuple[FloatArray, FloatArray]:
    rng = np.random.default_rng(seed)
    places = rng.uniform(0.0, 800.0, (n, 2)) + np.array([3000.0, -7000.0])
    values = 150.0 + 20.0 * np.sin(places[:, 0] / 150.0) + rng.normal(0.0, 5.0, n)
    return places, values


@pytest.mark.parametrize("smoothing", [0.0, 1.0, 1e3, 1e5, 1e8])
def test_spline_is_scipys_with_the_same_smoothing(smoothing: float) -> None:
    """scipy.interpolate.RBFInterpolator, thin_plate_spline, to 1e-8 of the values' spread."""
    places, values = samples()
    targets = samples(300, 9)[0]
    # scipy solves in the coordinates as given: moved there, so that it keeps its digits.
    moved = places - places.mean(axis=0)
    theirs = RBFInterpolator(moved, values, smoothing=smoothing, kernel="thin_plate_spline")
    ours = fit_spline(places=places, values=values, smoothing=smoothing)
    np.testing.assert_allclose(
        spline_at(spline=ours, targets=targets), theirs(targets - places.mean(axis=0)),
        rtol=0, atol=1e-8 * np.ptp(values),
    )


@pytest.mark.parametrize("smoothing", [0.0, 1e3, 1e6])
def test_left_out_residuals_are_refits(smoothing: float) -> None:
    places, values = samples()
    fitted = fit_spline(places=places, values=values, smoothing=smoothing)
    alone = spline_leave_one_out(spline=fitted)
    block = spatial_blocks(places)
    assert block is not None
    together = spline_leave_block_out(spline=fitted, block=block)
    for i in (0, 11, 39):
        for rest, found in ((np.arange(40) != i, alone), (block != block[i], together)):
            again = fit_spline(places=places[rest], values=values[rest], smoothing=smoothing)
            left = values[i] - spline_at(spline=again, targets=places[i : i + 1])[0]
            assert found[i] == pytest.approx(left, abs=1e-8)


def test_smoothing_is_the_least_of_generalised_cross_validation() -> None:
    """GCV = n RSS / (n - trace)^2 from the influence matrix, built column by column with scipy."""
    places, values = samples(25)
    chosen = fit_spline(places=places, values=values).smoothing

    def criterion(smoothing: float) -> float:
        moved = places - places.mean(axis=0)
        influence = RBFInterpolator(
            moved, np.eye(25), smoothing=smoothing, kernel="thin_plate_spline"
        )(moved)
        rest = values - influence @ values
        return float(25.0 * rest @ rest / (25.0 - np.trace(influence)) ** 2)

    least = criterion(chosen)
    assert all(criterion(chosen * factor) >= least - 1e-9 for factor in (0.1, 0.7, 1.4, 10.0))


def test_a_plane_is_told_as_one() -> None:
    places, _ = samples(30)
    plane = 100.0 + places @ np.array([0.02, -0.05])
    fitted = fit_spline(places=places, values=plane + np.random.default_rng(1).normal(0, 1, 30))
    assert 3.0 <= fitted.freedom < 10.0
    far = np.array([[9000.0, 4000.0]])
    exact = fit_spline(places=places, values=plane)
    assert spline_at(spline=exact, targets=far)[0] == pytest.approx(100.0 + 180.0 - 200.0)


def test_a_line_of_samples_carries_no_plane() -> None:
    east = np.linspace(0.0, 800.0, 12)
    with pytest.raises(ComputeError) as caught:
        fit_spline(places=np.column_stack([east, 2.0 * east]), values=east)
    assert caught.value.code == "surface-spline"


def test_nearest_sample_is_scipys() -> None:
    places, values = samples()
    targets = samples(500, 5)[0]
    theirs = NearestNDInterpolator(places, values)(targets)
    np.testing.assert_array_equal(
        nearest_sample(places=places, values=values, targets=targets), theirs
    )


def test_equally_near_samples_share() -> None:
    places = np.array([[0.0, 0.0], [10.0, 0.0], [0.0, 10.0]])
    found = nearest_sample(
        places=places, values=np.array([1.0, 3.0, 8.0]), targets=np.array([[5.0, 0.0], [9.0, 0.0]])
    )
    np.testing.assert_allclose(found, [2.0, 3.0])


def test_left_out_blocks_of_methods_without_a_fit_are_refits() -> None:
    places, values = samples(30)
    block = spatial_blocks(places)
    assert block is not None
    of_mean = mean_leave_block_out(values=values, block=block)
    of_nearest = nearest_leave_out(places=places, values=values, block=block)
    of_distance = inverse_distance_leave_one_out(places=places, values=values, block=block)
    for i in range(30):
        rest = block != block[i]
        there = {"places": places[rest], "values": values[rest], "targets": places[i : i + 1]}
        assert of_mean[i] == pytest.approx(values[i] - values[rest].mean())
        assert of_nearest[i] == pytest.approx(values[i] - nearest_sample(**there)[0])
        assert of_distance[i] == pytest.approx(values[i] - inverse_distance(**there)[0])


@settings(max_examples=30, derandomize=True, deadline=None)
@given(seed=st.integers(0, 1000), n=st.integers(12, 200), angle=st.floats(0.0, 6.28))
def test_blocks_are_even_compact_and_turn_with_the_places(
    seed: int, n: int, angle: float
) -> None:
    places = np.random.default_rng(seed).uniform(0.0, 800.0, (n, 2)) * np.array([1.0, 0.6])
    block = spatial_blocks(places)
    assert block is not None
    counts = np.bincount(block)
    assert len(counts) == (8 if n >= 24 else 4)
    assert counts.max() - counts.min() <= 3
    within = np.mean([places[block == k].std(axis=0) for k in range(len(counts))])
    assert within < 0.75 * places.std(axis=0).mean()
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    turned = spatial_blocks(places @ turn.T + 5000.0)
    assert turned is not None
    together = block[:, None] == block[None]
    np.testing.assert_array_equal(turned[:, None] == turned[None], together)


def test_eleven_samples_have_no_blocks() -> None:
    assert spatial_blocks(samples(11)[0]) is None
