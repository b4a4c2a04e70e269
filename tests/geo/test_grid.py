"""The grid and single places, counted by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic

from vrx.geo import WGS84, cell_at, cells_within, field_crs, grid_over, transform_points
from vrx.model import Grid

GRID = Grid(west_m=-20.0, north_m=20.0, cell_m=10.0, rows=4, columns=6)


def test_the_grid_reaches_a_cell_beyond_on_multiples_of_the_cell() -> None:
    grid = grid_over(shapely.box(3.0, -7.0, 21.0, 12.0), cell_m=5.0)
    # 3 lies in the cell from 0, so the grid begins at -5; 12 in the one up to 15, so at 20.
    assert (grid.west_m, grid.north_m) == (-5.0, 20.0)
    assert grid.east_m - 21.0 >= 5.0
    assert -7.0 - grid.south_m >= 5.0
    assert grid.easting_m[0] == -2.5
    assert grid.northing_m[0] == 17.5
    assert (GRID.east_m, GRID.south_m) == (40.0, -20.0)


@pytest.mark.parametrize(
    ("easting_m", "northing_m", "cell"),
    [
        (-19.9, 19.9, (0, 0)), (39.9, -19.9, (3, 5)), (0.0, 0.0, (2, 2)), (-0.1, 0.1, (1, 1)),
        (-500.0, 500.0, (0, 0)), (500.0, -500.0, (3, 5)),
    ],
)
def test_cell_at(easting_m: float, northing_m: float, cell: tuple[int, int]) -> None:
    assert cell_at(GRID, easting_m=easting_m, northing_m=northing_m) == cell


def test_cells_within_are_centres_or_the_polygons_own_point() -> None:
    places, cells = cells_within(shapely.box(-20, 0, 0, 20), GRID)
    assert places.tolist() == [[-15.0, 15.0], [-5.0, 15.0], [-15.0, 5.0], [-5.0, 5.0]]
    assert cells.tolist() == [[0, 0], [0, 1], [1, 0], [1, 1]]
    speck = shapely.box(1, 1, 2, 2)
    places, cells = cells_within(speck, GRID)
    assert speck.contains(shapely.Point(places[0]))
    assert cells.tolist() == [[1, 2]]


def test_one_place_alone_goes_where_it_goes_among_others() -> None:
    # Distance from the centre of a Lambert azimuthal equal-area projection is short of the geodesic
    # by no more than (s/R)^2/24 (Snyder 1987, USGS Professional Paper 1395, p. 182).
    centre, longitude, latitude = (-93.59, 41.01), np.array([-93.58]), np.array([41.013])
    alone = transform_points(longitude, latitude, source=WGS84, target=field_crs(centre))
    among = transform_points(
        np.append(longitude, -93.6), np.append(latitude, 41.0), source=WGS84,
        target=field_crs(centre),
    )
    assert [part.shape for part in alone] == [(1,), (1,)]
    assert (alone[0][0], alone[1][0]) == (among[0][0], among[1][0])
    metres = Geodesic.WGS84.Inverse(41.01, -93.59, 41.013, -93.58)["s12"]
    assert np.hypot(alone[0][0], alone[1][0]) == pytest.approx(metres, rel=1e-6)
