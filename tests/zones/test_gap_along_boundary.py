"""A boundary of few corners along many zones: what lies between goes to each zone beside it."""

import math

import numpy as np
import pytest
import shapely

from vrx.geo import coverage_from_polygons, coverage_trouble

CENTRE = (-98.4, 41.2)
WIDE, HIGH, COUNT = 9.0, 200.0, 20


def strips(bow_m):
    """Strips whose southern corners lie on an arc `bow_m` inside (or outside) the straight edge.

    A straight edge in degrees is such an arc in metres, and the other way round.
    """
    def south(k):
        return bow_m * math.sin(math.pi * k / COUNT)

    return [
        shapely.Polygon([(k * WIDE, south(k)), ((k + 1) * WIDE, south(k + 1)),
                         ((k + 1) * WIDE, HIGH), (k * WIDE, HIGH)])
        for k in range(COUNT)]


@pytest.mark.parametrize("bow_m", [0.002, 0.01, 0.3, -0.01])
def test_each_zone_takes_the_gap_at_its_own_edge(bow_m):
    field = shapely.box(0, 0, COUNT * WIDE, HIGH)
    made = coverage_from_polygons(
        strips(bow_m), field, crs_centre=CENTRE, names=[str(k) for k in range(COUNT)])
    assert not coverage_trouble(made.polygons, field)
    for k, polygon in enumerate(made.polygons):
        west, _, east, _ = polygon.bounds
        # Whole, the gap went to one zone, as a hair of 180 m along all others.
        assert west == pytest.approx(k * WIDE, abs=0.02)
        assert east == pytest.approx((k + 1) * WIDE, abs=0.02)
        assert polygon.area == pytest.approx(WIDE * HIGH, abs=HIGH * 0.002)


def test_a_gap_between_two_rows_of_zones_is_still_closed():
    # Inside the field no boundary is near: the gap goes where it touches longest.
    lower = [shapely.box(k * 50, 0, (k + 1) * 50, 100) for k in range(4)]
    upper = [shapely.box(0, 100.2, 200, 200)]
    field = shapely.box(0, 0, 200, 200)
    made = coverage_from_polygons(
        [*lower, *upper], field, crs_centre=CENTRE, names=[*"abcd", "upper"])
    assert not coverage_trouble(made.polygons, field)
    assert np.isclose(made.polygons[4].area, 200 * 100, atol=0.5)
