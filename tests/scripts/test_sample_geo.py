from __future__ import annotations

import csv
import hashlib
import json
import math
import zipfile
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import geopandas
import numpy as np
import pytest
import shapefile
import shapely
from geographiclib.geodesic import Geodesic
from geojson_validator import validate_geometries, validate_structure

SQM_PER_AC = 4046.8564224  # international acre, NIST Handbook 44 appendix C
Load = Callable[[str], ModuleType]


@pytest.fixture
def geo(root: Path) -> Path:
    return root / "sample_geo"


def _karney_ac(polygon: shapely.Polygon) -> float:
    """Acres by GeographicLib (Karney 2013, J. Geodesy 87:43-55), a reference of its own."""

    def ring_m2(ring: Any) -> float:
        area = Geodesic.WGS84.Polygon()
        for longitude, latitude in list(ring.coords)[:-1]:
            area.AddPoint(latitude, longitude)
        return abs(float(area.Compute(False, True)[2]))

    holes = sum(ring_m2(ring) for ring in polygon.interiors)
    return (ring_m2(polygon.exterior) - holes) / SQM_PER_AC


def _geojson(path: Path) -> tuple[dict[str, Any], shapely.Geometry]:
    document = json.loads(path.read_text(encoding="utf-8"))
    return document, shapely.from_geojson(json.dumps(document["features"][0]["geometry"]))


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_list_in_the_readme_holds_every_made_file_with_its_hash(geo: Path) -> None:
    text = (geo / "README.md").read_text(encoding="utf-8")
    listed = {line.split("  ")[1]: line.split("  ")[0]
              for line in text.splitlines() if len(line.split("  ")[0]) == 64}
    hand_written = {"plan.toml", "season.toml", "county_guide.toml"}
    lie_there = {p.relative_to(geo).as_posix() for p in geo.glob("*/*")
                 if p.is_file() and p.name not in hand_written}
    assert set(listed) == lie_there
    for name, digest in listed.items():
        assert hashlib.sha256((geo / name).read_bytes()).hexdigest() == digest, name


def test_the_script_makes_the_same_fields_again(geo: Path, tmp_path: Path, script: Load) -> None:
    made = script("make_sample_geo")
    assert made.main([str(tmp_path)]) == 0
    for field, names in made.MADE.items():
        for name in names:
            ours, again = geo / field / name, tmp_path / field / name
            if name.endswith(".gpkg"):  # SQLite pages differ between GDAL versions; values must not
                left, right = geopandas.read_file(ours), geopandas.read_file(again)
                assert left.drop(columns="geometry").equals(right.drop(columns="geometry"))
                assert left.geometry.geom_equals_exact(right.geometry, 1e-6).all()
            elif name.endswith(".zip"):  # so may deflate; the parts must not
                with zipfile.ZipFile(ours) as one, zipfile.ZipFile(again) as two:
                    assert one.namelist() == two.namelist()
                    assert [one.read(n) for n in one.namelist()] == [
                        two.read(n) for n in two.namelist()
                    ]
            else:
                assert ours.read_bytes() == again.read_bytes(), name


@pytest.mark.parametrize("field", ["kettle", "bench"])
def test_geojson_boundaries_keep_to_rfc_7946(geo: Path, field: str) -> None:
    document, polygon = _geojson(geo / field / "boundary.geojson")
    assert validate_structure(document) == {}
    problems = validate_geometries(document)
    assert problems["invalid"] == {}
    # Holes are wanted; 7 decimals (1 cm) are more than section 11.2 asks for, and allowed.
    assert set(problems["problematic"]) <= {"holes", "excessive_coordinate_precision"}
    assert "crs" not in document  # RFC 7946 section 4
    assert shapely.is_valid(polygon)
    assert shapely.is_ccw(polygon.exterior)  # section 3.1.6, right-hand rule
    assert not any(shapely.is_ccw(ring) for ring in polygon.interiors)


def test_the_kettle_is_a_pivot_circle_with_a_wet_hollow(geo: Path) -> None:
    _, polygon = _geojson(geo / "kettle" / "boundary.geojson")
    whole = _karney_ac(shapely.Polygon(polygon.exterior))
    # Area of a pivot circle, pi R^2 / 43,560 (as extension circulars on centre pivots print it).
    assert whole == pytest.approx(math.pi * 1316.0**2 / 43560.0, rel=2e-3)
    assert len(polygon.interiors) == 1
    assert 3.0 < whole - _karney_ac(polygon) < 4.0


def test_the_kettle_samples_hold_the_promised_wrinkles(geo: Path) -> None:
    _, polygon = _geojson(geo / "kettle" / "boundary.geojson")
    rows = _rows(geo / "kettle" / "soil.csv")
    assert len(rows) == 61
    assert {row["sampled_on"] for row in rows} == {"2026-10-06", "2026-10-07"}
    places = {row["sample_id"]: (row["longitude"], row["latitude"]) for row in rows}
    assert len(places) == 61
    assert places["K27"] == places["K27R"]
    assert len(set(places.values())) == 60
    assert [row["sample_id"] for row in rows if row["SO4S_ppm"].startswith("<")] == ["K56"]

    hollow = shapely.Polygon(polygon.interiors[0])
    m_per_degree = 111_320.0 * np.array([math.cos(math.radians(41.93)), 1.0])

    def metres(geometry: shapely.Geometry) -> shapely.Geometry:
        return shapely.transform(geometry, lambda at: at * m_per_degree)

    apart = {}
    for row in rows:
        point = shapely.Point(float(row["longitude"]), float(row["latitude"]))
        if not polygon.covers(point):
            apart[row["sample_id"]] = shapely.distance(metres(point), metres(polygon))
            assert hollow.covers(point) == (row["sample_id"] == "K20")
    assert set(apart) == {"K20", "K57"}
    assert 2.0 < apart["K57"] < 8.0
    assert apart["K20"] > 10.0


def test_the_kettle_values_are_those_of_sandy_outwash(geo: Path) -> None:
    rows = [row for row in _rows(geo / "kettle" / "soil.csv") if row["sample_id"] != "K20"]
    k_ppm = np.array([float(row["K_M3_ppm"]) for row in rows])
    cec = np.array([float(row["CEC_meq_per_100g"]) for row in rows])
    assert 50 <= k_ppm.min() < 65
    assert 200 < k_ppm.max() <= 230
    assert k_ppm.mean() == pytest.approx(121, abs=5)
    assert cec.min() >= 3.0
    assert cec.max() <= 9.0
    # Near stops agree better than far ones, else there is nothing to map: Moran's I (Moran 1950)
    # with weight 1 up to 350 ft; its mean without pattern is -1/(n-1), its spread here about 0.09.
    at = np.array([[float(row["longitude"]) * math.cos(math.radians(41.93)),
                    float(row["latitude"])] for row in rows]) * 111_320.0 / 0.3048
    apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    near = ((apart < 350.0) & (apart > 1.0)).astype(float)
    z = k_ppm - k_ppm.mean()
    moran = len(z) / near.sum() * (z @ near @ z) / (z @ z)
    assert moran > 0.25


def test_long_eighty_has_two_parts_in_utm_and_its_notch(geo: Path) -> None:
    # pyshp reads without GDAL; the .prj is judged by its own words.
    path = geo / "long-eighty" / "boundary.zip"
    with shapefile.Reader(str(path)) as reader:
        shape = shapely.from_geojson(json.dumps(reader.shape(0).__geo_interface__))
    with zipfile.ZipFile(path) as pack:
        prj = pack.read("boundary.prj").decode()
    assert "UTM_Zone_16N" in prj
    assert shape.geom_type == "MultiPolygon"
    assert len(shape.geoms) == 2
    assert shape.geoms[0].distance(shape.geoms[1]) == pytest.approx(66 * 0.3048, abs=1.5)
    lonlat = geopandas.read_file(path).to_crs(4326).geometry.iloc[0]
    acres = sum(_karney_ac(part) for part in lonlat.geoms)
    assert acres == pytest.approx(79.4, abs=0.3)
    around = [shapely.oriented_envelope(part) for part in shape.geoms]
    left_out = max(a.area - p.area for a, p in zip(around, shape.geoms, strict=True)) / SQM_PER_AC
    assert 2.5 < left_out < 6.0  # the farmyard, and what the bend of the road takes


def test_long_eighty_samples_in_state_plane_feet_fall_into_the_field(geo: Path) -> None:
    folder = geo / "long-eighty"
    samples = geopandas.read_file(folder / "samples.shp")
    assert samples.crs is not None
    assert samples.crs.axis_info[0].unit_name == "US survey foot"
    assert len(samples) == 30
    assert set(samples["SAMPLED_ON"].astype(str)) == {"2022-04-19"}
    field = geopandas.read_file(folder / "boundary.zip")
    inside = samples.to_crs(field.crs).within(field.geometry.iloc[0])
    assert inside.all()
    # Taken for metres or international feet, the points would lie elsewhere: 2 ppm of 900,000 ft.
    wrong = samples.set_crs("EPSG:26974", allow_override=True).to_crs(field.crs)
    assert not wrong.within(field.geometry.iloc[0]).any()


def test_own_zones_cover_the_field_without_gap_or_overlap(geo: Path) -> None:
    zones = geopandas.read_file(geo / "long-eighty" / "own_zones.gpkg", layer="zones")
    field = geopandas.read_file(geo / "long-eighty" / "boundary.zip").geometry.iloc[0]
    assert list(zones["label"]) == ["A", "B", "C", "D", "E"]
    # OGC Simple Features: a coverage's members share edges and their interiors do not meet.
    assert bool(shapely.coverage_is_valid(zones.geometry.to_numpy(), gap_width=0.01))
    union = shapely.union_all(zones.geometry.to_numpy())
    assert union.symmetric_difference(field).area < 0.01
    assert zones.geometry.area.min() / SQM_PER_AC > 10


def test_bench_is_forty_acres_and_its_samples_fall_inside(geo: Path) -> None:
    _, polygon = _geojson(geo / "bench" / "boundary.geojson")
    assert _karney_ac(polygon) == pytest.approx(40.0, abs=0.3)
    rows = _rows(geo / "bench" / "soil.csv")
    assert len(rows) == 25
    for row in rows:
        assert polygon.contains(shapely.Point(float(row["Long"]), float(row["Lat"])))


def test_the_bench_conductivity_is_logged_inside_and_rises_to_the_tail(geo: Path) -> None:
    _, polygon = _geojson(geo / "bench" / "boundary.geojson")
    rows = _rows(geo / "bench" / "conductivity.csv")
    assert (geo / "bench" / "conductivity.csv").stat().st_size < 100_000
    at = np.array([[float(row["Long"]), float(row["Lat"])] for row in rows])
    value = np.array([float(row["ECa mS/m"]) for row in rows])
    assert shapely.contains_xy(polygon, at[:, 0], at[:, 1]).all()
    assert value.min() > 5
    assert np.corrcoef(at[:, 1], value)[0, 1] < -0.7
