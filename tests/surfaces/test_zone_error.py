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
    system = kriging_system(places=places, values=values, variogram=surface.variogram)
    for error, zone in zip(errors, zones, strict=True):
        full = np.sqrt(block_krige(system=system, points=zone)[1])
        assert error == pytest.approx(full, rel=0.02)
    # The mean of a half field is far surer than one corner of it.
    assert errors[0] < 0.5 * errors[2]
    assert (errors > 0.0).all()


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
    surface = replace(mapped(places, samples, "kriging"), method="kriging", variogram=variogram)
    error = zone_standard_errors(surface=surface, places=places, zone_points=[zone])[0]
    assert np.sqrt(np.mean(np.square(misses))) == pytest.approx(error, rel=0.11)


def test_pure_nugget_block_is_the_standard_error_of_the_mean() -> None:
    places, values = simulated(25, 2)
    nugget = Variogram(model="exponential", nugget=100.0, partial_sill=0.0, range_m=50.0)
    surface = replace(mapped(places, values, "kriging"), variogram=nugget)
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
