"""Points of a covariate become block means on the field's grid."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyproj
import pytest
from scipy import stats

from vrx.errors import InputError
from vrx.intake.point_layer import PointSpec, read_point_layer
from vrx.intake.yields import LogColumn, PlaceColumns
from vrx.model import Field, Grid


def spec(**changes: object) -> PointSpec:
    given: dict[str, object] = {
        "name": "apparent conductivity", "value": LogColumn(column="EC", unit="mS/m"),
        "places": PlaceColumns(longitude_column="lon", latitude_column="lat"), **changes}
    return PointSpec(**given)  # type: ignore[arg-type]


@pytest.fixture
def points(make: SimpleNamespace) -> SimpleNamespace:
    rng = np.random.default_rng(4)
    east, north = rng.uniform(-199, 199, (2, 3000))
    return SimpleNamespace(east=east, north=north, ec=20 + 0.03 * east + rng.normal(0, 1, 3000),
                           lonlat=make.lonlat(east, north))


def test_block_means_agree_with_scipy_in_degrees_and_metres(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path, points: SimpleNamespace
) -> None:
    edges = (grid.west_m + np.arange(grid.columns + 1) * 10.0,
             grid.north_m - np.arange(grid.rows, -1, -1) * 10.0)
    right = stats.binned_statistic_2d(points.east, points.north, points.ec, "mean", bins=edges
                                      ).statistic.T[::-1]
    utm = pyproj.Transformer.from_crs(4326, 32615, always_xy=True).transform(*points.lonlat.T)
    path = make.write(tmp_path / "ec.csv", {
        "lon": points.lonlat[:, 0], "lat": points.lonlat[:, 1], "E": utm[0], "N": utm[1],
        "EC": points.ec})
    metres = PlaceColumns(easting_column="E", northing_column="N", crs="EPSG:32615")
    for where in (spec(), spec(places=metres)):
        layer = read_point_layer(path=path, field=field, grid=grid, spec=where)
        same = np.isclose(layer.values, right, equal_nan=True)
        # A point within a micrometre of an edge may fall to either side.
        assert same.mean() > 0.999
        assert layer.count.sum() == 3000
        assert (layer.unit, layer.kind) == ("mS/m", "points")
    assert layer.findings[-1].code == "layer-covered"


def test_gaps_missing_values_and_strangers_are_told(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    where = make.lonlat([0.0, 5.0, 900.0], [0.0, 0.0, 0.0])
    path = make.write(tmp_path / "ec.csv", {
        "lon": where[:, 0], "lat": where[:, 1], "EC": ["21.5", "", "30"]})
    layer = read_point_layer(path=path, field=field, grid=grid, spec=spec(), fill_within_m=25.0)
    codes = {f.code: f for f in layer.findings}
    assert {"layer-no-value", "layer-readings-outside", "layer-covered"} <= set(codes)
    assert codes["layer-covered"].severity == "warn"
    assert np.nanmin(layer.values) == np.nanmax(layer.values) == 21.5
    # Cell centres within 25 m of the only cell that has a value.
    assert np.isfinite(layer.values).sum() == sum(
        np.hypot(a, b) <= 2.5 for a in range(-3, 4) for b in range(-3, 4))
    assert layer.count.sum() == 1


@pytest.mark.parametrize(("changes", "code"), [
    ({"value": LogColumn(column="EC", unit=" ")}, "layer-unit-missing"),
    ({"value": LogColumn(column="ECa", unit="mS/m")}, "table-column-missing"),
    ({"value": LogColumn(column="none", unit="mS/m")}, "layer-no-values"),
    ({"places": PlaceColumns(longitude_column="lon")}, "layer-no-coordinates"),
    ({"places": PlaceColumns(longitude_column="lat", latitude_column="lon")},
     "layer-outside-field"),
])
def test_what_is_not_stated_stops(
    *, make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path,
    changes: dict[str, object], code: str,
) -> None:
    where = make.lonlat([0.0, 5.0], [0.0, 0.0])
    path = make.write(tmp_path / "ec.csv", {
        "lon": where[:, 0], "lat": where[:, 1], "EC": ["21.5", "22"], "none": ["", ""]})
    with pytest.raises(InputError) as caught:
        read_point_layer(path=path, field=field, grid=grid, spec=spec(**changes))
    assert caught.value.code == code
