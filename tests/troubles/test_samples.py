"""S01 to S15: sample tables, coordinates and laboratory values, each in a small copy of our own.

Factors: P in P2O5 0.4364 and K in K2O 0.8301 (standard atomic weights, IUPAC 2021); lb/ac to ppm by
2,000,000 lb of soil in an acre of 6 in (common practice; UF/IFAS EDIS HS1229 says the same).
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import openpyxl
import pytest
import trouble_builders as make

from vrx.errors import InputError
from vrx.intake import read_boundary
from vrx.model import Field

TOTALS = {"phosphorus": 413.0, "potassium": 2876.0}


def stopped(path: Path, field: Field, columns=None, **changes) -> InputError:
    with pytest.raises(InputError) as caught:
        make.read(path, field, columns, **changes)
    return caught.value


def only_k(heading: str = "K_ppm", **changes):
    return {"potassium": make.column(heading, **changes)}


@pytest.mark.parametrize(("encoding", "delimiter", "degree"), [
    ("utf-8-sig", ",", ""), ("utf-16", "\t", ""), ("cp1252", ";", " °")])
def test_s01_encodings(*, field: Field, tmp_path: Path, encoding: str, delimiter: str, degree: str
                       ) -> None:
    head = ("sample_id", f"Breite{degree}", f"Länge{degree}", "P_ppm", "K_ppm")
    path = make.table(tmp_path / "s.csv", make.rows(), head=head, encoding=encoding,
                      delimiter=delimiter)
    soil = make.read(path, field, latitude_column=head[1], longitude_column=head[2])
    assert len(soil.sample_id) == 16
    assert make.sums(soil) == TOTALS


def test_s02_decimal_commas_and_thousands(field: Field, tmp_path: Path) -> None:
    comma = [[i, a.replace(".", ","), o.replace(".", ","), f"{p},5", f"1.{k}"]
             for i, a, o, p, k in make.rows()]
    soil = make.read(make.table(tmp_path / "eu.csv", comma, delimiter=";"), field)
    assert make.sums(soil) == {"phosphorus": 413 + 8, "potassium": 2876 + 16_000}
    us = [[*r[:4], f"1,{r[4]}"] for r in make.rows()]
    assert make.sums(make.read(make.table(tmp_path / "us.csv", us), field))["potassium"] == 18_876
    # Nothing decides where every number reads both ways.
    both = [[i, str(int(make.SOUTH + n)), str(int(make.WEST + e)), p, "1,250"]
            for (i, _, _, p, _), (e, n) in zip(make.rows(), make.places(), strict=True)]
    error = stopped(make.table(tmp_path / "both.csv", both, delimiter=";"), field,
                    longitude_column=None, latitude_column=None, easting_column="lon",
                    northing_column="lat", crs="EPSG:32615")
    assert "'1,250' can mean 1250 or 1.250; say which" in str(error)


def test_s03_rows_that_are_no_samples(field: Field, tmp_path: Path) -> None:
    body = make.rows()
    mean = [f"{np.mean([float(r[k]) for r in body]):.6f}" for k in range(1, 5)]
    path = make.table(tmp_path / "s.csv", [
        ["", "deg", "deg", "ppm", "ppm"], *body, *[[""] * 5] * 12, ["Average", *mean],
        ["Samples are kept for thirty days.", "", "", "", ""]])
    soil = make.read(path, field)
    assert len(soil.sample_id) == 16
    assert make.sums(soil) == TOTALS
    told = make.told(soil)
    assert "row 31 | 'Average' is not a sample" in told["soil-row-not-a-sample"]
    assert "12 empty rows" in told["table-blank-rows"]
    assert {"table-units-row", "soil-note-rows"} <= set(told)


def test_s04_a_heading_twice(field: Field, tmp_path: Path) -> None:
    body = [[*row, "3.1"] for row in make.rows()]
    path = make.table(tmp_path / "s.csv", body, head=("sample_id", "lat", "lon", "P", "K", "K"))
    error = stopped(path, field, only_k("K"))
    assert error.code == "table-heading-twice"
    assert "'K' is used twice (columns 5 and 6; first values 141 and 3.1)" in str(error)


def test_s05_workbook_with_merged_headings_and_serial_dates(field: Field, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.title = "Key"
    book.active.append(["low", "medium", "high"])
    sheet = book.create_sheet("Report")
    sheet.append(["Sample", None, "Place", None, "Elements (ppm)", None])
    sheet.append(["No", "Taken", "Lat", "Lon", "P", "K"])
    for area in ("A1:B1", "C1:D1", "E1:F1"):
        sheet.merge_cells(area)
    # Day 45931 of the 1900 system is 1 October 2025 (ISO/IEC 29500-1, 18.17.4.1).
    days = [45931, datetime(2025, 10, 1), "10/01/2025"]  # noqa: DTZ001
    for n, (i, lat, lon, p, k) in enumerate(make.rows()):
        sheet.append([i, days[n % 3], float(lat), float(lon), int(p), int(k)])
    book.save(tmp_path / "s.xlsx")
    soil = make.read(
        tmp_path / "s.xlsx", field,
        {"phosphorus": make.column("Elements (ppm) P", form="P"),
         "potassium": make.column("Elements (ppm) K")},
        id_column="Sample No", longitude_column="Place Lon", latitude_column="Place Lat",
        date_column="Sample Taken", sampled_on=None)
    assert make.sums(soil) == TOTALS
    assert set(soil.sampled_on) == {"2025-10-01"}
    assert any("sheet 'Report' of 2" in f.what for f in soil.findings)


def test_s06_latitude_and_longitude_exchanged(field: Field, tmp_path: Path) -> None:
    path = make.table(tmp_path / "s.csv", [[i, o, a, p, k] for i, a, o, p, k in make.rows()])
    error = stopped(path, field)
    assert error.code == "soil-coordinates-exchanged"
    assert "16 of 16 rows fit if lat and lon are exchanged" in str(error)
    soil = make.read(path, field, longitude_column="lat", latitude_column="lon")
    assert (len(soil.sample_id), make.sums(soil)) == (16, TOTALS)


def test_s07_longitude_without_its_minus(field: Field, tmp_path: Path) -> None:
    path = make.table(tmp_path / "s.csv", [[i, a, o.lstrip("-"), p, k]
                                           for i, a, o, p, k in make.rows()])
    error = stopped(path, field)
    assert error.code == "soil-longitude-sign"
    assert "16 of 16 inside if the longitudes are negative" in str(error)
    assert len(make.read(path, field, longitudes_are_west=True).sample_id) == 16


def _spelled(degrees: float, axis: str, style: int) -> str:
    size = abs(degrees)
    whole, minutes = int(size), (size % 1) * 60
    seconds = (minutes % 1) * 60
    return (f"{degrees:.7f}", f"{whole}°{int(minutes):02d}'{seconds:.4f}\"{axis}",
            f"{axis}{whole} {minutes:.6f}", f"{whole}-{int(minutes):02d}-{seconds:.4f}{axis}",
            f"{whole} {int(minutes):02d} {seconds:.4f} {axis}")[style]


def test_s08_coordinates_that_are_no_decimal_degrees(field: Field, tmp_path: Path) -> None:
    want = make.read(make.table(tmp_path / "d.csv", make.rows()), field)
    mixed = [[i, _spelled(float(a), "N", n % 5), _spelled(float(o), "W", n % 5), p, k]
             for n, (i, a, o, p, k) in enumerate(make.rows())]
    metres = [[i, str(make.SOUTH + n), str(make.WEST + e), p, k]
              for (i, _, _, p, k), (e, n) in zip(make.rows(), make.places(), strict=True)]
    utm = make.table(tmp_path / "utm.csv", metres)
    error = stopped(utm, field)
    assert error.code == "soil-not-degrees"
    assert "lat 4540100 (row 2) cannot be degrees; looks like UTM" in str(error)
    given = {"longitude_column": None, "latitude_column": None, "easting_column": "lon",
             "northing_column": "lat", "crs": "EPSG:32615"}
    for soil, near_m in ((make.read(make.table(tmp_path / "m.csv", mixed), field), 0.02),
                         (make.read(utm, field, **given), 0.1)):
        assert np.hypot(soil.easting_m - want.easting_m,
                        soil.northing_m - want.northing_m).max() < near_m


def test_s09_points_at_zero(field: Field, tmp_path: Path) -> None:
    body = make.rows()
    body[3][1:3], body[9][1:3], body[14][1] = ["0", "0"], ["0.000000", "0.000000"], "0"
    soil = make.read(make.table(tmp_path / "s.csv", body), field)
    assert len(soil.sample_id) == 13
    assert "S04, S10: position 0, 0; S15: latitude 0" in make.told(soil)["soil-position-zero"]
    assert np.ptp(soil.easting_m) < 700


def test_s10_shapefile_without_prj(tmp_path: Path) -> None:
    utm = make.shp(tmp_path / "utm", ("F", 1.0, [make.utm_box(0, 0, 800, 800)]), prj=False)
    with pytest.raises(InputError, match="450000…450800 and 4540000…4540800 cannot be") as caught:
        read_boundary(path=utm, name="F")
    assert caught.value.code == "crs-missing"
    given = read_boundary(path=utm, name="F", crs="EPSG:32615")
    degrees = make.shp(tmp_path / "deg", ("F", 1.0, [make.box()[::-1]]), prj=False)
    assumed = read_boundary(path=degrees, name="F")
    assert [f.code for f in assumed.findings] == ["crs-assumed"]
    for field in (given, assumed):
        assert field.area_ac == pytest.approx(make.BASE_AC, rel=2e-4)


def test_s11_samples_at_one_place(field: Field, tmp_path: Path) -> None:
    body = make.rows()
    again = [["S06-B", *body[5][1:3], "30", "179"],
             ["S01-B", f"{float(body[0][1]) + 4e-7:.7f}", body[0][2], "20", "151"]]
    soil = make.read(make.table(tmp_path / "s.csv", [*body, *again]), field)
    k = dict(zip(soil.sample_id, soil.columns["potassium"].values, strict=True))
    p = dict(zip(soil.sample_id, soil.columns["phosphorus"].values, strict=True))
    assert len(k) == 16
    assert (k["S06 + S06-B"], p["S06 + S06-B"]) == (159, 27)
    assert (k["S01 + S01-B"], p["S01 + S01-B"]) == (146, 19)
    assert "S06 + S06-B" in make.told(soil)["soil-samples-merged"]


def test_s12_two_depths(field: Field, tmp_path: Path) -> None:
    body = [line for row in make.rows()
            for line in ([*row, "0-6 in"], [*row[:3], "8", str(int(row[4]) // 2), "6-24 in"])]
    path = make.table(tmp_path / "s.csv", body, head=(*make.HEAD, "depth"))
    for more in ({}, {"depth_column": "depth"}):
        error = stopped(path, field, **more)
        assert error.code == "soil-several-depths"
        assert "two depths (0-6 in: 16 rows, 6-24 in: 16 rows); choose one" in str(error)
    soil = make.read(path, field, depth_column="depth", depth="0-6 in")
    assert (len(soil.sample_id), make.sums(soil)) == (16, TOTALS)


def test_s13_values_that_are_no_plain_numbers(field: Field, tmp_path: Path) -> None:
    cells = ("<2", "< 2", "2", ">500", "ND", "BDL", "--", "168VH", "28 L", "<0.5*", "=31", "12?",
             "0", "trace", "1.9", "n/a")
    want = {"S01": 1.0, "S02": 1.0, "S03": 2.0, "S04": 500.0, "S08": 168.0, "S09": 28.0,
            "S10": 0.25, "S11": 31.0, "S12": 12.0, "S13": 0.0, "S15": 1.9}
    body = [[*row[:3], cell, row[4]] for row, cell in zip(make.rows(), cells, strict=True)]
    soil = make.read(make.table(tmp_path / "s.csv", body), field,
                     {"phosphorus": make.column("P_ppm", form="P")})
    column = soil.columns["phosphorus"]
    found = {i: v for i, v in zip(soil.sample_id, column.values, strict=True) if np.isfinite(v)}
    assert found == want
    flags = dict(zip(soil.sample_id, column.censored, strict=True))
    assert [flags[i] for i in ("S01", "S02", "S10", "S04", "S08")] == [-1, -1, -1, 1, 0]
    said = make.told(soil)
    assert all(i in said["soil-not-detected"] for i in ("S05", "S06", "S14"))
    assert "S12" in said["soil-value-doubtful"]
    assert "S13" in said["soil-value-zero"]


def test_s14_ppm_and_lb_per_ac_in_one_column(field: Field, tmp_path: Path) -> None:
    body = []
    for n, (i, lat, lon, _, k) in enumerate(make.rows()):
        unit, depth, times = (("ppm", "0-6", 1.0), ("lb/ac", "0-6", 2.0),
                              ("lb/ac", "0-8", 2 * 8 / 6))[n % 3]
        body.append([i, lat, lon, f"{float(k) * times:.2f}", unit if n < 15 else "", depth])
    path = make.table(tmp_path / "s.csv", body,
                      head=("sample_id", "lat", "lon", "K", "unit", "depth"))
    soil = make.read(path, field, only_k("K", unit=None, unit_column="unit"), depth_column="depth")
    assert soil.columns["potassium"].values == pytest.approx(make.K[:15], abs=0.1)
    assert "S16" in make.told(soil)["soil-unit-missing"]


def test_s15_oxides(field: Field, tmp_path: Path) -> None:
    body = [[*row[:3], f"{float(row[3]) / 0.43642:.2f}", f"{float(row[4]) / 0.83015:.2f}"]
            for row in make.rows()]
    path = make.table(tmp_path / "s.csv", body,
                      head=("sample_id", "lat", "lon", "P2O5_ppm", "K2O_ppm"))
    soil = make.read(path, field, {"phosphorus": make.column("P2O5_ppm", form="P2O5"),
                                   "potassium": make.column("K2O_ppm", form="K2O")})
    assert soil.columns["phosphorus"].values == pytest.approx(make.P, rel=2e-3)
    assert soil.columns["potassium"].values == pytest.approx(make.K, rel=2e-3)
    assert stopped(path, field, only_k("K2O_ppm")).code == "soil-form-conflict"
