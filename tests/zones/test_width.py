"""Widths across the driving direction, counted on strips laid out in eastings and northings."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.ndimage import distance_transform_edt
from shapely import affinity

from vrx.errors import ComputeError
from vrx.geo import grid_over, width_across_m
from vrx.zones import ClassLayer, MachineRules, zones_from_classes, zones_from_polygons
from vrx.zones._raster import clean, smooth
from vrx.zones._width import reached, spread

_FIELDS = runpy.run_path(str(Path(__file__).with_name("fields.py")))
CENTRE = _FIELDS["CENTRE"]
STEPS = 1 - np.eye(2, dtype=np.int64)
DIRECTIONS = (0.0, 20.0, 45.0, 90.0, 113.0, 160.0, -25.0, 200.0)


@pytest.mark.parametrize("radius", [0.5, 1.0, 1.5, 2.0, 3.66, 7.0, 9.15, 11.0, 120.0])
def test_spread_is_a_threshold_on_the_exact_distance(radius: float) -> None:
    # Against scipy's exact Euclidean distance transform.
    rng = np.random.default_rng(3)
    for share in (0.001, 0.02, 0.3):
        mask = rng.random((57, 83)) < share
        mask[5, 7] = True
        assert np.array_equal(spread(mask, radius), distance_transform_edt(~mask) < radius)
    assert not spread(np.zeros((4, 4), dtype=bool), radius).any()


def _field(cells: int = 160):
    """Inside of a round field, and easting and northing of its cells, one metre apart."""
    easting = np.arange(cells) - cells / 2 + 0.5
    east, north = np.meshgrid(easting, -easting)
    return np.hypot(east, north) < cells / 2 - 2, east, north


def _strip(east, north, driving_deg: float, width: float, *, off: float = 0.3):
    """Cells whose centre lies in a strip along a compass direction."""
    # The driving direction is (sin, cos) in (easting, northing); across it lies (cos, -sin).
    turn = np.radians(driving_deg)
    return (np.abs(east * np.cos(turn) - north * np.sin(turn) - off) < width / 2).astype(np.int64)


def _left(classes, inside, width: float, driving_deg: float) -> float:
    found = clean(
        classes=classes, inside=inside, distance=STEPS, width_cells=width, smallest_cells=0.0,
        driving_deg=driving_deg)
    assert found.stable
    return float((found.classes[inside] == 1).sum() / (classes[inside] == 1).sum())


@pytest.mark.parametrize("driving_deg", DIRECTIONS)
@pytest.mark.parametrize("width", [4.0, 6.0, 12.0])
def test_tilted_strips_along_the_driving_direction(driving_deg: float, width: float) -> None:
    inside, east, north = _field()
    # As wide as the limit stays (half a cell more for wide limits, whose samples lie a cell apart),
    # narrower by two cells goes.
    more = 0.0 if width < 8 else 0.5
    for off in (-0.3, 0.0, 0.45):
        enough = _strip(east, north, driving_deg, width + more, off=off)
        assert _left(enough, inside, width, driving_deg) > 0.97
        narrow = _strip(east, north, driving_deg, width - 2.0, off=off)
        assert _left(narrow, inside, width, driving_deg) < 0.03


@pytest.mark.parametrize("driving_deg", DIRECTIONS)
def test_thin_strips_right_across_the_driving_direction_stay(driving_deg: float) -> None:
    # Three cells long in the driving direction and as wide as the field: a circle would not fit.
    inside, east, north = _field()
    lane = _strip(east, north, driving_deg + 90.0, 3.0)
    assert _left(lane, inside, 12.0, driving_deg) > 0.97
    gone = clean(classes=lane, inside=inside, distance=STEPS, width_cells=12.0, smallest_cells=0.0)
    assert (gone.classes[inside] == 0).all()


def test_straight_directions_are_exact_and_turns_alike() -> None:
    inside = np.ones((40, 60), dtype=bool)
    classes = np.zeros((40, 60), dtype=np.int64)
    classes[:, 20:25] = 1
    for deg in (0.0, 180.0, -180.0, 360.0):
        assert _left(classes, inside, 5.0, deg) == 1.0
        assert _left(classes, inside, 5.001, deg) == 0.0
        assert _left(classes.T, inside.T, 5.001, 90.0 + deg) == 0.0
    # North and south driven, the strip running east and west is as wide as the field.
    assert _left(classes.T.copy(), inside.T, 39.0, 0.0) == 1.0


def test_reached_is_the_same_on_a_turned_raster() -> None:
    rng = np.random.default_rng(8)
    coarse = rng.integers(0, 3, (12, 12)).repeat(6, axis=0).repeat(6, axis=1)
    for deg in (0.0, 30.0, 77.0):
        straight = reached(coarse, 9.0, deg)
        # A quarter turn to the left takes 90 degrees off the direction.
        turned = reached(np.rot90(coarse).copy(), 9.0, deg - 90.0)
        assert (np.rot90(straight) == turned).mean() > (0.95 if deg else 0.999)


def test_width_across_a_polygon() -> None:
    lane = shapely.box(0, 0, 30, 400)
    assert width_across_m(lane, 0.0) == pytest.approx(30.0)
    assert width_across_m(lane, 90.0) == pytest.approx(400.0)
    # At 30 degrees from a lane a run across is 30 / cos 30 long.
    assert width_across_m(lane, 30.0) == pytest.approx(30.0 / np.cos(np.radians(30.0)), rel=1e-3)
    turned = affinity.rotate(lane, -70.0, origin=(5, 5))  # clockwise: the lane now runs at 70
    assert width_across_m(turned, 70.0) == pytest.approx(30.0, rel=1e-6)
    holed = shapely.box(0, 0, 100, 100).difference(shapely.box(40, -1, 60, 101))
    assert width_across_m(holed, 0.0) == pytest.approx(40.0)


def _layer(values) -> ClassLayer:
    return ClassLayer(analyte="k", label="K", values=values, breaks=(110.0,),
                      class_labels=("low", "high"))


def test_zones_follow_the_driving_direction_end_to_end() -> None:
    boundary = shapely.MultiPolygon([shapely.box(0, 0, 500, 500)])
    grid = grid_over(boundary, cell_m=5.0)
    east, _ = np.meshgrid(grid.easting_m, grid.northing_m)
    values = np.full(grid.shape, 100.0)
    values[np.abs(east - 250) < 6] = 120.0  # 12 m wide, running north: 1.48 ac

    def made(**more):
        return zones_from_classes(
            boundary=boundary, crs_centre=CENTRE, grid=grid, layers=[_layer(values)],
            smallest_ac=0.5, narrowest_m=18.3, **more)

    assert len(made().zones) == 1
    north_driven = made(driving_deg=0.0)
    assert len(north_driven.zones) == 1
    (finding,) = north_driven.findings
    assert finding.code == "zones-narrow-merged"
    assert "60 ft across the driving direction (0 degrees)" in finding.what
    east_driven = made(driving_deg=90.0)
    assert [zone.label for zone in east_driven.zones] == ["K low", "K high", "K low"]
    assert "driving direction (90 degrees)" in east_driven.basis
    assert not east_driven.findings


def test_zones_that_cannot_be_wide_enough_are_told() -> None:
    # A separate part of the field, wide enough itself, that its classes cut in two narrow halves
    # with nothing wide beside them.
    boundary = shapely.MultiPolygon([shapely.box(0, 0, 400, 400), shapely.box(450, 0, 480, 400)])
    grid = grid_over(boundary, cell_m=5.0)
    east, _ = np.meshgrid(grid.easting_m, grid.northing_m)
    zones = zones_from_classes(
        boundary=boundary, crs_centre=CENTRE, grid=grid,
        layers=[_layer(np.where((east > 465), 120.0, 100.0))], smallest_ac=0.5, narrowest_m=20.0,
        driving_deg=0.0)
    (finding,) = [one for one in zones.findings if one.code == "zones-still-narrow"]
    assert finding.severity.value == "warn"
    assert float(finding.value) == pytest.approx(30 * 400 / 4046.8564224, rel=0.01)
    field = zones_from_classes(
        boundary=shapely.MultiPolygon([shapely.box(0, 0, 15, 900)]), crs_centre=CENTRE,
        grid=grid_over(shapely.box(0, 0, 15, 900), cell_m=5.0),
        layers=[_layer(np.full(grid_over(shapely.box(0, 0, 15, 900), cell_m=5.0).shape, 1.0))],
        smallest_ac=0.5, narrowest_m=20.0, driving_deg=0.0)
    assert {one.code for one in field.findings} == {"zones-field-narrow"}


def test_own_zones_are_measured_across_the_driving_direction() -> None:
    boundary = shapely.MultiPolygon([shapely.box(0, 0, 400, 400)])
    drawn = [shapely.box(0, 0, 400, 390), shapely.box(0, 390, 400, 400)]
    given = {"boundary": boundary, "crs_centre": CENTRE, "polygons": drawn,
             "labels": ["rest", "lane"], "narrowest_m": 18.3}
    assert not zones_from_polygons(**given, driving_deg=0.0).findings
    (finding,) = zones_from_polygons(**given, driving_deg=90.0).findings
    assert finding.where == "zone 'lane'"
    assert float(finding.value) == pytest.approx(10.0, abs=0.01)


def test_smoothing_takes_specks_and_keeps_straight_edges() -> None:
    inside = np.ones((60, 60), dtype=bool)
    classes = np.zeros((60, 60), dtype=np.int64)
    classes[:, 30:] = 1
    speckled = classes.copy()
    speckled[10::9, 7::9] = 1 - speckled[10::9, 7::9]
    assert np.array_equal(smooth(speckled, inside, 2.0), classes)
    assert np.array_equal(smooth(classes, inside, 0.4), classes)


def test_simplification_follows_its_tolerance() -> None:
    boundary = _FIELDS["random_field"]("wavy", 3)
    grid = grid_over(boundary, cell_m=5.0)
    layer = _layer(_FIELDS["smooth"](grid.shape, 3) - 20)
    corners = [
        sum(len(shapely.get_coordinates(zone.polygon)) for zone in zones_from_classes(
            boundary=boundary, crs_centre=CENTRE, grid=grid, layers=[layer], smallest_ac=1.0,
            narrowest_m=18.3, simplify_m=tolerance).zones)
        for tolerance in (0.0, 5.0, 20.0)
    ]
    assert corners[0] > corners[1] > corners[2]


@pytest.mark.parametrize("wrong", [
    {"smallest_ac": -1.0}, {"narrowest_m": float("inf")}, {"smooth_m": -0.1},
    {"simplify_m": float("nan")}, {"most_zones": 0}, {"driving_deg": float("nan")},
])
def test_rules_that_are_no_rules(wrong) -> None:
    with pytest.raises(ComputeError) as caught:
        MachineRules(**wrong)
    assert caught.value.code == "zones-limit"
