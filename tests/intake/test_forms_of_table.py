"""One table in every form: wide and long, depths in one column or two, one year or several.

All samples are invented. The wide form, tested in test_soil.py, is the measure for the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vrx.errors import InputError
from vrx.intake import ColumnSpec, SoilSpec, read_soil
from vrx.model import Field, Severity, SoilTable

LONG = ["sample_id", "lat", "lon", "Analyte", "Method", "Result", "Unit"]
K = ColumnSpec(analyte_is="K", form="K", extractant="mehlich-3", depth_in=(0.0, 6.0))


def long_rows(make: SimpleNamespace, *more: Sequence[str]) -> list[list[str]]:
    """K of every sample, and `more` as (analyte, method, value, unit) of every sample."""
    rows = []
    for name, lat, lon, k in make.sample_rows():
        for analyte, method, value, unit in (("K", "Mehlich 3", k, "ppm"), *more):
            rows.append([name, lat, lon, analyte, method, value, unit])
    return rows


def long_spec(make: SimpleNamespace, columns: dict[str, ColumnSpec] | None = None,
              **changes: Any) -> SoilSpec:
    given_: SoilSpec = make.soil_spec(columns or {"potassium": K}, **{
        "analyte_column": "Analyte", "value_column": "Result", "unit_column": "Unit", **changes})
    return given_


def stopped(**given_: Any) -> InputError:
    with pytest.raises(InputError) as caught:
        read_soil(**given_)
    return caught.value


def same(one: SoilTable, other: SoilTable) -> bool:
    return one.sample_id == other.sample_id and all(
        np.array_equal(one.columns[a].values, other.columns[a].values, equal_nan=True)
        and np.array_equal(one.columns[a].censored, other.columns[a].censored)
        for a in one.columns) and np.array_equal(one.easting_m, other.easting_m)


@pytest.mark.parametrize("suffix", ["csv", "xlsx", "geojson"])
def test_the_long_form_reads_like_the_wide_one(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, suffix: str
) -> None:
    wide = read_soil(path=make.write_csv(tmp_path / "w.csv", make.sample_rows()), field=field,
                     spec=make.soil_spec())
    rows = long_rows(make, ("pH", "1:1 water", "6.8", ""), ("B", "hot water", "0.7", "ppm"))
    columns = {"potassium": K, "ph": ColumnSpec(analyte_is="PH", unit="pH")}
    spec = long_spec(make, columns, **({} if suffix != "geojson" else {
        "longitude_column": None, "latitude_column": None}))
    path = tmp_path / f"l.{suffix}"
    if suffix == "csv":
        make.write_csv(path, rows, head=LONG)
    elif suffix == "xlsx":
        openpyxl = pytest.importorskip("openpyxl")
        book = openpyxl.Workbook()
        book.active.append(LONG)
        for r in rows:
            book.active.append([r[0], float(r[1]), float(r[2]), r[3], r[4], float(r[5]), r[6]])
        book.save(path)
    else:
        make.geojson(path, *({"type": "Point", "coordinates": [float(r[2]), float(r[1])]}
                             for r in rows))
        import json

        document = json.loads(path.read_text())
        for feature, r in zip(document["features"], rows, strict=True):
            feature["properties"] = dict(zip(LONG, r, strict=True))
        path.write_text(json.dumps(document))
    soil = read_soil(path=path, field=field, spec=spec)
    assert same(wide, soil)
    assert set(soil.columns["ph"].values) == {6.8}
    told = {f.code: f for f in soil.findings}
    assert "B (16)" in told["soil-analytes-not-read"].what
    assert told["soil-long-form"].what == "48 rows of one result each"
    assert told["soil-unit-from-file"].what == "its rows say ppm"
    assert [f.code for f in soil.findings if f.severity is not Severity.NOTE] == []


def test_units_of_single_rows(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    rows = long_rows(make)
    rows[0][5:] = ["268", "lb/ac"]
    path = make.write_csv(tmp_path / "u.csv", rows, head=LONG)
    soil = read_soil(path=path, field=field, spec=long_spec(make))
    # 268 lb/ac over 6 in is 134 ppm: two million pounds of soil an acre furrow slice.
    assert make.total(soil.columns["potassium"].values) == 2874
    rows[1][6] = "mg/L"
    path = make.write_csv(tmp_path / "v.csv", rows, head=LONG)
    soil = read_soil(path=path, field=field, spec=long_spec(make))
    assert "mg/L (1 samples)" in next(
        f.what for f in soil.findings if f.code == "soil-volume-basis")
    stated = ColumnSpec(analyte_is="K", unit="ppm", form="K", extractant="mehlich-3",
                        depth_in=(0.0, 6.0))
    error = stopped(path=path, field=field, spec=long_spec(make, {"potassium": stated}))
    assert error.code == "soil-unit-conflict"
    rows[2][6] = "bushel"
    path = make.write_csv(tmp_path / "x.csv", rows, head=LONG)
    assert stopped(path=path, field=field, spec=long_spec(make)).code == "soil-unit-unknown"


def test_duplicates_and_reruns_are_told(make: SimpleNamespace, field: Field, tmp_path: Path
                                        ) -> None:
    rows = long_rows(make)
    rows += [rows[0], [*rows[5][:5], "300", "ppm"], [*rows[5][:5], "330", "ppm"]]
    path = make.write_csv(tmp_path / "r.csv", rows, head=LONG)
    soil = read_soil(path=path, field=field, spec=long_spec(make))
    values = soil.columns["potassium"].values
    assert values[0] == 134
    assert values[5] == pytest.approx((144 + 300 + 330) / 3)
    told = {f.code: f for f in soil.findings}
    assert told["soil-result-twice"].what.endswith("S01 K")
    assert told["soil-result-rerun"].severity is Severity.WARN
    assert told["soil-result-rerun"].what.endswith("S06 K, S06 K")
    assert "S06 (repeated)" in told["soil-samples-merged"].what
    soil = read_soil(path=path, field=field, spec=long_spec(make, reruns="last"))
    assert soil.columns["potassium"].values[5] == 330


def test_methods_and_words_of_the_analyte_column(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    rows = long_rows(make, ("K", "Olsen", "99", "ppm"))
    path = make.write_csv(tmp_path / "m.csv", rows, head=LONG)
    error = stopped(path=path, field=field, spec=long_spec(make, method_column="Method"))
    assert error.code == "soil-several-methods"
    assert "Mehlich 3: 16 rows, Olsen: 16 rows" in str(error)
    olsen = ColumnSpec(analyte_is="k", method_is="olsen", form="K", extractant="olsen",
                       depth_in=(0.0, 6.0))
    soil = read_soil(path=path, field=field, spec=long_spec(
        make, {"potassium": olsen}, method_column="Method"))
    assert set(soil.columns["potassium"].values) == {99.0}
    assert soil.columns["potassium"].source == "K, Olsen, ppm K"
    for column, code, hint in (
        (ColumnSpec(analyte_is="Kalium"), "soil-analyte-not-in-column", "'K'"),
        (ColumnSpec(analyte_is="K", method_is="Olson"), "soil-method-not-in-column", "'Olsen'"),
    ):
        error = stopped(path=path, field=field, spec=long_spec(
            make, {"potassium": column}, method_column="Method"))
        assert error.code == code
        assert hint in str(error)
    maybe = {"potassium": K, "sulfate": ColumnSpec(analyte_is="SO4-S", optional=True)}
    path = make.write_csv(tmp_path / "o.csv", long_rows(make), head=LONG)
    soil = read_soil(path=path, field=field, spec=long_spec(make, maybe))
    assert set(soil.columns) == {"potassium"}
    assert "soil-column-absent" in make.codes(soil.findings)
    with pytest.raises(InputError, match="needs both its columns"):
        read_soil(path=path, field=field, spec=long_spec(make, value_column=None))


def test_rows_that_are_no_results(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    rows = [*long_rows(make), ["S01", *make.sample_rows()[0][1:3], "", "", "77", "ppm"],
            ["Results apply to the sample as received.", "", "", "", "", "", ""],
            ["Average", "", "", "K", "", "180", "ppm"]]
    path = make.write_csv(tmp_path / "n.csv", rows, head=LONG)
    soil = read_soil(path=path, field=field, spec=long_spec(make))
    assert make.total(soil.columns["potassium"].values) == 2874
    assert {"soil-result-unnamed", "soil-note-rows", "soil-row-not-a-sample"} <= set(
        make.codes(soil.findings))


def test_a_method_code_in_the_analyte_column(make: SimpleNamespace, field: Field, tmp_path: Path
                                             ) -> None:
    rows = [[*r[:3], "S-K-M3.01.03", *r[4:]] for r in long_rows(make)]
    path = make.write_csv(tmp_path / "c.csv", rows, head=LONG)
    column = ColumnSpec(analyte_is="S-K-M3.01.03", depth_in=(0.0, 6.0))
    soil = read_soil(path=path, field=field, spec=long_spec(make, {"potassium": column}))
    assert soil.columns["potassium"].extractant == "mehlich-3"
    assert make.total(soil.columns["potassium"].values) == 2874


def test_depth_in_two_columns(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    head = [*make.head, "Top", "Bottom"]
    rows = [[*r, "0", "15"] for r in make.sample_rows()]
    rows += [[*r[:3], "40", "15", "60"] for r in make.sample_rows()]
    path = make.write_csv(tmp_path / "d.csv", rows, head=head)
    pair = {"depth_top_column": "Top", "depth_bottom_column": "Bottom"}
    column = {"potassium": make.k_column(depth_in=None)}
    assert stopped(path=path, field=field, spec=make.soil_spec(column, **pair)
                   ).code == "soil-depth-unit"
    error = stopped(path=path, field=field, spec=make.soil_spec(column, **pair, depth_unit="cm"))
    assert error.code == "soil-several-depths"
    assert "0-15 cm" in str(error)
    for choice in ("0-15 cm", "0-6 in"):
        soil = read_soil(path=path, field=field, spec=make.soil_spec(
            column, **pair, depth_unit="cm", depth=choice))
        assert make.total(soil.columns["potassium"].values) == 2874
        assert soil.columns["potassium"].depth_in == (0.0, 5.91)
    two = {"potassium": make.k_column(depth_in=None, depth="15-60 cm"),
           "phosphorus": make.k_column(depth_in=None, depth="0-15 cm", form="P")}
    soil = read_soil(path=path, field=field, spec=make.soil_spec(two, **pair, depth_unit="cm"))
    assert set(soil.columns["potassium"].values) == {40.0}
    assert make.total(soil.columns["phosphorus"].values) == 2874
    for top, bottom, code in (("15", "0", "soil-depth-pair"), ("0", "x", "soil-depth-pair")):
        bad = [[*r, top, bottom] for r in make.sample_rows()]
        path = make.write_csv(tmp_path / "b.csv", bad, head=head)
        error = stopped(path=path, field=field, spec=make.soil_spec(
            column, **pair, depth_unit="cm"))
        assert error.code == code
    both = make.soil_spec(column, **pair, depth_unit="cm", depth_column="Top")
    assert stopped(path=path, field=field, spec=both).code == "soil-depth-pair"
    half = make.soil_spec(column, depth_top_column="Top", depth_unit="cm")
    assert stopped(path=path, field=field, spec=half).code == "soil-depth-pair"


def test_years_are_chosen_and_never_averaged(make: SimpleNamespace, field: Field, tmp_path: Path
                                             ) -> None:
    head = [*make.head, "Year", "Date"]
    rows = [[*r[:3], str(int(r[3]) + 400), "2023", "2023-10-04"] for r in make.sample_rows()]
    rows += [[*r, "2026", "2026-10-01"] for r in make.sample_rows()[:12]]
    path = make.write_csv(tmp_path / "y.csv", rows, head=head)
    new, old = sum(make.k[:12]), sum(make.k) + 16 * 400
    for key in ({"year_column": "Year"}, {"date_column": "Date"}):
        error = stopped(path=path, field=field, spec=make.soil_spec(**key))
        assert error.code == "soil-several-years"
        assert "2023: 16 rows, 2026: 12 rows" in str(error)
        soil = read_soil(path=path, field=field, spec=make.soil_spec(**key, use_year=2026))
        assert make.total(soil.columns["potassium"].values) == new
        assert len(soil.sample_id) == 12
        soil = read_soil(path=path, field=field, spec=make.soil_spec(**key, use_year=2023))
        assert make.total(soil.columns["potassium"].values) == old
        soil = read_soil(path=path, field=field, spec=make.soil_spec(**key, use_year="latest"))
        assert len(soil.sample_id) == 16
        assert make.total(soil.columns["potassium"].values) == new + sum(make.k[12:]) + 4 * 400
        told = next(f for f in soil.findings if f.code == "soil-year-chosen")
        assert told.value == "12"
        error = stopped(path=path, field=field, spec=make.soil_spec(**key, use_year=2020))
        assert error.code == "soil-year-unknown"
    assert stopped(path=path, field=field, spec=make.soil_spec(use_year=2026)
                   ).code == "soil-year-no-column"
    bad = make.write_csv(tmp_path / "b.csv", [[*r[:4], "last", r[5]] for r in rows], head=head)
    assert stopped(path=bad, field=field, spec=make.soil_spec(year_column="Year")
                   ).code == "soil-year-unreadable"


def test_one_sampling_over_new_year_is_one(make: SimpleNamespace, field: Field, tmp_path: Path
                                           ) -> None:
    head = [*make.head, "Date"]
    rows = [[*r, "2025-12-29"] for r in make.sample_rows()]
    rows.append([*rows[0][:4], "2026-01-04"])
    soil = read_soil(path=make.write_csv(tmp_path / "n.csv", rows, head=head), field=field,
                     spec=make.soil_spec(date_column="Date", sampled_on=None))
    assert len(soil.sample_id) == 16
    rows = [[*r, "2022-10-01" if n % 2 else "2026-10-01"]
            for n, r in enumerate(make.sample_rows())]
    soil = read_soil(path=make.write_csv(tmp_path / "m.csv", rows, head=head), field=field,
                     spec=make.soil_spec(date_column="Date", sampled_on=None))
    assert "soil-years-mixed" in make.codes(soil.findings)


@settings(max_examples=30, derandomize=True, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(values=st.lists(st.sampled_from(["", "ND", "<5", "168VH", ">500"])
                       | st.integers(0, 900).map(str) | st.floats(0.5, 900).map(
                           lambda v: f"{v:.2f}"), min_size=16, max_size=16),
       shuffled=st.permutations(range(32)))
def test_wide_and_long_are_one_table(
    make: SimpleNamespace, field: Field, tmp_path: Path, values: list[str], shuffled: list[int]
) -> None:
    base = make.sample_rows()
    wide_rows = [[*r[:3], v] for r, v in zip(base, values, strict=True)]
    wide_spec = make.soil_spec({"potassium": make.k_column(limit_of_detection=2.0)},
                               decimal_mark=".")
    rows = [[*r[:3], "K", "", v, "ppm"] for r, v in zip(base, values, strict=True)]
    rows += [[*r[:3], "Mg", "", "80", "ppm"] for r in base]
    rows = [rows[k] for k in shuffled]
    long = long_spec(make, {"potassium": ColumnSpec(
        analyte_is="K", unit="ppm", form="K", extractant="mehlich-3", depth_in=(0.0, 6.0),
        limit_of_detection=2.0)}, decimal_mark=".")
    fault = ""
    try:
        wide = read_soil(path=make.write_csv(tmp_path / "w.csv", wide_rows), field=field,
                         spec=wide_spec)
    except InputError as err:
        fault = err.code
    if fault:
        assert stopped(path=make.write_csv(tmp_path / "l.csv", rows, head=LONG), field=field,
                       spec=long).code == fault
        return
    soil = read_soil(path=make.write_csv(tmp_path / "l.csv", rows, head=LONG), field=field,
                     spec=long)
    order = np.argsort(soil.sample_id)
    assert sorted(soil.sample_id) == sorted(wide.sample_id)
    at = np.argsort(wide.sample_id)
    for name in ("values", "censored"):
        assert np.array_equal(getattr(soil.columns["potassium"], name)[order],
                              getattr(wide.columns["potassium"], name)[at], equal_nan=True)


def test_a_stated_day_still_counts(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    path = make.write_csv(tmp_path / "l.csv", long_rows(make), head=LONG)
    soil = read_soil(path=path, field=field, spec=long_spec(make, sampled_on=date(2026, 9, 30)))
    assert set(soil.sampled_on) == {"2026-09-30"}
