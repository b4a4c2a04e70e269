"""A crew's files: read by other parsers, structure of the open standards, safe in spreadsheets."""

from __future__ import annotations

import csv
import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import fiona
import geojson_validator
import geopandas as gpd
import pytest

from vrx.errors import ExportError
from vrx.export import write_crew
from vrx.formats import crew as facts
from vrx.model import BagLabel, CrewPlan, CrewPoint

GPX = "{http://www.topografix.com/GPX/1/1}"
KML = "{http://www.opengis.net/kml/2.2}"
# Children of gpx and of a point in the order of the published GPX 1.1 schema (sequences gpxType and
# wptType, from memory): an element may be left out, but none may come before one that stands
# earlier.
GPX_ORDER = ["metadata", "wpt", "rte", "trk", "extensions"]
POINT_ORDER = ["ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym",
               "type", "fix", "sat", "hdop", "vdop", "pdop", "ageofdgpsdata", "dgpsid",
               "extensions"]
ROUTE_ORDER = ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "rtept"]


def point(number: int, **more: object) -> CrewPoint:
    given = {
        "number": number, "easting_m": 10.0 * number, "northing_m": 0.0,
        "longitude": -85.55 + 0.001234567 * number, "latitude": 41.93 - 0.000987654 * number,
        "zone": "A", "why": f"rank {number}", "rank": number, "gain_lb": 100.0 / number,
    }
    return CrewPoint(**{**given, **more})  # type: ignore[arg-type]


def crew(field_name: str = "Kettle pivot", **more: object) -> CrewPlan:
    points = (point(1), point(2, zone="=2+3", why='=HYPERLINK("x")', second_bag=True),
              point(3, zone="Ünï & <b>", soil=False, plants=True, rank=None, gain_lb=None))
    labels = (
        BagLabel(bag="1", field=field_name, number=1, what="soil 0 to 8 in"),
        BagLabel(bag="2", field=field_name, number=2, what="soil 0 to 8 in"),
        BagLabel(bag="4", field=field_name, number=2, what="soil 0 to 8 in"),
        BagLabel(bag="3 plants", field=field_name, number=3, what="top 6 in"),
    )
    given = {
        "field_name": field_name, "layout": "where it pays most", "points": points,
        "labels": labels, "depths_in": ((0.0, 8.0),), "cores": 10, "core_radius_ft": 15.0,
        "practice": (), "plant_words": "top 6 in", "start": (-85.55, 41.93),
        "start_m": (0.0, 0.0), "start_words": "the gate", "walk_m": 30.0,
        "unsorted_walk_m": 30.0, "ac_per_sample": 2.5, "cautions": (),
    }
    return CrewPlan(**{**given, **more})  # type: ignore[arg-type]


@pytest.fixture
def written(tmp_path: Path) -> dict[str, Path]:
    return {path.name: path for _, path in write_crew(crew(), tmp_path)}


def in_order(tags: list[str], schema: list[str]) -> bool:
    places = [schema.index(tag) for tag in tags]
    return places == sorted(places)


def test_all_files_are_there_and_nothing_else(written: dict[str, Path], tmp_path: Path) -> None:
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(written)
    assert set(written) == {
        "sampling_points.geojson", "sampling_points.csv", "sampling_points.gpx",
        "sampling_points.kml", "bag_labels.csv"}


def test_geojson_is_rfc_7946_and_reads_elsewhere(written: dict[str, Path]) -> None:
    path = written["sampling_points.geojson"]
    document = json.loads(path.read_text(encoding="utf-8"))
    assert "crs" not in document
    found = geojson_validator.validate_structure(document)
    assert not found, found
    frame = gpd.read_file(path, engine="fiona")
    assert frame.crs.to_epsg() == 4326
    assert frame["number"].tolist() == [1, 2, 3]
    assert frame.geometry.x.tolist() == pytest.approx(
        [one.longitude for one in crew().points], abs=6e-8)
    assert frame["soil"].tolist() == ["yes", "yes", "no"]


def test_gpx_has_the_elements_and_the_order_of_its_schema(written: dict[str, Path]) -> None:
    root = ET.parse(written["sampling_points.gpx"]).getroot()  # noqa: S314 - our own file
    assert root.tag == f"{GPX}gpx"
    assert root.attrib["version"] == "1.1"
    assert root.attrib["creator"]
    assert in_order([one.tag.removeprefix(GPX) for one in root], GPX_ORDER)
    points = root.findall(f"{GPX}wpt")
    assert len(points) == 3
    for one in (*points, *root.iter(f"{GPX}rtept")):
        assert set(one.attrib) == {"lat", "lon"}
        assert -90 <= float(one.attrib["lat"]) <= 90
        assert -180 <= float(one.attrib["lon"]) < 180
        assert in_order([child.tag.removeprefix(GPX) for child in one], POINT_ORDER)
    route = root.find(f"{GPX}rte")
    assert in_order([child.tag.removeprefix(GPX) for child in route], ROUTE_ORDER)
    names = [one.findtext(f"{GPX}name") for one in route.iter(f"{GPX}rtept")]
    assert names == ["1", "2", "3"]


def test_gpx_reads_with_another_library_than_wrote_and_checked_it(
    written: dict[str, Path]
) -> None:
    with fiona.open(written["sampling_points.gpx"], layer="waypoints") as layer:
        read = [(one["properties"]["name"], one["geometry"]["coordinates"]) for one in layer]
    assert [name for name, _ in read] == ["1", "2", "3"]
    assert read[1][1][:2] == pytest.approx((crew().points[1].longitude, crew().points[1].latitude),
                                           abs=6e-8)


def test_kml_has_longitude_before_latitude(written: dict[str, Path]) -> None:
    root = ET.parse(written["sampling_points.kml"]).getroot()  # noqa: S314 - our own file
    assert root.tag == f"{KML}kml"
    marks = root.findall(f"{KML}Document/{KML}Placemark")
    assert [one.findtext(f"{KML}name") for one in marks] == ["1", "2", "3"]
    for mark, meant in zip(marks, crew().points, strict=True):
        east, north = map(float, mark.findtext(f"{KML}Point/{KML}coordinates").split(","))
        assert (east, north) == pytest.approx((meant.longitude, meant.latitude), abs=6e-8)


def test_no_cell_is_a_formula(written: dict[str, Path]) -> None:
    with written["sampling_points.csv"].open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert rows[1]["zone"] == "'=2+3"
    assert rows[1]["why"] == "'=HYPERLINK(\"x\")"
    number = re.compile(r"-?\d+(\.\d+)?$")
    for row in rows:
        for cell in row.values():
            assert not cell.startswith(("=", "+", "@", "\t", "\r")), cell
            assert not cell.startswith("-") or number.fullmatch(cell), cell
    assert float(rows[0]["longitude"]) == pytest.approx(crew().points[0].longitude, abs=6e-8)
    assert rows[1]["bags"] == "2; 4"
    assert rows[2]["rank"] == rows[2]["expected_fall"] == ""


def test_labels_hold_every_bag_and_leave_the_date_blank(tmp_path: Path) -> None:
    names = ["=cmd|' /C calc'!A0", "@SUM(A1)", "-1+1", "Bottom\x0b 40", "Käse; \"quoted\"\nline"]
    for k, name in enumerate(names):
        folder = tmp_path / str(k)
        folder.mkdir()
        write_crew(crew(field_name=name), folder)
        with (folder / "bag_labels.csv").open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.DictReader(stream))
        assert tuple(rows[0]) == facts.LABEL_COLUMNS
        assert [row["bag"] for row in rows] == ["1", "2", "4", "3 plants"]
        assert {row["date"] for row in rows} == {""}
        assert not any(row["field"].startswith(("=", "@", "-", "+")) for row in rows)


def test_equal_plans_give_equal_bytes(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        write_crew(crew(), tmp_path / name)
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes()


def test_nothing_is_replaced(written: dict[str, Path], tmp_path: Path) -> None:
    before = {name: path.read_bytes() for name, path in written.items()}
    moved = crew()
    moved = replace(moved, points=tuple(replace(one, latitude=40.0) for one in moved.points))
    with pytest.raises(ExportError) as err:
        write_crew(moved, tmp_path)
    assert err.value.code == "export-exists"
    assert {name: path.read_bytes() for name, path in written.items()} == before


def test_a_file_that_reads_back_otherwise_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import pyogrio

    honest = pyogrio.raw.read

    def shifted(path: Path, **more: object) -> object:
        told, ids, geometry, fields = honest(path, **more)
        return told, ids, geometry[::-1], fields

    monkeypatch.setattr(pyogrio.raw, "read", shifted)
    with pytest.raises(ExportError) as err:
        write_crew(crew(), tmp_path)
    assert err.value.code == "export-differs"
    assert list(tmp_path.iterdir()) == []
