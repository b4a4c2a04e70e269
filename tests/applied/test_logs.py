"""Logs of every kind as ground: the same closed forms from points, polygons and time logs."""

from __future__ import annotations

import csv
import json
import struct
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
from applied_builders import AC_M2, CENTRE, to_and_fro

from vrx.errors import InputError
from vrx.geo import to_lonlat
from vrx.intake import AppliedSpec, LogColumn, LogElements, PlaceColumns, joined, read_applied
from vrx.model import AppliedGround, Field

WIDTH_M, STEP_M, LONG_M, PASSES, RATE = 20.0, 4.0, 200.0, 6, 160.0
GROUND_M2 = PASSES * LONG_M * WIDTH_M


@pytest.fixture
def field() -> Field:
    shape = shapely.MultiPolygon([shapely.box(-10, -10, 130, 210)])
    return Field(name="Square", crs_centre=CENTRE, boundary=shape, area_ac=shape.area / AC_M2)


def places() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    at, run = to_and_fro(passes=PASSES, length_m=LONG_M, apart_m=WIDTH_M, step_m=STEP_M)
    lonlat = shapely.get_coordinates(to_lonlat(shapely.multipoints(at), CENTRE))
    return at, run, lonlat


def a_table(path: Path, rates: np.ndarray | None = None, head: str = "applied") -> Path:
    _, run, lonlat = places()
    rates = np.full(len(run), RATE) if rates is None else rates
    with path.open("w", newline="", encoding="utf-8") as stream:
        rows = csv.writer(stream)
        rows.writerow(["t", "lon", "lat", head, "trip"])
        for k, (lon, lat) in enumerate(lonlat.tolist()):
            rows.writerow([k + 30 * run[k], f"{lon:.9f}", f"{lat:.9f}", rates[k], run[k]])
    return path


def spec(unit: str = "lb/ac", column: str = "applied", **more: object) -> AppliedSpec:
    told = {"width_m": WIDTH_M, "time": LogColumn(column="t", unit="s"), "pass_column": "trip",
            "places": PlaceColumns(longitude_column="lon", latitude_column="lat"), **more}
    return AppliedSpec(applied=LogColumn(column=column, unit=unit), **told)


def product(ground: AppliedGround) -> float:
    return float(ground.rate @ shapely.area(ground.polygons)) / AC_M2


@pytest.mark.parametrize(("unit", "factor"), [
    ("lb/ac", 1.0), ("kg/ha", 1 / 1.12085116), ("short ton/ac", 2000.0)])
def test_a_table_of_points(unit: str, factor: float, field: Field, tmp_path: Path) -> None:
    # 1 lb/ac = 1.12085116 kg/ha (NIST SP 811, appendix B.9: lb and acre).
    ground = read_applied(path=a_table(tmp_path / "log.csv"), field=field, unit="lb/ac",
                          spec=spec(unit))
    assert len(ground.polygons) == PASSES * 50
    assert shapely.area(ground.polygons).sum() == pytest.approx(GROUND_M2, rel=1e-5)
    assert ground.rate == pytest.approx(np.full(300, RATE * factor), rel=1e-7)


def test_a_delay_moves_rates_along_the_way(field: Field, tmp_path: Path) -> None:
    # The log tells what fell 3 s (12 m) before: a change at 100 m is logged at 112 m.
    at, run, _ = places()
    behind = at[:, 1] - np.where(run % 2 == 0, 12.0, -12.0)
    rates = np.where(behind < 100, 100.0, 200.0)
    path = a_table(tmp_path / "log.csv", rates)
    for delay, wrong in ((3.0, 0), (0.0, 18)):
        ground = read_applied(path=path, field=field, unit="lb/ac", spec=spec(), delay_s=delay)
        north = shapely.get_y(shapely.centroid(ground.polygons))
        off = np.abs(ground.rate - np.where(north < 100, 100.0, 200.0)) > 1
        assert abs(int(off.sum()) - wrong) <= 6
    with pytest.raises(InputError) as caught:
        read_applied(path=path, field=field, unit="lb/ac", spec=spec(time=None), delay_s=3.0)
    assert caught.value.code == "applied-delay-time"


@pytest.mark.parametrize("name", ["log.geojson", "log.gpkg", "log.shp", "größe.geojson"])
def test_polygons_are_taken_as_they_are(name: str, field: Field, tmp_path: Path) -> None:
    shapes = [shapely.box(0, 0, 100, 50), shapely.box(40, 50, 100, 100).difference(
        shapely.box(50, 60, 60, 70)), shapely.box(5000, 0, 5100, 100), shapely.box(0, 110, 9, 120)]
    frame = geopandas.GeoDataFrame(
        {"Rate": [100.0, 50.0, 70.0, np.nan]}, crs=4326,
        geometry=[to_lonlat(shape, CENTRE) for shape in shapes])
    frame.to_file(tmp_path / name)
    ground = read_applied(
        path=tmp_path / name, field=field, unit="lb/ac",
        spec=AppliedSpec(applied=LogColumn(column="Rate", unit="lb/ac"), places=PlaceColumns()))
    assert ground.rate.tolist() == [100, 50]
    assert shapely.area(ground.polygons) == pytest.approx([5000, 2900], rel=1e-4)
    assert ground.left_out == {"no area": 0, "no rate": 1, "negative rate": 0,
                               "outside the field": 1}


HEADER = """<?xml version="1.0" encoding="UTF-8"?><TIM A="" D="4"><PTN A="" B="" D=""/>
<DLV A="0007" B="" C="DET-1"/><DLV A="008D" B="" C="DET-1"/>{width}</TIM>"""
RECORD = """<?xml version="1.0" encoding="UTF-8"?>
<ISO11783_TaskData VersionMajor="4" VersionMinor="3" DataTransferOrigin="2">
<TSK A="TSK1" G="4"><TLG A="TLG00001" C="1"/></TSK></ISO11783_TaskData>"""


def a_time_log(home: Path, *, width: bool) -> Path:
    """Records as ISO 11783-10 lays them out: time, days, position, status, values by number.

    160 lb/ac are 17,933.6 mg/m2 (DDI 0007 counts mg/m2); 20 m are 20,000 mm (DDI 0043).
    """
    folder = home / "TASKDATA"
    folder.mkdir(parents=True)
    (folder / "TASKDATA.XML").write_text(RECORD)
    more = '<DLV A="0043" B="" C="DET-1"/>' if width else ""
    (folder / "TLG00001.xml").write_text(HEADER.format(width=more))
    _, run, lonlat = places()
    data = b""
    for k, (lon, lat) in enumerate(lonlat.tolist()):
        values = [(0, 17934), (1, 1), *([(2, 20000)] if width else [])]
        data += struct.pack("<IHiiBB", 1000 * (k + 30 * int(run[k])), 16000, round(lat * 1e7),
                            round(lon * 1e7), 4, len(values))
        data += b"".join(struct.pack("<Bi", *one) for one in values)
    (folder / "TLG00001.bin").write_bytes(data)
    return home


def test_a_time_log_states_its_own_units(field: Field, tmp_path: Path) -> None:
    wide = read_applied(path=a_time_log(tmp_path / "a", width=True), field=field, unit="lb/ac")
    stated = read_applied(path=a_time_log(tmp_path / "b", width=False), field=field, unit="lb/ac",
                          width_m=20.0, elements=LogElements(rate="DET-1"))
    for ground in (wide, stated):
        # Places are whole 1e-7 degrees (1 cm).
        assert shapely.area(ground.polygons).sum() == pytest.approx(GROUND_M2, rel=1e-3)
        assert product(ground) == pytest.approx(RATE * GROUND_M2 / AC_M2, rel=1e-3)
    for path, unit, code in ((tmp_path / "b", "lb/ac", "applied-width"),
                             (tmp_path / "a", "gal/ac", "time-log-ddi")):
        with pytest.raises(InputError) as caught:
            read_applied(path=path, field=field, unit=unit)
        assert caught.value.code == code


def test_several_logs_are_one_ground(field: Field, tmp_path: Path) -> None:
    one = read_applied(path=a_table(tmp_path / "log.csv"), field=field, unit="lb/ac", spec=spec())
    both = joined([one, one])
    assert both.files == ("log.csv", "log.csv")
    assert product(both) == pytest.approx(2 * product(one))
    assert np.bincount(both.log).tolist() == [300, 300]


@pytest.mark.parametrize(("more", "unit", "code"), [
    ({"unit": "gal/ac"}, "lb/ac", "applied-unit"), ({"unit": "lb"}, "lb/ac", "applied-unit"),
    ({}, "gal/ac", "applied-unit"), ({"width_m": None}, "lb/ac", "applied-width"),
    ({"width": LogColumn(column="trip", unit="m")}, "lb/ac", "applied-width")])
def test_nothing_is_guessed(
    more: dict, unit: str, code: str, field: Field, tmp_path: Path
) -> None:
    with pytest.raises(InputError) as caught:
        read_applied(path=a_table(tmp_path / "log.csv"), field=field, unit=unit, spec=spec(**more))
    assert caught.value.code == code


def test_a_log_without_columns_named_says_so(field: Field, tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        read_applied(path=a_table(tmp_path / "log.csv"), field=field, unit="lb/ac")
    assert caught.value.code == "applied-columns"


@pytest.mark.parametrize("rate", ["fast", True, float("inf")])
def test_polygons_with_a_rate_of_text(rate: object, field: Field, tmp_path: Path) -> None:
    path = tmp_path / "log.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [
        {"type": "Feature", "properties": {"Rate": rate}, "geometry": shapely.geometry.mapping(
            to_lonlat(shapely.box(0, 0, 50, 50), CENTRE))}]}))
    with pytest.raises(InputError):
        read_applied(path=path, field=field, unit="lb/ac", spec=AppliedSpec(
            applied=LogColumn(column="Rate", unit="lb/ac"), places=PlaceColumns()))
