"""Results by sample name, their places in another file: joined as stated, never by likeness."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import InputError
from vrx.intake import PointsSpec, SoilSpec, read_soil
from vrx.intake._ids import better, key_of, matches, melted
from vrx.model import Field, SoilTable

M3 = "S-K-M3.01.03"


@pytest.fixture
def bench(make: SimpleNamespace, field: Field, tmp_path: Path) -> Bench:
    return Bench(make=make, field=field, folder=tmp_path)


class Bench:
    """Sixteen samples of the invented field: results in one file, places in another."""

    def __init__(self, *, make: SimpleNamespace, field: Field, folder: Path) -> None:
        self.make, self.field, self.folder = make, field, folder
        self.ids = [row[0] for row in make.sample_rows()]

    def results(self, ids: Sequence[str] | None = None, **kind: Any) -> Path:
        rows = [[name, str(k)] for name, k in zip(ids or self.ids, self.make.k, strict=False)]
        return Path(self.make.write_csv(self.folder / "results.csv", rows,
                                        head=["sample_id", "K_ppm"], **kind))

    def points(self, ids: Sequence[str] | None = None, **kind: Any) -> Path:
        rows = [[name, *row[1:3]] for name, row in
                zip(ids or self.ids, self.make.sample_rows(), strict=False)]
        return Path(self.make.write_csv(self.folder / "points.csv", rows,
                                        head=["Name", "lat", "lon"], **kind))

    def geojson(self, ids: Sequence[Any] | None = None) -> Path:
        path = self.folder / "points.geojson"
        features = [{"type": "Feature", "properties": {"Name": name},
                     "geometry": {"type": "Point", "coordinates": place}}
                    for name, place in zip(ids or self.ids, self.make.sample_places(),
                                           strict=False)]
        path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
        return path

    def read(self, path: Path, points: Path, *, spec: dict[str, Any] | None = None,
             **changes: Any) -> SoilTable:
        given: dict[str, Any] = {"id_column": "Name"}
        if points.suffix not in {".geojson", ".zip", ".kml", ".shp"}:
            given |= {"longitude_column": "lon", "latitude_column": "lat"}
        ways = {key: changes.pop(key) for key in ("id_match", "only_inside", "over_own_positions",
                                                     "repeats")
                if key in changes}
        where = PointsSpec(path=points, places=SoilSpec(**{**given, **changes}), **ways)
        plain = self.make.soil_spec(longitude_column=None, latitude_column=None, points=where)
        return read_soil(path=path, field=self.field, spec=replace(plain, **(spec or {})))

    def alone(self) -> SoilTable:
        """The same samples from one table with coordinates: what every join must give."""
        path = self.make.write_csv(self.folder / "whole.csv", self.make.sample_rows())
        return read_soil(path=path, field=self.field, spec=self.make.soil_spec())

    def same(self, found: SoilTable) -> None:
        whole = self.alone()
        assert np.allclose(found.easting_m, whole.easting_m, atol=0.02)  # 7 decimals of a degree
        assert np.allclose(found.northing_m, whole.northing_m, atol=0.02)
        assert found.columns["potassium"].values.tolist() == list(self.make.k)

    def stopped(self, *args: Any, **kw: Any) -> InputError:
        with pytest.raises(InputError) as caught:
            self.read(*args, **kw)
        return caught.value


def told(table: SoilTable, code: str) -> str:
    return "; ".join(f"{one.where}: {one.what}" for one in table.findings if one.code == code)


def test_every_kind_of_points_file_gives_the_places_of_the_whole_table(bench: Bench) -> None:
    found = bench.read(bench.results(), bench.points())
    bench.same(found)
    assert found.sample_id == tuple(bench.ids)
    assert "16 of 16" in told(found, "soil-points-joined")
    bench.same(bench.read(bench.results(), bench.geojson()))
    for encoding, delimiter in (("utf-8-sig", ";"), ("utf-16", "\t"), ("cp1252", "|")):
        bench.same(bench.read(bench.results(encoding=encoding, delimiter=delimiter),
                              bench.points(encoding=encoding, delimiter=delimiter)))


def test_a_decimal_comma_in_one_file_does_not_reach_the_other(bench: Bench) -> None:
    points = bench.points(delimiter=";")
    points.write_text(points.read_text().replace(".", ","))
    bench.same(bench.read(bench.results(), points))


def test_order_of_the_points_and_spare_blanks_do_not_matter(bench: Bench) -> None:
    points = bench.points([f" {name}\u00a0" for name in bench.ids])
    head, *rows = points.read_text(encoding="utf-8").splitlines()
    points.write_text("\n".join([head, *rows[::-1]]), encoding="utf-8")
    bench.same(bench.read(bench.results([f"\ufeff{name} " for name in bench.ids]), points))


def test_places_may_be_metres_and_a_shapefile_or_kml(bench: Bench) -> None:
    import shapefile

    base = bench.folder / "crew"
    corner = bench.make.west + 100, bench.make.south + 100
    with shapefile.Writer(str(base), shapeType=shapefile.POINT, encoding="utf-8") as writer:
        writer.field("Name", "C", 20)
        for n, name in enumerate(bench.ids):
            writer.point(corner[0] + 200 * (n % 4), corner[1] + 200 * (n // 4))
            writer.record(name)
    base.with_suffix(".prj").write_text(bench.make.utm.to_wkt("WKT1_ESRI"))
    bench.same(bench.read(bench.results(), base.with_suffix(".shp")))
    base.with_suffix(".prj").unlink()
    err = bench.stopped(bench.results(), base.with_suffix(".shp"))
    assert err.code == "crs-missing"
    assert "[soil.points]" in err.hint
    bench.same(bench.read(bench.results(), base.with_suffix(".shp"), crs="EPSG:32615"))
    marks = "".join(
        f"<Placemark><name>{name}</name><Point><coordinates>{lon},{lat}</coordinates></Point>"
        "</Placemark>"
        for name, (lon, lat) in zip(bench.ids, bench.make.sample_places(), strict=True))
    kml = bench.folder / "crew.kml"
    kml.write_text(f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{marks}</Document></kml>')
    bench.same(bench.read(bench.results(), kml, id_column="name"))


@pytest.mark.parametrize(
    ("result", "point", "way"),
    [
        ("S{:02d}", "s{:02d}", "ignore case"),
        ("S{:02d}", "S{:d}", "ignore leading zeros"),
        ("{:d}", "{:03d}", "ignore leading zeros"),
        ("{:d}", "{:d}.0", "as numbers"),
        ("S-{:02d}", "S {:02d}", "ignore marks"),
        ("1/{:d}", "1-{:d}", "ignore marks"),
    ],
)
def test_other_spellings_are_proposed_with_counts_and_done_when_stated(
    *, bench: Bench, result: str, point: str, way: str
) -> None:
    numbers = range(1, 17)
    results = bench.results([result.format(n) for n in numbers])
    points = bench.points([point.format(n) for n in numbers])
    err = bench.stopped(results, points)
    assert err.code == "soil-points-id-match"
    assert f'16 of 16 match by "{way}"' in err.message
    assert f'id_match = ["{way}"]' in err.hint
    found = bench.read(results, points, id_match=(way,))
    bench.same(found)
    assert f"by {way} (such as " in told(found, "soil-points-joined")


def test_two_ways_together_are_proposed_only_where_one_is_not_enough(bench: Bench) -> None:
    results = bench.results([f"s{n}" for n in range(1, 17)])
    err = bench.stopped(results, bench.points())
    assert 'id_match = ["ignore case", "ignore leading zeros"]' in err.hint
    bench.same(bench.read(results, bench.points(),
                          id_match=("ignore case", "ignore leading zeros")))


def test_exact_leaves_the_others_out_and_names_them(bench: Bench) -> None:
    results = bench.results([*bench.ids[:15], "s16"])
    assert "15 of 16 names match; 16 of 16" in bench.stopped(results, bench.points()).message
    found = bench.read(results, bench.points(), id_match=("exact",))
    assert len(found.sample_id) == 15
    assert "s16" in told(found, "soil-result-no-point")
    assert "S16" in told(found, "soil-point-no-result")


def test_a_way_that_makes_two_names_one_is_neither_proposed_nor_done(bench: Bench) -> None:
    # 1-12 and 11-2 differ only in the place of the mark; 01 and 1 are two samples here.
    results = bench.results(["01", "1", "2"])
    points = bench.points(["01", "1", "02"])
    found = bench.read(results, points)
    assert found.sample_id == ("01", "1")
    assert bench.stopped(results, points, id_match=("ignore leading zeros",)).code == (
        "soil-points-melted")
    apart = bench.read(bench.results(["1-12", "11-2"]), bench.points(["1/12", "11/2"]),
                       id_match=("ignore marks",))
    assert apart.sample_id == ("1-12", "11-2")


@pytest.mark.parametrize(("text", "order"), [("{}-Feb", "month-day"), ("{:02d}-Feb", "month-day"),
                                             ("2-{}", "day-month")])
def test_names_that_a_spreadsheet_made_dates_of_are_detected(
    *, bench: Bench, text: str, order: str
) -> None:
    # "2-1" typed into a spreadsheet shows as 1-Feb (US) or 2-Jan: known behaviour, from memory.
    months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep"]
    if order == "month-day":
        results = bench.results([text.format(n) for n in range(1, 10)])
    else:
        results = bench.results([text.format(m) for m in months])
    points = bench.points([f"2-{n}" for n in range(1, 10)])
    err = bench.stopped(results, points)
    assert "look like dates that a spreadsheet made out of" in err.message
    assert f'9 of 9 match by "dates as {order}"' in err.message
    found = bench.read(results, points, id_match=(f"dates as {order}",))
    assert found.columns["potassium"].values.tolist() == list(bench.make.k[:9])


def test_dates_in_a_workbook_are_detected_as_names(bench: Bench) -> None:
    from datetime import date

    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Lab", "results", None])
    sheet.merge_cells("B1:C1")
    sheet.append(["sample_id", "K_ppm", "pH"])
    for n in range(1, 13):
        sheet.append([date(2026, 3, n), bench.make.k[n - 1], 7])
    path = bench.folder / "results.xlsx"
    book.save(path)
    points = bench.points([f"3-{n}" for n in range(1, 13)])
    assert '12 of 12 match by "dates as month-day"' in bench.stopped(path, points).message
    found = bench.read(path, points, id_match=("dates as month-day",))
    assert found.columns["potassium"].values.tolist() == list(bench.make.k[:12])


def test_a_workbooks_whole_numbers_meet_text(bench: Bench) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Soil", "report", None])
    sheet.append(["sample_id", "Nutrients", None])
    sheet.merge_cells("B2:C2")
    sheet.append([None, "K_ppm", "P"])
    for n, k in enumerate(bench.make.k, 1):
        sheet.append([float(n), k, 20])
    path = bench.folder / "results.xlsx"
    book.save(path)
    bench.same(bench.read(path, bench.points([str(n) for n in range(1, 17)]), spec={
        "columns": {"potassium": bench.make.k_column("Nutrients K_ppm")}}))


def test_a_name_twice_in_the_points_stops_and_is_named(bench: Bench) -> None:
    points = bench.points([*bench.ids[:15], "S03"])
    err = bench.stopped(bench.results(bench.ids[:15]), points)
    assert (err.code, "S03" in err.message) == ("soil-points-twice", True)
    assert "only_inside" not in err.hint
    # Twice, but of no result: told, no stop.
    found = bench.read(bench.results(["S01", "S02"]), points)
    assert "S03, S04" in told(found, "soil-point-no-result")


def test_results_of_several_fields_in_one_report_are_not_averaged(bench: Bench) -> None:
    results = bench.results([*bench.ids[:15], "S03"])
    err = bench.stopped(results, bench.points())
    assert (err.code, "times: S03" in err.message) == ("soil-results-twice", True)
    found = bench.read(results, bench.points(), repeats="mean")
    assert found.columns["potassium"].values[2] == (bench.make.k[2] + bench.make.k[15]) / 2
    assert "S03" in told(found, "soil-results-repeated")


def test_a_crews_file_of_several_fields_needs_a_word(bench: Bench) -> None:
    points = bench.points()
    rows = points.read_text().splitlines()
    away = [row.replace(",41.", ",43.") for row in rows[1:]]
    assert away != rows[1:]
    points.write_text("\n".join([*rows, *away]))
    err = bench.stopped(bench.results(), points)
    assert err.code == "soil-points-twice"
    assert "only_inside = true" in err.hint
    found = bench.read(bench.results(), points, only_inside=True)
    bench.same(found)
    assert "32 points, 16 in the field" in told(found, "soil-points-only-inside")


def test_left_out_samples_and_bare_rows_are_told_once(bench: Bench) -> None:
    results = bench.results([*bench.ids[:14], "", "Average"])
    points = bench.points([*bench.ids[:12], "", "S14", "S15", "S16"])
    found = bench.read(results, points, spec={"leave_out": ("S02",)})
    assert len(found.sample_id) == 12
    assert "S13" in told(found, "soil-result-no-point")
    assert told(found, "soil-point-no-result").endswith("S15, S16")
    assert "row 16" in told(found, "soil-result-unnamed-row")
    assert "row 14" in told(found, "soil-point-unnamed")
    assert "'Average'" in told(found, "soil-row-not-a-sample")


def test_points_without_a_place_are_told(bench: Bench) -> None:
    points = bench.points()
    lines = points.read_text().splitlines()
    lines[4], lines[5] = "S04,,", "S05,0,0"
    points.write_text("\n".join(lines))
    found = bench.read(bench.results(), points)
    assert "S04" in told(found, "soil-point-no-position")
    assert "S04" in told(found, "soil-result-no-point")
    assert told(found, "soil-position-zero").startswith("points.csv: S05")
    assert len(found.sample_id) == 14


def test_swapped_and_unsigned_places_are_proposed_of_the_points_file(bench: Bench) -> None:
    err = bench.stopped(bench.results(), bench.points(), longitude_column="lat",
                        latitude_column="lon")
    assert err.where.startswith("points.csv")
    assert "are exchanged" in err.message
    points = bench.points()
    points.write_text(points.read_text().replace(",-", ","))
    err = bench.stopped(bench.results(), points)
    assert (err.code, err.where) == ("soil-longitude-sign", "points.csv")
    bench.same(bench.read(bench.results(), points, longitudes_are_west=True))


def test_positions_in_both_files_stop_unless_the_user_picks(bench: Bench) -> None:
    whole = bench.make.write_csv(bench.folder / "both.csv", bench.make.sample_rows())
    err = bench.stopped(whole, bench.points())
    assert err.code == "soil-positions-twice"
    assert "columns lon and lat" in err.message
    found = bench.read(whole, bench.points(bench.ids[::-1]), over_own_positions=True)
    assert "not-used" in "".join(one.code for one in found.findings)
    assert np.allclose(found.easting_m, bench.alone().easting_m[::-1], atol=0.02)
    stated = {"longitude_column": "lon", "latitude_column": "lat"}
    assert bench.stopped(whole, bench.points(), spec=stated).code == "soil-positions-twice"
    bench.same(bench.read(whole, bench.points(), over_own_positions=True, spec=stated))


def test_no_name_in_common_shows_both_kinds(bench: Bench) -> None:
    err = bench.stopped(bench.results([f"20260{n:03d}" for n in range(16)]), bench.points())
    assert err.code == "soil-points-no-match"
    assert "20260000" in err.message
    assert "S01" in err.message


def test_samples_without_a_column_of_names_stop(bench: Bench) -> None:
    assert bench.stopped(bench.results(), bench.points(), spec={"id_column": None}).code == (
        "soil-points-no-id")
    assert bench.stopped(bench.results(), bench.points(), id_column="Nmae").code == (
        "table-column-missing")
    missing = bench.folder / "nowhere.csv"
    assert bench.stopped(bench.results(), missing).code == "file-missing"


def test_long_form_and_several_depths_join(bench: Bench) -> None:
    rows = [[name, depth, "K", str(k + add)] for name, k in zip(bench.ids, bench.make.k,
                                                              strict=True)
            for depth, add in (("0-6", 0), ("6-12", -20))]
    path = bench.make.write_csv(bench.folder / "long.csv", rows,
                                head=["sample_id", "Depth_in", "Analyte", "Result"])
    column = bench.make.k_column("", analyte_is="K", depth="0-6")
    found = bench.read(path, bench.points(), spec={
        "columns": {"potassium": column}, "analyte_column": "Analyte", "value_column": "Result",
        "depth_column": "Depth_in"})
    bench.same(found)


@pytest.mark.parametrize("geometry", [False, True])
def test_a_result_file_without_geometry_joins(*, bench: Bench, geometry: bool) -> None:
    head = ('<ModusResult Version="1.0"><Event><EventMetaData><EventDate>2026-10-01</EventDate>'
            "</EventMetaData><EventSamples><Soil><DepthRefs>"
            '<DepthRef DepthID="1"><StartingDepth>0</StartingDepth><EndingDepth>6</EndingDepth>'
            "<DepthUnit>in</DepthUnit></DepthRef></DepthRefs>")
    parts = [head]
    for name, k in zip(bench.ids, bench.make.k, strict=True):
        point = "<Geometry>POINT(41.01 -93.59)</Geometry>" * geometry
        parts.append(
            f"<SoilSample><SampleMetaData><SampleNumber>{name}</SampleNumber>{point}"
            '</SampleMetaData><Depths><Depth DepthID="1"><NutrientResults><NutrientResult>'
            f"<Element>K</Element><Value>{k}</Value><ModusTestID>{M3}</ModusTestID>"
            "<ValueUnit>ppm</ValueUnit></NutrientResult></NutrientResults></Depth></Depths>"
            "</SoilSample>")
    path = bench.folder / "results.xml"
    path.write_text("".join([*parts, "</Soil></EventSamples></Event></ModusResult>"]))
    columns = {"potassium": bench.make.k_column(M3, unit=None, form=None, extractant=None,
                                                depth_in=None)}
    spec = {"columns": columns, "id_column": None}
    if geometry:
        assert bench.stopped(path, bench.points(), spec=spec).code == "soil-positions-twice"
        bench.same(bench.read(path, bench.points(), spec=spec, over_own_positions=True))
    else:
        bench.same(bench.read(path, bench.points(), spec=spec))


NAMES = st.lists(st.text("sS01.-/ 29JanFeb", min_size=1, max_size=6), min_size=1, max_size=8)


@settings(max_examples=300, deadline=None)
@given(results=NAMES, points=NAMES)
def test_a_proposal_matches_more_and_melts_nothing(results: list[str], points: list[str]) -> None:
    ways, count = better(results, points)
    plain = matches(results, points, ())
    assert count >= plain
    assert (count > plain) == bool(ways)
    if ways:
        assert not melted(results, ways)
        assert not melted(points, ways)
        assert matches(results, points, ways) == count
    for name in results:
        # A name is compared as it stands after one treatment; a second one changes nothing.
        assert key_of(key_of(name, ways), ()) == key_of(name, ways)
