"""Repairs of boundaries: only what is safe, with acres; the rest stops. Awkward input by format.

Acres are checked against GeographicLib (Karney 2013) or against plane geometry by hand.
"""

from __future__ import annotations

import json
import sqlite3
import struct
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import shapefile
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import InputError
from vrx.intake import read_boundary, read_polygons

ACRE_M2 = 4046.8564224  # international acre, 43,560 ft2 of 0.3048 m
BASE_AC = 158.264
Ring = list[list[float]]
FILES = ("geojson", "shp", "gpkg", "kml", "kmz", "zip")


def karney_ac(ring: Ring) -> float:
    polygon = Geodesic.WGS84.Polygon()
    for lon, lat, *_ in ring[:-1]:
        polygon.AddPoint(lat, lon)
    return abs(float(polygon.Compute()[2])) / ACRE_M2


def kml_of(features: Sequence[tuple[str, list[list[Ring]]]]) -> str:
    marks = []
    for name, parts in features:
        shapes = ""
        for outer, *inner in parts:
            rings = ["<LinearRing><coordinates>" + " ".join(",".join(map(repr, p)) for p in ring)
                     + "</coordinates></LinearRing>" for ring in (outer, *inner)]
            shapes += f"<Polygon><outerBoundaryIs>{rings[0]}</outerBoundaryIs>" + "".join(
                f"<innerBoundaryIs>{r}</innerBoundaryIs>" for r in rings[1:]) + "</Polygon>"
        marks.append(f"<Placemark><name>{name}</name><MultiGeometry>{shapes}</MultiGeometry>"
                     "</Placemark>")
    return '<kml xmlns="http://www.opengis.net/kml/2.2">' + "".join(marks) + "</kml>"


def write(folder: Path, suffix: str, features: Sequence[tuple[str, list[list[Ring]]]]) -> Path:
    """The same features in any format, rings as given (GeoPackage closes them)."""
    path = folder / f"f.{suffix}"
    if suffix == "geojson":
        path.write_text(json.dumps({"type": "FeatureCollection", "features": [
            {"type": "Feature", "properties": {"name": name},
             "geometry": {"type": "MultiPolygon", "coordinates": parts}}
            for name, parts in features]}))
    elif suffix in {"shp", "zip"}:
        kind = shapefile.POLYGONZ if len(features[0][1][0][0][0]) > 2 else shapefile.POLYGON
        with shapefile.Writer(str(folder / "f"), shapeType=kind) as writer:
            writer.field("NAME", "C", 40)
            for name, parts in features:
                rings = [ring for part in parts for ring in part]
                (writer.polyz if kind == shapefile.POLYGONZ else writer.poly)(rings)
                writer.record(name)
        if suffix == "zip":
            with zipfile.ZipFile(path, "w") as archive:
                for part in ("shp", "SHX", "dbf"):
                    archive.write(folder / f"f.{part.lower()}", f"deep/er/F.{part}")
    elif suffix == "gpkg":
        geopandas = pytest.importorskip("geopandas")
        shapes = [shapely.MultiPolygon([(p[0], p[1:]) for p in parts]) for _, parts in features]
        geopandas.GeoDataFrame({"name": [n for n, _ in features]}, geometry=shapes,
                               crs="EPSG:4326").to_file(path, layer="f", engine="pyogrio")
    elif suffix == "kml":
        path.write_text(kml_of(features))
    else:
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("doc.kml", kml_of(features))
    return path


def table(make: SimpleNamespace) -> dict[str, Any]:
    """Case -> features, choices, acres, a finding's code; acres None: it stops with that code."""
    ring: Ring = make.square()
    a, b, c, d, _ = ring
    hole: Ring = make.square(make.west + 100, make.south + 100, 90)
    out = [make.lonlat(make.west + 400, make.south - 300)]
    foot = [make.lonlat(make.west + e, make.south) for e in (399.9, 400.1)]
    thin = [make.square(make.west, make.south, 400), [
        make.lonlat(make.west + e, make.south + n)
        for e, n in ((400.3, 0), (800, 0), (800, 400), (400.3, 400), (400.3, 0))]]
    holed = karney_ac(ring) - karney_ac(hole)
    return {
        "plain": ([("A", [[ring]])], {}, karney_ac(ring), ""),
        "clockwise": ([("A", [[ring[::-1]]])], {}, karney_ac(ring), ""),
        "hole": ([("A", [[ring, hole]])], {}, holed, ""),
        "hole as part": ([("A", [[ring], [hole]])], {}, holed, ""),
        "two parts": ([("A", [[ring], [make.square(make.west + 900)]])], {},
                      2 * karney_ac(ring), "boundary-parts"),
        "bow tie": ([("A", [[[a, c, b, d, a]]])], {}, None, "boundary-crosses-itself"),
        "bow tie outline": ([("A", [[[a, c, b, d, a]]])], {"crossing": "outline"},
                            karney_ac(ring), "boundary-repaired"),
        "repeated": ([("A", [[[a, b, b, b, c, d, d, a]]])], {}, karney_ac(ring),
                     "boundary-vertices-repeated"),
        "out and back": ([("A", [[[a, foot[0], *out, foot[0], b, c, d, a]]])], {},
                         karney_ac(ring), "boundary-spikes-removed"),
        "spike": ([("A", [[[a, foot[0], *out, foot[1], b, c, d, a]]])], {}, karney_ac(ring),
                  "boundary-spikes-removed"),
        "height": ([("A", [[[[*p, 312.5] for p in ring]]])], {}, karney_ac(ring), "height"),
        "two points": ([("A", [[[a, b, a, a]]])], {}, None, "boundary-degenerate"),
        "two fields": ([("A", [[ring]]), ("B", [[make.square(make.west + 900)]])], {}, None,
                       "boundary-several"),
        "chosen": ([("A", [[ring]]), ("B", [[hole]])], {"select": "B"}, karney_ac(hole), ""),
        "overlap": ([("A", [[ring]]), ("B", [[make.square(make.west + 780)]])], {}, None,
                    "boundary-overlap"),
        "overlap, one chosen": (
            [("A", [[ring]]), ("B", [[make.square(make.west + 780)]])], {"select": "A"},
            karney_ac(ring), "boundary-overlap"),
        "nearly twice": ([("A", [[ring]]), ("B", [[make.square(make.west + 0.2)]])], {},
                         karney_ac(ring), "boundary-nearly-twice"),
        "inside": ([("A", [[ring]]), ("B", [[hole]])], {}, None, "boundary-polygons-inside"),
        "thin gap": ([("A", [[thin[0]]]), ("B", [[thin[1]]])], {"several": "join"},
                     karney_ac(thin[0]) + karney_ac(thin[1]) + 0.3 * 400 * 1.00074 / ACRE_M2,
                     "boundary-slivers-closed"),
    }


CASES = ("plain", "clockwise", "hole", "hole as part", "two parts", "bow tie", "bow tie outline",
         "repeated", "out and back", "spike", "height", "two points", "two fields", "chosen",
         "overlap", "overlap, one chosen", "nearly twice", "inside", "thin gap")


@pytest.mark.parametrize("suffix", FILES)
@pytest.mark.parametrize("name", CASES)
def test_awkward_input_in_every_format(
    make: SimpleNamespace, tmp_path: Path, name: str, suffix: str
) -> None:
    features, choices, acres, code = table(make)[name]
    code = {"height": "kml-altitude-dropped" if suffix in {"kml", "kmz"}
            else "boundary-heights-ignored"}.get(code, code)
    path = write(tmp_path, suffix, features)
    if acres is None:
        with pytest.raises(InputError) as caught:
            read_boundary(path=path, name="F", **choices)
        assert caught.value.code == code
        return
    field = read_boundary(path=path, name="F", **choices)
    assert field.boundary.is_valid
    # A spike of 30 m2 and a join on a lattice of 1 mm are within 1e-5 of these fields.
    assert field.area_ac == pytest.approx(acres, rel=1e-5)
    if code:
        assert code in make.codes(field.findings)
    else:
        stated = {"crs-assumed", "boundary-rings-as-holes", "boundary-others-left-out"}
        assert set(make.codes(field.findings)) <= stated


def test_what_a_repair_says(make: SimpleNamespace, tmp_path: Path) -> None:
    features = table(make)
    said = read_boundary(path=write(tmp_path, "kml", features["spike"][0]), name="F").findings
    assert said[0].what == "1 spikes narrower than 0.5 m, the longest 300.1 m"
    assert said[0].done == "removed: 158.272 ac before, 158.264 after"
    said = read_boundary(path=write(tmp_path, "geojson", features["overlap, one chosen"][0]),
                         name="F", select="A").findings
    assert [f.what for f in said if f.code == "boundary-overlap"] == ["A and B overlap by 3.957 ac"]
    said = read_boundary(path=write(tmp_path, "shp", features["thin gap"][0]), name="F",
                         several="join").findings
    closed = next(f for f in said if f.code == "boundary-slivers-closed")
    assert closed.what == "1 gaps between parts and 0 holes narrower than 0.5 m"
    # 400 x 400 and 399.7 x 400 m of UTM, then 400 x 800, times 1.00074 on the ellipsoid.
    assert closed.done == "closed: 79.103 ac before, 79.132 after"


def test_a_spike_that_is_much_of_the_field_stops(make: SimpleNamespace, tmp_path: Path) -> None:
    # 20 m square with a spike of 600 m x 0.4 m: 120 of 520 m2.
    corners = [(0, 0), (9.8, 0), (10, -600), (10.2, 0), (20, 0), (20, 20), (0, 20), (0, 0)]
    ring = [make.lonlat(make.west + e, make.south + n) for e, n in corners]
    path = write(tmp_path, "geojson", [("A", [[ring]])])
    with pytest.raises(InputError, match=r"0\.129 ac with them, 0\.099 without") as caught:
        read_boundary(path=path, name="F")
    assert caught.value.code == "boundary-spikes"
    kept = read_boundary(path=path, name="F", crossing="as drawn")
    assert kept.area_ac == pytest.approx(karney_ac(ring), rel=1e-6)


def test_a_wedge_is_no_spike(make: SimpleNamespace, tmp_path: Path) -> None:
    # 800 m long, 10 m wide at its foot: 0.7 degree, and somebody's field.
    corners = [(0, 0), (800, 0), (0, 10), (0, 0)]
    ring = [make.lonlat(make.west + e, make.south + n) for e, n in corners]
    field = read_boundary(path=write(tmp_path, "geojson", [("A", [[ring]])]), name="F")
    assert field.area_ac == pytest.approx(karney_ac(ring), rel=1e-7)
    jump = [(0, 0), (395, 0), (400, -600), (405, 0), (800, 0), (800, 800), (0, 800), (0, 0)]
    ring = [make.lonlat(make.west + e, make.south + n) for e, n in jump]
    field = read_boundary(path=write(tmp_path, "geojson", [("A", [[ring]])]), name="F")
    assert field.area_ac == pytest.approx(karney_ac(ring), rel=1e-7)
    (told,) = [f for f in field.findings if f.code == "boundary-narrow-tip"]
    assert told.severity == "warn"
    # 10 m x 600 m / 2 of UTM, on the ellipsoid
    assert f"{3000 * 1.00074 / ACRE_M2:.3f} ac in them" in told.what


@given(sides=st.integers(5, 40), spikes=st.lists(st.integers(0, 39), max_size=4, unique=True),
       length=st.floats(1.0, 900.0), repeats=st.integers(1, 3))
@settings(derandomize=True, max_examples=30, deadline=None)
def test_out_and_back_leaves_the_field_as_it_was(
    *, make: SimpleNamespace, tmp_path_factory: pytest.TempPathFactory, sides: int,
    spikes: list[int], length: float, repeats: int,
) -> None:
    import math

    def corner(k: float, r: float) -> list[float]:
        turn = 2 * math.pi * k / sides
        return list(make.lonlat(make.west + r * math.sin(turn), make.south + r * math.cos(turn)))

    clean = [corner(k, 400) for k in range(sides)]
    drawn: Ring = []
    for k in range(sides):
        drawn += [corner(k, 400)] * (repeats if k in spikes else 1)
        if k in spikes:
            drawn += [corner(k, 400 + length), corner(k, 400)]
    folder = tmp_path_factory.mktemp("s")
    path = write(folder, "geojson", [("A", [[[*drawn, drawn[0]]]])])
    field = read_boundary(path=path, name="F")
    assert field.area_ac == pytest.approx(karney_ac([*clean, clean[0]]), rel=1e-8)
    assert shapely.get_num_coordinates(field.boundary) == sides + 1


def test_parts_that_touch_in_a_point_stay_as_they_are(make: SimpleNamespace, tmp_path: Path
                                                      ) -> None:
    two = [("A", [[make.square()], [make.square(make.west + 800, make.south + 800)]])]
    field = read_boundary(path=write(tmp_path, "geojson", two), name="F")
    assert len(field.boundary.geoms) == 2
    assert make.codes(field.findings) == ["boundary-parts"]


@pytest.mark.parametrize("gap", [0.0, 1e-4, 0.02, 0.45, 0.6])
def test_parts_with_a_hair_between_them_become_one(
    make: SimpleNamespace, tmp_path: Path, gap: float
) -> None:
    other = make.square(make.west + 800 + gap)
    if gap == 0.0:
        other = [[make.square()[1][0], make.square()[1][1]], *other[1:3], make.square()[2],
                 make.square()[1]]
    path = write(tmp_path, "geojson", [("A", [[make.square()]]), ("B", [[other]])])
    field = read_boundary(path=path, name="F", several="join")
    assert len(field.boundary.geoms) == (2 if gap > 0.5 else 1)
    assert shapely.get_num_coordinates(field.boundary) <= 10
    assert ("boundary-slivers-closed" in make.codes(field.findings)) == (0 < gap < 0.5)


def test_a_slit_of_a_hole_is_closed(make: SimpleNamespace, tmp_path: Path) -> None:
    slit = [make.lonlat(make.west + e, make.south + n)
            for e, n in ((100, 100), (300, 100), (300, 100.3), (100, 100.3), (100, 100))]
    field = read_boundary(path=write(tmp_path, "kmz", [("A", [[make.square(), slit]])]), name="F")
    assert field.area_ac == pytest.approx(karney_ac(make.square()), rel=1e-8)
    assert make.codes(field.findings) == ["boundary-slivers-closed"]


def test_collections_give_their_polygons_and_name_the_rest(make: SimpleNamespace, tmp_path: Path
                                                           ) -> None:
    ring = make.square()
    path = make.geojson(tmp_path / "f.geojson", {"type": "GeometryCollection", "geometries": [
        make.polygon(ring), {"type": "LineString", "coordinates": ring[:2]},
        {"type": "Point", "coordinates": ring[0]}]})
    field = read_boundary(path=path, name="F")
    assert field.area_ac == pytest.approx(karney_ac(ring), rel=1e-8)
    assert [f.what for f in field.findings] == [
        "1 lines beside the polygons (records 1)", "1 points beside the polygons (records 1)"]
    _, _, said = read_polygons(path=path, field=field)
    assert make.codes(said) == ["boundary-lines-left-out", "boundary-points-left-out"]


def with_wkb(path: Path, wkb: bytes, kind: str) -> Path:
    """A GeoPackage whose one shape is that WKB: no writer at hand makes curves."""
    geopandas = pytest.importorskip("geopandas")
    geopandas.GeoDataFrame({"name": ["A"]}, geometry=[shapely.box(0, 0, 1, 1)],
                           crs="EPSG:32615").to_file(path, layer="f", engine="pyogrio",
                                                     SPATIAL_INDEX="NO", GEOMETRY_NAME="geom")
    with sqlite3.connect(path) as base:
        srs = base.execute("select srs_id from gpkg_geometry_columns").fetchone()[0]
        # OGC 12-128r18 clause 2.1.3: "GP", version 0, flags (little-endian, no envelope), SRS.
        base.execute("update f set geom = ?", (b"GP\0\x01" + struct.pack("<i", srs) + wkb,))
        base.execute("update gpkg_geometry_columns set geometry_type_name = ?", (kind,))
        ddl = base.execute("select sql from sqlite_master where name = 'f'").fetchone()[0]
        base.execute("pragma writable_schema = on")
        base.execute("update sqlite_master set sql = ? where name = 'f'",
                     (ddl.replace('"geom" POLYGON', f'"geom" {kind}'),))
    base.close()
    return path


def circle_wkb(east: float, north: float, radius: float) -> bytes:
    """A CURVEPOLYGON (WKB type 10) of one CIRCULARSTRING (8), ISO/IEC 13249-3."""
    places = [(east - radius, north), (east, north + radius), (east + radius, north),
              (east, north - radius), (east - radius, north)]
    return b"\x01" + struct.pack("<III", 10, 1, 0x01)[:8] + b"\x01" + struct.pack("<II", 8, 5) + (
        b"".join(struct.pack("<dd", *place) for place in places))


@pytest.mark.parametrize(("kind", "wrap"), [
    ("CURVEPOLYGON", lambda wkb: wkb),
    ("MULTISURFACE", lambda wkb: b"\x01" + struct.pack("<II", 12, 1) + wkb),
    ("GEOMETRY", lambda wkb: wkb),
])
def test_arcs_become_chords_and_say_their_acres(
    make: SimpleNamespace, tmp_path: Path, kind: str, wrap: Callable[[bytes], bytes]
) -> None:
    # R 1,300 ft = 396.24 m of UTM; the scale of the square's own 800 m carries it to the ellipsoid.
    east, north = make.west + 400, make.south + 400
    path = with_wkb(tmp_path / "f.gpkg", wrap(circle_wkb(east, north, 396.24)), kind)
    field = read_boundary(path=path, name="F")
    true = 3.141592653589793 * 396.24**2 / 640_000 * karney_ac(make.square())
    assert field.area_ac == pytest.approx(true, rel=1e-5)
    assert make.codes(field.findings) == ["boundary-arcs-as-chords"]
    assert "0.0004 ac less than the arcs" in field.findings[0].what.replace("0.00039", "0.0004")
    assert "chords of 0.25 degree" in field.findings[0].done


def test_a_curve_in_a_collection_stops(make: SimpleNamespace, tmp_path: Path) -> None:
    wkb = b"\x01" + struct.pack("<II", 7, 1) + circle_wkb(make.west, make.south, 300.0)
    path = with_wkb(tmp_path / "f.gpkg", wkb, "GEOMETRYCOLLECTION")
    with pytest.raises(InputError, match="straight lines") as caught:
        read_boundary(path=path, name="F")
    assert caught.value.code == "file-unreadable"
