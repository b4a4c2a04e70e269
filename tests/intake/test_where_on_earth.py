"""Where a boundary lies: exchanged degrees, feet for metres, far zones, odd longitudes, no .prj.

Acres are compared with GeographicLib (C. F. F. Karney, J. Geodesy 87:43, 2013), not with ours.
"""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pyproj
import pytest
import shapefile
from geographiclib.geodesic import Geodesic

from vrx.errors import InputError
from vrx.intake import pivot_boundary, read_boundary

ACRE_M2 = 4046.8564224
US_FT_M = 1200 / 3937  # survey foot, exact
Ring = list[list[float]]


def ac(ring: Ring) -> float:
    polygon = Geodesic.WGS84.Polygon()
    for lon, lat in ring[:-1]:
        polygon.AddPoint(lat, lon)
    return abs(float(polygon.Compute()[2])) / ACRE_M2


def geojson(path: Path, ring: list[Any]) -> Path:
    path.write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}))
    return path


def stopped(path: Path, **choices: Any) -> InputError:
    with pytest.raises(InputError) as caught:
        read_boundary(path=path, name="F", **choices)
    return caught.value


def test_exchanged_degrees_that_are_legal_stop(make: SimpleNamespace, tmp_path: Path) -> None:
    # The square moved 12 degrees east, to longitude -81.6: as a latitude that is on the ice.
    path = geojson(tmp_path / "f.geojson", [[lat, lon + 12] for lon, lat in make.square()])
    error = stopped(path)
    assert error.code == "boundary-latitude"
    assert "longitude -81.59, latitude 41.01" in str(error)
    with pytest.raises(InputError, match="exchanged"):
        pivot_boundary(name="P", centre=(41.0, -81.6), radius_ft=1300.0)


@pytest.mark.parametrize("turn", [0.0, -360.0])
def test_longitudes_beyond_180_either_way(tmp_path: Path, turn: float) -> None:
    ring = [[179.996, -17.0], [180.004, -17.0], [180.004, -16.992], [179.996, -16.992],
            [179.996, -17.0]]
    field = read_boundary(
        path=geojson(tmp_path / "f.geojson", [[lon + turn, lat] for lon, lat in ring]), name="F")
    assert field.area_ac == pytest.approx(ac(ring), rel=1e-7)
    assert abs(abs(field.crs_centre[0]) - 180.0) < 0.01


def utm_shapefile(make: SimpleNamespace, path: Path, scale: float, prj: str) -> Path:
    rings = [[[e * scale, n * scale] for e, n in ring]
             for ring in make.utm_rings((make.west, make.south, 800.0))]
    made: Path = make.write_shapefile(path, [("A", rings)], prj=False)
    made.with_suffix(".prj").write_text(prj)
    return made


def test_feet_read_as_metres_land_outside_the_zone(make: SimpleNamespace, tmp_path: Path) -> None:
    path = utm_shapefile(make, tmp_path / "f", 1 / US_FT_M, make.utm.to_wkt("WKT1_ESRI"))
    error = stopped(path)
    assert error.code == "crs-area-of-use"
    assert "feet or metres" in str(error)
    # Metres under a .prj that was only relabelled as feet: a tenth of the acres.
    relabelled = make.utm.to_wkt("WKT1_ESRI").replace(
        'UNIT["Meter",1.0]', 'UNIT["Foot_US",0.3048006096012192]')
    error = stopped(utm_shapefile(make, tmp_path / "h", 1.0, relabelled))
    assert error.code == "crs-unreadable"
    assert "false easting 500000 metre" in str(error)
    # The same numbers under a .prj that says feet are the square.
    words = make.utm.to_wkt("WKT1_ESRI").replace(
        'UNIT["Meter",1.0]', 'UNIT["Foot_US",0.3048006096012192]').replace(
        "500000.0", repr(500000.0 / US_FT_M))
    feet = read_boundary(path=utm_shapefile(make, tmp_path / "g", 1 / US_FT_M, words), name="F")
    assert feet.area_ac == pytest.approx(ac(make.square()), rel=1e-5)


def test_a_zone_beside_its_own_is_read_and_one_far_off_told(make: SimpleNamespace, tmp_path: Path
                                                            ) -> None:
    def in_zone(epsg: int) -> Path:
        move = pyproj.Transformer.from_crs(4326, epsg, always_xy=True).transform
        with shapefile.Writer(str(tmp_path / str(epsg)), shapeType=shapefile.POLYGON) as writer:
            writer.field("NAME", "C", 10)
            writer.poly([[list(move(*p)) for p in make.square()][::-1]])
            writer.record("A")
        prj = pyproj.CRS.from_epsg(epsg).to_wkt("WKT1_ESRI")
        (tmp_path / f"{epsg}.prj").write_text(prj)
        return tmp_path / f"{epsg}.shp"

    # Longitude -93.6: 2.4 degrees from zone 16, 2.4 + 6 from zone 17.
    near = read_boundary(path=in_zone(32614), name="F")
    assert near.area_ac == pytest.approx(ac(make.square()), rel=1e-6)
    assert near.findings == ()
    assert stopped(in_zone(32617)).code == "crs-area-of-use"


@pytest.mark.parametrize("text", ["", "UTM zone 15 north, WGS84"])
def test_a_prj_that_cannot_be_read_is_mended_by_the_plan(make: SimpleNamespace, tmp_path: Path,
                                                         text: str) -> None:
    path = utm_shapefile(make, tmp_path / "f", 1.0, text)
    assert stopped(path).code == "crs-unreadable"
    field = read_boundary(path=path, name="F", crs="EPSG:32615")
    assert field.area_ac == pytest.approx(ac(make.square()), rel=1e-6)
    assert make.codes(field.findings) == ["crs-file-unreadable"]


def test_names_that_differ_in_case_only_are_two_shapefiles(make: SimpleNamespace, tmp_path: Path
                                                           ) -> None:
    big = make.write_shapefile(tmp_path / "Field",
                               [("A", make.utm_rings((make.west, make.south, 800.0)))])
    small = make.write_shapefile(tmp_path / "field",
                                 [("B", make.utm_rings((make.west, make.south, 100.0)))])
    if big.read_bytes() == small.read_bytes():
        pytest.skip("this file system does not tell names by case")
    wants = {big: ac(make.square()), small: ac(make.square(side=100.0))}
    for path, want in wants.items():
        assert read_boundary(path=path, name="F").area_ac == pytest.approx(want, rel=1e-6)
    assert stopped(tmp_path).code == "file-several-layers"
    field = read_boundary(path=tmp_path, name="F", layer="Field")
    assert field.area_ac == pytest.approx(wants[big], rel=1e-6)
    archive = tmp_path / "z.zip"
    with zipfile.ZipFile(archive, "w") as zipped:
        for part in [*tmp_path.glob("Field.*"), *tmp_path.glob("field.*")]:
            zipped.write(part, part.name)
    assert stopped(archive).code == "file-several-layers"
    for suffix in (".shp", ".shx", ".dbf", ".prj"):
        shutil.copy(big.with_suffix(suffix), tmp_path / f"field{suffix.upper()}")
    assert stopped(small).code == "shapefile-same-name"


def test_geojson_near_the_standard(make: SimpleNamespace, tmp_path: Path) -> None:
    shape = {"type": "Polygon", "coordinates": [make.square()]}
    one = {"type": "Feature", "properties": {"name": "A"}, "geometry": shape}
    bare = tmp_path / "bare.geojson"
    bare.write_text(json.dumps({"type": "FeatureCollection", "features": [shape]}))
    assert read_boundary(path=bare, name="F").area_ac == pytest.approx(ac(make.square()), rel=1e-8)
    nested = tmp_path / "nested.geojson"
    nested.write_text(json.dumps({"type": "FeatureCollection", "features": [
        one, {"type": "FeatureCollection", "features": [one]}]}))
    error = stopped(nested)
    assert error.code == "geojson-not-one"
    assert "feature 2" in str(error)
    digits = geojson(tmp_path / "digits.geojson", ["00", "50", "55", "05", "00"])
    assert stopped(digits).code == "geojson-coordinates"
    truth = geojson(tmp_path / "truth.geojson", [[True, False], [False, True], [True, True]])
    assert stopped(truth).code == "geojson-coordinates"
    twice = tmp_path / "twice.geojson"
    small = json.dumps([make.square(side=100.0)])
    twice.write_text(json.dumps(shape)[:-1] + f', "coordinates": {small}}}')
    assert stopped(twice).code == "json-key-twice"


def lines_of(make: SimpleNamespace, sides: list[float]) -> list[str]:
    """A square a line, side by side; the first one pretty-printed by the test that asks for it."""
    return [json.dumps({"type": "Feature", "properties": {"name": f"A{k}"}, "geometry": {
        "type": "Polygon", "coordinates": [make.square(make.west + 900 * k, side=side)]}})
        for k, side in enumerate(sides)]


@pytest.mark.parametrize("suffix", ["geojson", "geojsonl", "ndjson", "geojsons", "jsonl", "json"])
@pytest.mark.parametrize("mark", ["", "\x1e"])
def test_geojson_a_line_each_and_text_sequences(
    *, make: SimpleNamespace, tmp_path: Path, suffix: str, mark: str
) -> None:
    texts = lines_of(make, [800.0, 400.0])
    if mark:  # RFC 8142, section 2.1: a text may run over lines
        texts[0] = json.dumps(json.loads(texts[0]), indent=1)
    path = tmp_path / f"f.{suffix}"
    path.write_text("".join(f"{mark}{text}\n" for text in texts))
    field = read_boundary(path=path, name="F", select="A0")
    assert field.area_ac == pytest.approx(ac(make.square()), rel=1e-8)
    assert "holds 2 JSON texts" in next(f.what for f in field.findings if f.code == "geojson-lines")
    assert read_boundary(path=path, name="F", several="join").area_ac == pytest.approx(
        ac(make.square()) + ac(make.square(make.west + 900, side=400.0)), rel=1e-8)


def test_a_line_of_geojson_that_is_cut_or_no_feature_is_named(make: SimpleNamespace,
                                                              tmp_path: Path) -> None:
    texts = lines_of(make, [800.0, 400.0])
    path = tmp_path / "f.geojsonl"
    path.write_text("\n".join([*texts, texts[0][:40] + "}"]))
    assert "f.geojsonl line 3" in str(stopped(path))
    path.write_text("\n".join([texts[0], '{"a": 1}']))
    error = stopped(path)
    assert error.code == "geojson-not-one"
    assert "line 2" in str(error)
    path.write_text("\n".join([texts[0], "cut off"]))
    assert stopped(path).code == "geojson-broken"


def test_an_archive_in_an_archive_says_what_to_unpack(make: SimpleNamespace, tmp_path: Path
                                                      ) -> None:
    inner = tmp_path / "inner.zip"
    with zipfile.ZipFile(inner, "w") as archive:
        archive.writestr("f.geojson", lines_of(make, [800.0])[0])
    outer = tmp_path / "outer.zip"
    with zipfile.ZipFile(outer, "w") as archive:
        archive.write(inner, "inner.zip")
        archive.writestr("readme.pdf", "x")
    error = stopped(outer)
    assert error.code == "file-no-layer"
    assert "inner.zip" in error.hint
    assert "unpack it" in error.hint
