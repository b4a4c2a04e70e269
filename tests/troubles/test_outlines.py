"""S16 to S24: outlines, holes, crossings, lines, systems and places, each in a copy of our own.

Acres are compared with GeographicLib (C. F. F. Karney, J. Geodesy 87:43, 2013), not with ours.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyproj
import pytest
import shapely
import shapely.ops
import trouble_builders as make

from vrx.audit import audit_file
from vrx.errors import InputError
from vrx.export import build_set, write_formats
from vrx.intake import read_boundary
from vrx.model import Field
from vrx.zones import zone_whole_field, zones_from_polygons


def stopped(path: Path, **choices) -> InputError:
    with pytest.raises(InputError) as caught:
        read_boundary(path=path, name="F", **choices)
    return caught.value


def holes(field: Field) -> int:
    return sum(len(part.interiors) for part in field.boundary.geoms)


def exported(field: Field, folder: Path) -> list[shapely.Geometry]:
    """The polygons of a whole-field export in GeoJSON, in degrees."""
    zones = zone_whole_field(boundary=field.boundary, crs_centre=field.crs_centre)
    done = make.prescribed(zones, [150.0])
    layer = build_set(field=field, zones=zones, prescription=done)
    files = dict(write_formats(meant=layer, formats=["geojson"], folder=folder))
    features = json.loads(files["geojson"].read_text())["features"]
    return [shapely.geometry.shape(f["geometry"]) for f in features]


def test_s16_holes(tmp_path: Path) -> None:
    yard, well = (100, 100, 200, 180), (500, 400, 560, 460)
    want = make.karney_ac(shapely.Polygon(make.box(), [make.box(*yard), make.box(*well)]))
    outer = make.utm_box(0, 0, 800, 800)
    inner = [make.utm_box(*one) for one in (yard, well)]
    right = make.shp(tmp_path / "a", ("F", 1.0, [outer, *(one[::-1] for one in inner)]))
    wrong = make.shp(tmp_path / "b", ("F", 1.0, [outer, *inner]))
    for path in (right, wrong):
        field = read_boundary(path=path, name="F")
        assert field.area_ac == pytest.approx(want, rel=1e-6)
        assert holes(field) == 2
    said = make.told(field)["boundary-rings-as-holes"]
    assert "2 rings inside the boundary taken as holes" in said
    apart = make.geojson(tmp_path / "c.geojson", *(
        make.polygon(make.box(*one)) for one in ((), yard, well)),
        properties=[{"name": n} for n in ("Field", "Yard", "Well")])
    error = stopped(apart)
    assert error.code == "boundary-polygons-inside"
    assert "'Yard'" in str(error)
    assert "'Well'" in str(error)
    cut = read_boundary(path=apart, name="F", inside_polygons="cut out")
    assert cut.area_ac == pytest.approx(want, rel=1e-6)
    (out,) = exported(cut, tmp_path / "out")
    assert make.karney_ac(out) == pytest.approx(want, rel=1e-6)
    assert not shapely.contains_xy(out, *make.at(150, 140))  # no rate in the yard


def test_s17_a_field_in_two_parts(tmp_path: Path) -> None:
    halves = [make.box(0, 0, 380, 800), make.box(420, 0, 800, 800)]
    path = make.geojson(tmp_path / "f.geojson",
                        {"type": "MultiPolygon", "coordinates": [[half] for half in halves]})
    want = sum(make.karney_ac(shapely.Polygon(half)) for half in halves)
    assert want == pytest.approx(150.351, rel=2e-4)
    field = read_boundary(path=path, name="F")
    assert field.area_ac == pytest.approx(want, rel=1e-6)
    assert len(field.boundary.geoms) == 2
    assert "2" in make.told(field)["boundary-parts"]
    out = exported(field, tmp_path / "out")
    assert sum(make.karney_ac(one) for one in out) == pytest.approx(want, rel=1e-6)


def test_s18_a_boundary_that_crosses_itself(tmp_path: Path) -> None:
    tie = make.geojson(tmp_path / "f.geojson", make.polygon(
        make.ring((0, 0), (800, 800), (800, 0), (0, 800))))
    error = stopped(tie)
    assert error.code == "boundary-crosses-itself"
    assert "79.1 ac as drawn" in str(error)
    assert "158.3 ac outline" in str(error)
    assert read_boundary(path=tie, name="F", crossing="outline").area_ac == pytest.approx(
        make.BASE_AC, rel=2e-4)
    loop = make.geojson(tmp_path / "g.geojson", make.polygon(make.ring(
        (0, 0), (800, 0), (800, 800), (0, 800), (0, -15), (-15, -15), (15, 0))))
    field = read_boundary(path=loop, name="F")
    assert 158.26 <= field.area_ac <= 158.38
    assert "boundary-repaired" in make.told(field)


def test_s19_heights_and_measures(tmp_path: Path) -> None:
    import shapefile

    high = [[*position, 300.5, 7.0] for position in make.box()]
    kinds = [make.geojson(tmp_path / "f.geojson", make.polygon(high))]
    for kind in (shapefile.POLYGONZ, shapefile.POLYGONM):
        with shapefile.Writer(str(tmp_path / str(kind)), shapeType=kind) as writer:
            writer.field("NAME", "C", 8)
            ring = [[*p, 5.0] for p in make.utm_box(0, 0, 800, 800)]
            (writer.polyz if kind == shapefile.POLYGONZ else writer.polym)([ring])
            writer.record("F")
        path = tmp_path / f"{kind}.shp"
        path.with_suffix(".prj").write_text(pyproj.CRS.from_epsg(32615).to_wkt("WKT1_ESRI"))
        kinds.append(path)
    for path in kinds:
        field = read_boundary(path=path, name="F")
        assert field.area_ac == pytest.approx(make.BASE_AC, rel=2e-4)
        assert "boundary-heights-ignored" in make.told(field)
        assert not field.boundary.has_z
    zones = zone_whole_field(boundary=field.boundary, crs_centre=field.crs_centre)
    layer = build_set(field=field, zones=zones, prescription=make.prescribed(zones, [1.0]))
    write_formats(meant=layer, formats=["shapefile", "geojson"], folder=tmp_path / "out")
    with shapefile.Reader(str(next((tmp_path / "out").rglob("*.shp")))) as reader:
        assert reader.shapeType == shapefile.POLYGON == 5
    (feature,) = json.loads(next((tmp_path / "out").rglob("*.geojson")).read_text())["features"]
    assert not shapely.geometry.shape(feature["geometry"]).has_z


def test_s20_fields_that_overlap(tmp_path: Path) -> None:
    path = make.geojson(tmp_path / "f.geojson", make.polygon(make.box(0, 0, 410, 800)),
                        make.polygon(make.box(390, 0, 800, 800)),
                        properties=[{"name": "Left"}, {"name": "Right"}])
    error = stopped(path)
    assert error.code == "boundary-overlap"
    strip = make.karney_ac(shapely.Polygon(make.box(390, 0, 410, 800)))
    assert f"Left and Right overlap by {strip:.3f} ac" in str(error)
    joined = read_boundary(path=path, name="F", several="join")
    assert joined.area_ac == pytest.approx(make.BASE_AC, rel=2e-4)


def test_s21_lines_and_open_rings(tmp_path: Path) -> None:
    ring = make.box()
    good = {
        "closed": ([make.line(ring)], "boundary-from-lines"),
        "unclosed": ([make.polygon(ring[:-1])], "boundary-ring-closed"),
        "sides": ([make.line(ring[k : k + 2]) for k in (2, 0, 3, 1)], "boundary-from-lines"),
    }
    for name, (shapes, code) in good.items():
        field = read_boundary(path=make.geojson(tmp_path / f"{name}.geojson", *shapes), name="F")
        assert field.area_ac == pytest.approx(make.BASE_AC, rel=2e-4)
        assert code in make.told(field)
    gap = make.geojson(tmp_path / "gap.geojson", make.line([*ring[:4], make.at(0, 42)]))
    error = stopped(gap)
    assert error.code == "boundary-line-open"
    assert "gap 42.0 m" in str(error)
    assert read_boundary(path=gap, name="F", close_gap=True).area_ac == pytest.approx(
        make.BASE_AC, rel=2e-4)
    two = make.geojson(tmp_path / "two.geojson", make.polygon([ring[0], ring[1], ring[0]]))
    assert "fewer than 3 different points" in str(stopped(two))


def test_s22_boundary_and_samples_in_two_systems(tmp_path: Path) -> None:
    # NAD83 / UTM 15N is EPSG:26915; samples are in degrees of WGS 84.
    path = make.shp(tmp_path / "f", ("F", 1.0, [make.utm_box(0, 0, 800, 800)]))
    path.with_suffix(".prj").write_text(pyproj.CRS.from_epsg(26915).to_wkt("WKT1_ESRI"))
    field = read_boundary(path=path, name="F")
    table = make.table(tmp_path / "s.csv", make.rows())
    soil = make.read(table, field)
    assert len(soil.sample_id) == 16
    assert shapely.contains_xy(field.boundary, soil.easting_m, soil.northing_m).all()
    far = make.geojson(tmp_path / "far.geojson", make.polygon(make.box(20_000, 0, 20_800, 800)))
    with pytest.raises(InputError, match="0 of 16 samples inside"):
        make.read(table, read_boundary(path=far, name="F"))


def test_s23_samples_outside(tmp_path: Path) -> None:
    path = make.geojson(tmp_path / "f.geojson",
                        make.polygon(make.box(), make.box(350, 120, 450, 220)))
    field = read_boundary(path=path, name="F")
    extra = {"NEAR": (-4, 400), "FAR": (300, 1100), "YARD": (400, 170)}
    body = make.rows()[:12] + [
        [name, f"{make.at(*place)[1]:.8f}", f"{make.at(*place)[0]:.8f}", "20", "150"]
        for name, place in extra.items()]
    soil = make.read(make.table(tmp_path / "s.csv", body), field)
    assert len(soil.sample_id) == 13
    told = make.told(soil)
    assert "NEAR 4.0 m" in told["soil-sample-near"]
    assert "FAR 300.1 m" in told["soil-sample-outside"]  # 300 m of UTM at scale 0.9996
    assert "YARD 50.0 m" in told["soil-sample-in-hole"]


def _two_zones_across(field: Field, folder: Path) -> None:
    """Two zones whose shared edge runs across longitude 180 stay a coverage in the files."""
    west, south, east, north = field.boundary.bounds
    cut = shapely.LineString([(west - 9, south + 300), (east + 9, north - 400)])
    halves = shapely.ops.split(field.boundary.geoms[0], cut).geoms
    zones = zones_from_polygons(boundary=field.boundary, crs_centre=field.crs_centre,
                                polygons=list(halves), labels=["a", "b"])
    layer = build_set(field=field, zones=zones, prescription=make.prescribed(zones, [100.0, 50.0]))
    write_formats(meant=layer, formats=["shapefile", "geojson"], folder=folder)
    for kind in ("shp", "geojson"):
        result = audit_file(path=next(folder.rglob(f"*.{kind}")))
        assert result.agrees, result.faults
        acres = [row.found for row in result.rows if row.what == "acres"]
        # An oblique edge of 900 m, cut on a straight line of degrees, bows by millimetres.
        assert acres == pytest.approx([zone.area_ac for zone in zones.zones], rel=1e-5)
        assert sum(acres) == pytest.approx(field.area_ac, rel=2e-6)


def test_s24_longitude_180_and_two_utm_zones(tmp_path: Path) -> None:
    def across(west: float, east: float) -> list[list[float]]:
        return [[west, -16.8], [east, -16.8], [east, -16.792], [west, -16.792], [west, -16.8]]

    want = make.karney_ac(shapely.Polygon(across(179.995, 180.003)))
    spelled = (make.polygon(across(179.995, -179.997)), make.polygon(across(179.995, 180.003)),
               {"type": "MultiPolygon",
                "coordinates": [[across(179.995, 180)], [across(-180, -179.997)]]})
    for k, geometry in enumerate(spelled):
        field = read_boundary(path=make.geojson(tmp_path / f"{k}.geojson", geometry), name="F")
        # A vertex more on an edge along a parallel moves its geodesics by a hair.
        assert field.area_ac == pytest.approx(want, rel=2e-6)
        assert abs(field.crs_centre[0]) == 180
        # RFC 7946, 3.1.9: written back cut at longitude 180.
        out = exported(field, tmp_path / f"out{k}")
        assert all(abs(x) <= 180 for one in out for x in (one.bounds[0], one.bounds[2]))
        parts = [p for one in out for p in shapely.get_parts(one)]
        assert max(p.bounds[2] - p.bounds[0] for p in parts) < 0.01
        assert sum(map(make.karney_ac, parts)) == pytest.approx(want, rel=2e-6)
    _two_zones_across(field, tmp_path / "zones")
    edge = read_boundary(path=make.geojson(tmp_path / "edge.geojson", make.polygon(
        [[-96.005, 41.0], [-95.995, 41.0], [-95.995, 41.008], [-96.005, 41.008],
         [-96.005, 41.0]])), name="F")
    body = []
    for n, lon in enumerate((-96.004, -96.001, -95.999, -95.996)):
        zone = 14 if lon < -96 else 15
        to_zone = pyproj.Transformer.from_crs(4326, 32600 + zone, always_xy=True)
        easting, northing = to_zone.transform(lon, 41.004)
        body.append([f"U{n}", str(zone), f"{easting:.2f}", f"{northing:.2f}", "150"])
    table = make.table(tmp_path / "s.csv", body,
                       head=("sample_id", "zone", "easting", "northing", "K_ppm"))
    soil = make.read(table, edge, {"potassium": make.column()}, longitude_column=None,
                     latitude_column=None, easting_column="easting", northing_column="northing",
                     zone_column="zone")
    assert len(soil.sample_id) == 4
    # 0.008 degree of longitude at latitude 41.004: 673 m.
    assert float(np.ptp(soil.easting_m)) == pytest.approx(673, abs=2)
