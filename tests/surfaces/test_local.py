"""Dense points: against the whole system, a library's moving window, and a known truth."""

from __future__ import annotations

import runpy
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pykrige.ok import OrdinaryKriging

from vrx.errors import ComputeError
from vrx.model import FloatArray, Grid, Variogram
from vrx.surfaces import (
    block_means,
    dense_krige,
    kriging_system,
    local_krige,
    map_analyte,
    point_krige,
    samples,
)

simulated = runpy.run_path(str(Path(__file__).with_name("simulated.py")))["simulated"]
MODELS = ["exponential", "spherical", "matern-3/2"]


def variogram(model: str = "exponential", nugget: float = 80.0, **more: float) -> Variogram:
    return Variogram(model=model, nugget=nugget, partial_sill=400.0, range_m=150.0, **more)


def targets_with_samples(places: FloatArray) -> FloatArray:
    return np.vstack([np.random.default_rng(1).uniform(-50.0, 850.0, (300, 2)), places[:4]])


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("filtered", [False, True])
def test_all_samples_as_neighbours_is_the_whole_system(model: str, filtered: bool) -> None:
    places, values = simulated(60, 1)
    targets = targets_with_samples(places)
    for shape in (
        variogram(model, 0.0), variogram(model, error_variance=50.0),
        variogram(model, anisotropy_ratio=3.0, anisotropy_deg=20.0),
    ):
        whole = point_krige(
            system=kriging_system(places=places, values=values, variogram=shape), targets=targets,
            filtered=filtered,
        )
        for neighbours in (60, 1000):
            near = local_krige(
                places=places, values=values, variogram=shape, targets=targets,
                neighbours=neighbours, filtered=filtered,
            )
            np.testing.assert_allclose(near, whole, rtol=0, atol=1e-9)


@pytest.mark.parametrize("model", ["exponential", "spherical"])
def test_moving_window_equals_pykrige(model: str) -> None:
    places, values = simulated(300, 2)
    targets = targets_with_samples(places)
    reach = 450.0 if model == "exponential" else 150.0
    other = OrdinaryKriging(
        *places.T, values, variogram_model=model,
        variogram_parameters={"psill": 400.0, "range": reach, "nugget": 80.0},
    ).execute("points", *targets.T, n_closest_points=16, backend="loop")
    own = local_krige(
        places=places, values=values, variogram=variogram(model), targets=targets, neighbours=16
    )
    np.testing.assert_allclose(own[0], np.asarray(other[0]), rtol=0, atol=1e-9)
    np.testing.assert_allclose(own[1], np.asarray(other[1]), rtol=0, atol=1e-9)


def test_counts_are_repeated_samples_at_one_place() -> None:
    """The mean of m samples at one place with nugget / m says what the m samples say."""
    places, values = simulated(12, 3)
    times = np.arange(12) % 4 + 1
    rng = np.random.default_rng(4)
    repeated = np.repeat(places, times, axis=0)
    drawn = np.repeat(values, times) + rng.normal(0.0, 9.0, times.sum())
    means = np.bincount(np.repeat(np.arange(12), times), weights=drawn) / times
    targets = rng.uniform(0.0, 800.0, (40, 2))
    every = local_krige(
        places=repeated, values=drawn, variogram=variogram(), targets=targets, neighbours=99
    )
    merged = local_krige(
        places=places, values=means, counts=times.astype(float), variogram=variogram(),
        targets=targets, neighbours=99,
    )
    np.testing.assert_allclose(merged, every, rtol=0, atol=1e-9)


def known_field(places: FloatArray, seed: int = 5) -> FloatArray:
    """A sum of 400 waves whose spectrum is that of the exponential model, variance 400, 150 m.

    In the plane its wave numbers k have the density proportional to k (1 + (k r)^2)^-1.5, so that
    k r = sqrt(1 / u^2 - 1) for u uniform in 0 to 1.
    """
    rng = np.random.default_rng(seed)
    number = np.sqrt(1.0 / rng.uniform(0.0, 1.0, 400) ** 2 - 1.0) / 150.0
    turn, phase = rng.uniform(0.0, 2.0 * np.pi, (2, 400))
    total = np.zeros(len(places))
    for k, angle, start in zip(number, turn, phase, strict=True):
        total += np.cos(k * (places @ [np.sin(angle), np.cos(angle)]) + start)
    return np.asarray(150.0 + 20.0 * np.sqrt(2.0 / 400.0) * total)


def test_block_means_come_nearer_to_the_truth_than_the_nearest_samples() -> None:
    """Four pieces with 15,000 points, 15 per cell; standard errors honest on average."""
    shape = variogram(nugget=100.0, error_variance=100.0)
    squares, ratios = np.zeros(3), np.zeros(3)
    for seed in range(4):
        rng = np.random.default_rng(seed)
        places = rng.uniform(0.0, 100.0, (15_000, 2))
        targets = rng.uniform(5.0, 95.0, (300, 2))
        truth = known_field(targets, seed)
        given: dict[str, Any] = {
            "places": places, "variogram": shape, "targets": targets, "filtered": True,
            "values": known_field(places, seed) + rng.normal(0.0, 10.0, len(places)),
        }
        for i, (estimate, spread) in enumerate((
            local_krige(**given), dense_krige(**given, cell_m=3.2),
            dense_krige(**given, cell_m=3.2, neighbours=32),
        )):
            squares[i] += np.mean((estimate - truth) ** 2) / 4.0
            ratios[i] += np.mean((estimate - truth) ** 2 / spread) / 4.0
    nearest, means, means_32 = np.sqrt(squares)
    assert nearest < 5.0
    assert means < 0.9 * nearest
    assert means < 1.03 * means_32
    np.testing.assert_allclose(ratios, 1.0, atol=0.35)


def test_block_means_keep_every_sample() -> None:
    rng = np.random.default_rng(7)
    places, values = rng.uniform(0.0, 300.0, (5000, 2)), rng.normal(size=5000)
    for side in (0.01, 3.0, 40.0, 1e4):
        at, means, counts = block_means(places=places, values=values, side_m=side)
        assert counts.sum() == 5000
        assert counts @ means == pytest.approx(values.sum())
        np.testing.assert_allclose(counts @ at, places.sum(axis=0))
    assert len(at) == 1
    # One sample per block: nothing is changed.
    order = np.lexsort(places.T)
    at, means, counts = block_means(places=places[order], values=values[order], side_m=1e-3)
    again = np.lexsort(at.T)
    np.testing.assert_array_equal(at[again], places[order])
    np.testing.assert_array_equal(means[again], values[order])


def test_reordering_and_moving_dense_points_changes_nothing() -> None:
    places, values = simulated(500, 8)
    targets = targets_with_samples(places)
    base = local_krige(places=places, values=values, variogram=variogram(), targets=targets)
    order = np.random.default_rng(9).permutation(500)
    move = np.array([4e5, 5e6])
    moved = local_krige(
        places=places[order] + move, values=values[order], variogram=variogram(),
        targets=targets + move,
    )
    np.testing.assert_allclose(moved, base, rtol=0, atol=1e-6)


def test_what_cannot_be_solved_is_refused() -> None:
    places, values = simulated(30, 10)
    good: dict[str, Any] = {"places": places, "values": values, "variogram": variogram()}
    good["targets"] = places[:2]
    twice = np.vstack([places, places[:1]])
    for change, code in (
        ({"neighbours": 0}, "surface-neighbours"),
        ({"counts": np.zeros(30)}, "surface-shape"),
        ({"counts": np.ones(29)}, "surface-shape"),
        ({"values": np.where(np.arange(30) == 2, np.inf, values)}, "surface-not-finite"),
        ({"places": np.empty((0, 2)), "values": np.empty(0)}, "surface-shape"),
        ({"targets": np.full((1, 2), np.nan)}, "surface-targets"),
        (
            {"places": twice, "values": np.append(values, 9.0), "variogram": variogram(nugget=0.0)},
            "surface-singular",
        ),
    ):
        with pytest.raises(ComputeError) as caught:
            local_krige(**(good | change))  # type: ignore[arg-type]
        assert caught.value.code == code
    one = local_krige(
        places=places[:1], values=values[:1], variogram=variogram(), targets=places[:2]
    )
    np.testing.assert_allclose(one[0], values[0])
    with pytest.raises(ComputeError) as caught:
        dense_krige(**good, cell_m=0.0)  # type: ignore[arg-type]
    assert caught.value.code == "surface-targets"


# --- maps from more samples than one system holds -------------------------------------------------


@pytest.mark.parametrize(
    "method", ["kriging", "kriging with trend", "kriging with drift", "inverse distance"]
)
def test_a_map_of_many_samples_uses_all_of_them(
    method: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """6,000 samples with a layer that they follow: errors at the truth, and those told, agree."""
    monkeypatch.setattr(samples, "PICKED", 450)
    rng = np.random.default_rng(11)
    places = rng.uniform(0.0, 400.0, (6000, 2))
    grid = Grid(west_m=0.0, north_m=400.0, cell_m=10.0, rows=40, columns=40)
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    cells = np.column_stack([east.ravel(), north.ravel()])

    def layer(at: FloatArray) -> FloatArray:
        return np.asarray(np.sin(at[:, 0] / 60.0) + at[:, 1] / 200.0)

    truth = known_field(cells) + 25.0 * layer(cells)
    values = known_field(places) + 25.0 * layer(places) + rng.normal(0.0, 10.0, 6000)
    surface = map_analyte(
        analyte="potassium", unit="ppm", places=places, values=values, grid=grid, method=method,
        drift={"layer": layer(cells).reshape(40, 40)}, drift_at_samples={"layer": layer(places)},
    )
    assert surface.method == method
    assert "surface-many-samples" in {one.code for one in surface.findings}
    error = surface.values.ravel() - truth
    # As few of the samples as the variogram and the scores come from leave more.
    pick = rng.permutation(6000)[:450]
    some = map_analyte(
        analyte="potassium", unit="ppm", places=places[pick], values=values[pick], grid=grid,
        method=method, drift={"layer": layer(cells).reshape(40, 40)},
        drift_at_samples={"layer": layer(places[pick])},
    )
    assert np.std(error) < 0.8 * np.std(some.values.ravel() - truth)
    if method != "inverse distance":
        told = np.mean(surface.standard_error**2)
        assert told == pytest.approx(np.mean(error**2) + 100.0, rel=0.2)


def test_a_map_of_many_samples_does_not_depend_on_their_order(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(samples, "PICKED", 450)
    rng = np.random.default_rng(12)
    places = rng.uniform(0.0, 400.0, (4000, 2))
    values = known_field(places) + rng.normal(0.0, 10.0, 4000)
    grid = Grid(west_m=0.0, north_m=400.0, cell_m=20.0, rows=20, columns=20)
    order = rng.permutation(4000)
    one, other = (
        map_analyte(analyte="potassium", unit="ppm", places=places[by], values=values[by],
                    grid=grid, method="kriging")
        for by in (np.arange(4000), order)
    )
    np.testing.assert_array_equal(one.values, other.values)
    np.testing.assert_array_equal(one.standard_error, other.standard_error)
