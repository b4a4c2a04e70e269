"""Standard errors of zone means."""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from vrx.errors import ComputeError
from vrx.model import FloatArray, Grid, Surface, Variogram
from vrx.surfaces import block_krige, kriging_system, map_analyte, zone_standard_errors

GRID = Grid(west_m=0.0, north_m=800.0, cell_m=20.0, rows=40, columns=40)
simulated = runpy.run_path(str(Path(__file__).with_name("simulated.py")))["simulated"]


def mapped(places: FloatArray, values: FloatArray, method: str) -> Surface:
    return map_analyte(
        analyte="potassium", unit="ppm", places=places, values=values, grid=GRID, method=method
    )


def halves() -> list[FloatArray]:
    east, north = np.meshgrid(GRID.easting_m, GRID.northing_m)
    cells = np.column_stack([east.ravel(), north.ravel()])
    return [cells[cells[:, 0] < 400.0], cells[cells[:, 0] >= 400.0], cells[:1]]


def test_kriging_thinned_zones_agree_with_all_their_points() -> None:
    places, values = simulated(60, 1)
    surface = mapped(places, values, "kriging")
    assert surface.variogram is not None
    zones = halves()
    errors = zone_standard_errors(surface=surface, places=places, zone_points=zones)
    # The full double sum over a 4 times finer grid of points, for the halves and for one cell.
    system = kriging_system(places=places, values=values, variogram=surface.variogram)
    offset = (np.arange(4) + 0.5) / 4 * GRID.cell_m - GRID.cell_m / 2
    fine = np.column_stack([one.ravel() for one in np.meshgrid(offset, offset)])
    for error, zone in zip(errors, zones, strict=True):
        # Every third cell of a half, so that the sum stays small; its points are then exact.
        points = (zone[:, None, :] + fine[None]).reshape(-1, 2)
        full = np.sqrt(block_krige(system=system, points=points[:: 1 + len(points) // 4000])[1]
                       * surface.variance_factor)
        assert error == pytest.approx(full, rel=0.02)
    # The mean of a half field is far surer than one corner of it.
    assert errors[0] < 0.5 * errors[2]
    assert (errors > 0.0).all()


@pytest.mark.parametrize("model", ["exponential", "spherical", "matern-3/2"])
@pytest.mark.parametrize(("nugget", "range_m"), [(0.0, 150.0), (120.0, 60.0), (300.0, 400.0)])
def test_error_is_never_under_the_full_block_value_by_more_than_1_percent(
    model: str, nugget: float, range_m: float
) -> None:
    """All cells of the zone, each pair of them: the value that thinning stands for."""
    variogram = Variogram(model=model, nugget=nugget, partial_sill=400.0, range_m=range_m)
    for seed in range(3):
        places, values = simulated(50, seed)
        surface = replace(mapped(places, values, "field mean"), method="kriging",
                          variogram=variogram, variance_factor=1.0)
        east, north = np.meshgrid(np.arange(5.0, 800.0, 10.0), np.arange(5.0, 800.0, 10.0))
        cells = np.column_stack([east.ravel(), north.ravel()])
        rng = np.random.default_rng(seed)
        zones = [
            cells[np.hypot(*(cells - rng.uniform(100, 700, 2)).T) < radius]
            for radius in (60.0, 150.0, 250.0)
        ]
        zones.append(cells[np.abs(cells[:, 1] - 400.0) < 15.0])
        fine = replace(surface, grid=Grid(
            west_m=0, north_m=800, cell_m=10, rows=80, columns=80))
        errors = zone_standard_errors(surface=fine, places=places, zone_points=zones)
        system = kriging_system(places=places, values=values, variogram=variogram)
        for error, zone in zip(errors, zones, strict=True):
            full = float(np.sqrt(block_krige(system=system, points=zone)[1]))
            assert 0.99 * full <= error <= 1.03 * full


def test_trend_and_layer_enter_the_error() -> None:
    """Universal kriging of the block with the same columns; a layer's gap makes it less sure."""
    places, values = simulated(60, 5)
    variogram = Variogram(model="exponential", nugget=80.0, partial_sill=300.0, range_m=120.0)
    base = replace(mapped(places, values, "field mean"), variogram=variogram, variance_factor=1.0)
    corner = [halves()[0][:200]]
    plain = zone_standard_errors(
        surface=replace(base, method="kriging"), places=places, zone_points=corner)
    trend = replace(base, method="kriging with trend", drift=("easting", "northing"))
    with_trend = zone_standard_errors(surface=trend, places=places, zone_points=corner)
    system = kriging_system(places=places, values=values, variogram=variogram, drift=places)
    full = np.sqrt(block_krige(system=system, points=corner[0], drift=corner[0])[1])
    assert with_trend[0] == pytest.approx(full, rel=0.01)
    assert with_trend[0] > plain[0]
    # The same columns as a layer: the same error.
    east, north = np.meshgrid(GRID.easting_m, GRID.northing_m)
    layers = np.stack([east, north], axis=-1)
    drift = replace(base, method="kriging with drift", drift=("easting", "northing"),
                    drift_at_samples=places, drift_on_grid=layers)
    by_layer = zone_standard_errors(surface=drift, places=places, zone_points=corner)
    assert by_layer[0] == pytest.approx(with_trend[0], rel=1e-6)
    holed = layers.copy()
    holed[:3] = np.nan
    gaps = zone_standard_errors(
        surface=replace(drift, drift_on_grid=holed), places=places, zone_points=corner)
    assert gaps[0] > by_layer[0]


def test_error_falls_when_samples_are_added_and_grows_with_bounds_and_doubt() -> None:
    """With one variogram a further sample can only help (variance of the best linear unbiased)."""
    variogram = Variogram(model="exponential", nugget=120.0, partial_sill=400.0, range_m=150.0)
    places, values = simulated(80, 6)
    before = np.full(3, np.inf)
    for n in range(10, 81, 5):
        surface = replace(
            mapped(places[:n], values[:n], "field mean"), method="kriging", variogram=variogram,
            variance_factor=1.0)
        errors = zone_standard_errors(
            surface=surface, places=places[:n], zone_points=halves())
        assert (errors <= before * (1 + 1e-12)).all()
        before = errors
    doubtful = replace(surface, variance_factor=1.21,
                       bounds_error=np.full(GRID.shape, 3.0))
    np.testing.assert_allclose(
        zone_standard_errors(surface=doubtful, places=places, zone_points=halves()),
        np.hypot(1.1 * before, 3.0))


def test_kriged_error_is_the_spread_of_many_simulated_zone_means() -> None:
    """Truth simulated with the samples, without nugget in the zone: the error must be honest.

    400 fields: the spread of their misses has a relative standard error of 3.5 % (1/sqrt(2 n)).
    """
    rng = np.random.default_rng(9)
    places = rng.uniform(0.0, 800.0, (40, 2))
    east, north = np.meshgrid(np.arange(450.0, 751.0, 50.0), np.arange(450.0, 751.0, 50.0))
    zone = np.column_stack([east.ravel(), north.ravel()])
    everything = np.vstack([places, zone])
    distance = np.hypot(*(everything[:, None] - everything[None]).transpose(2, 0, 1))
    variogram = Variogram(model="exponential", nugget=120.0, partial_sill=400.0, range_m=150.0)
    root = np.linalg.cholesky(400.0 * np.exp(-distance / 150.0) + 1e-9 * np.eye(len(everything)))
    misses = []
    for _ in range(400):
        truth = 150.0 + root @ rng.normal(size=len(everything))
        samples = truth[:40] + np.sqrt(120.0) * rng.normal(size=40)
        system = kriging_system(places=places, values=samples, variogram=variogram)
        misses.append(block_krige(system=system, points=zone)[0] - truth[40:].mean())
    surface = replace(mapped(places, samples, "kriging"), method="kriging", variogram=variogram,
                      variance_factor=1.0)
    error = zone_standard_errors(surface=surface, places=places, zone_points=[zone])[0]
    assert np.sqrt(np.mean(np.square(misses))) == pytest.approx(error, rel=0.11)


def test_pure_nugget_block_is_the_standard_error_of_the_mean() -> None:
    places, values = simulated(25, 2)
    nugget = Variogram(model="exponential", nugget=100.0, partial_sill=0.0, range_m=50.0)
    surface = replace(mapped(places, values, "kriging"), variogram=nugget, variance_factor=1.0)
    errors = zone_standard_errors(surface=surface, places=places, zone_points=halves())
    np.testing.assert_allclose(errors, 10.0 / np.sqrt(25))


def test_field_mean_gives_the_standard_error_of_the_mean() -> None:
    places, values = simulated(25, 3)
    surface = mapped(places, values, "field mean")
    errors = zone_standard_errors(surface=surface, places=places, zone_points=halves())
    np.testing.assert_allclose(errors, values.std(ddof=1) / np.sqrt(25))
    # Merged samples count once.
    twice = np.vstack([places, places[:5]])
    again = mapped(twice, np.concatenate([values, values[:5]]), "field mean")
    np.testing.assert_allclose(
        zone_standard_errors(surface=again, places=twice, zone_points=halves()), errors
    )
    one = mapped(places[:1], values[:1], "choose")
    np.testing.assert_allclose(
        zone_standard_errors(surface=one, places=places[:1], zone_points=halves()), values[0]
    )


def test_inverse_distance_is_on_the_safe_side() -> None:
    places, values = simulated(60, 4)
    surface = mapped(places, values, "inverse distance")
    rmse = next(s.rmse for s in surface.scores if s.method == "inverse distance")
    errors = zone_standard_errors(surface=surface, places=places, zone_points=halves())
    np.testing.assert_allclose(errors, rmse)
    kriged = mapped(places, values, "kriging")
    assert (
        errors[:2]
        > zone_standard_errors(surface=kriged, places=places, zone_points=halves()[:2])
    ).all()


@pytest.mark.parametrize("zone", [np.empty((0, 2)), np.zeros(2), np.array([[0.0, np.nan]])])
def test_zones_without_points_are_refused(zone: FloatArray) -> None:
    places, values = simulated(25, 2)
    surface = mapped(places, values, "field mean")
    with pytest.raises(ComputeError, match="zone 2") as caught:
        zone_standard_errors(surface=surface, places=places, zone_points=[halves()[0], zone])
    assert caught.value.code == "surface-zone-points"
