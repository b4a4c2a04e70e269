"""Zones of a few square metres and their rates come back from our own files, none refused."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pyproj
import pytest

from vrx.pipeline import RunResult, run_field

LON, LAT, SIDE_M, WIDE, HIGH = -120.5, 36.1, 9.0, 6, 5
PLAN = """
schema = 1
[field]
name = "Kleines Größtfeld"
boundary = "boundary.geojson"
centre = [-120.5, 36.1]
crop = "alfalfa"
season = 2027
[soil]
samples = "soil.csv"
id_column = "id"
longitude_column = "longitude"
latitude_column = "latitude"
sampled_on = 2026-10-06
[soil.potassium]
column = "K"
unit = "ppm"
form = "K"
extractant = "mehlich-3"
depth_in = [0, 8]
[yield_goal]
tons_per_ac = 6.0
moisture_pct = 0
[surface]
method = "field mean"
[zones]
from = "own polygons"
polygons = "{file}"
label_column = "{label}"
[need.potassium]
book = "tri-state-2020"
cec_meq_per_100g = 10.0
[[pass]]
id = "one"
timing = "stubble of cutting 1"
method = "broadcast"
material = "muriate of potash 0-0-60"
rate = "from file"
from_file = {{ column = "{column}", unit = "lb/ac" }}
[export]
formats = ["geojson", "shapefile"]
"""


def rate(column: int, row: int) -> float:
    return 100.0 + 5.0 * ((7 * row + column) % 11)


def make(folder: Path) -> Path:
    """Squares of 9 m in a boundary of four corners, whose edges are straight in degrees."""
    there = pyproj.Transformer.from_crs(
        f"+proj=laea +lat_0={LAT} +lon_0={LON} +datum=WGS84", 4326, always_xy=True)

    def ring(west: float, south: float, east: float, north: float) -> list[list[float]]:
        corners = np.array([[west, south], [east, south], [east, north], [west, north],
                            [west, south]])
        return np.column_stack(there.transform(*corners.T)).tolist()

    def save(name: str, rows: list[tuple[list[list[float]], dict[str, object]]]) -> None:
        (folder / name).write_text(json.dumps({"type": "FeatureCollection", "features": [
            {"type": "Feature", "properties": told,
             "geometry": {"type": "Polygon", "coordinates": [outline]}}
            for outline, told in rows]}), encoding="utf-8")

    folder.mkdir()
    save("boundary.geojson", [(ring(0, 0, WIDE * SIDE_M, HIGH * SIDE_M), {})])
    save("zones.geojson", [
        (ring(k * SIDE_M, j * SIDE_M, (k + 1) * SIDE_M, (j + 1) * SIDE_M),
         {"who": f"Fläche {j}/{k}", "r": rate(k, j)})
        for j in range(HIGH) for k in range(WIDE)])
    at = np.random.default_rng(3).uniform(2, 43, (12, 2))
    lon, lat = there.transform(*at.T)
    (folder / "soil.csv").write_text("id,longitude,latitude,K\n" + "".join(
        f"S{k},{x:.8f},{y:.8f},120\n" for k, (x, y) in enumerate(zip(lon, lat, strict=True))))
    (folder / "plan.toml").write_text(
        PLAN.format(file="zones.geojson", label="who", column="r"), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    return run_field(make(tmp_path_factory.mktemp("small") / "first"))


@pytest.mark.parametrize("name", ["prescription.geojson", "prescription_shapefile.zip"])
def test_every_rate_is_found_again(first: RunResult, name: str, tmp_path: Path) -> None:
    folder = make(tmp_path / "again")
    shutil.copy(first.folder / name, folder)
    (folder / "plan.toml").write_text(
        PLAN.format(file=name, label="ZONE", column=first.job.prescription.passes[0].column),
        encoding="utf-8")
    again = run_field(folder)
    assert len(again.job.zones.zones) == WIDE * HIGH
    for one, two in zip(first.job.zones.zones, again.job.zones.zones, strict=True):
        assert one.letter == two.label
        assert one.area_ac == pytest.approx(two.area_ac, rel=2e-3)
        assert one.polygon.symmetric_difference(two.polygon).area < 0.002 * one.polygon.length
    rates = [list(each.job.prescription.passes[0].rates) for each in (first, again)]
    assert rates[0] == rates[1]
    assert len(set(rates[0])) == 11
