"""Yield logs are read with stated units, in any common dialect, and no row is lost."""

from __future__ import annotations

import csv
import json
import statistics
import zipfile
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import geopandas
import numpy as np
import pint
import pytest

from vrx.errors import InputError
from vrx.intake.yields import LogColumn, PlaceColumns, YieldSpec, read_yield_log, read_yield_logs
from vrx.intake.yields import _columns as columns_module
from vrx.model import Field

UNITS = pint.UnitRegistry()
# The international acre; the library's own is the US survey acre.
UNITS.define("intl_acre = 43560 * foot ** 2")
TONS_PER_T_HA = UNITS("1 metric_ton / hectare").to("short_ton / intl_acre").magnitude
LON_LAT = PlaceColumns(longitude_column="long", latitude_column="lat")


@pytest.fixture
def three(tmp_path: Path, make: SimpleNamespace) -> SimpleNamespace:
    """Three readings, 2, 3.5 and 5 t/ha."""
    where = make.lonlat([0.0, 3.0, 6.0], [0.0, 0.0, 0.0])
    columns = {"lon": [f"{v:.8f}" for v in where[:, 0]], "lat": [f"{v:.8f}" for v in where[:, 1]],
               "yield": ["2.0", "3.5", "5.0"]}
    return SimpleNamespace(path=make.write(tmp_path / "log.csv", columns), columns=columns)


def with_yield(three: SimpleNamespace, make: SimpleNamespace, **more: list[str]) -> Path:
    return make.write(three.path, {**three.columns, **more})


# Harvest: min, max, mean, standard deviation, t/ha. Kayad et al. 2016, PLOS ONE 11(6) e0157166
# prints these in its Table 1; the help page of the data collection says that these data match it.
# The paper was not at hand: figures computed from the open data with pandas.
# Count, minimum, maximum, mean, standard deviation by harvest, computed from the file itself.
KAYAD = {
    "H8": (1677, 0.0, 5.86116, 2.316997, 1.014245),
    "H9": (1977, 0.19096, 5.96750, 2.449770, 1.067669),
    "H10": (2297, 0.0, 6.67888, 2.855739, 1.244036),
    "H11": (2677, 0.0, 9.95764, 4.006855, 1.688934),
}
# Minimum, maximum, mean, standard deviation and variance as printed, to three digits, in the data
# collection's reference page for this set (agridat, kayad.alfalfa, example with its output), where
# its author's code is headed as matching Table 1 of Kayad and others 2016. The table itself was not
# read.
KAYAD_PRINTED = {
    "H8": ("0", "5.86", "2.32", "1.01", "1.03"),
    "H9": ("0.191", "5.97", "2.45", "1.07", "1.14"),
    "H10": ("0", "6.68", "2.86", "1.24", "1.55"),
    "H11": ("0", "9.96", "4.01", "1.69", "2.85"),
}


@pytest.mark.shared_data
def test_four_cuttings_of_alfalfa_keep_their_statistics(
    shared: Callable[[str], Path], make: SimpleNamespace
) -> None:
    path = shared("data/kayad.alfalfa.txt")
    with path.open(newline="") as stream:
        rows = list(csv.DictReader(stream, delimiter="\t"))
    field = make.around([float(r["long"]) for r in rows], [float(r["lat"]) for r in rows])
    logs = read_yield_logs(path=path, field=field, spec=make.spec(
        places=LON_LAT, moisture_pct=None, moisture_unknown=True, harvest_column="harvest"))
    assert [log.harvest for log in logs] == ["H8", "H9", "H10", "H11"]
    assert sum(len(log.record) for log in logs) == 8628
    for log in logs:
        tons = log.tons_per_ac / TONS_PER_T_HA
        own = [float(r["yield"]) for r in rows if r["harvest"] == log.harvest]
        assert tons == pytest.approx(own, abs=1e-12)
        found = (len(tons), tons.min(), tons.max(), tons.mean(), tons.std(ddof=1))
        assert found == pytest.approx(KAYAD[log.harvest], abs=6e-6)
        assert found[4] == pytest.approx(statistics.stdev(own), rel=1e-12)
        printed = tuple(f"{v:.3g}" for v in (*found[1:], found[4] ** 2))
        assert printed == KAYAD_PRINTED[log.harvest]
        assert log.kept.all()
    assert "yield-moisture-unknown" in [f.code for f in logs[0].findings]


@pytest.mark.shared_data
def test_a_raw_grain_log_gives_the_yields_of_its_published_formula(
    shared: Callable[[str], Path], make: SimpleNamespace
) -> None:
    # Formula of the data collection's help page for this log: mass flow x seconds, corrected to
    # 15.5 % moisture, by 56 lb a bushel, over distance x 360 in by 6,272,640 square inches an acre.
    path = shared("data/gartner.corn.txt")
    with path.open(newline="") as stream:
        rows = list(csv.DictReader(stream, delimiter="\t"))
    value = {key: np.array([float(r[key]) for r in rows]) for key in rows[0]}
    bushels = (value["mass"] * value["seconds"] * (100 - value["moist"]) / (100 - 15.5) / 56) / (
        value["dist"] * 360 / 6_272_640)
    field = make.around(value["long"], value["lat"])
    log = read_yield_log(path=path, field=field, spec=YieldSpec(
        amount=LogColumn(column="mass", unit="lb/s"), places=LON_LAT, moisture_column="moist",
        to_moisture_pct=15.5, interval=LogColumn(column="seconds", unit="s"), swath_m=9.144,
        distance=LogColumn(column="dist", unit="in"), time=LogColumn(column="time", unit="s")))
    assert len(log.record) == 4949
    assert log.tons_per_ac * 2000 / 56 == pytest.approx(bushels, rel=1e-12)
    assert log.moisture_pct == 15.5
    assert log.mass_based


@pytest.mark.parametrize(("unit", "pint_unit"), [
    ("t/ha", "metric_ton / hectare"), ("kg/ha", "kilogram / hectare"),
    ("lb/ac", "pound / intl_acre"), ("short ton/ac", "short_ton / intl_acre")])
def test_areal_units_agree_with_a_reference_library(
    three: SimpleNamespace, make: SimpleNamespace, field: Field, unit: str, pint_unit: str
) -> None:
    log = read_yield_log(path=three.path, field=field,
                         spec=make.spec(amount=LogColumn(column="yield", unit=unit)))
    right = (np.array([2.0, 3.5, 5.0]) * UNITS(pint_unit)).to("short_ton / intl_acre").magnitude
    assert log.tons_per_ac == pytest.approx(right, rel=1e-7)


@pytest.mark.parametrize(("amount", "pint_unit"), [
    ("lb/s", "pound / second"), ("kg/s", "kilogram / second"),
    ("t/h", "metric_ton / hour"), ("short ton/h", "short_ton / hour")])
@pytest.mark.parametrize("way", ["distance", "speed"])
def test_flow_over_swath_gives_yield(
    *, three: SimpleNamespace, make: SimpleNamespace, field: Field, amount: str, pint_unit: str,
    way: str,
) -> None:
    path = with_yield(three, make, s=["2", "2", "2"], ft=["20", "20", "20"], mph=["3", "3", "3"],
                      wide=["24", "24", "24"])
    more = ({"distance": LogColumn(column="ft", unit="ft")} if way == "distance"
            else {"speed": LogColumn(column="mph", unit="mph")})
    log = read_yield_log(path=path, field=field, spec=make.spec(
        amount=LogColumn(column="yield", unit=amount), interval=LogColumn(column="s", unit="s"),
        swath=LogColumn(column="wide", unit="ft"), **more))
    length = UNITS("20 foot") if way == "distance" else UNITS("3 mile / hour") * UNITS("2 second")
    right = (np.array([2.0, 3.5, 5.0]) * UNITS(pint_unit) * UNITS("2 second")
             / (length * UNITS("24 foot"))).to("short_ton / intl_acre").magnitude
    assert log.tons_per_ac == pytest.approx(right, rel=1e-7)


def test_bushels_are_refused_for_hay_unless_told(
    three: SimpleNamespace, make: SimpleNamespace, field: Field
) -> None:
    bushels = LogColumn(column="yield", unit="bu/ac")
    with pytest.raises(InputError, match="hay has none") as caught:
        read_yield_log(path=three.path, field=field, spec=make.spec(amount=bushels))
    assert caught.value.code == "yield-bushels"
    log = read_yield_log(path=three.path, field=field,
                         spec=make.spec(amount=bushels, lb_per_bushel=56.0))
    assert log.tons_per_ac == pytest.approx(np.array([2.0, 3.5, 5.0]) * 56 / 2000)


@pytest.mark.parametrize(("changes", "code"), [
    ({"amount": LogColumn(column="yield", unit="ton/ha")}, "layer-unit-unclear"),
    ({"amount": LogColumn(column="yield", unit="T/HA")}, "layer-unit-unknown"),
    ({"amount": LogColumn(column="yield", unit="lb/s")}, "yield-measure-missing"),
    ({"amount": LogColumn(column="yeild", unit="t/ha")}, "table-column-missing"),
    ({"moisture_pct": None}, "yield-moisture-missing"),
    ({"moisture_unknown": True}, "yield-moisture-missing"),
    ({"moisture_pct": 100.0}, "yield-moisture"),
    ({"moisture_pct": None, "moisture_column": "yield"}, "yield-moisture-missing"),
    ({"places": PlaceColumns(longitude_column="lon")}, "layer-no-coordinates"),
    ({"places": PlaceColumns(easting_column="lon", northing_column="lat")}, "crs-missing"),
    ({"places": PlaceColumns()}, "layer-no-coordinates"),
    ({"places": PlaceColumns(longitude_column="lon", latitude_column="lat", crs="EPSG:32615")},
     "crs-kind"),
    ({"places": PlaceColumns(longitude_column="lat", latitude_column="lon")},
     "layer-outside-field"),
    ({"harvest_column": "yield"}, "yield-harvests-several"),
    ({"harvest_column": "yield", "harvest": "H3"}, "yield-harvest-unknown"),
    ({"time": LogColumn(column="yield", unit="ISO 8601")}, "layer-value-unreadable"),
    ({"speed": LogColumn(column="yield", unit="knots")}, "layer-unit-unknown"),
])
def test_what_is_not_stated_stops(
    three: SimpleNamespace, make: SimpleNamespace, field: Field, changes: dict[str, object],
    code: str,
) -> None:
    with pytest.raises(InputError) as caught:
        read_yield_log(path=three.path, field=field, spec=make.spec(**changes))
    assert caught.value.code == code
    assert "log.csv" in caught.value.where
    assert caught.value.hint


def test_moisture_of_each_reading_is_brought_to_one(
    three: SimpleNamespace, make: SimpleNamespace, field: Field
) -> None:
    path = with_yield(three, make, moist=["20", "", "10"])
    log = read_yield_log(path=path, field=field, spec=make.spec(
        moisture_pct=None, moisture_column="moist", to_moisture_pct=0.0,
        amount=LogColumn(column="yield", unit="short ton/ac")))
    assert log.tons_per_ac[[0, 2]] == pytest.approx([1.6, 4.5])
    assert np.isnan(log.tons_per_ac[1])
    said = next(f for f in log.findings if f.code == "yield-moisture-converted")
    assert "1 without a moisture" in said.what


@pytest.mark.parametrize(("delimiter", "mark", "encoding"), [
    (",", ".", "utf-8"), ("\t", ".", "utf-8-sig"), (";", ",", "cp1252"), (";", ",", "utf-16"),
    ("|", ".", "utf-8")])
def test_dialects_of_text_give_the_same_log(
    *, three: SimpleNamespace, make: SimpleNamespace, field: Field, tmp_path: Path, delimiter: str,
    mark: str, encoding: str,
) -> None:
    plain = read_yield_log(path=three.path, field=field, spec=make.spec())
    path = make.write(tmp_path / "other.txt", {**three.columns, "Größe": ["1", "2", "3"]},
                      delimiter=delimiter, mark=mark, encoding=encoding)
    log = read_yield_log(path=path, field=field, spec=make.spec())
    assert (log.tons_per_ac == plain.tons_per_ac).all()
    assert (log.easting_m == plain.easting_m).all()
    assert log.record.tolist() == [2, 3, 4]


def test_units_rows_blank_rows_and_missing_cells_are_told(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    lon, lat = make.lonlat([0.0], [0.0])[0]
    path = tmp_path / "log.csv"
    path.write_text(f"lon,lat,yield,note\ndeg,deg,t/ha,x\n{lon},{lat},3.5,a\n,,,\n{lon},{lat},,b\n"
                    f"{lon},{lat},N/A,c\n0,0,4.5,d\n,,4.5,e\n")
    log = read_yield_log(path=path, field=field, spec=make.spec())
    codes = [f.code for f in log.findings]
    assert {"layer-units-row", "table-blank-rows", "layer-no-position"} <= set(codes)
    assert log.record.tolist() == [3, 5, 6, 7, 8]
    assert np.isnan(log.tons_per_ac).tolist() == [False, True, True, False, False]
    assert log.counts == {"no-position": 2, "outside-field": 0}
    assert np.isnan(log.easting_m[3:]).all()


def test_a_cell_that_is_no_number_is_named(
    three: SimpleNamespace, make: SimpleNamespace, field: Field
) -> None:
    path = make.write(three.path, {**three.columns, "yield": ["2.0", "3,5x", "5.0"]})
    with pytest.raises(InputError) as caught:
        read_yield_log(path=path, field=field, spec=make.spec())
    assert caught.value.code == "layer-value-unreadable"
    assert "'3,5x' (row 3)" in str(caught.value)
    assert caught.value.where == "log.csv, column yield"


def test_a_mark_that_reads_two_ways_stops(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    path = tmp_path / "log.txt"
    path.write_text("lon;lat;yield\n-93;41;1,250\n-93;41;1,350\n")
    with pytest.raises(InputError) as caught:
        read_yield_log(path=path, field=field, spec=make.spec())
    assert caught.value.code == "table-decimal-unclear"


def test_rows_with_more_cells_than_headings_stop_wherever_they_stand(
    make: SimpleNamespace, field: Field, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(columns_module, "_HEAD_BYTES", 200)
    lon, lat = make.lonlat([0.0], [0.0])[0]
    good = f"{lon:.7f},{lat:.7f},3.5\n"
    path = tmp_path / "log.csv"
    path.write_text("lon,lat,yield\n" + good * 40 + f"{lon:.7f},{lat:.7f},3,5\n" + good)
    with pytest.raises(InputError) as caught:
        read_yield_log(path=path, field=field, spec=make.spec())
    assert caught.value.code == "table-row-too-long"


def test_a_late_byte_of_another_encoding_and_many_pieces_lose_nothing(
    make: SimpleNamespace, field: Field, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(columns_module, "_HEAD_BYTES", 200)
    monkeypatch.setattr(columns_module, "PIECE", 7)
    lon, lat = make.lonlat([0.0], [0.0])[0]
    lines = [f"{lon:.7f},{lat:.7f},{k / 4},H{k % 2}" for k in range(40)]
    lines[35] = f"{lon:.7f},{lat:.7f},8.75,H1ü"
    path = tmp_path / "log.csv"
    path.write_bytes(("lon,lat,yield,cut\n" + "\n".join(lines)).encode("cp1252"))
    logs = read_yield_logs(path=path, field=field, spec=make.spec(harvest_column="cut"))
    assert [(log.harvest, len(log.record)) for log in logs] == [("H0", 20), ("H1", 19), ("H1ü", 1)]
    every = np.concatenate([log.tons_per_ac for log in logs])
    assert every.sum() == pytest.approx(sum(range(40)) / 4 * TONS_PER_T_HA)
    one = read_yield_log(path=path, field=field,
                         spec=make.spec(harvest_column="cut", harvest="H1"))
    assert (one.record == logs[1].record).all()
    assert "yield-other-harvests" in [f.code for f in one.findings]


def test_vector_points_workbooks_and_zips_read_like_text(
    three: SimpleNamespace, make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    plain = read_yield_log(path=three.path, field=field, spec=make.spec())
    lon, lat, tons = ([float(v) for v in three.columns[k]] for k in ("lon", "lat", "yield"))
    frame = geopandas.GeoDataFrame({"yield": tons}, geometry=geopandas.points_from_xy(lon, lat),
                                   crs=4326)
    frame.to_crs(32615).to_file(tmp_path / "points.shp")
    (tmp_path / "points.geojson").write_text(json.dumps(json.loads(frame.to_json())))
    import openpyxl

    book = openpyxl.Workbook()
    book.active.append(["lon", "lat", "yield"])
    for row in zip(lon, lat, tons, strict=True):
        book.active.append(row)
    book.save(tmp_path / "log.xlsx")
    with zipfile.ZipFile(tmp_path / "log.zip", "w") as archive:
        archive.write(three.path, "log.csv")
    for name, where in (("points.shp", PlaceColumns()), ("points.geojson", PlaceColumns()),
                        ("log.xlsx", make.places()), ("log.zip", make.places())):
        log = read_yield_log(path=tmp_path / name, field=field, spec=make.spec(places=where))
        assert log.tons_per_ac == pytest.approx(plain.tons_per_ac), name
        assert log.easting_m == pytest.approx(plain.easting_m, abs=2e-3), name


def test_readings_outside_and_exchanged_coordinates_are_told(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    east = [0.0, 195.0, 205.0, 500.0, 900.0]
    where = make.lonlat(east, [0.0] * 5)
    path = make.write(tmp_path / "log.csv", {
        "lon": where[:, 0], "lat": where[:, 1], "yield": [3, 3, 3, 3, 3]})
    log = read_yield_log(path=path, field=field, spec=make.spec())
    assert log.kept.tolist() == [True, True, True, False, False]
    assert log.easting_m == pytest.approx(east, abs=1e-6)
    assert "2 of 5 readings" in next(
        f.what for f in log.findings if f.code == "layer-readings-outside")
    with pytest.raises(InputError, match="exchanged") as caught:
        read_yield_log(path=path, field=field, spec=make.spec(
            places=PlaceColumns(longitude_column="lat", latitude_column="lon")))
    assert caught.value.code == "layer-outside-field"


def test_headings_without_rows_stop(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("lon,lat,yield\n")
    with pytest.raises(InputError) as caught:
        read_yield_log(path=path, field=field, spec=make.spec())
    assert caught.value.code == "table-no-rows"


def test_too_many_readings_are_refused_by_number(
    three: SimpleNamespace, make: SimpleNamespace, field: Field, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(columns_module, "MOST_READINGS", 2)
    with pytest.raises(InputError, match="more than 2 readings") as caught:
        read_yield_log(path=three.path, field=field, spec=make.spec())
    assert caught.value.code == "layer-too-many"


def test_progress_is_told_and_iso_times_are_seconds(
    three: SimpleNamespace, make: SimpleNamespace, field: Field
) -> None:
    path = with_yield(three, make, t=["2026-04-12T14:00:00Z", "2026-04-12T14:00:01.5Z",
                                      "2026-04-12T15:00:02+01:00"])
    told: list[tuple[str, float]] = []
    log = read_yield_log(path=path, field=field, progress=lambda *step: told.append(step),
                         spec=make.spec(time=LogColumn(column="t", unit="ISO 8601")))
    assert log.time_s is not None
    assert (log.time_s - log.time_s[0]).tolist() == [0.0, 1.5, 2.0]
    assert told == [("reading log.csv", 1.0)]
