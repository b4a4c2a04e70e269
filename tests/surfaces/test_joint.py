"""Errors of many places together: against kriging variances, kriging anew, and Monte Carlo."""

from __future__ import annotations

import numpy as np
import pytest

from vrx.errors import ComputeError
from vrx.model import Grid, Variogram
from vrx.surfaces import (
    error_model,
    kriging_area_variance,
    kriging_covariance,
    kriging_system,
    map_analyte,
    point_krige,
)

GRID = Grid(west_m=0.0, north_m=400.0, cell_m=20.0, rows=20, columns=20)
MODEL = Variogram(model="exponential", nugget=40.0, partial_sill=300.0, range_m=70.0)


def samples(count: int = 45, seed: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    generator = np.random.default_rng(seed)
    places = generator.uniform(0.0, 400.0, (count, 2))
    gap = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    cov = 300.0 * np.exp(-gap / 70.0) + 40.0 * np.eye(count)
    values = 150.0 + np.linalg.cholesky(cov) @ generator.normal(size=count)
    east, north = np.meshgrid(GRID.easting_m, GRID.northing_m)
    return places, values, np.column_stack([east.ravel(), north.ravel()])


@pytest.mark.parametrize("method", ["kriging", "kriging with trend", "kriging with drift"])
def test_variance_and_noise_together_are_the_maps_standard_error(method: str) -> None:
    # Off the samples a new measurement errs by the place's error and the nugget: what the map says.
    places, values, centres = samples()
    layer = np.sin(centres[:, 0] / 90.0).reshape(GRID.shape)
    layer[:2, :3] = np.nan
    drawn = map_analyte(
        analyte="potassium", unit="ppm", places=places, values=values, grid=GRID, method=method,
        drift={"terrain": layer} if method == "kriging with drift" else {}, variogram=MODEL,
    )
    model = error_model(surface=drawn, places=places)
    whole = np.isfinite(layer).ravel() if method == "kriging with drift" else np.full(400, True)
    found = np.sqrt(model.variance(centres) + model.noise)
    assert found[whole] == pytest.approx(drawn.standard_error.ravel()[whole], rel=1e-9)
    assert np.isfinite(found).all()
    own = model.covariance(centres[:30], centres[:30])
    assert np.diagonal(own) == pytest.approx(model.variance(centres[:30]), abs=1e-8)
    assert np.linalg.eigvalsh(model.covariance(centres, centres)).min() > -1e-7


def test_the_covariance_tells_what_a_further_sample_takes_away() -> None:
    # Reference: the system factorised anew with the further sample, for three drift cases.
    places, values, centres = samples()
    for drift in (None, places / 400.0):
        at = None if drift is None else centres / 400.0
        system = kriging_system(places=places, values=values, variogram=MODEL, drift=drift)
        before = kriging_area_variance(system=system, places=centres, drift=at)
        new = centres[[137]] + 3.0
        new_drift = None if drift is None else new / 400.0
        to_new = kriging_covariance(
            system=system, first=new, second=centres, first_drift=new_drift, second_drift=at)[0]
        own = kriging_area_variance(system=system, places=new, drift=new_drift)[0]
        again = kriging_system(
            places=np.vstack([places, new]), values=np.append(values, 0.0), variogram=MODEL,
            drift=None if drift is None else np.vstack([drift, new_drift]))
        after = kriging_area_variance(system=again, places=centres, drift=at)
        meant = before - to_new**2 / (own + MODEL.nugget)
        assert np.abs(after - meant).max() < 1e-9 * MODEL.partial_sill


def test_anisotropic_errors_are_those_of_kriging() -> None:
    places, values, centres = samples()
    turned = Variogram(model="spherical", nugget=25.0, partial_sill=200.0, range_m=260.0,
                       anisotropy_ratio=2.5, anisotropy_deg=35.0)
    system = kriging_system(places=places, values=values, variogram=turned)
    _, variance = point_krige(system=system, targets=centres)
    found = kriging_area_variance(system=system, places=centres)
    assert found + turned.nugget == pytest.approx(variance, rel=1e-9)


def test_errors_at_two_places_go_together_as_drawn_fields_do() -> None:
    # Monte Carlo: fields drawn from the model, kriged from their samples, errors counted.
    generator = np.random.default_rng(8)
    places, _, _ = samples(12)
    two = np.array([[100.0, 120.0], [130.0, 120.0]])
    every = np.vstack([places, two])
    gap = np.hypot(*(every[:, None] - every[None]).transpose(2, 0, 1))
    root = np.linalg.cholesky(300.0 * np.exp(-gap / 70.0) + 1e-9 * np.eye(14))
    fields = generator.normal(size=(20_000, 14)) @ root.T
    read = fields[:, :12] + generator.normal(0.0, np.sqrt(40.0), (20_000, 12))
    weights = np.array([
        point_krige(system=kriging_system(places=places, values=row, variogram=MODEL),
                    targets=two)[0] for row in np.eye(12)
    ])
    errors = read @ weights - fields[:, 12:]
    system = kriging_system(places=places, values=np.zeros(12), variogram=MODEL)
    meant = kriging_covariance(system=system, first=two, second=two)
    assert np.cov(errors.T) == pytest.approx(meant, rel=0.05)


def test_a_map_without_a_variogram_has_no_error_model() -> None:
    places, values, _ = samples()
    drawn = map_analyte(analyte="potassium", unit="ppm", places=places, values=values, grid=GRID,
                        method="field mean")
    with pytest.raises(ComputeError) as err:
        error_model(surface=drawn, places=places)
    assert err.value.code == "surface-zone-variogram"
