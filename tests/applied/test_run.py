"""From a finished run and a log to page, tables and a second trip; rates of a file as a pass."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import shapefile
import shapely
from click.testing import CliRunner
from shapely.geometry import shape

from vrx.cli import cli
from vrx.errors import InputError, PlanError
from vrx.geo import from_lonlat, to_lonlat
from vrx.pipeline import reconcile, run_field

KETTLE = Path(__file__).parents[2] / "sample_geo" / "kettle"
COLUMN = "P1_KCL_LB"
OF_FILE = {"pass": "after-first", "tolerance_pct": 5.0, "rate_column": COLUMN,
           "rate_unit": "lb/ac"}


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fields") / "kettle"
    shutil.copytree(KETTLE, folder)
    run_field(folder)
    return folder


@pytest.fixture
def field_folder(finished: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / "kettle"))


def current(folder: Path) -> Path:
    return folder / "output" / json.loads((folder / "output/current.json").read_text())["run"]


def zones_of(folder: Path) -> tuple[list[shapely.Geometry], list[float], tuple[float, float]]:
    record = json.loads((current(folder) / "manifest.json").read_text())
    centre = tuple(record["field"]["crs_centre"])
    rows = json.loads((current(folder) / "prescription.geojson").read_text())["features"]
    return ([from_lonlat(shape(one["geometry"]), centre) for one in rows],
            [one["properties"][COLUMN] for one in rows], centre)


def a_log(folder: Path, *, until_east_m: float = np.inf) -> Path:
    """Points every 4 m, trips 18 m apart, at the very target; nothing east of a line."""
    polygons, rates, centre = zones_of(folder)
    whole = shapely.union_all(polygons)
    west, south, east, north = whole.bounds
    at, run = [], []
    for k, across in enumerate(np.arange(west + 9, east + 9, 18.0)):
        along = np.arange(south - 10, north + 10, 4.0)
        at.append(np.column_stack([np.full(len(along), across), along[:: 1 if k % 2 == 0 else -1]]))
        run.append(np.full(len(along), k))
    places, trips = np.vstack(at), np.concatenate(run)
    points = shapely.points(places)
    rate = np.zeros(len(points))
    for polygon, value in zip(polygons, rates, strict=True):
        rate[shapely.intersects(polygon, points)] = value
    on = (rate > 0) & (places[:, 0] < until_east_m)
    lonlat = shapely.get_coordinates(to_lonlat(shapely.multipoints(places), centre))
    path = folder / "log.csv"
    with path.open("w", newline="") as stream:
        rows = csv.writer(stream)
        rows.writerow(["lon", "lat", "rate", "on", "trip"])
        rows.writerows(
            [f"{lon:.9f}", f"{lat:.9f}", value if working else 0, int(working), trip]
            for (lon, lat), value, working, trip
            in zip(lonlat.tolist(), rate, on, trips.tolist(), strict=True))
    return path


POINTS = {"pass": "after-first", "tolerance_pct": 5.0, "rate_column": "rate", "rate_unit": "lb/ac",
          "longitude_column": "lon", "latitude_column": "lat", "master_column": "on",
          "trip_column": "trip", "width_ft": 18 / 0.3048, "least_ac": 0.5}


def test_a_log_that_is_the_prescription_leaves_nothing(field_folder: Path) -> None:
    done = reconcile(field_folder, [current(field_folder) / "prescription.geojson"],
                     overrides=OF_FILE)
    zones = done.reconciliation.zones
    assert zones.difference == pytest.approx(np.zeros(len(zones.zone_ids)), abs=0.05)
    assert zones.skipped_ac[zones.target_rate > 0].sum() == pytest.approx(0, abs=1e-4)
    assert zones.over_ac.sum() + zones.under_ac.sum() == pytest.approx(0, abs=1e-6)
    assert done.second.prescription is None
    assert "applied-nothing-left" in {one.code for one in done.reconciliation.findings}
    assert {one.name for one in done.folder.iterdir()} == {"manifest.json", "page.html",
                                                           "zones.csv"}
    again = reconcile(field_folder, [current(field_folder) / "prescription.geojson"],
                      overrides=OF_FILE)
    assert again.folder == done.folder


def test_ground_that_was_left_out_comes_back_as_a_second_trip(
    field_folder: Path, svg_laws: ModuleType
) -> None:
    polygons, rates, _ = zones_of(field_folder)
    _, south, east, north = shapely.union_all(polygons).bounds
    stop = east - 150.0
    done = reconcile(field_folder, [a_log(field_folder, until_east_m=stop)], overrides=POINTS)
    beyond = shapely.box(stop, south, east, north)
    missing = sum(r * p.intersection(beyond).area / 4046.8564224
                  for r, p in zip(rates, polygons, strict=True))
    short = -done.reconciliation.zones.difference.sum()
    # Trips begin and end within 4 m of the boundary, and the last lies 9 m short of the line.
    assert short == pytest.approx(missing, rel=0.25)
    made = done.second.prescription
    assert made is not None
    again = made.passes[0]
    assert again.prescription_total == pytest.approx(missing, rel=0.1)
    assert (again.rates >= 0).all()
    assert (np.round(again.rates / again.step) * again.step == again.rates).all()
    # Another reader (pyshp, no GDAL): rates stand only where nothing was applied.
    with shapefile.Reader(str(done.folder / "second_pass/shapefile/prescription.shp")) as reader:
        going = [shape(one.shape.__geo_interface__) for one in reader.iterShapeRecords()
                 if one.record[again.column] > 0]
    centre = zones_of(field_folder)[2]
    assert from_lonlat(shapely.union_all(going), centre).bounds[0] > stop - 30
    page = (done.folder / "page.html").read_text()
    assert "Second trip" in page
    assert "<script" not in page
    assert len(svg_laws.drawings(page)) == 2
    assert svg_laws.faults(page) == []
    rows = list(csv.DictReader((done.folder / "zones.csv").read_text().splitlines()))
    assert [one["letter"] for one in rows] == list(done.reconciliation.zones.letters)
    for one in rows:
        parts = sum(float(one[name]) for name in ("once_ac", "repeated_ac", "skipped_ac"))
        assert parts == pytest.approx(float(one["area_ac"]), rel=1e-9)


def test_tickets_and_counters_stand_beside_the_log(field_folder: Path) -> None:
    (field_folder / "tickets.csv").write_text(
        "ticket,material,amount,unit,what\n"
        "T1,muriate of potash 0-0-60,14,short ton,delivered\n"
        "T2,muriate of potash 0-0-60,1000,lb,carried back\n")
    done = reconcile(field_folder, [current(field_folder) / "prescription.geojson"], overrides={
        **OF_FILE, "tickets": "tickets.csv", "counter_amount": 25000.0, "counter_ac": 110.0})
    amounts = {one.what: one.amount for one in done.reconciliation.amounts}
    assert amounts["by 2 tickets, less what came back"] == 27000
    assert amounts["by the machine's counter"] == 25000
    told = [one for one in done.reconciliation.findings if one.code == "applied-amounts-differ"]
    assert len(told) == 1
    assert "27,000" in told[0].what


@pytest.mark.parametrize(("text", "code"), [
    ("ticket,material,amount,unit\n", "tickets-columns"),
    ("ticket,material,amount,unit,what\nT1,lime,1,lb,delivered\n", "tickets-value"),
    ("ticket,material,amount,unit,what\nT1,muriate of potash 0-0-60,1,gal,delivered\n",
     "tickets-value"),
    ("ticket,material,amount,unit,what\nT1,muriate of potash 0-0-60,nan,lb,delivered\n",
     "tickets-value"),
    ("ticket,material,amount,unit,what\nT1,muriate of potash 0-0-60,-1,lb,delivered\n",
     "tickets-value"),
    ("ticket,material,amount,unit,what\nT1,muriate of potash 0-0-60,1,lb,lost\n", "tickets-value"),
    ("ticket,material,amount,unit,what\n" + "T1,muriate of potash 0-0-60,1,lb,delivered\n" * 2,
     "tickets-twice")])
def test_tickets_that_cannot_be_taken(text: str, code: str, field_folder: Path) -> None:
    (field_folder / "t.csv").write_text(text)
    with pytest.raises(InputError) as caught:
        reconcile(field_folder, [current(field_folder) / "prescription.geojson"],
                  overrides={**OF_FILE, "tickets": "t.csv"})
    assert caught.value.code == code
    assert not (field_folder / "applied").exists()


def test_settings_are_strict(field_folder: Path) -> None:
    log = current(field_folder) / "prescription.geojson"
    for more, said in (({"pass": "after-frist"}, "after-first"), ({"tolerance_pct": 100.0}, "100"),
                       ({"rate_unit": None}, "belong together"), ({"tolerence": 1}, "tolerance")):
        with pytest.raises(PlanError, match=said):
            reconcile(field_folder, [log], overrides={**OF_FILE, **more})
    (field_folder / "applied.toml").write_text(
        f'pass = "after-first"\ntolerance_pct = 5.0\nrate_column = "{COLUMN}"\n'
        'rate_unit = "lb/ac"\n')
    assert reconcile(field_folder, [log]).reconciliation.tolerance_pct == 5
    broken = field_folder / "broken.toml"
    for data, code in ((b"pass = ", "plan-syntax"), (b"\xff", "plan-syntax"),
                       (b"#" * (1 << 21), "plan-too-large")):
        broken.write_bytes(data)
        with pytest.raises(PlanError) as caught:
            reconcile(field_folder, [log], settings=broken)
        assert caught.value.code == code
    for path in (field_folder, field_folder / "none.toml", Path("a\0b")):
        with pytest.raises(PlanError):
            reconcile(field_folder, [log], settings=path)


def test_a_run_that_was_changed_is_no_judge(field_folder: Path) -> None:
    path = current(field_folder) / "prescription.geojson"
    log = field_folder / "log.geojson"
    shutil.copy(path, log)
    path.write_text(path.read_text().replace("230.0", "330.0"))
    with pytest.raises(InputError) as caught:
        reconcile(field_folder, [log], overrides=OF_FILE)
    assert caught.value.code == "reconcile-run-changed"
    shutil.rmtree(field_folder / "output")
    with pytest.raises(InputError) as caught:
        reconcile(field_folder, [log], overrides=OF_FILE)
    assert caught.value.code == "reconcile-no-run"


def test_the_command(field_folder: Path) -> None:
    log = current(field_folder) / "prescription.geojson"
    ran = CliRunner().invoke(cli, [
        "reconcile", str(field_folder), str(log), "--pass", "after-first", "--tolerance", "5",
        "--rate", COLUMN, "lb/ac", "--json"])
    assert ran.exit_code == 0, ran.output
    told = json.loads(ran.stdout)
    totals = told["record"]["totals"]
    assert totals["applied"] == pytest.approx(totals["planned"], rel=1e-5)
    plain = CliRunner().invoke(cli, [
        "reconcile", str(field_folder), str(log), "--pass", "after-first", "--tolerance", "5",
        "--rate", COLUMN, "lb/ac"])
    assert "applied against planned" in plain.stdout


def test_rates_of_a_file_are_a_pass_again(field_folder: Path, tmp_path: Path) -> None:
    first = json.loads((current(field_folder) / "manifest.json").read_text())
    shutil.copy(current(field_folder) / "prescription.geojson", field_folder / "back.geojson")
    plan = field_folder / "plan.toml"
    text = plan.read_text()
    before, after = text.split("[zones]\n")[0], text[text.index("[need.potassium]"):]
    zones = '[zones]\nfrom = "own polygons"\npolygons = "back.geojson"\nlabel_column = "ZONE"\n\n'
    after = after.replace(
        'serves = "potassium"\nrate = "variable"\nshare_of_need = 0.5', 'serves = "potassium"\n'
        f'rate = "from file"\nfrom_file = {{ column = "{COLUMN}", unit = "lb/ac" }}', 1)
    plan.write_text(before + zones + after)
    second = run_field(field_folder).manifest
    for one, other in zip(first["zones"], second["zones"], strict=True):
        assert one["letter"] == other["letter"]
        assert one["area_ac"] == pytest.approx(other["area_ac"], abs=1e-5)

    def rates(record: dict) -> list[float]:
        line = record["passes"][0]
        return [one["steps"] * line["step"] for one in line["steps"]]

    assert rates(first) == rates(second)
    assert [one["path"] for one in second["inputs"] if one["path"] == "back.geojson"]
    for wrong, code in (("kg", "plan-unit"), ("gal/ac", "plan-unit")):
        plan.write_text((before + zones + after).replace(
            f'"{COLUMN}", unit = "lb/ac"', f'"{COLUMN}", unit = "{wrong}"'))
        with pytest.raises(PlanError) as caught:
            run_field(field_folder)
        assert caught.value.code == code
    plan.write_text((before + zones + after).replace('rate = "from file"\n', 'rate = "variable"\n'))
    with pytest.raises(PlanError, match="belong together"):
        run_field(field_folder)
