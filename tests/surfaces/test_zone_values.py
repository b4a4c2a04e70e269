"""Zone values against exactextract, NumPy's weighted quantiles, brute force and refitting."""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.stats import norm

from vrx import geo
from vrx.errors import ComputeError
from vrx.model import Grid, Variogram, note
from vrx.surfaces import (
    block_krige,
    chance_outside,
    explained_of_map,
    explained_of_samples,
    kriging_system,
    map_analyte,
    mean_is,
    point_krige,
    share_outside,
    zone_percentiles,
)

GRID = Grid(west_m=0.0, north_m=400.0, cell_m=10.0, rows=40, columns=40)
simulated = runpy.run_path(str(Path(__file__).with_name("simulated.py")))["simulated"]


def wedge(seed: int) -> list[shapely.Polygon]:
    """Three zones with crooked edges over part of the grid."""
    rng = np.random.default_rng(seed)
    cut = np.sort(rng.uniform(60, 340, 4)).reshape(2, 2)
    lines = [[(0, a), (400, b)] for a, b in cut]
    whole = shapely.box(3.3, 2.2, 391.7, 396.1)
    edges = shapely.union_all([whole.boundary, *map(shapely.LineString, lines)])
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(edges)))
    return [face for face in faces if whole.contains(face.representative_point())]


def surface(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    east, north = np.meshgrid(GRID.easting_m, GRID.northing_m)
    return 120 + 0.1 * east + 25 * np.sin(north / 60) + rng.normal(0, 6, GRID.shape)


@pytest.mark.parametrize("seed", range(4))
def test_percentiles_are_numpys_with_exactextracts_weights(seed: int) -> None:
    values, zones = surface(seed), wedge(seed)
    cells = geo.zone_cells(grid=GRID, polygons=zones)
    found = zone_percentiles(values=values, cells=cells)
    for zone, (at, share) in enumerate(cells):
        # The weights are the exact overlaps, here by shapely cell by cell.
        row, column = np.divmod(at, GRID.columns)
        boxes = shapely.box(column * 10.0, 400 - (row + 1) * 10.0, (column + 1) * 10.0,
                            400 - row * 10.0)
        overlap = shapely.area(shapely.intersection(boxes, zones[zone])) / 100
        np.testing.assert_allclose(share, overlap, atol=1e-5)
        assert overlap.sum() * 100 == pytest.approx(zones[zone].area, rel=1e-5)
        expected = np.quantile(values.ravel()[at], [0.1, 0.5, 0.9], weights=share,
                               method="inverted_cdf")
        np.testing.assert_array_equal(found[:, zone], expected)
    assert (found[0] < found[1]).all()
    assert (found[1] < found[2]).all()


def test_percentiles_by_brute_force_of_points() -> None:
    values, [zone, *_] = surface(9), wedge(9)
    [cells] = geo.zone_cells(grid=GRID, polygons=[zone])
    found = zone_percentiles(values=values, cells=[cells])[:, 0]
    rng = np.random.default_rng(1)
    points = rng.uniform([0, 0], [400, 400], (400_000, 2))
    points = points[shapely.contains_xy(zone, *points.T)]
    row, column = ((400 - points[:, 1]) // 10).astype(int), (points[:, 0] // 10).astype(int)
    drawn = np.percentile(values[row, column], [10, 50, 90])
    # 1e5 points: a percentile is told to about 0.1 % of the distribution, 0.1 ppm here.
    np.testing.assert_allclose(found, drawn, atol=0.4)


def test_ties_and_exact_shares() -> None:
    values = np.repeat([[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0]], 1, axis=0)
    cells = [(np.arange(10), np.full(10, 0.1))]
    np.testing.assert_array_equal(
        zone_percentiles(values=values, cells=cells)[:, 0], [1.0, 5.0, 9.0])
    np.testing.assert_array_equal(
        zone_percentiles(values=np.full((1, 10), 7.0), cells=cells)[:, 0], [7.0, 7.0, 7.0])


def test_share_and_chance_outside_the_class() -> None:
    values = np.array([[100.0, 119.0, 120.0, 121.0, 160.0]])
    cells = [(np.arange(5), np.array([1.0, 1.0, 1.0, 0.5, 0.5]))]
    means = np.array([118.0])
    outside = share_outside(values=values, cells=cells, means=means, breaks=(80.0, 120.0, 160.0))
    # In 80 to 120 (120 belongs above) lie the first two cells: 2 of 4.
    assert outside[0] == pytest.approx(0.5)
    error = np.array([[10.0, 10.0, 10.0, 20.0, 0.0]])
    chance = chance_outside(values=values, standard_error=error, cells=cells, means=means,
                            breaks=(80.0, 120.0, 160.0))
    inside = [norm.cdf(120, v, e) - norm.cdf(80, v, e) for v, e in
              ((100, 10), (119, 10), (120, 10), (121, 20))]
    assert chance[0] == pytest.approx(
        1 - (inside[0] + inside[1] + inside[2] + 0.5 * inside[3]) / 4)
    # Against drawing: the share of new samples in another class.
    rng = np.random.default_rng(2)
    drawn = values + error * rng.normal(size=(200_000, 1, 5))
    other = ((drawn < 80) | (drawn >= 120)) @ cells[0][1] / 4
    assert chance[0] == pytest.approx(float(other.mean()), abs=0.003)
    assert share_outside(values=values, cells=cells, means=means, breaks=())[0] == 0.0
    with pytest.raises(ComputeError) as caught:
        share_outside(values=values, cells=cells, means=means, breaks=(120.0, 80.0))
    assert caught.value.code == "surface-zone-breaks"


def test_a_lower_error_of_the_map_brings_the_chance_to_the_share() -> None:
    values, zones = surface(3), wedge(3)
    cells = geo.zone_cells(grid=GRID, polygons=zones)
    means = np.array([120.0, 135.0, 150.0])
    told = {"values": values, "cells": cells, "means": means, "breaks": (125.0, 145.0)}
    share = share_outside(**told)
    sure = chance_outside(standard_error=np.full(GRID.shape, 1e-6), **told)
    np.testing.assert_allclose(sure, share, atol=1e-9)


def test_explained_of_the_map_is_the_analysis_of_variance() -> None:
    values, zones = surface(5), wedge(5)
    cells = geo.zone_cells(grid=GRID, polygons=zones)
    # Every cell cut into 1/100 points by its share: the plain sums of squares.
    repeated = [np.repeat(values.ravel()[at], np.round(share * 1000).astype(int))
                for at, share in cells]
    everything = np.concatenate(repeated)
    within = sum(((one - one.mean()) ** 2).sum() for one in repeated)
    expected = 1 - within / ((everything - everything.mean()) ** 2).sum()
    assert explained_of_map(values=values, cells=cells) == pytest.approx(expected, abs=2e-4)
    assert np.isnan(explained_of_map(values=np.full(GRID.shape, 3.3), cells=cells))
    assert explained_of_map(values=values, cells=cells[:1]) == pytest.approx(0.0, abs=1e-12)


def test_explained_of_samples_is_refitting_without_each() -> None:
    rng = np.random.default_rng(4)
    zone = rng.integers(0, 4, 40)
    zone[0] = 9  # alone in its zone
    values = 100 + 10 * zone + rng.normal(0, 8, 40)
    by_zone, by_mean = [], []
    for i in range(40):
        others = np.arange(40) != i
        mine = others & (zone == zone[i])
        by_mean.append(values[i] - values[others].mean())
        by_zone.append(values[i] - values[mine if mine.any() else others].mean())
    expected = 1 - np.sum(np.square(by_zone)) / np.sum(np.square(by_mean))
    assert explained_of_samples(values=values, zone=zone) == pytest.approx(expected, rel=1e-12)
    assert np.isnan(explained_of_samples(values=np.full(9, 5.0), zone=np.arange(9) % 3))
    assert np.isnan(explained_of_samples(values=values[:2], zone=zone[:2]))


def test_zones_of_pure_noise_explain_nothing_on_average() -> None:
    """Zones drawn without looking: the expected value is a little below 0, as for any noise."""
    rng = np.random.default_rng(8)
    told = [
        explained_of_samples(values=rng.normal(size=40), zone=rng.integers(0, 4, 40))
        for _ in range(400)
    ]
    assert -0.15 < np.mean(told) < 0.0
    within = [explained_of_samples(values=z + 0.5 * rng.normal(size=60), zone=z)
              for z in (rng.integers(0, 4, 60) for _ in range(50))]
    # Truth: variance 1.25 between, 0.25 within.
    assert np.mean(within) == pytest.approx(1.25 / 1.5, abs=0.05)


@pytest.mark.parametrize("nugget", [0.0, 120.0])
def test_mean_of_kriged_cells_is_the_kriged_block(nugget: float) -> None:
    """By linearity; with the cells' covered shares as weights, to 1e-9 of the sill."""
    places, values = simulated(50, 2)
    variogram = Variogram(model="exponential", nugget=nugget, partial_sill=400.0, range_m=150.0)
    system = kriging_system(places=places / 2, values=values, variogram=variogram)
    east, north = np.meshgrid(GRID.easting_m, GRID.northing_m)
    centres = np.column_stack([east.ravel(), north.ravel()])
    drawn = point_krige(system=system, targets=centres)[0].reshape(GRID.shape)
    zones = wedge(7)
    mean, _, _ = geo.zonal_mean(values=drawn, grid=GRID, polygons=zones)
    for k, (at, share) in enumerate(geo.zone_cells(grid=GRID, polygons=zones)):
        block, _ = block_krige(system=system, points=centres[at], weights=share)
        # exactextract keeps covered shares in single precision.
        assert mean[k] == pytest.approx(block, abs=1e-5)
        assert float(share @ drawn.ravel()[at] / share.sum()) == pytest.approx(block, abs=4e-7)


def test_what_the_mean_is_called() -> None:
    places, values = simulated(40, 1)
    for method, name in (("kriging", "block kriging"), ("field mean", "mean of the map"),
                         ("inverse distance", "mean of the map")):
        drawn = map_analyte(analyte="potassium", unit="ppm", places=places / 2, values=values,
                            grid=GRID, method=method)
        assert mean_is(drawn) == name
    pieces = replace(drawn, method="kriging with drift", findings=(
        note("surface-drift-gaps", "potassium", "a layer has gaps"),))
    assert mean_is(pieces) == "mean of the map"


def test_zone_smaller_than_a_cell_and_one_on_cell_edges() -> None:
    speck = shapely.box(15.0, 15.0, 15.0001, 15.0001)
    aligned = shapely.box(10.0, 10.0, 30.0, 20.0)
    cells = geo.zone_cells(grid=GRID, polygons=[speck, aligned])
    assert len(cells[0][0]) == 1
    assert len(cells[1][0]) == 2
    np.testing.assert_allclose(cells[1][1], 1.0)
    assert geo.zone_cells(grid=GRID, polygons=[]) == []
