"""Acres against GeographicLib's polygon areas and against the equal-area projection."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic

from vrx.geo import area_ac, field_crs, lonlat_area_m2, to_lonlat
from vrx.units import ACRE_M2


def planimeter_m2(ring: list[tuple[float, float]]) -> float:
    """|area| of a closed or open (longitude, latitude) ring by GeographicLib's PolygonArea."""
    polygon = Geodesic.WGS84.Polygon()
    for longitude, latitude in ring:
        polygon.AddPoint(latitude, longitude)
    return abs(polygon.Compute(reverse=False, sign=True)[2])


def test_published_polar_square() -> None:
    # GeographicLib, test suite "Planimeter0": corners at 89 N, 0, 90, 180 and 270 E.
    ring = [(0.0, 89.0), (90.0, 89.0), (180.0, 89.0), (270.0, 89.0)]
    assert lonlat_area_m2(shapely.Polygon(ring)) == pytest.approx(24952305678.0, abs=1.0)
    assert planimeter_m2(ring) == pytest.approx(24952305678.0, abs=1.0)


def test_hundredth_degree_quad() -> None:
    # 931,486.402 m2 by GeographicLib's PolygonArea (version 2.0).
    box = shapely.box(-96.50, 41.20, -96.49, 41.21)
    assert lonlat_area_m2(box) == pytest.approx(931486.402, abs=0.001)


@pytest.mark.parametrize("seed", range(6))
def test_random_rings_equal_geographiclib(seed: int) -> None:
    rng = np.random.default_rng(seed)
    longitude, latitude = rng.uniform(-170, 170), rng.uniform(-70, 70)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 40))
    reach = rng.uniform(0.002, 0.006, 40)
    ring = [
        (longitude + r * np.cos(a), latitude + r * np.sin(a))
        for r, a in zip(reach, angle, strict=True)
    ]
    assert lonlat_area_m2(shapely.Polygon(ring)) == pytest.approx(planimeter_m2(ring), rel=1e-8)


@pytest.mark.parametrize("turned", [False, True])
def test_hole_is_taken_out_however_it_winds(turned: bool) -> None:
    shell = [(-96.50, 41.20), (-96.49, 41.20), (-96.49, 41.21), (-96.50, 41.21)]
    hole = [(-96.497, 41.203), (-96.494, 41.203), (-96.494, 41.206), (-96.497, 41.206)]
    drawn = shapely.Polygon(shell, [hole[::-1] if turned else hole])
    expected = planimeter_m2(shell) - planimeter_m2(hole)
    assert lonlat_area_m2(drawn) == pytest.approx(expected, rel=1e-9)


def test_multipolygon_adds_parts() -> None:
    parts = [shapely.box(-96.50, 41.20, -96.49, 41.21), shapely.box(-96.48, 41.20, -96.47, 41.21)]
    assert lonlat_area_m2(shapely.MultiPolygon(parts)) == pytest.approx(2 * 931486.402, abs=0.002)


@pytest.mark.parametrize(
    "centre",
    [(-96.5, 41.2), (179.99, 52.0), (-179.99, -17.0), (10.0, 70.0), (25.0, 69.9), (-150.0, 64.8)],
)
def test_planar_area_of_the_field_crs_is_geodesic_area(centre: tuple[float, float]) -> None:
    # A circle of 400 m with a yard cut out; Snyder (1987), USGS Professional Paper 1395, p. 182:
    # the Lambert azimuthal projection keeps area.
    field = shapely.Point(30, -20).buffer(400).difference(shapely.box(-100, -50, 60, 40))
    method = field_crs(centre).coordinate_operation
    assert method is not None
    assert method.method_name == "Lambert Azimuthal Equal Area"
    assert area_ac(field, centre) == pytest.approx(field.area / ACRE_M2, rel=1e-6)
    lonlat = to_lonlat(field, centre)
    shell = [tuple(point) for point in shapely.get_coordinates(lonlat.exterior)[:-1]]
    hole = [tuple(point) for point in shapely.get_coordinates(lonlat.interiors[0])[:-1]]
    assert planimeter_m2(shell) - planimeter_m2(hole) == pytest.approx(field.area, rel=1e-6)


def test_a_field_across_the_antimeridian_loses_its_hole_once() -> None:
    # The same shape moved along its parallel has the same area on an ellipsoid of revolution.
    def shape(centre: float) -> shapely.Polygon:
        def ring(half: float) -> list[tuple[float, float]]:
            corners = [(-half, -half), (half, -half), (half, half), (-half, half)]
            return [((centre + x + 180.0) % 360.0 - 180.0, 41.0 + y) for x, y in corners]

        return shapely.Polygon(ring(0.004), [ring(0.001)])

    across, away = lonlat_area_m2(shape(180.0)), lonlat_area_m2(shape(-96.0))
    assert across == pytest.approx(away, rel=1e-9)
