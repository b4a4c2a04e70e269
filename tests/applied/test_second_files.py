"""Files of a second trip: styled, in the plan's form of task data, off wherever no map says."""

from __future__ import annotations

import csv
import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree as ET

import pyproj
import pytest

from vrx.pipeline import reconcile, run_field

BENCH = Path(__file__).resolve().parents[2] / "sample_geo" / "bench"


@pytest.fixture(scope="module")
def second(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The second trip after a log of the western half alone."""
    folder = Path(shutil.copytree(BENCH, tmp_path_factory.mktemp("second") / "bench"))
    plan = folder / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace(
        'formats = ["shapefile", "geojson"]', 'formats = ["geopackage", "iso11783", "geojson"]')
        + '[export.task_data]\nform = "grid type 2"\nfarm = "Hof Süd"\n'
        "[export.task_data.rates.after-first]\ndefault_lb_per_ac = 90.0\n", encoding="utf-8")
    run = run_field(folder)
    shapes = json.loads((run.folder / "prescription.geojson").read_text())["features"]
    corners = [c for one in shapes for c in _flat(one["geometry"]["coordinates"])]
    west, east = min(c[0] for c in corners), max(c[0] for c in corners)
    south, north = min(c[1] for c in corners), max(c[1] for c in corners)
    geod, rows, clock = pyproj.Geod(ellps="WGS84"), [], 0
    rate = float(run.job.prescription.passes[0].rates.max())
    wide = geod.line_length([west, east], [south, south])
    for k in range(int(wide / 2 / 15.24)):
        lon = west + (east - west) * (k + 0.5) * 15.24 / wide
        steps = [south + (north - south) * n / 60 for n in range(61)]
        for lat in steps if k % 2 == 0 else steps[::-1]:
            clock += 2
            rows.append([lon, lat, rate, clock])
        clock += 30
    with (folder / "log.csv").open("w", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(["lon", "lat", "Rate", "t"])
        writer.writerows(rows)
    done = reconcile(folder, [folder / "log.csv"], overrides={
        "pass": "after-first", "tolerance_pct": 10.0, "rate_column": "Rate", "rate_unit": "lb/ac",
        "longitude_column": "lon", "latitude_column": "lat", "width_ft": 50.0,
        "time_column": "t", "time_unit": "s"})
    return done.folder / "second_pass"


def _flat(coordinates: list) -> list:
    if isinstance(coordinates[0], float | int):
        return [coordinates]
    return [point for one in coordinates for point in _flat(one)]


def test_its_rates_have_a_style_and_its_origin_is_told(second: Path) -> None:
    with closing(sqlite3.connect(second / "field.gpkg")) as base:
        styled = {one for (one,) in base.execute("SELECT f_table_name FROM layer_styles")}
        told = dict(base.execute("SELECT name, value FROM run_record"))
    assert "prescription" in styled
    assert told["second pass of"].startswith("run-")


def test_its_task_data_have_the_plan_s_form_and_no_rate_without_a_map(second: Path) -> None:
    # ISO 11783-10: H, I and J of TSK name the zones of default, lost position and out of field.
    root = ET.parse(second / "TASKDATA" / "TASKDATA.XML").getroot()  # noqa: S314 - our own file
    (task,) = root.findall("TSK")
    assert task.find("GRD").get("I") == "2"  # type: ignore[union-attr]
    assert [one.get("B") for one in root.findall("FRM")] == ["Hof Süd"]
    zones = {one.get("A"): one for one in task.findall("TZN")}
    for key in "HIJ":
        values = [one.get("B") for one in zones[task.get(key)].findall("PDV")]
        assert values == ["0"]


def test_what_it_takes_is_priced_as_the_plan_says(second: Path) -> None:
    with closing(sqlite3.connect(second / "field.gpkg")) as base:
        ((pounds, usd),) = base.execute("SELECT quantity, usd FROM order_lines").fetchall()
        codes = {one for (one,) in base.execute("SELECT code FROM findings")}
    assert usd == pytest.approx(pounds / 2000 * 540.0)  # the plan's 540 USD a short ton
    assert "prescription-price-missing" not in codes
