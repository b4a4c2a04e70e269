"""Acres, rings and comparisons against published figures and against each other."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from audit_builders import acres
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.audit import _crs, _layers, _shapefile
from vrx.audit._ledger import Ledger
from vrx.units import ACRE_M2


def ring(*latlon: tuple[float, float]) -> np.ndarray:
    closed = [*latlon, latlon[0]]
    return np.array([(lon, lat) for lat, lon in closed], dtype=np.float64)


@pytest.mark.parametrize(
    ("corners", "area_m2", "perimeter_m"),
    [
        (((89, 0), (89, 90), (89, 180), (89, 270)), 24952305678.0, 631819.8745),
        (((0, -1), (-1, 0), (0, 1), (1, 0)), 24619419146.0, 627598.2731),
        (((90, 0), (0, 0), (0, 90)), 63758202715511.0, 30022685.63),
    ],
)
def test_published_geodesic_polygons(
    corners: tuple[tuple[float, float], ...], area_m2: float, perimeter_m: float
) -> None:
    """Test set of GeographicLib (Planimeter0 and others), Karney: 1 m2 and 1 cm."""
    area, perimeter = _layers.ring_m(ring(*corners))
    assert area == pytest.approx(area_m2, abs=1.0)
    assert perimeter == pytest.approx(perimeter_m, abs=0.01)
    assert _layers.ring_m(ring(*corners[::-1]))[0] == pytest.approx(area_m2, abs=1.0)


def test_a_cell_against_the_closed_form() -> None:
    """0.01 degree quad at 41.20 N: 931486.403 m2 by the closed form on the authalic sphere."""
    cell = ring((41.20, -96.50), (41.20, -96.49), (41.21, -96.49), (41.21, -96.50))
    assert _layers.part_area_ac((cell,)) * ACRE_M2 == pytest.approx(931486.403, abs=0.01)


def test_a_hole_is_taken_out_whatever_its_winding() -> None:
    shell = ring((41.0, -98.0), (41.0, -97.99), (41.01, -97.99), (41.01, -98.0))
    hole = ring((41.004, -97.996), (41.004, -97.994), (41.006, -97.994), (41.006, -97.996))
    meant = acres(shapely.Polygon(shell, [hole]))
    for one in (shell, shell[::-1]):
        for other in (hole, hole[::-1]):
            assert _layers.part_area_ac((one, other)) == pytest.approx(meant, rel=1e-9)


def test_rings_are_grouped_by_nesting() -> None:
    """An island in a lake is a polygon of its own."""
    rings = [
        np.array(shapely.box(*bounds).exterior.coords)
        for bounds in ((4, 4, 5, 5), (0, 0, 10, 10), (2, 2, 8, 8), (20, 0, 30, 10))
    ]
    parts = _shapefile._group(rings)
    assert sorted(len(part) for part in parts) == [1, 1, 2]
    lake = next(part for part in parts if len(part) == 2)
    assert lake[0] is rings[1]
    assert lake[1] is rings[2]


corner = st.tuples(st.integers(-2000, 2000), st.integers(-2000, 2000))


@settings(max_examples=40, derandomize=True, deadline=None)
@given(
    st.lists(corner, min_size=5, max_size=12, unique=True), st.integers(0, 20), st.booleans(),
    st.integers(0, 20),
)
def test_rings_are_equal_whatever_their_start_and_winding(
    corners: list[tuple[int, int]], start: int, turn: bool, moved: int
) -> None:
    hull = shapely.convex_hull(shapely.MultiPoint(corners))
    if hull.geom_type != "Polygon":
        return
    first = np.array(hull.exterior.coords) / 1e6 + np.array([-98.3, 41.07])
    second = np.roll(first[:-1], start, axis=0)
    second = second[::-1] if turn else second
    second = np.vstack([second, second[:1]])
    assert _layers.ring_difference(first, second) == 0.0
    shifted = second.copy()
    at = moved % (len(shifted) - 1)
    shifted[at, 0] += 1.1e-6
    shifted[-1] = shifted[0]
    found = _layers.ring_difference(first, shifted)
    assert found >= _layers.DEGREE_TOLERANCE
    assert math.isinf(_layers.ring_difference(first, np.vstack([first[:1], first])))


@pytest.mark.parametrize(
    ("found", "expected", "pct", "agrees"),
    [
        (100.01, 100.0, 0.01, True), (99.99, 100.0, 0.01, True), (100.0101, 100.0, 0.01, False),
        (0.0, 0.0, 0.01, True), (1e-6, 0.0, 0.01, False), (None, 1.0, 0.01, False),
        ("1", 1.0, 0.01, False), (math.nan, 1.0, 0.01, False), (1.0, math.nan, 0.01, False),
        (math.nan, math.nan, 0.01, False), (math.inf, math.inf, 0.01, False),
        (True, 1.0, 0.01, False), (-5.0, -5.0, 0.0, True),
    ],
)
def test_a_comparison(found: object, expected: object, pct: float, agrees: bool) -> None:
    ledger = Ledger()
    assert ledger.figure("w", "p", "lb", found=found, expected=expected, pct=pct) is agrees
    assert ledger.rows[0].agrees is agrees
    assert ledger.result("s", record=True).arithmetic is agrees


GEOGCS = (
    'GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",{ellipsoid}]],'
    "PRIMEM[{meridian}],UNIT[{unit}]]"
)
WGS, CLARKE = "6378137.0,298.257223563", "6378206.4,294.978698214"
GREENWICH, PARIS = '"Greenwich",0.0', '"Paris",2.337229166666667'
DEGREE, GRAD = '"Degree",0.0174532925199433', '"Grad",0.01570796326794897'


@pytest.mark.parametrize(
    ("wkt", "kind"),
    [
        (GEOGCS.format(ellipsoid=WGS, meridian=GREENWICH, unit=DEGREE), "wgs84"),
        # The right name over another ellipsoid, prime meridian or unit is not WGS 84.
        (GEOGCS.format(ellipsoid=CLARKE, meridian=GREENWICH, unit=DEGREE), "geographic"),
        (GEOGCS.format(ellipsoid=WGS, meridian=PARIS, unit=DEGREE), "geographic"),
        (GEOGCS.format(ellipsoid=WGS, meridian=GREENWICH, unit=GRAD), "geographic"),
        ("", "unknown"), ("EPSG:4326", "unknown"), ('GEOGCS["x"', "unknown"),
    ],
)
def test_texts_of_coordinate_systems(wkt: str, kind: str) -> None:
    assert _crs.judge(wkt).kind == kind
