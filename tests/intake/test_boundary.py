"""Boundaries: acres against GeographicLib, and every doubtful shape stops with its candidates.

The square is 800 m on a side in UTM zone 15N: 640,473.5 m2 = 158.264 ac on the ellipsoid, and
158.147 ac if its planar UTM area were taken for acres.
"""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import InputError
from vrx.intake import input_files, peek_boundary, read_boundary

ACRE_M2 = 4046.8564224  # international acre, 43,560 ft2 of 0.3048 m


def geographiclib_ac(ring: list[list[float]]) -> float:
    polygon = Geodesic.WGS84.Polygon()
    for lon, lat in ring[:-1]:
        polygon.AddPoint(lat, lon)
    return abs(polygon.Compute()[2]) / ACRE_M2


def test_acres_are_geodesic_by_an_independent_library(make: SimpleNamespace, tmp_path: Path
                                                      ) -> None:
    path = make.geojson(tmp_path / "f.geojson", make.polygon(make.square()))
    field = read_boundary(path=path, name="F")
    assert field.area_ac == pytest.approx(geographiclib_ac(make.square()), rel=1e-9)
    assert field.area_ac == pytest.approx(158.264, rel=2e-4)
    assert field.area_ac != pytest.approx(640_000 / ACRE_M2, rel=5e-4)
    # The field's own projection is equal-area: its planar area is the geodesic one.
    assert field.boundary.area / ACRE_M2 == pytest.approx(field.area_ac, rel=1e-6)
    assert field.findings == ()
    assert isinstance(field.boundary, shapely.MultiPolygon)


@given(east=st.integers(50, 500), north=st.integers(50, 500), side=st.integers(30, 250))
@settings(derandomize=True, max_examples=20, deadline=None)
def test_a_hole_takes_its_own_acres_whatever_its_winding(
    *, make: SimpleNamespace, tmp_path_factory: pytest.TempPathFactory, east: int, north: int,
    side: int,
) -> None:
    hole = make.square(make.west + east, make.south + north, side)
    want = geographiclib_ac(make.square()) - geographiclib_ac(hole)
    folder = tmp_path_factory.mktemp("h")
    for name, ring in (("a", hole), ("b", hole[::-1])):
        path = make.geojson(folder / f"{name}.geojson", make.polygon(make.square(), ring))
        field = read_boundary(path=path, name="F")
        assert field.area_ac == pytest.approx(want, rel=1e-8)
        assert len(field.boundary.geoms[0].interiors) == 1


def test_shapefile_holes_wound_like_the_outer_ring_stay_holes(make: SimpleNamespace,
                                                              tmp_path: Path) -> None:
    outer = make.utm_rings((make.west, make.south, 800.0))
    yard = (make.west + 100, make.south + 100, 80.0)
    right = make.write_shapefile(
        tmp_path / "right", [("F", outer + make.utm_rings(yard, clockwise=False))])
    wrong = make.write_shapefile(tmp_path / "wrong", [("F", outer + make.utm_rings(yard))])
    good, mended = read_boundary(path=right, name="F"), read_boundary(path=wrong, name="F")
    assert mended.area_ac == pytest.approx(good.area_ac, rel=1e-12)
    assert good.area_ac == pytest.approx(158.2644 - 6400 * 1.00074 / ACRE_M2, rel=2e-5)
    assert make.codes(good.findings) == []
    assert make.codes(mended.findings) == ["boundary-rings-as-holes"]
    assert "1 rings inside the boundary taken as holes" in mended.findings[0].what


def test_polygons_inside_the_field_ask_for_a_choice(make: SimpleNamespace, tmp_path: Path) -> None:
    yard = make.square(make.west + 100, make.south + 100, 100)
    path = make.geojson(tmp_path / "f.geojson", make.polygon(make.square()), make.polygon(yard),
                        names=("Field", "Yard"))
    with pytest.raises(InputError, match=r"2 'Yard' lies inside the field \(2\.47 ac\)") as caught:
        read_boundary(path=path, name="F")
    assert caught.value.code == "boundary-polygons-inside"
    assert len(caught.value.findings) == 1
    cut = read_boundary(path=path, name="F", inside_polygons="cut out")
    kept = read_boundary(path=path, name="F", inside_polygons="keep")
    assert kept.area_ac - cut.area_ac == pytest.approx(geographiclib_ac(yard), rel=1e-7)
    assert kept.area_ac == pytest.approx(geographiclib_ac(make.square()), rel=1e-9)
    assert make.codes(cut.findings) == ["boundary-inside-cut"]
    one = read_boundary(path=path, name="F", select="Field", inside_polygons="cut out")
    assert one.area_ac == pytest.approx(cut.area_ac, rel=1e-12)
    with pytest.raises(InputError) as caught:
        read_boundary(path=path, name="F", select="Feild")
    assert caught.value.code == "boundary-name-unknown"


def test_several_fields_stop_and_an_overlap_is_named(make: SimpleNamespace, tmp_path: Path
                                                     ) -> None:
    west, east = make.square(), make.square(make.west + 780)
    path = make.geojson(tmp_path / "f.geojson", make.polygon(west), make.polygon(east),
                        names=("West", "East"))
    with pytest.raises(InputError, match=r"West and East overlap by 3\.95\d ac") as caught:
        read_boundary(path=path, name="F")
    assert caught.value.code == "boundary-overlap"
    joined = read_boundary(path=path, name="F", several="join")
    assert joined.area_ac == pytest.approx(2 * 158.264 - 3.957, rel=2e-4)
    assert read_boundary(path=path, name="F", select="East").area_ac == pytest.approx(
        geographiclib_ac(east), rel=1e-8)
    apart = make.geojson(tmp_path / "g.geojson", make.polygon(west),
                         make.polygon(make.square(make.west + 900)))
    with pytest.raises(InputError) as caught:
        read_boundary(path=apart, name="F")
    assert caught.value.code == "boundary-several"
    two = read_boundary(path=apart, name="F", several="join")
    assert len(two.boundary.geoms) == 2
    assert "boundary-parts" in make.codes(two.findings)


def test_the_same_polygon_twice_counts_once(make: SimpleNamespace, tmp_path: Path) -> None:
    path = make.geojson(tmp_path / "f.geojson", make.polygon(make.square()),
                        make.polygon(make.square()))
    field = read_boundary(path=path, name="F")
    assert field.area_ac == pytest.approx(158.264, rel=2e-4)
    assert make.codes(field.findings) == ["boundary-drawn-twice"]


def test_a_bow_tie_stops_with_both_candidates(make: SimpleNamespace, tmp_path: Path) -> None:
    a, b, c, d, _ = make.square()
    path = make.geojson(tmp_path / "f.geojson", make.polygon([a, c, b, d, a]))
    with pytest.raises(InputError, match=r"crosses itself at longitude -93\.5898") as caught:
        read_boundary(path=path, name="F")
    assert caught.value.code == "boundary-crosses-itself"
    assert "79.1 ac as drawn" in str(caught.value)
    assert "158.3 ac outline" in str(caught.value)
    drawn = read_boundary(path=path, name="F", crossing="as drawn")
    outline = read_boundary(path=path, name="F", crossing="outline")
    assert drawn.area_ac == pytest.approx(79.13, abs=0.01)
    assert outline.area_ac == pytest.approx(158.264, rel=2e-4)


def test_a_small_loop_is_repaired_and_told(make: SimpleNamespace, tmp_path: Path) -> None:
    a, b, c, d, _ = make.square()
    past = make.lonlat(make.west, make.south - 20)
    side = make.lonlat(make.west - 20, make.south - 20)
    back = make.lonlat(make.west + 20, make.south)
    path = make.geojson(tmp_path / "f.geojson", make.polygon([a, b, c, d, past, side, back, a]))
    field = read_boundary(path=path, name="F")
    assert field.boundary.is_valid
    assert field.area_ac == pytest.approx(158.264, rel=2e-3)
    repaired = next(f for f in field.findings if f.code == "boundary-repaired")
    assert "ac before" in repaired.done


def test_lines_and_open_rings(make: SimpleNamespace, tmp_path: Path) -> None:
    ring = make.square()
    want = geographiclib_ac(ring)
    closed = make.geojson(tmp_path / "a.geojson", {"type": "LineString", "coordinates": ring})
    unclosed = make.geojson(tmp_path / "b.geojson", make.polygon(ring[:-1]))
    # Four sides, out of order and one reversed.
    sides = [ring[0:2], ring[2:4], ring[1:3][::-1], ring[3:5]]
    four = make.geojson(tmp_path / "c.geojson", *(
        {"type": "LineString", "coordinates": side} for side in sides))
    for path, code in ((closed, "boundary-from-lines"), (unclosed, "boundary-ring-closed"),
                       (four, "boundary-from-lines")):
        field = read_boundary(path=path, name="F")
        assert field.area_ac == pytest.approx(want, rel=1e-8)
        assert code in make.codes(field.findings)
    gap = make.lonlat(make.west, make.south + 35)
    open_line = make.geojson(tmp_path / "d.geojson",
                             {"type": "LineString", "coordinates": [*ring[:4], gap]})
    with pytest.raises(InputError, match=r"gap 35\.0 m") as caught:
        read_boundary(path=open_line, name="F")
    assert caught.value.code == "boundary-line-open"
    assert read_boundary(path=open_line, name="F", close_gap=True).area_ac == pytest.approx(
        want, rel=1e-6)


def test_a_field_of_no_area_is_always_an_error(make: SimpleNamespace, tmp_path: Path) -> None:
    a, b = make.square()[:2]
    middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]
    for name, rings, code in (
        ("two", [[a, b, a]], "boundary-degenerate"),
        ("flat", [[a, b, middle, a]], "boundary-zero-area"),
    ):
        path = make.geojson(tmp_path / f"{name}.geojson", make.polygon(*rings))
        with pytest.raises(InputError) as caught:
            read_boundary(path=path, name="F")
        assert caught.value.code == code
    points = make.geojson(tmp_path / "p.geojson", {"type": "Point", "coordinates": a})
    with pytest.raises(InputError) as caught:
        read_boundary(path=points, name="F")
    assert caught.value.code == "boundary-no-polygon"


def test_geojson_heights_and_the_old_crs_member(make: SimpleNamespace, tmp_path: Path) -> None:
    high = [[*position, 312.5, 0.0] for position in make.square()]
    field = read_boundary(path=make.geojson(tmp_path / "a.geojson", make.polygon(high)), name="F")
    assert make.codes(field.findings) == ["boundary-heights-ignored"]
    assert not field.boundary.has_z
    ring = make.utm_rings((make.west, make.south, 800.0))[0]
    member = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32615"}}
    old = make.geojson(tmp_path / "b.geojson", make.polygon(ring), crs=member)
    found = read_boundary(path=old, name="F")
    assert found.area_ac == pytest.approx(field.area_ac, rel=1e-7)
    assert make.codes(found.findings) == ["geojson-crs-member"]
    bare = make.geojson(tmp_path / "c.geojson", make.polygon(ring))
    with pytest.raises(InputError, match="cannot be degrees") as caught:
        read_boundary(path=bare, name="F")
    assert caught.value.code == "crs-missing"
    told = read_boundary(path=bare, name="F", crs="EPSG:32615")
    assert told.area_ac == pytest.approx(field.area_ac, rel=1e-7)


def test_a_wrong_crs_is_refused(make: SimpleNamespace, tmp_path: Path) -> None:
    degrees = make.geojson(tmp_path / "a.geojson", make.polygon(make.square()))
    for crs, code in (("EPSG:32615", "crs-looks-like-degrees"), ("EPSG:999999", "crs-unknown")):
        with pytest.raises(InputError) as caught:
            read_boundary(path=degrees, name="F", crs=crs)
        assert caught.value.code == code
    shp = make.write_shapefile(
        tmp_path / "s", [("F", make.utm_rings((make.west, make.south, 800.0)))])
    with pytest.raises(InputError) as caught:
        read_boundary(path=shp, name="F", crs="EPSG:32614")
    assert caught.value.code == "crs-conflict"
    assert read_boundary(path=shp, name="F", crs="EPSG:32615").area_ac == pytest.approx(
        158.264, rel=2e-4)
    with pytest.raises(InputError) as caught:
        read_boundary(path=degrees, name="F", crs_centre=(-96.0, 44.0))
    assert caught.value.code == "boundary-too-far"


def test_the_field_across_longitude_180_is_one_piece(make: SimpleNamespace, tmp_path: Path
                                                     ) -> None:
    def box(west: float, east: float) -> list[list[float]]:
        return [[west, -16.804], [east, -16.804], [east, -16.796], [west, -16.796],
                [west, -16.804]]

    # RFC 7946 section 3.1.9 cuts at the antimeridian; the two others are common spellings.
    spellings = {
        "split": {"type": "MultiPolygon",
                  "coordinates": [[box(179.996, 180)], [box(-180, -179.996)]]},
        "unsplit": make.polygon(box(179.996, -179.996)),
        "over": make.polygon(box(179.996, 180.004)),
    }
    want = geographiclib_ac(box(179.996, 180.004))
    assert want == pytest.approx(186.565, rel=2e-4)
    for name, geometry in spellings.items():
        field = read_boundary(path=make.geojson(tmp_path / f"{name}.geojson", geometry), name=name)
        assert field.area_ac == pytest.approx(want, rel=1e-8)
        assert len(field.boundary.geoms) == 1
        assert abs(field.crs_centre[0]) == 180
        assert "boundary-longitudes" in make.codes(field.findings)


def test_what_is_no_boundary_file_says_so(tmp_path: Path) -> None:
    cases = {
        "empty.geojson": (b"", "file-empty"),
        "half.geojson": (b'{"type": "FeatureCollection", "features": [', "geojson-broken"),
        "other.json": (b'{"a": 1}', "geojson-not-one"),
        "topo.json": (b'{"type": "Topology"}', "geojson-not-one"),
        "text.dat": (b"hello", "file-no-layer"),
        "not.zip": (b"PK\x03\x04 but no more", "zip-broken"),
        "not.gpkg": (b"SQLite format 3\x00 but no more", "file-unreadable"),
    }
    for name, (data, code) in cases.items():
        (tmp_path / name).write_bytes(data)
        with pytest.raises(InputError) as caught:
            read_boundary(path=tmp_path / name, name="F")
        assert caught.value.code == code, name
    with pytest.raises(InputError, match=r"empty\.geojson") as caught:
        read_boundary(path=tmp_path / "empti.geojson", name="F")
    assert caught.value.code == "file-missing"


def test_geopackage_layers_are_chosen_by_name(make: SimpleNamespace, tmp_path: Path) -> None:
    geopandas = pytest.importorskip("geopandas")
    path = tmp_path / "farm.gpkg"
    for layer, size in (("north", 800.0), ("south", 400.0)):
        box = shapely.box(make.west, make.south, make.west + size, make.south + size)
        geopandas.GeoDataFrame({"name": [layer]}, geometry=[box], crs="EPSG:32615").to_file(
            path, layer=layer, engine="pyogrio")
    with pytest.raises(InputError, match=r"'north'.*'south'") as caught:
        read_boundary(path=path, name="F")
    assert caught.value.code == "file-several-layers"
    field = read_boundary(path=path, name="F", layer="north")
    assert field.area_ac == pytest.approx(158.264, rel=2e-4)
    with pytest.raises(InputError) as caught:
        read_boundary(path=path, name="F", layer="east")
    assert caught.value.code == "file-layer-unknown"
    look = peek_boundary(path)
    assert [(layer.name, layer.kind, layer.features, layer.names) for layer in look.layers] == [
        ("north", "polygon", 1, ("north",)), ("south", "polygon", 1, ("south",))]
    assert look.layers[0].area_ac == pytest.approx(field.area_ac, rel=1e-7)
    assert input_files(path) == (path,)


def test_reading_twice_gives_the_same_bytes(make: SimpleNamespace, tmp_path: Path) -> None:
    path = make.geojson(tmp_path / "f.geojson", make.polygon(make.square()))
    before = path.read_bytes()
    one, two = (read_boundary(path=path, name="F") for _ in range(2))
    assert one.boundary.wkb == two.boundary.wkb
    assert path.read_bytes() == before
    assert json.loads(before)["type"] == "FeatureCollection"
