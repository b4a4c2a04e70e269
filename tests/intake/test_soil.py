"""Soil tables: what is left out is told, what is doubtful stops."""

from __future__ import annotations

import codecs
import random
from datetime import date, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from vrx.errors import InputError
from vrx.intake import input_files, peek_table, read_boundary, read_soil
from vrx.model import Field, Severity


def stopped(**given: object) -> InputError:
    with pytest.raises(InputError) as caught:
        read_soil(**given)  # type: ignore[arg-type]
    return caught.value


def test_samples_lie_where_an_independent_projection_puts_them(
    *, make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    path = make.write_csv(tmp_path / "s.csv", make.sample_rows())
    soil = read_soil(path=path, field=field, spec=make.soil_spec(), season=2027)
    assert soil.sample_id == tuple(f"S{n:02d}" for n in range(1, 17))
    assert make.total(soil.columns["potassium"].values) == 2874
    assert soil.columns["potassium"].extractant == "mehlich-3"
    assert soil.columns["potassium"].depth_in == (0.0, 6.0)
    assert soil.columns["potassium"].source == "K_ppm, ppm K"
    # Neighbours are 200 m apart in UTM; the scale there is 0.99963.
    places = np.column_stack([soil.easting_m, soil.northing_m])
    step = np.linalg.norm(places[1] - places[0])
    assert step == pytest.approx(200 / 0.99963, abs=0.02)
    assert shapely.contains_xy(field.boundary, places[:, 0], places[:, 1]).all()
    assert [f for f in soil.findings if f.severity is not Severity.NOTE] == []
    assert not soil.easting_m.flags.writeable


@pytest.mark.parametrize(("encoding", "delimiter", "noted"), [
    ("utf-8-sig", ",", False), ("utf-16", "\t", False), ("utf-16-le", "\t", True),
    ("cp1252", ";", True), ("utf-8", "|", False),
])
def test_encodings_and_delimiters(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, encoding: str, delimiter: str,
    noted: bool,
) -> None:
    head = ["Probe", "Breite °", "Länge °", "K mg/kg"]
    path = make.write_csv(tmp_path / "s.csv", make.sample_rows(), head=head, encoding=encoding,
                          delimiter=delimiter)
    spec = make.soil_spec({"potassium": make.k_column("K mg/kg")}, id_column="Probe",
                          longitude_column="Länge °", latitude_column="Breite °")
    soil = read_soil(path=path, field=field, spec=spec)
    assert make.total(soil.columns["potassium"].values) == 2874
    assert ("table-encoding" in make.codes(soil.findings)) is noted


def test_no_text_is_never_read_as_latin_1(make: SimpleNamespace, field: Field, tmp_path: Path
                                          ) -> None:
    cases = {
        b"": "file-empty", b" \n\n": "file-empty", codecs.BOM_UTF16_LE: "file-empty",
        b"id,lat\x00,lon\nS1,1,2,3\n": "table-encoding", b"id,\x81\x8d\n1,2\n": "table-encoding",
        b"PK\x03\x04rest": "table-not-text", b"\xd0\xcf\x11\xe0rest": "table-old-workbook",
        b"sample_id,lat,lon,K_ppm\n": "table-no-rows",
        b"sample_id,lat,lon,K_ppm\nS1,41.0,-93.5,12,9\n": "table-row-too-long",
    }
    for data, code in cases.items():
        path = tmp_path / "s.csv"
        path.write_bytes(data)
        assert stopped(path=path, field=field, spec=make.soil_spec()).code == code
    missing = stopped(path=tmp_path / "t.csv", field=field, spec=make.soil_spec())
    assert missing.code == "file-missing"
    assert "s.csv" in missing.hint


def test_decimal_commas(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    comma = [[i, a.replace(".", ","), o.replace(".", ","), f"1.{k}"]
             for i, a, o, k in make.sample_rows()]
    path = make.write_csv(tmp_path / "s.csv", comma, delimiter=";")
    soil = read_soil(path=path, field=field, spec=make.soil_spec())
    assert make.total(soil.columns["potassium"].values) == 2874 + 16 * 1000
    mixed = [*comma[:8], *make.sample_rows()[8:]]
    path = make.write_csv(tmp_path / "m.csv", mixed, delimiter=";")
    assert stopped(path=path, field=field, spec=make.soil_spec()).code == "table-decimal-mixed"
    whole = [[i, str(4_540_100 + 200 * (n // 4)), str(450_100 + 200 * (n % 4)), "1,250"]
             for n, (i, *_) in enumerate(make.sample_rows())]
    path = make.write_csv(tmp_path / "w.csv", whole, delimiter=";")
    spec = make.soil_spec(longitude_column=None, latitude_column=None, easting_column="lon",
                          northing_column="lat", crs="EPSG:32615")
    error = stopped(path=path, field=field, spec=spec)
    assert "'1,250' can mean 1250 or 1.250; say which" in str(error)
    said = make.soil_spec(longitude_column=None, latitude_column=None, easting_column="lon",
                          northing_column="lat", crs="EPSG:32615", decimal_mark=".")
    assert read_soil(path=path, field=field, spec=said).columns["potassium"].values[0] == 1250


def test_rows_that_are_no_samples(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    rows = make.sample_rows()
    mean = ["", *(f"{np.mean([float(r[k]) for r in rows]):.6f}" for k in (1, 2)), "179.625"]
    path = make.write_csv(tmp_path / "s.csv", [
        ["", "deg", "deg", "ppm"], *rows, ["", "", "", ""], mean,
        ["Average", *mean[1:]], ["Results apply to the sample as received.", "", "", ""],
        ["S99", "", "", "150"],
    ])
    spec = make.soil_spec({"potassium": make.k_column(unit=None)})
    soil = read_soil(path=path, field=field, spec=spec)
    assert len(soil.sample_id) == 16
    assert make.total(soil.columns["potassium"].values) == 2874
    told = {f.code: f for f in soil.findings}
    assert "'Average' is not a sample" in told["soil-row-not-a-sample"].what
    assert "row 21" in told["soil-row-not-a-sample"].where
    assert "row 20" in told["soil-row-looks-like-mean"].where
    assert told["table-blank-rows"].what == "1 empty rows"
    assert "S99" in told["soil-no-position"].what
    assert {"table-units-row", "soil-unit-from-file", "soil-note-rows"} <= set(told)


def test_the_middle_sample_of_a_grid_is_kept(make: SimpleNamespace, field: Field, tmp_path: Path
                                             ) -> None:
    places = [make.lonlat(make.west + 400 + 100 * a, make.south + 400 + 100 * b)
              for a in (-1, 0, 1) for b in (-1, 0, 1)]
    rows = [[f"G{n}", f"{lat:.7f}", f"{lon:.7f}", "150"] for n, (lon, lat) in enumerate(places)]
    soil = read_soil(path=make.write_csv(tmp_path / "s.csv", rows), field=field,
                     spec=make.soil_spec())
    assert len(soil.sample_id) == 9


def test_headings(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    rows = [[*row, "2.9"] for row in make.sample_rows()]
    path = make.write_csv(tmp_path / "s.csv", rows, head=["sample_id", "lat", "lon", "K", "K"])
    twice = make.soil_spec({"potassium": make.k_column("K")})
    error = stopped(path=path, field=field, spec=twice)
    assert error.code == "table-heading-twice"
    assert "columns 4 and 5; first values 134 and 2.9" in str(error)
    chosen = make.soil_spec({"potassium": make.k_column("column 4")})
    assert make.total(read_soil(path=path, field=field, spec=chosen).columns["potassium"].values
                      ) == 2874
    other = make.write_csv(tmp_path / "t.csv", make.sample_rows())
    wrong = make.soil_spec({"potassium": make.k_column("K_pm")}, latitude_column="latt")
    error = stopped(path=other, field=field, spec=wrong)
    assert [f.code for f in error.findings] == ["table-column-missing"] * 2
    assert "did you mean 'lat'" in error.findings[0].todo


def test_every_unstated_or_unknown_word_is_told_at_once(make: SimpleNamespace, field: Field,
                                                        tmp_path: Path) -> None:
    path = make.write_csv(tmp_path / "s.csv", make.sample_rows())
    bad = make.k_column(unit="lb", form="K3", extractant="mehlich", depth_in=None)
    error = stopped(path=path, field=field, spec=make.soil_spec({"potassium": bad}))
    assert {f.code for f in error.findings} == {
        "soil-unit-unknown", "soil-form-unknown", "soil-extractant-unknown", "soil-depth-missing"}
    none = make.k_column(unit=None, form=None, extractant=None)
    error = stopped(path=path, field=field, spec=make.soil_spec({"potassium": none}))
    assert {f.code for f in error.findings} == {
        "soil-unit-missing", "soil-form-missing", "soil-extractant-missing"}


def test_a_heading_that_contradicts_the_plan_stops(make: SimpleNamespace, field: Field,
                                                   tmp_path: Path) -> None:
    for heading, change, code in (
        ("K2O_ppm", {}, "soil-form-conflict"), ("K_lb_ac", {}, "soil-unit-conflict"),
        ("K_ppm", {"unit": "lb/ac"}, "soil-unit-conflict"),
    ):
        path = make.write_csv(tmp_path / "s.csv", make.sample_rows(),
                              head=["sample_id", "lat", "lon", heading])
        spec = make.soil_spec({"potassium": make.k_column(heading, **change)})
        assert stopped(path=path, field=field, spec=spec).code == code
    rows = [["", "deg", "deg", "lb/ac"], *make.sample_rows()]
    path = make.write_csv(tmp_path / "u.csv", rows, head=["sample_id", "lat", "lon", "K"])
    spec = make.soil_spec({"potassium": make.k_column("K")})
    assert stopped(path=path, field=field, spec=spec).code == "soil-unit-conflict"


@pytest.mark.parametrize(("cell", "code", "said"), [
    ("-5", "soil-value-negative", "-5 (row 4)"), ("abc", "soil-value-unreadable", "'abc' (row 4)"),
    ("4000", "soil-value-implausible", "4000 (row 4)"), ("inf", "soil-value-unreadable", "'inf'"),
])
def test_values_that_no_soil_has(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, cell: str, code: str, said: str
) -> None:
    rows = make.sample_rows()
    rows[2][3] = cell
    error = stopped(path=make.write_csv(tmp_path / "s.csv", rows), field=field,
                    spec=make.soil_spec())
    assert error.code == code
    assert said in str(error)
    assert "column K_ppm" in str(error)


def test_censored_values_keep_their_flag(make: SimpleNamespace, field: Field, tmp_path: Path
                                         ) -> None:
    rows = make.sample_rows()
    for n, cell in enumerate(("<20", ">500", "ND", "--", "168VH", "12?", "0")):
        rows[n][3] = cell
    path = make.write_csv(tmp_path / "s.csv", rows)
    soil = read_soil(path=path, field=field, spec=make.soil_spec())
    values = dict(zip(soil.sample_id, soil.columns["potassium"].values, strict=True))
    flags = dict(zip(soil.sample_id, soil.columns["potassium"].censored, strict=True))
    assert len(values) == 14
    assert (values["S01"], values["S02"], values["S05"], values["S06"]) == (10, 500, 168, 12)
    assert (flags["S01"], flags["S02"], flags["S05"]) == (-1, 1, 0)
    told = {f.code: f for f in soil.findings}
    assert "S03" in told["soil-not-detected"].what
    assert "S04" in told["soil-value-missing"].what
    assert "S06" in told["soil-value-doubtful"].what
    assert "S07" in told["soil-value-zero"].what
    given = make.soil_spec({"potassium": make.k_column(limit_of_detection=8.0)})
    soil = read_soil(path=path, field=field, spec=given)
    values = dict(zip(soil.sample_id, soil.columns["potassium"].values, strict=True))
    assert values["S03"] == 4.0
    blank = [[*row[:3], ""] for row in make.sample_rows()]
    error = stopped(path=make.write_csv(tmp_path / "b.csv", blank), field=field,
                    spec=make.soil_spec())
    assert error.code == "soil-no-values"


def test_units_by_row(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    rows = []
    for n, row in enumerate(make.sample_rows()):
        k = float(row[3])
        how = ("ppm", "0-6", k) if n < 6 else ("lb/ac", "0-6", 2 * k) if n < 12 else (
            "lbs/A", "0-8", k * 2 * 8 / 6)
        rows.append([*row[:3], f"{how[2]:.1f}", how[0] if n < 15 else "", how[1]])
    path = make.write_csv(tmp_path / "s.csv", rows,
                          head=["sample_id", "lat", "lon", "K", "unit", "depth_in"])
    columns = {"potassium": make.k_column("K", unit=None, unit_column="unit")}
    soil = read_soil(path=path, field=field,
                     spec=make.soil_spec(columns, depth_column="depth_in"))
    assert soil.columns["potassium"].values == pytest.approx(make.k[:15], abs=0.1)
    told = [f for f in soil.findings if f.severity is Severity.WARN]
    assert {"soil-unit-missing", "soil-depths-mixed"} == set(make.codes(told))
    assert "S16" in next(f for f in told if f.code == "soil-unit-missing").what
    assert sum(f.code == "soil-converted" for f in soil.findings) == 2
    rows[0][4] = "furlongs"
    path = make.write_csv(tmp_path / "t.csv", rows,
                          head=["sample_id", "lat", "lon", "K", "unit", "depth_in"])
    error = stopped(path=path, field=field,
                    spec=make.soil_spec(columns, depth_column="depth_in"))
    assert error.code == "soil-unit-unknown"
    assert "'furlongs' (row 2)" in str(error)


def test_saturation_needs_the_cec(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    rows = [[*row[:3], "2.5", "20"] for row in make.sample_rows()]
    path = make.write_csv(tmp_path / "s.csv", rows, head=["sample_id", "lat", "lon", "Ksat", "CEC"])
    k = make.k_column("Ksat", unit="% saturation")
    assert stopped(path=path, field=field, spec=make.soil_spec({"potassium": k})
                   ).code == "soil-cec-missing"
    cec = make.k_column("CEC", unit="meq/100 g", form=None, extractant=None, depth_in=None)
    soil = read_soil(path=path, field=field, spec=make.soil_spec({"potassium": k, "cec": cec}))
    # 20 meq/100 g x 2.5 % x 390.98 mg/meq
    assert soil.columns["potassium"].values == pytest.approx([195.49] * 16, abs=0.01)
    assert soil.columns["cec"].values == pytest.approx([20.0] * 16)


def test_depths_are_never_averaged(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    rows = []
    for row in make.sample_rows():
        rows += [[*row, "0-6 in"], [*row[:3], str(int(row[3]) - 70), "6-24 in"]]
    path = make.write_csv(tmp_path / "s.csv", rows, head=[*make.head, "depth"])
    for spec in (make.soil_spec(depth_column="depth"), make.soil_spec()):
        error = stopped(path=path, field=field, spec=spec)
        assert error.code == "soil-several-depths"
        assert "two depths (0-6 in: 16 rows, 6-24 in: 16 rows); choose one" in str(error)
    for choice in ("0-6 in", "0 to 6", "0-15.24 cm"):
        soil = read_soil(path=path, field=field,
                         spec=make.soil_spec(depth_column="depth", depth=choice))
        assert soil.columns["potassium"].values.mean() == pytest.approx(179.625)
        assert len(soil.sample_id) == 16
        assert "soil-samples-merged" not in make.codes(soil.findings)
    error = stopped(path=path, field=field,
                    spec=make.soil_spec(depth_column="depth", depth="6-24 in"))
    assert error.code == "soil-depth-conflict"
    error = stopped(path=path, field=field,
                    spec=make.soil_spec(depth_column="depth", depth="0-8 in"))
    assert error.code == "soil-depth-unknown"
    both = {"potassium": make.k_column(depth="0-6 in"),
            "phosphorus": make.k_column(form="P", depth="6-24 in", depth_in=(6.0, 24.0))}
    soil = read_soil(path=path, field=field, spec=make.soil_spec(both, depth_column="depth"))
    assert len(soil.sample_id) == 16
    assert (soil.columns["potassium"].values - soil.columns["phosphorus"].values
            == pytest.approx([70.0] * 16))


def test_duplicates_are_merged_and_named(make: SimpleNamespace, field: Field, tmp_path: Path
                                         ) -> None:
    rows = make.sample_rows()
    rerun = [["S06-RERUN", *rows[5][1:3], "184"]]
    near = [["S01-NEAR", f"{float(rows[0][1]) + 4e-7:.7f}", rows[0][2], "164"]]
    path = make.write_csv(tmp_path / "s.csv", [*rows, *rerun, *near])
    soil = read_soil(path=path, field=field, spec=make.soil_spec())
    values = dict(zip(soil.sample_id, soil.columns["potassium"].values, strict=True))
    assert len(values) == 16
    assert values["S06 + S06-RERUN"] == 164
    assert values["S01 + S01-NEAR"] == 149
    merged = next(f for f in soil.findings if f.code == "soil-samples-merged")
    assert "S06 + S06-RERUN" in merged.what
    apart = read_soil(path=path, field=field, spec=make.soil_spec(merge_within_m=0.0))
    assert len(apart.sample_id) == 17


def test_samples_outside_and_in_holes(make: SimpleNamespace, tmp_path: Path) -> None:
    yard = make.square(make.west + 350, make.south + 120, 100)
    path = make.geojson(tmp_path / "f.geojson", make.polygon(make.square(), yard))
    field = read_boundary(path=path, name="Field 1")
    extra = {"NEAR": (-3, 400), "FAR": (400, 1200), "YARD1": (400, 170), "YARD2": (360, 130)}
    rows = make.sample_rows()[:12] + [
        [name, f"{lat:.8f}", f"{lon:.8f}", "100"]
        for name, (e, n) in extra.items()
        for lon, lat in [make.lonlat(make.west + e, make.south + n)]
    ]
    soil = read_soil(path=make.write_csv(tmp_path / "s.csv", rows), field=field,
                     spec=make.soil_spec())
    assert len(soil.sample_id) == 13
    assert "NEAR" in soil.sample_id
    told = {f.code: f.what for f in soil.findings}
    assert "NEAR 3.0 m" in told["soil-sample-near"]
    assert "FAR 400.1 m" in told["soil-sample-outside"]  # 400 m of UTM at scale 0.99963
    assert "YARD1 50.0 m" in told["soil-sample-in-hole"]
    assert "YARD2 10.0 m" in told["soil-sample-in-hole"]


@pytest.mark.parametrize(("swap", "code", "said"), [
    (lambda lat, lon: (lon, lat), "soil-coordinates-exchanged",
     "-93.593424 (row 2) is outside -90…90; 16 of 16 rows fit if lat and lon are exchanged"),
    (lambda lat, lon: (lat, -lon), "soil-longitude-sign",
     "nearest about 10,900 km away; 16 of 16 inside if the longitudes are negative"),
    (lambda lat, lon: (-lat, lon), "soil-latitude-sign",
     "the minus sign of its latitudes is missing (boundary wrong"),
    (lambda lat, lon: (lat, lon + 0.1), "soil-outside-field", "0 of 16 samples inside"),
])
def test_misplaced_samples_stop_with_what_would_fit(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, swap: object, code: str, said: str
) -> None:
    rows = []
    for i, lat, lon, k in make.sample_rows():
        a, o = swap(float(lat), float(lon))  # type: ignore[operator]
        rows.append([i, f"{a:.6f}", f"{o:.6f}", k])
    path = make.write_csv(tmp_path / "s.csv", rows)
    error = stopped(path=path, field=field, spec=make.soil_spec())
    assert error.code == code
    assert said in str(error)
    if code == "soil-longitude-sign":
        west = make.soil_spec(longitudes_are_west=True)
        soil = read_soil(path=path, field=field, spec=west)
        assert len(soil.sample_id) == 16
        assert "soil-longitudes-made-west" in make.codes(soil.findings)


def test_metres_in_degree_columns_and_the_wrong_zone(make: SimpleNamespace, field: Field,
                                                     tmp_path: Path) -> None:
    rows = [[i, str(4_540_100 + 200 * (n // 4)), str(450_100 + 200 * (n % 4)), k]
            for n, (i, _, _, k) in enumerate(make.sample_rows())]
    path = make.write_csv(tmp_path / "s.csv", rows)
    error = stopped(path=path, field=field, spec=make.soil_spec())
    assert error.code == "soil-not-degrees"
    assert "lat 4540100 (row 2) cannot be degrees" in str(error)
    metres = {"longitude_column": None, "latitude_column": None, "easting_column": "lon",
              "northing_column": "lat"}
    assert stopped(path=path, field=field, spec=make.soil_spec(**metres)).code == "crs-missing"
    error = stopped(path=path, field=field, spec=make.soil_spec(**metres, crs="EPSG:32614"))
    assert error.code == "soil-wrong-crs"
    assert "EPSG:32615" in str(error)
    assert "boundary longitude" in str(error)
    soil = read_soil(path=path, field=field, spec=make.soil_spec(**metres, crs="EPSG:32615"))
    degrees = read_soil(path=make.write_csv(tmp_path / "d.csv", make.sample_rows()), field=field,
                        spec=make.soil_spec())
    assert np.hypot(soil.easting_m - degrees.easting_m,
                    soil.northing_m - degrees.northing_m).max() < 0.1


def test_zero_positions_are_left_out(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    rows = make.sample_rows()
    rows[3][1:3] = ["0", "0"]
    rows[14][1] = "0"
    soil = read_soil(path=make.write_csv(tmp_path / "s.csv", rows), field=field,
                     spec=make.soil_spec())
    assert len(soil.sample_id) == 14
    told = next(f for f in soil.findings if f.code == "soil-position-zero")
    assert told.what == "S04: position 0, 0; S15: latitude 0"


def test_age_of_the_test(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    rows = [[*row, "2023-12-31" if n < 2 else "" if n < 5 else "10/25/2026"]
            for n, row in enumerate(make.sample_rows())]
    path = make.write_csv(tmp_path / "s.csv", rows, head=[*make.head, "date"])
    spec = make.soil_spec(date_column="date", sampled_on=None)
    soil = read_soil(path=path, field=field, spec=spec, season=2027)
    assert soil.sampled_on[0] == "2023-12-31"
    assert soil.sampled_on[2] == ""
    assert soil.sampled_on[15] == "2026-10-25"
    told = {f.code: f.what for f in soil.findings if f.severity is Severity.WARN}
    assert told["soil-test-old"].startswith("2 of 16 samples")
    assert told["soil-test-no-date"].startswith("3 of 16 samples")
    fresh = read_soil(path=path, field=field, spec=spec, season=2026)
    assert "soil-test-old" not in make.codes(fresh.findings)
    rows = [[*row[:4], "10/01/2026"] for row in rows]
    path = make.write_csv(tmp_path / "t.csv", rows, head=[*make.head, "date"])
    assert stopped(path=path, field=field, spec=spec).code == "soil-date-two-ways"
    for order, day in (("mdy", "2026-10-01"), ("dmy", "2026-01-10")):
        said = make.soil_spec(date_column="date", sampled_on=None, date_order=order)
        assert set(read_soil(path=path, field=field, spec=said).sampled_on) == {day}


def test_workbook_with_a_legend_and_merged_headings(make: SimpleNamespace, field: Field,
                                                    tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.title = "Legend"
    book.active.append(["VL", "L", "M"])
    sheet = book.create_sheet("Results")
    sheet.append(["Sample", None, "Location", None, "Nutrients (ppm)", None])
    sheet.append(["ID", "Date", "Lat", "Lon", "P", "K"])
    for area in ("A1:B1", "C1:D1", "E1:F1"):
        sheet.merge_cells(area)
    # 45931 is 1 October 2025 in the 1900 system, as a spreadsheet shows it.
    days = [45931, datetime(2025, 10, 1), "10/01/2025"]  # noqa: DTZ001
    for n, (i, lat, lon, k) in enumerate(make.sample_rows()):
        sheet.append([i, days[n % 3], float(lat), float(lon), 17.5, int(k)])
    path = tmp_path / "s.xlsx"
    book.save(path)
    spec = make.soil_spec({"potassium": make.k_column("Nutrients (ppm) K")}, id_column="Sample ID",
                          longitude_column="Location Lon", latitude_column="Location Lat",
                          date_column="Sample Date", sampled_on=None)
    soil = read_soil(path=path, field=field, spec=spec)
    assert make.total(soil.columns["potassium"].values) == 2874
    assert set(soil.sampled_on) == {"2025-10-01"}
    assert "sheet 'Results' of 2" in [f.what for f in soil.findings]
    with pytest.raises(InputError, match="'Legend', 'Results'"):
        read_soil(path=path, field=field, spec=make.soil_spec(sheet="Result"))


def test_points_of_a_vector_file_in_another_crs(make: SimpleNamespace, field: Field, tmp_path: Path
                                                ) -> None:
    geopandas = pytest.importorskip("geopandas")
    places = make.sample_places()
    frame = geopandas.GeoDataFrame(
        {"ID": [r[0] for r in make.sample_rows()], "K": list(make.k)},
        geometry=geopandas.points_from_xy(*zip(*places, strict=True)), crs="EPSG:4326")
    spec = make.soil_spec({"potassium": make.k_column("K")}, id_column="ID",
                          longitude_column=None, latitude_column=None)
    utm = frame.to_crs("EPSG:32615")
    utm.to_file(tmp_path / "s.shp", engine="pyogrio")
    utm.to_file(tmp_path / "s.gpkg", engine="pyogrio")
    frame.to_file(tmp_path / "s.geojson", engine="pyogrio", driver="GeoJSON")
    want = read_soil(path=make.write_csv(tmp_path / "s.csv", make.sample_rows()), field=field,
                     spec=make.soil_spec())
    for name in ("s.shp", "s.gpkg", "s.geojson"):
        soil = read_soil(path=tmp_path / name, field=field, spec=spec)
        assert make.total(soil.columns["potassium"].values) == 2874
        assert np.hypot(soil.easting_m - want.easting_m,
                        soil.northing_m - want.northing_m).max() < 0.02
    look = peek_table(tmp_path / "s.shp")
    assert look.points_have_geometry
    assert look.proposals == {"id_column": "ID", "potassium": "K"}
    assert len(input_files(tmp_path / "s.shp")) >= 4
    polygons = make.geojson(tmp_path / "p.geojson", make.polygon(make.square()))
    spec = make.soil_spec({}, id_column=None, longitude_column=None, latitude_column=None)
    assert stopped(path=polygons, field=field, spec=spec).code == "soil-not-points"


def test_rows_of_two_utm_zones(make: SimpleNamespace, tmp_path: Path) -> None:
    import pyproj

    ring = [[-96.006, 41.0], [-95.994, 41.0], [-95.994, 41.009], [-96.006, 41.009], [-96.006, 41.0]]
    field = read_boundary(path=make.geojson(tmp_path / "f.geojson", make.polygon(ring)), name="E")
    rows = []
    for n, lon in enumerate((-96.004, -96.002, -95.998, -95.996)):
        zone = 14 if lon < -96 else 15
        to_zone = pyproj.Transformer.from_crs(4326, 32600 + zone, always_xy=True)
        e, m = to_zone.transform(lon, 41.004)
        rows.append([f"U{n}", str(zone), f"{e:.2f}", f"{m:.2f}", "150"])
    path = make.write_csv(tmp_path / "s.csv", rows,
                          head=["sample_id", "zone", "easting", "northing", "K_ppm"])
    spec = make.soil_spec(longitude_column=None, latitude_column=None, easting_column="easting",
                          northing_column="northing", zone_column="zone")
    soil = read_soil(path=path, field=field, spec=spec)
    assert len(soil.sample_id) == 4
    assert float(np.ptp(soil.easting_m)) < 700
    one = make.soil_spec(longitude_column=None, latitude_column=None, easting_column="easting",
                         northing_column="northing", crs="EPSG:32614")
    error = stopped(path=path, field=field, spec=one)
    assert error.code == "soil-wrong-crs"
    assert "2 of 2 inside if they are WGS 84 / UTM zone 15N" in str(error)
    assert "zone_column" in str(error.hint)


def test_peek_guesses_nothing_that_matters(make: SimpleNamespace, tmp_path: Path) -> None:
    rows = [[*row, "5.9", "2026-10-01"] for row in make.sample_rows()]
    path = make.write_csv(tmp_path / "s.csv", rows,
                          head=["Sample ID", "Lat", "Lon", "K", "pH", "Date"])
    look = peek_table(path)
    assert dict(look.proposals) == {
        "id_column": "Sample ID", "longitude_column": "Lon", "latitude_column": "Lat",
        "date_column": "Date", "potassium": "K", "ph": "pH"}
    assert look.headings[3] == ("K", ("134", "233", "171", "217"))
    assert look.kinds[:4] == ("text", "number", "number", "number")
    assert not look.points_have_geometry
    twice = make.write_csv(tmp_path / "t.csv", rows, head=["id", "Lat", "x", "K", "K", "Date"])
    assert "potassium" not in peek_table(twice).proposals
    assert "latitude_column" not in peek_table(twice).proposals


def test_order_of_rows_does_not_move_a_sample(make: SimpleNamespace, field: Field, tmp_path: Path
                                              ) -> None:
    rows = make.sample_rows()
    random.Random(3).shuffle(rows)
    one = read_soil(path=make.write_csv(tmp_path / "a.csv", rows), field=field,
                    spec=make.soil_spec(sampled_on=date(2026, 10, 1)))
    two = read_soil(path=make.write_csv(tmp_path / "b.csv", make.sample_rows()), field=field,
                    spec=make.soil_spec())
    order = np.argsort(one.sample_id)
    assert np.array_equal(one.easting_m[order], two.easting_m)
    assert np.array_equal(one.columns["potassium"].values[order],
                          two.columns["potassium"].values)
