"""Block means, relative yield over harvests and shares of zones, against scipy and by laws."""

from __future__ import annotations

import csv
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.spatial import cKDTree

from vrx.errors import InputError
from vrx.geo import cells_within, grid_over
from vrx.intake.yields import (
    PlaceColumns,
    clean_yield,
    grid_yield,
    normalise_yields,
    read_yield_logs,
    zone_yield_shares,
)
from vrx.model import Field, Grid, LayerGrid, YieldLog

SQUARE = Field(name="square", crs_centre=(-93.6, 41.04), area_ac=9.88, boundary=(
    shapely.MultiPolygon([shapely.box(0.0, 0.0, 200.0, 200.0)])))
GRID = grid_over(SQUARE.boundary, cell_m=10.0)


def log_at(east: np.ndarray, north: np.ndarray, tons: np.ndarray, **changes: object) -> YieldLog:
    n = len(east)
    given_fields: dict[str, object] = {
        "file": "log.csv", "harvest": "H1", "source": "yield", "moisture_pct": 12.0,
        "record": np.arange(n), "easting_m": east, "northing_m": north, "tons_per_ac": tons,
        "reason": np.zeros(n, dtype=np.int64), "reasons": ("no-position", "outside-field"),
        **changes}
    return YieldLog(**given_fields)  # type: ignore[arg-type]


def layer_of(values: np.ndarray, name: str = "H1", share: float = 1.0) -> LayerGrid:
    return LayerGrid(name=name, kind="yield", unit="short ton/ac", source="", grid=GRID,
                     values=values, count=np.isfinite(values).astype(np.int64),
                     covered_share=share)


def test_block_means_agree_with_scipy() -> None:
    rng = np.random.default_rng(2)
    east, north = rng.uniform(-30, 230, (2, 4000))
    tons = rng.normal(4, 1, 4000)
    layer = grid_yield(log=log_at(east, north, tons), grid=GRID, field=SQUARE)
    edges = (GRID.west_m + np.arange(GRID.columns + 1) * 10.0,
             GRID.north_m - np.arange(GRID.rows, -1, -1) * 10.0)
    right = stats.binned_statistic_2d(east, north, tons, "mean", bins=edges).statistic.T[::-1]
    assert layer.values == pytest.approx(right, nan_ok=True)
    assert layer.count.sum() <= 4000
    # 400 cells centred in the field; by chance one of them holds no point.
    inside = (GRID.easting_m > 0) & (GRID.easting_m < 200)
    own = right[np.ix_((GRID.northing_m > 0) & (GRID.northing_m < 200), inside)]
    assert own.size == 400
    assert layer.covered_share == np.isfinite(own).mean()


def test_gaps_take_the_nearest_cell_within_reach_only() -> None:
    east, north = np.array([5.0, 195.0]), np.array([195.0, 5.0])
    log = log_at(east, north, np.array([2.0, 6.0]))
    bare = grid_yield(log=log, grid=GRID, field=SQUARE)
    assert np.isfinite(bare.values).sum() == 2
    layer = grid_yield(log=log, grid=GRID, field=SQUARE, fill_within_m=40.0)
    e, n = np.meshgrid(GRID.easting_m, GRID.northing_m)
    away, which = cKDTree(np.column_stack([east, north])).query(np.column_stack(
        [e.ravel(), n.ravel()]))
    right = np.where(away <= 40.0, np.array([2.0, 6.0])[which], np.nan).reshape(GRID.shape)
    assert layer.values == pytest.approx(right, nan_ok=True)
    assert layer.count.sum() == 2
    assert layer.findings[0].code == "yield-gridded"
    assert "within 40 m" in layer.findings[0].done


def test_readings_set_aside_and_without_yield_do_not_count() -> None:
    log = log_at(np.full(3, 5.0), np.full(3, 5.0), np.array([2.0, 50.0, np.nan]),
                 reason=np.array([0, 2, 0]))
    layer = grid_yield(log=log, grid=GRID, field=SQUARE)
    assert np.nanmax(layer.values) == 2.0
    assert layer.count.sum() == 1
    with pytest.raises(InputError) as caught:
        grid_yield(log=log_at(np.full(1, 999.0), np.full(1, 5.0), np.ones(1)), grid=GRID,
                   field=SQUARE)
    assert caught.value.code == "yield-off-grid"


def test_relative_yield_by_hand() -> None:
    one, two = np.full(GRID.shape, np.nan), np.full(GRID.shape, np.nan)
    one[5, 5], one[5, 6], one[5, 7] = 1.0, 2.0, 3.0
    two[5, 5], two[5, 6] = 8.0, 12.0
    pattern = normalise_yields(layers=[layer_of(one, "H1"), layer_of(two, "H2", share=0.5)],
                               field=SQUARE)
    # Relative: 0.5, 1, 1.5; the part, 8 and 12 of mean 10, fitted to 0.75 there: 0.6, 0.9; means
    # 0.55, 0.95, 1.5, whose mean is 1.
    assert pattern.relative[5, 5:8] == pytest.approx([0.55, 0.95, 1.5])
    assert pattern.harvests[5, 4:8].tolist() == [0, 2, 2, 1]
    assert pattern.cv_pct[5, 5] == pytest.approx(100 * stats.variation([0.5, 0.6], ddof=1))
    assert np.isnan(pattern.cv_pct[5, 7])
    assert [f.code for f in pattern.findings] == ["yield-pattern", "yield-harvest-partial"]


def test_harvests_that_cannot_be_joined_stop() -> None:
    ones = np.ones(GRID.shape)
    other = Grid(west_m=0.0, north_m=200.0, cell_m=20.0, rows=10, columns=10)
    strange = LayerGrid(name="H2", kind="yield", unit="short ton/ac", source="", grid=other,
                        values=np.ones((10, 10)), count=np.ones((10, 10), dtype=np.int64),
                        covered_share=1.0)
    for layers, code in (([], "yield-no-layers"),
                         ([layer_of(ones), strange], "yield-grid-differs"),
                         ([layer_of(ones * 0)], "yield-mean")):
        with pytest.raises(InputError) as caught:
            normalise_yields(layers=layers, field=SQUARE)
        assert caught.value.code == code


def test_zone_shares_weigh_by_area() -> None:
    values = np.where(GRID.easting_m[None, :] < 50.0, 2.0, 4.0) * np.ones(GRID.shape)
    west, east = shapely.box(0, 0, 50, 200), shapely.box(50, 0, 200, 200)
    shares = zone_yield_shares(relative=values, grid=GRID, polygons=[west, east])
    # Field mean (2 x 50 + 4 x 150) / 200 = 3.5.
    assert shares.share == pytest.approx([2 / 3.5, 4 / 3.5])
    assert shares.low == pytest.approx([2 / 3.5, 4 / 3.5])
    assert shares.findings[-1].code == "yield-shares"


def test_a_zone_without_data_gets_the_mean_and_a_warning() -> None:
    values = np.where(GRID.easting_m[None, :] < 50.0, np.nan, 4.0) * np.ones(GRID.shape)
    zones = [shapely.box(0, 0, 50, 200), shapely.box(50, 0, 100, 200),
             shapely.box(100, 0, 200, 200)]
    shares = zone_yield_shares(relative=values, grid=GRID, polygons=zones, zone_ids=[7, 8, 9])
    assert shares.share.tolist() == [1.0, 1.0, 1.0]
    assert shares.findings[0].where == "zone 7"
    assert shares.findings[0].severity == "warn"
    for wrong, code in ((values * np.nan, "yield-zones-empty"), (values - 4.0, "yield-mean")):
        with pytest.raises(InputError) as caught:
            zone_yield_shares(relative=wrong, grid=GRID, polygons=zones)
        assert caught.value.code == code


@settings(derandomize=True, max_examples=20, deadline=None)
@given(factors=st.lists(st.floats(0.1, 20.0), min_size=2, max_size=4), seed=st.integers(0, 9))
def test_how_much_a_harvest_yielded_does_not_weigh(factors: list[float], seed: int) -> None:
    rng = np.random.default_rng(seed)
    harvests = [rng.uniform(1, 5, GRID.shape) for _ in factors]
    plain = normalise_yields(layers=[layer_of(h) for h in harvests], field=SQUARE)
    scaled = normalise_yields(layers=[layer_of(h * f) for h, f in zip(
        harvests, factors, strict=True)], field=SQUARE)
    assert scaled.relative == pytest.approx(plain.relative, rel=1e-12)
    assert scaled.cv_pct == pytest.approx(plain.cv_pct, rel=1e-9)


@settings(derandomize=True, max_examples=20, deadline=None)
@given(cuts=st.lists(st.floats(5.0, 195.0), min_size=1, max_size=5, unique=True),
       seed=st.integers(0, 9))
def test_shares_of_any_strips_have_an_area_weighted_mean_of_one(
    cuts: list[float], seed: int
) -> None:
    edges = [0.0, *sorted(cuts), 200.0]
    strips = [shapely.box(a, 0, b, 200) for a, b in pairwise(edges)
              if b - a > 1e-3]
    values = np.random.default_rng(seed).uniform(0.5, 9.0, GRID.shape)
    shares = zone_yield_shares(relative=values, grid=GRID, polygons=strips)
    area = np.array([s.area for s in strips])
    assert float((shares.share * area).sum() / area.sum()) == pytest.approx(1.0, abs=1e-12)
    assert (shares.low <= shares.share + 1e-12).all()
    assert (shares.share <= shares.high + 1e-12).all()


@pytest.mark.shared_data
def test_four_cuttings_of_a_pivot_become_one_pattern(
    shared: Callable[[str], Path], make: SimpleNamespace
) -> None:
    path = shared("data/kayad.alfalfa.txt")
    with path.open(newline="") as stream:
        rows = list(csv.DictReader(stream, delimiter="\t"))
    field = make.around([float(r["long"]) for r in rows], [float(r["lat"]) for r in rows], 0.0)
    logs = read_yield_logs(path=path, field=field, spec=make.spec(
        places=PlaceColumns(longitude_column="long", latitude_column="lat"), moisture_pct=None,
        moisture_unknown=True, harvest_column="harvest"))
    grid = grid_over(field.boundary, cell_m=20.0)
    layers = [grid_yield(log=clean_yield(log=log), grid=grid, field=field, fill_within_m=30.0)
              for log in logs]
    assert all(layer.covered_share > 0.99 for layer in layers)
    pattern = normalise_yields(layers=layers, field=field)
    assert pattern.names == ("H8", "H9", "H10", "H11")
    _, cells = cells_within(field.boundary, grid)
    row, column = cells.astype(int).T
    assert np.nanmean(pattern.relative[row, column]) == pytest.approx(1.0, abs=1e-12)
    # The same field every time: what one harvest shows, another shows again.
    both = np.isfinite(layers[0].values) & np.isfinite(layers[2].values)
    assert stats.spearmanr(layers[0].values[both], layers[2].values[both]).statistic > 0.5
    west, south, east, north = field.boundary.bounds
    middle = (west + east) / 2
    halves = [field.boundary.intersection(shapely.box(west, south, middle, north)),
              field.boundary.intersection(shapely.box(middle, south, east, north))]
    shares = zone_yield_shares(relative=pattern.relative, grid=grid, polygons=halves)
    area = np.array([half.area for half in halves])
    assert float((shares.share * area).sum() / area.sum()) == pytest.approx(1.0, abs=1e-12)
