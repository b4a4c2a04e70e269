"""Positions in one cell, run together, scaled, parted by blanks, or as codes.

Places are compared with the same samples in decimal degrees. 4100.634,N is the layout of NMEA 0183
(ddmm.mmmm, from memory); WKT is OGC 06-103r4, geo addresses RFC 5870, GeoJSON RFC 7946.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import InputError
from vrx.intake import PointsSpec, SoilSpec, peek_table, propose_columns, read_boundary, read_soil
from vrx.intake._odd_degrees import WAYS, reader_of
from vrx.intake._one_cell import pair_of
from vrx.model import Field, SoilTable

Write = Callable[[float, float], str]


def dm(value: float, width: int = 2) -> str:
    size = abs(value)
    return f"{int(size):0{width}d}{(size % 1) * 60:09.6f}"


def dms(value: float, gap: str = " ") -> str:
    size = abs(value)
    minutes = (size % 1) * 60
    return gap.join((f"{int(size)}", f"{int(minutes):02d}", f"{(minutes % 1) * 60:08.5f}"))


def in_one_cell(make: SimpleNamespace, path: Path, write: Write) -> Path:
    rows = [[r[0], write(float(r[1]), float(r[2])), r[3]] for r in make.sample_rows()]
    made: Path = make.write_csv(path, rows, head=["sample_id", "Where", "K_ppm"])
    return made


def two_columns(make: SimpleNamespace, path: Path, lat: Callable[[float], str],
                lon: Callable[[float], str]) -> Path:
    rows = [[r[0], lat(float(r[1])), lon(float(r[2])), r[3]] for r in make.sample_rows()]
    made: Path = make.write_csv(path, rows)
    return made


def one(make: SimpleNamespace, **more: Any) -> SoilSpec:
    spec: SoilSpec = make.soil_spec(longitude_column=None, latitude_column=None,
                                    position_column="Where", **more)
    return spec


def stopped(path: Path, field: Field, spec: SoilSpec) -> InputError:
    with pytest.raises(InputError) as caught:
        read_soil(path=path, field=field, spec=spec)
    return caught.value


def at_home(make: SimpleNamespace, field: Field, tmp_path: Path, soil: SoilTable) -> None:
    plain = read_soil(path=make.write_csv(tmp_path / "plain.csv", make.sample_rows()),
                      field=field, spec=make.soil_spec())
    assert np.allclose(soil.easting_m, plain.easting_m, atol=0.09)  # half a millionth
    assert np.allclose(soil.northing_m, plain.northing_m, atol=0.09)
    assert make.total(soil.columns["potassium"].values) == 2874


LAT_LON = "latitude longitude"


@pytest.mark.parametrize(("write", "order"), [
    (lambda a, o: f"{a:.7f}, {o:.7f}", LAT_LON), (lambda a, o: f"({a:.7f},{o:.7f})", LAT_LON),
    (lambda a, o: f"{o:.7f} {a:.7f}", "longitude latitude"),
    (lambda a, o: f"{a:.7f};{o:.7f}", LAT_LON), (lambda a, o: f"{a:.7f} / {o:.7f}", LAT_LON),
    (lambda a, o: f"{a:.7f}, {o:.7f}, 281.4", LAT_LON),
    (lambda a, o: f"POINT ({o:.7f} {a:.7f})", None),
    (lambda a, o: f"point z({o:.7f} {a:.7f} 281)", None),
    (lambda a, o: f"SRID=4326;POINT({o:.7f} {a:.7f})", None),
    (lambda a, o: f'{{"type": "Point", "coordinates": [{o:.7f}, {a:.7f}]}}', None),
    (lambda a, o: f"geo:{a:.7f},{o:.7f}", None),
    (lambda a, o: f"{a:.7f}N {-o:.7f}W", None), (lambda a, o: f"N{a:.7f}, W{-o:.7f}", None),
    (lambda a, o: f"W {-o:.7f} N {a:.7f}", None),
    (lambda a, o: f"Lat: {a:.7f} Lon: {o:.7f}", None),
    (lambda a, o: f"lon {o:.7f}, lat {a:.7f}", None),
    (lambda a, o: "{}°{}'{}\" N, {}°{}'{}\" W".format(*dms(a).split(), *dms(o).split()), None),
])
def test_both_coordinates_in_one_cell(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, write: Write, order: str | None
) -> None:
    path = in_one_cell(make, tmp_path / "f.csv", write)
    soil = read_soil(path=path, field=field, spec=one(make, point_order=order))
    at_home(make, field, tmp_path, soil)
    assert "soil-position-column" in make.codes(soil.findings)
    if order is not None:
        error = stopped(path, field, one(make))
        assert error.code == "soil-point-order"
        assert f"as {order}: 16 of 16 inside" in error.message
        assert f'soil.point_order={order}"' in error.hint
        other = "longitude latitude" if order == LAT_LON else LAT_LON
        turned = stopped(path, field, one(make, point_order=other))
        assert turned.code == "soil-coordinates-exchanged"
        assert f'"soil.point_order={order}"' in turned.hint


def test_decimal_commas_and_missing_signs_in_one_cell(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    path = in_one_cell(make, tmp_path / "c.csv",
                       lambda a, o: f"{a:.7f}, {o:.7f}".replace(".", ","))
    soil = read_soil(path=path, field=field, spec=one(make, point_order=LAT_LON, decimal_mark=","))
    at_home(make, field, tmp_path, soil)
    path = in_one_cell(make, tmp_path / "u.csv", lambda a, o: f"{a:.7f}, {-o:.7f}")
    error = stopped(path, field, one(make))
    assert "16 of 16 inside" in error.message
    assert "soil.longitudes_are_west=true" in error.hint
    soil = read_soil(path=path, field=field,
                     spec=one(make, point_order=LAT_LON, longitudes_are_west=True))
    at_home(make, field, tmp_path, soil)


def test_what_is_no_pair_is_named_with_its_row(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    rows = [[r[0], f"{r[1]}, {r[2]}", r[3]] for r in make.sample_rows()]
    rows[3][1], rows[5][1] = "41.01 or so, -93.59", ""
    path = make.write_csv(tmp_path / "b.csv", [*rows, ["Average", "", "180"]],
                          head=["sample_id", "Where", "K_ppm"])
    error = stopped(path, field, one(make, point_order=LAT_LON))
    assert error.code == "soil-coordinate-unreadable"
    assert "'41.01 or so, -93.59' (row 5)" in error.message
    rows[3][1] = rows[2][1]
    path = make.write_csv(tmp_path / "e.csv", [*rows, ["Average", "", "180"]],
                          head=["sample_id", "Where", "K_ppm"])
    soil = read_soil(path=path, field=field, spec=one(make, point_order=LAT_LON))
    assert {"soil-no-position", "soil-row-not-a-sample"} <= set(make.codes(soil.findings))
    # A cell that says its order stands against a plan that says another.
    path = in_one_cell(make, tmp_path / "w.csv", lambda a, o: f"POINT ({o} {a})")
    assert stopped(path, field, one(make, point_order=LAT_LON)).code == "soil-point-order"


@pytest.mark.parametrize("cell", [
    "POINT (1e999 41.0)", "lat" + "," * 200_000, "1 " * 200_000, "{" * 200_000])
def test_a_cell_of_a_page_is_no_pair_and_takes_no_time(cell: str) -> None:
    start = time.perf_counter()
    assert pair_of(cell, ".") is None
    assert time.perf_counter() - start < 1.0


@settings(max_examples=300, derandomize=True, deadline=None)
@given(st.text("0123456789.,;-+ °'\"NSEWlatonPOINT()/", max_size=60),
       st.sampled_from([None, *WAYS]), st.sampled_from(".,"))
def test_any_cell_is_a_pair_of_finite_numbers_or_none(cell: str, way: str | None, mark: str
                                                      ) -> None:
    pair = pair_of(cell, mark, reader_of(way))
    assert pair is None or (math.isfinite(pair.first) and math.isfinite(pair.second))


@pytest.mark.parametrize(("write", "words"), [
    (lambda a, o: "86H826CJ+2V", "plus codes"), (lambda a, o: "9zmk1c3x2", "geohashes"),
    (lambda a, o: "15T VF 50100 40100", "MGRS"),
    (lambda a, o: "15T 450100 4540100", "zone, easting and northing")])
def test_codes_of_places_are_named_and_not_read(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, write: Write, words: str
) -> None:
    path = in_one_cell(make, tmp_path / "f.csv", write)
    error = stopped(path, field, one(make, point_order=LAT_LON))
    assert error.code == "soil-coordinate-unreadable"
    assert words in error.message
    spec = make.soil_spec(longitude_column="Where", latitude_column="Where")
    error = stopped(path, field, spec)
    assert words in error.message
    assert "decimal degrees" in error.hint


def test_one_cell_under_the_keys_of_two_columns_leads_to_its_own_key(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    path = in_one_cell(make, tmp_path / "f.csv", lambda a, o: f"{a:.7f}, {o:.7f}")
    error = stopped(path, field, make.soil_spec(longitude_column="Where", latitude_column="Where"))
    assert "soil.position_column=Where --drop soil.longitude_column" in error.hint
    assert peek_table(path).proposals["position_column"] == "Where"
    found = propose_columns(path).column_for("position_column")
    assert found is not None
    assert found.heading == "Where"


@pytest.mark.parametrize(("way", "lat", "lon", "signed"), [
    ("ddmm.mmmm", lambda v: dm(v), lambda v: dm(v, 3), False),
    ("ddmm.mmmm", lambda v: dm(v), lambda v: "-" + dm(v, 3), True),
    ("ddmm.mmmm", lambda v: dm(v) + "N", lambda v: dm(v, 3) + ",W", True),
    ("ddmmss.s", lambda v: dms(v, ""), lambda v: "-" + dms(v, ""), True),
    ("microdegrees", lambda v: str(round(v * 1e6)), lambda v: str(round(v * 1e6)), True),
    ("1e-7 degrees", lambda v: str(round(v * 1e7)), lambda v: str(round(v * 1e7)), True),
    ("1e-7 degrees", lambda v: str(round(v * 1e7)), lambda v: str(round(-v * 1e7)), False),
    ("d m s", lambda v: dms(v), lambda v: "-" + dms(v), True),
    ("d m s", lambda v: dms(v), lambda v: dms(v), False),
    ("d m s", lambda v: dms(v, "-"), lambda v: "-" + dms(v, "-"), True),
    ("d m s", lambda v: f"{int(v)} {(v % 1) * 60:.6f}", lambda v: f"-{int(-v)} {(-v % 1) * 60:.6f}",
     True),
])
def test_degrees_written_otherwise_are_counted_and_read_when_stated(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, way: str, lat: Any, lon: Any,
    signed: bool,
) -> None:
    path = two_columns(make, tmp_path / "f.csv", lat, lon)
    error = stopped(path, field, make.soil_spec())
    assert error.code in {"soil-degrees-otherwise", "soil-coordinate-unreadable"}
    assert "16 of 16 inside if" in error.message
    assert "UTM" not in error.message
    assert f"soil.degrees_as={way}" in error.hint
    assert ("soil.longitudes_are_west=true" in error.hint) is not signed
    spec = make.soil_spec(degrees_as=way, longitudes_are_west=not signed)
    soil = read_soil(path=path, field=field, spec=spec)
    at_home(make, field, tmp_path, soil)
    said = next(f for f in soil.findings if f.code == "soil-degrees-otherwise")
    assert "41.0" in said.what


def test_degrees_in_the_stated_way_that_are_none_stop(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    rows = [[r[0], dm(float(r[1])), "-" + dm(float(r[2]), 3), r[3]] for r in make.sample_rows()]
    rows[4][1] = "4175.3"  # 75 minutes
    path = make.write_csv(tmp_path / "f.csv", rows)
    error = stopped(path, field, make.soil_spec(degrees_as="ddmm.mmmm"))
    assert error.code == "soil-coordinate-unreadable"
    assert "'4175.3' (row 6)" in error.message
    # True decimal degrees under another way are far off, and never taken for what they are not.
    path = make.write_csv(tmp_path / "p.csv", make.sample_rows())
    assert stopped(path, field, make.soil_spec(degrees_as="microdegrees")).code in {
        "soil-outside-field", "soil-degrees-otherwise"}


def test_points_files_know_the_same_ways(make: SimpleNamespace, field: Field, tmp_path: Path
                                         ) -> None:
    rows = [[r[0], f"{float(r[1]):.7f}, {-float(r[2]):.7f}"] for r in make.sample_rows()]
    points = make.write_csv(tmp_path / "p.csv", rows, head=["name", "at"])
    path = make.write_csv(tmp_path / "r.csv", [[r[0], r[3]] for r in make.sample_rows()],
                          head=["sample_id", "K_ppm"])

    def spec(**more: Any) -> SoilSpec:
        return make.soil_spec(  # type: ignore[no-any-return]
            longitude_column=None, latitude_column=None, points=PointsSpec(
                path=points, places=SoilSpec(id_column="name", position_column="at", **more)))

    error = stopped(path, field, spec())
    assert "soil.points.point_order=" in error.hint
    assert "soil.points.longitudes_are_west=true" in error.hint
    error = stopped(path, field, spec(point_order=LAT_LON))
    assert "soil.points.longitudes_are_west=true" in error.hint
    at_home(make, field, tmp_path, read_soil(path=path, field=field, spec=spec(
        point_order=LAT_LON, longitudes_are_west=True)))


# --- which of the two is wrong: the boundary or the samples


@pytest.mark.parametrize(("turn", "words"), [
    (lambda lon, lat: (-lon, lat), "the minus sign of its longitudes is missing"),
    (lambda lon, lat: (lon, -lat), "the minus sign of its latitudes is too much"),
    (lambda lon, lat: (lat, lon + 60), "")])
def test_a_boundary_on_the_wrong_side_of_the_earth_is_named_too(
    *, make: SimpleNamespace, tmp_path: Path, turn: Any, words: str
) -> None:
    ring = [list(turn(*corner)) for corner in make.square()]
    field = read_boundary(path=make.geojson(tmp_path / "b.geojson", make.polygon(ring)), name="F")
    path = make.write_csv(tmp_path / "s.csv", make.sample_rows())
    error = stopped(path, field, make.soil_spec())
    assert "boundary longitude" in error.message  # both extents, whatever is wrong
    if words:
        assert "16 of 16 inside if the" in error.message
        assert f"or if of the boundary {words}" in error.message
        assert "(samples wrong)" in error.message
        assert "of the equator" in error.message
        assert "if the boundary is wrong, mend its file" in error.hint


@pytest.mark.parametrize(("inside", "stops"), [(0, True), (6, True), (8, True), (9, False)])
def test_half_of_the_samples_outside_stop_with_both_extents(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, inside: int, stops: bool
) -> None:
    rows = make.sample_rows()
    for k, row in enumerate(rows[inside:]):
        lon, lat = make.lonlat(make.west + 5000 + 37 * k * k, make.south - 9000 + 211 * k)
        row[1:3] = [f"{lat:.7f}", f"{lon:.7f}"]
    path = make.write_csv(tmp_path / "s.csv", rows)
    if not stops:
        soil = read_soil(path=path, field=field, spec=make.soil_spec())
        assert len(soil.sample_id) == inside
        assert "soil-sample-outside" in make.codes(soil.findings)
        return
    error = stopped(path, field, make.soil_spec())
    assert error.code == "soil-outside-field"
    assert f"{inside} of 16 samples inside" in error.message
    assert "(WGS 84); boundary longitude" in error.message
    assert ("nearest" in error.message) is (inside == 0)
    if inside:
        assert "soil.only_inside=true" in error.hint
        soil = read_soil(path=path, field=field, spec=make.soil_spec(only_inside=True))
        assert len(soil.sample_id) == inside
        assert "soil-sample-outside" in make.codes(soil.findings)
    else:
        assert stopped(path, field, make.soil_spec(only_inside=True)).code == "soil-outside-field"
