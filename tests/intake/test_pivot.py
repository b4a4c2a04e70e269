"""A pivot as a boundary: acres by formula, by GeographicLib, and what is refused.

acres = R^2 x pi / 43,560 with R in feet, as extension tables for centre pivots print it: 1,300 ft
gives 121.88 ac (121.82 where pi is cut to 3.14). A sector is theta/360, a ring R2^2 - R1^2.
"""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from vrx.errors import InputError
from vrx.geo import area_ac, to_lonlat
from vrx.intake import pivot_boundary, read_exclusions
from vrx.units import pivot_area_ac

ACRE_M2 = 4046.8564224
CENTRE = (-85.5512, 41.9333)


def formula_ac(radius_ft: float, degrees: float = 360.0, inner_ft: float = 0.0) -> float:
    return math.pi * (radius_ft**2 - inner_ft**2) / 43_560.0 * degrees / 360.0


def karney_ac(geometry: Any) -> float:
    total = 0.0
    for part in geometry.geoms:
        for sign, ring in [(1, part.exterior), *((-1, hole) for hole in part.interiors)]:
            polygon = Geodesic.WGS84.Polygon()
            for lon, lat in list(ring.coords)[:-1]:
                polygon.AddPoint(lat, lon)
            total += sign * abs(polygon.Compute()[2]) / ACRE_M2
    return total


def pivot(**told: Any) -> Any:
    return pivot_boundary(**{"name": "P", "centre": CENTRE, "radius_ft": 1300.0, **told})


def test_thirteen_hundred_feet_are_121_88_acres() -> None:
    field = pivot()
    assert round(field.area_ac, 2) == 121.88
    assert field.area_ac == pytest.approx(pivot_area_ac(1300.0), rel=1e-8)
    assert field.crs_centre == (-85.55, 41.93)
    (said,) = field.findings
    assert said.code == "pivot-drawn"
    assert said.done == "drawn with 360 edges, 121.885 ac"


@given(
    lon=st.floats(-180, 180), lat=st.one_of(st.floats(1, 75), st.floats(-75, -1)),
    radius=st.floats(150, 2900),
    inner=st.floats(0, 0.9), start=st.floats(-360, 360), sweep=st.floats(1, 360))
@settings(derandomize=True, max_examples=40, deadline=None)
def test_sectors_and_rings_are_their_share_of_the_circle(
    *, lon: float, lat: float, radius: float, inner: float, start: float, sweep: float,
) -> None:
    whole = sweep > 359
    sector = {} if whole else {"start_deg": start, "stop_deg": start + sweep}
    field = pivot(centre=(lon, lat), radius_ft=radius, inner_radius_ft=inner * radius, **sector)
    want = formula_ac(radius, 360.0 if whole else sweep, inner * radius)
    # The promise is 0.001 % of a field. PROJ's inverse is up to 1 mm off at a projection's centre,
    # where the tip of a sector lies; below an acre that shows in the sixth digit.
    assume(want > 1.0)
    assert field.area_ac == pytest.approx(want, rel=1e-5)
    assert field.boundary.is_valid
    assert len(field.boundary.geoms) == 1
    assert karney_ac(to_lonlat(field.boundary, field.crs_centre)) == pytest.approx(want, rel=1e-5)


def test_every_vertex_is_a_radius_from_the_centre_by_geographiclib() -> None:
    field = pivot(start_deg=300.0, stop_deg=45.0)
    places = shapely.get_coordinates(to_lonlat(field.boundary, field.crs_centre))
    found = [Geodesic.WGS84.Inverse(CENTRE[1], CENTRE[0], lat, lon) for lon, lat in places]
    metres = np.array([one["s12"] for one in found])
    rim = metres > 1.0
    # 1 degree of chord: the vertices stand 1 cm outside, the edges' middles as much inside.
    assert metres[rim] == pytest.approx(1300 * 0.3048, abs=0.012)
    azimuth = np.array([one["azi1"] for one in found])[rim]
    assert azimuth.min() == pytest.approx(-60.0, abs=1e-3)
    assert azimuth.max() == pytest.approx(45.0, abs=1e-3)


def test_end_gun_arcs_add_their_strips() -> None:
    field = pivot(end_gun_ft=80.0, end_gun_arcs=[(350.0, 20.0), (100.3, 200.0)])
    want = formula_ac(1300) + formula_ac(1380, 30 + 99.7, 1300)
    assert field.area_ac == pytest.approx(want, rel=1e-5)
    # Arcs that overlap count once, and one all round is a larger circle.
    twice = pivot(end_gun_ft=80.0, end_gun_arcs=[(350.0, 20.0), (10.0, 20.0), (100.3, 200.0)])
    assert twice.area_ac == pytest.approx(field.area_ac, rel=1e-9)
    assert pivot(end_gun_ft=80.0, end_gun_arcs=[(0, 360)]).area_ac == pytest.approx(
        formula_ac(1380), rel=1e-8)
    sector = pivot(start_deg=300, stop_deg=45, end_gun_ft=80.0, end_gun_arcs=[(300, 310), (40, 45)])
    assert sector.area_ac == pytest.approx(
        formula_ac(1300, 105) + formula_ac(1380, 15, 1300), rel=1e-5)


def test_corners_and_squares() -> None:
    # A quarter section of 2,640 ft has 160 ac (43,560 ft2 each); 560 ft reach its corners.
    full = pivot(corner_arm_ft=570.0, square_side_ft=2640.0)
    assert full.area_ac == pytest.approx(2640**2 / 43_560, rel=1e-5)
    # Circle and square by hand: R^2 (pi - 4 (a - sin a cos a)), a = acos(side / 2 / R).
    a = math.acos(1200 / 1300)
    want = 1300**2 * (math.pi - 4 * (a - math.sin(a) * math.cos(a))) / 43_560
    assert pivot(square_side_ft=2400.0).area_ac == pytest.approx(want, rel=1e-5)
    wider = pivot(corner_arm_ft=300.0, square_side_ft=2600.0)
    a = math.acos(1300 / 1600)
    want = 1600**2 * (math.pi - 4 * (a - math.sin(a) * math.cos(a))) / 43_560
    assert wider.area_ac == pytest.approx(want, rel=1e-5)
    assert "pivot-square" in [f.code for f in wider.findings]


def test_exclusions_are_cut_out(make: SimpleNamespace, tmp_path: Path) -> None:
    lon, lat = CENTRE
    yard = [[lon, lat], [lon + 0.001, lat], [lon + 0.001, lat + 0.001], [lon, lat + 0.001],
            [lon, lat]]
    far = [[p[0] + 1, p[1]] for p in yard]
    path = make.geojson(tmp_path / "wet.geojson", make.polygon(yard), make.polygon(far))
    areas, said = read_exclusions(path=path)
    field = pivot(exclusions=areas, findings=said)
    away = area_ac(field.boundary, field.crs_centre)
    assert away == pytest.approx(formula_ac(1300) - karney_ac(areas[0]), rel=1e-7)
    assert [f.code for f in field.findings] == [
        "pivot-drawn", "pivot-exclusions-cut", "pivot-exclusions-beside"]
    with pytest.raises(InputError) as caught:
        pivot(exclusions=[shapely.box(lon - 1, lat - 1, lon + 1, lat + 1)])
    assert caught.value.code == "boundary-zero-area"


@pytest.mark.parametrize(("told", "code", "words"), [
    ({"centre": None}, "pivot-centre-missing", "not stated"),
    ({"centre": (41.9, -185.0)}, "pivot-centre", "no longitude and latitude"),
    ({"centre": (41.9, -93.6)}, "pivot-centre", r"did you mean \[-93\.6, 41\.9\]"),
    ({"centre": (0.0, 0.0)}, "pivot-centre", "empty cells"),
    ({"centre": (math.nan, 1.0)}, "pivot-centre", "nan"),
    ({"radius_ft": 0.0}, "pivot-length", "radius_ft"),
    ({"radius_ft": -1300.0}, "pivot-length", "radius_ft"),
    ({"inner_radius_ft": 1300.0}, "pivot-length", "not below"),
    ({"start_deg": 30.0}, "pivot-sector", "stop_deg"),
    ({"start_deg": 30.0, "stop_deg": 30.0}, "pivot-sector", "no sector"),
    ({"end_gun_ft": 80.0}, "pivot-end-gun", "end_gun_arcs"),
    ({"end_gun_arcs": [(0, 90)]}, "pivot-end-gun", "end_gun_ft"),
    ({"end_gun_ft": 80.0, "end_gun_arcs": [(5, 5)]}, "pivot-end-gun", "no arc"),
    ({"end_gun_ft": 80.0, "end_gun_arcs": [(40, 50)], "start_deg": 0.0, "stop_deg": 45.0},
     "pivot-end-gun", "leaves the sector"),
    ({"corner_arm_ft": 300.0}, "pivot-corners", "square_side_ft"),
    ({"crs_centre": (-96.0, 44.0)}, "boundary-too-far", "plan's centre"),
])
def test_what_is_refused(told: dict[str, Any], code: str, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        pivot(**told)
    assert caught.value.code == code


def test_a_radius_that_looks_like_other_units_is_told() -> None:
    for radius in (40.0, 15_600.0):
        assert pivot(radius_ft=radius).findings[0].code == "pivot-radius-unusual"


def test_across_longitude_180_and_twice_the_same() -> None:
    field = pivot(centre=(179.999, -16.8))
    assert field.area_ac == pytest.approx(formula_ac(1300), rel=1e-8)
    assert abs(field.crs_centre[0]) == 180
    assert pivot().boundary.wkb == pivot().boundary.wkb
