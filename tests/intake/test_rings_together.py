"""Rings, parts and features by what they are to each other: right acres, or a stop that says why.

Acres are compared with GeographicLib (C. F. F. Karney, J. Geodesy 87:43, 2013), not with ours.
"""

from __future__ import annotations

import json
import math
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from vrx.errors import InputError
from vrx.intake import read_boundary, read_polygons
from vrx.model import Field

ACRE_M2 = 4046.8564224
Ring = list[list[float]]


def ac(ring: Ring) -> float:
    polygon = Geodesic.WGS84.Polygon()
    for lon, lat in ring[:-1]:
        polygon.AddPoint(lat, lon)
    return abs(float(polygon.Compute()[2])) / ACRE_M2


class At:
    """Corners in metres from the south-west corner of the 800 m square."""

    def __init__(self, make: SimpleNamespace) -> None:
        self.make = make

    def ring(self, *corners: tuple[float, float]) -> Ring:
        made = [self.make.lonlat(self.make.west + e, self.make.south + n) for e, n in corners]
        return [*made, made[0]]

    def box(self, west: float = 0, south: float = 0, east: float = 800, north: float = 800) -> Ring:
        return self.ring((west, south), (east, south), (east, north), (west, north))


@pytest.fixture
def at(make: SimpleNamespace) -> At:
    return At(make)


def polygon(*rings: Any) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": list(rings)}


def multi(*parts: list[Ring]) -> dict[str, Any]:
    return {"type": "MultiPolygon", "coordinates": list(parts)}


def told(field: Field) -> dict[str, str]:
    return {f.code: f"{f.what} | {f.done}" for f in field.findings}


def stopped(path: Path, **choices: Any) -> InputError:
    with pytest.raises(InputError) as caught:
        read_boundary(path=path, name="F", **choices)
    return caught.value


@pytest.mark.parametrize("west", [740.0, 710.0])  # 40 % and 60 % of the hole lie in the field
def test_a_hole_that_reaches_out_stops(make: SimpleNamespace, at: At, tmp_path: Path, west: float
                                       ) -> None:
    path = make.geojson(tmp_path / "f.geojson",
                        polygon(at.box(), at.box(west, 100, west + 150, 250)))
    want = ac(at.box()) - ac(at.box(west, 100, 800, 250))
    error = stopped(path)
    assert error.code == "boundary-hole-outside"
    assert f"{ac(at.box(800, 100, west + 150, 250)):.3f} ac beyond" in str(error)
    assert f"{want:.3f} ac remain" in str(error)
    chosen = read_boundary(path=path, name="F", crossing="as drawn")
    assert chosen.area_ac == pytest.approx(want, rel=1e-6)


def test_a_hole_a_hand_beyond_the_edge_is_cut_and_told(make: SimpleNamespace, at: At,
                                                       tmp_path: Path) -> None:
    path = make.geojson(tmp_path / "f.geojson", polygon(at.box(), at.box(700, 100, 800.5, 250)))
    field = read_boundary(path=path, name="F")
    want = ac(at.box()) - ac(at.box(700, 100, 800, 250))
    assert field.area_ac == pytest.approx(want, rel=1e-6)
    assert f"{want:.3f} ac" in told(field)["boundary-hole-outside"]


def test_a_hole_in_nothing_is_no_land_by_itself(make: SimpleNamespace, at: At, tmp_path: Path
                                                ) -> None:
    path = make.geojson(tmp_path / "f.geojson", polygon(at.box(), at.box(900, 0, 1000, 100)))
    error = stopped(path)
    assert error.code == "boundary-holes-as-parts"
    assert f"{ac(at.box(900, 0, 1000, 100)):.3f} ac" in str(error)


def test_a_shapefile_wound_the_other_way_keeps_its_parts_and_islands(
    make: SimpleNamespace, at: At, tmp_path: Path
) -> None:
    w, s = make.west, make.south
    rings = make.utm_rings((w, s, 800.0), (w + 100, s + 100, 300.0), (w + 200, s + 200, 100.0),
                           (w + 900, s, 100.0), clockwise=False)
    field = read_boundary(path=make.write_shapefile(tmp_path / "f", [("A", rings)]), name="F")
    want = ac(at.box()) - ac(at.box(100, 100, 400, 400)) + ac(at.box(200, 200, 300, 300)) + (
        ac(at.box(900, 0, 1000, 100)))
    assert field.area_ac == pytest.approx(want, rel=1e-6)
    assert f"{ac(at.box(100, 100, 400, 400)):.3f} ac of rings" in told(field)[
        "boundary-rings-as-holes"]


@pytest.mark.parametrize("west", [380.0, 200.0])  # 5 % and 33 % of the other part
def test_parts_of_one_record_that_overlap_stop(make: SimpleNamespace, at: At, tmp_path: Path,
                                               west: float) -> None:
    path = make.geojson(tmp_path / "f.geojson",
                        multi([at.box(0, 0, 400, 800)], [at.box(west, 0, 800, 800)]))
    error = stopped(path)
    assert error.code == "boundary-parts-overlap"
    assert f"overlap by {ac(at.box(west, 0, 400, 800)):.3f} ac" in str(error)
    once = read_boundary(path=path, name="F", crossing="as drawn")
    assert once.area_ac == pytest.approx(ac(at.box()), rel=1e-6)


def test_a_part_mostly_over_another_is_no_hole(make: SimpleNamespace, at: At, tmp_path: Path
                                               ) -> None:
    # 60 % of the second ring lies in the first: as a hole it took 32 % of the field away.
    w, s = make.west, make.south
    corners = [[w + 550, s], [w + 550, s + 800], [w + 800, s + 800], [w + 800, s], [w + 550, s]]
    first = [[w, s], [w, s + 800], [w + 700, s + 800], [w + 700, s], [w, s]]
    path = make.write_shapefile(tmp_path / "f", [("A", [first, corners])])
    assert stopped(path).code == "boundary-parts-overlap"


def test_a_strip_of_overlap_counts_once_and_is_told(make: SimpleNamespace, at: At, tmp_path: Path
                                                    ) -> None:
    path = make.geojson(tmp_path / "f.geojson",
                        multi([at.box(0, 0, 400, 800)], [at.box(399.5, 0, 800, 800)]))
    field = read_boundary(path=path, name="F")
    assert field.area_ac == pytest.approx(ac(at.box()), rel=1e-6)
    assert f"{ac(at.box(399.5, 0, 400, 800)):.3f} ac" in told(field)["boundary-parts-overlap"]


@pytest.mark.parametrize(("by", "code"), [(0.0, "boundary-drawn-twice"),
                                          (0.2, "boundary-nearly-twice")])
def test_a_ring_walked_twice_counts_once(make: SimpleNamespace, at: At, tmp_path: Path, by: float,
                                         code: str) -> None:
    path = make.geojson(tmp_path / "f.geojson",
                        multi([at.box()], [at.box(by, by, 800 - by, 800 - by)]))
    field = read_boundary(path=path, name="F")
    assert field.area_ac == pytest.approx(ac(at.box()), rel=1e-6)
    assert f"{ac(at.box()):.3f} ac" in told(field)[code]


@pytest.mark.parametrize("extra", ["two points", "no point", "on a line"])
def test_a_hole_of_nothing_changes_nothing(make: SimpleNamespace, at: At, tmp_path: Path,
                                           extra: str) -> None:
    ring = {"two points": at.ring((100, 100), (200, 200)), "no point": [],
            "on a line": at.ring((100, 100), (300, 100), (200, 100))}[extra]
    path = make.geojson(tmp_path / "f.geojson", polygon(at.box(), ring))
    field = read_boundary(path=path, name="F")
    assert field.area_ac == pytest.approx(ac(at.box()), rel=1e-8)
    assert {"boundary-ring-no-area", "boundary-slivers-closed"} & set(told(field))


def test_features_of_nothing_stand_beside_a_field(make: SimpleNamespace, at: At, tmp_path: Path
                                                  ) -> None:
    point, scrap = at.ring((900, 0), (900, 0)), at.box(900, 0, 905, 5)
    path = make.geojson(tmp_path / "f.geojson", polygon(at.box()), polygon(point), polygon(scrap))
    field = read_boundary(path=path, name="F")
    assert field.area_ac == pytest.approx(ac(at.box()), rel=1e-8)
    assert set(told(field)) == {"boundary-degenerate", "boundary-scraps"}
    assert f"{ac(scrap):.4f} ac" in told(field)["boundary-scraps"]
    well = make.geojson(tmp_path / "w.geojson", polygon(at.box()), polygon(at.box(50, 50, 55, 55)))
    assert stopped(well).code == "boundary-polygons-inside"
    labels = read_polygons(path=path, field=field)[1]
    assert labels == ("P1",)


def test_lobes_that_cancel_in_the_area_are_no_small_repair(make: SimpleNamespace, at: At,
                                                           tmp_path: Path) -> None:
    # Overlap of a² gone round twice and a lobe of a²/2 the other way: drawn equals mended.
    a = 150.0
    b = a / math.sqrt(2)
    path = make.geojson(tmp_path / "f.geojson", polygon(at.ring(
        (0, 0), (200, 0), (200 + a, 0), (200 + a, a), (200, a), (200, -1), (500, -1),
        (500, -b - 1), (500 + b, -b - 1), (500 + b, -1), (499, -1), (499, 0), (800, 0),
        (800, 800), (0, 800))))
    assert stopped(path).code == "boundary-crosses-itself"


def test_a_receiver_at_rest_draws_no_field(make: SimpleNamespace, at: At, tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    rest = [(float(e), float(n)) for e, n in 800 + rng.normal(0, 0.3, (3000, 2))]
    path = make.geojson(tmp_path / "f.geojson",
                        polygon(at.ring((0, 0), (800, 0), *rest, (0, 800))))
    begun = time.perf_counter()
    field = read_boundary(path=path, name="F")
    assert time.perf_counter() - begun < 10.0
    # The corner itself is a metre uncertain: 1 m x 800 m of 640,000 m2.
    assert field.area_ac == pytest.approx(ac(at.box()), rel=1.5e-3)
    assert "ac before" in told(field)["boundary-repaired"]


@pytest.mark.parametrize("size", [1, 15])
def test_a_loop_at_the_last_corner_costs_its_own_ground_only(
    make: SimpleNamespace, at: At, tmp_path: Path, size: float
) -> None:
    path = make.geojson(tmp_path / "f.geojson", polygon(at.ring(
        (0, 0), (800, 0), (800, 800), (0, 800), (0, -size), (-size, -size), (size, 0))))
    field = read_boundary(path=path, name="F")
    # The loop lies within a box of 2 sizes; nothing beyond it may change.
    assert abs(field.area_ac - ac(at.box())) <= 4 * size**2 * 1.001 / ACRE_M2


def test_thousands_of_fields_are_read_in_seconds(make: SimpleNamespace, at: At, tmp_path: Path
                                                 ) -> None:
    boxes = [at.box(20 * (k % 60), 20 * (k // 60), 20 * (k % 60) + 18, 20 * (k // 60) + 18)
             for k in range(2400)]
    path = make.geojson(tmp_path / "f.geojson", *map(polygon, boxes))
    begun = time.perf_counter()
    field = read_boundary(path=path, name="F", select="P77")
    assert time.perf_counter() - begun < 10.0
    assert field.area_ac == pytest.approx(ac(boxes[76]), rel=1e-5)


def test_lines_that_begin_in_the_middle_of_the_way(make: SimpleNamespace, at: At, tmp_path: Path
                                                   ) -> None:
    def line(*corners: tuple[float, float]) -> dict[str, Any]:
        return {"type": "LineString", "coordinates": at.ring(*corners)[:-1]}

    path = make.geojson(tmp_path / "f.geojson", line((0, 0), (800, 0)),
                        line((800, 0), (800, 800), (400, 800)),
                        line((0, 0), (0, 800), (300, 800)))
    error = stopped(path)
    assert len(error.findings) <= 1
    assert "gap 100." in str(error)
    field = read_boundary(path=path, name="F", close_gap=True)
    assert field.area_ac == pytest.approx(ac(at.box()), rel=1e-6)
    assert "158.26" in told(field)["boundary-from-lines"]


def test_an_unclosed_ring_says_what_was_closed(make: SimpleNamespace, at: At, tmp_path: Path
                                               ) -> None:
    path = make.geojson(tmp_path / "f.geojson", polygon(at.box()[:-1]))
    said = told(read_boundary(path=path, name="F"))["boundary-ring-closed"]
    metres = Geodesic.WGS84.Inverse(*at.box()[3][::-1], *at.box()[0][::-1])["s12"]
    assert f"{metres:.1f} m ({ac(at.box()):.3f} ac inside)" in said


@pytest.mark.parametrize(("properties", "select"), [
    ([{}, {}, {}], "2"),
    ([{"FLD": 1.0}, {"FLD": 2.0}, {"FLD": 3.0}], "2"),
    ([{"name": "a"}, {"name": "Bo\u0308schung"}, {"name": "c"}], "B\u00f6schung"),
    ([{"name": "a"}, {"name": "North  40 "}, {"name": "c"}], "north 40"),
    ([{"Farm_Fld": "a"}, {"Farm_Fld": "B7"}, {"Farm_Fld": "c"}], "b7"),
])
def test_a_field_is_found_as_people_write_its_name(
    at: At, tmp_path: Path, properties: list[dict[str, Any]], select: str
) -> None:
    boxes = [at.box(0, 0, 100, 100), at.box(200, 0, 400, 100), at.box(500, 0, 800, 100)]
    path = tmp_path / "f.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [
        {"type": "Feature", "properties": p, "geometry": polygon(b)}
        for p, b in zip(properties, boxes, strict=True)]}))
    field = read_boundary(path=path, name="F", select=select)
    assert field.area_ac == pytest.approx(ac(boxes[1]), rel=1e-6)


@pytest.mark.parametrize(("heading", "value", "says"), [
    ("ACRES", 40.0, "-118.264 ac, -74.7 %"), ("Area_ha", "158.3", "+147.2 %"),
    ("GIS_Ac", 158.26, ""), ("Acronym", 40.0, ""),
])
def test_acres_in_the_file_stand_beside_ours(at: At, tmp_path: Path, heading: str, value: Any,
                                             says: str) -> None:
    path = tmp_path / "f.geojson"
    path.write_text(json.dumps({"type": "Feature", "properties": {"name": "A", heading: value},
                                "geometry": polygon(at.box())}))
    field = read_boundary(path=path, name="F")
    assert field.area_ac == pytest.approx(ac(at.box()), rel=1e-8)
    assert says in told(field).get("boundary-stated-area", "")
    assert bool(says) == ("boundary-stated-area" in told(field))
