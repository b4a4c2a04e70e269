"""Layers of a plan: by zone, beside the samples, as a pattern of the yield goal; moving no rate."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pyproj
import pytest
import rasterio
import shapely
from scipy import stats

from vrx import geo
from vrx.errors import InputError, PlanError
from vrx.model import Field, Severity
from vrx.pipeline import RunResult, check_field, run_field

UTM = "EPSG:32616"
RASTER = """
[[layer]]
name = "elevation"
file = "dem.tif"
band = 1
unit = "m"
"""
POINTS = """
[[layer]]
name = "conductivity"
file = "ec.csv"
value_column = "ECa"
unit = "mS/m"
longitude_column = "lon"
latitude_column = "lat"
"""


def plane(east: Any, north: Any) -> np.ndarray:
    """A slope in the field's own CRS: its mean over any polygon is its value at the centroid."""
    return np.asarray(250.0 + 0.01 * np.asarray(east) - 0.004 * np.asarray(north))


def raster(path: Path, field: Field, *, pixel: float = 4.0, edit: Any = None, crs: str | None = UTM,
           kind: str = "float64", **more: Any) -> Path:
    to_utm = pyproj.Transformer.from_crs(geo.field_crs(field.crs_centre), UTM, always_xy=True)
    west, south, east, north = field.boundary.buffer(60).bounds
    x, y = to_utm.transform([west, east, east, west], [south, south, north, north])
    columns, rows = int((max(x) - min(x)) / pixel) + 1, int((max(y) - min(y)) / pixel) + 1
    mesh = np.meshgrid(min(x) + (np.arange(columns) + 0.5) * pixel,
                       max(y) - (np.arange(rows) + 0.5) * pixel)
    at = to_utm.transform(*mesh, direction="INVERSE")
    values = plane(*at) if edit is None else edit(*at)
    with rasterio.open(
        path, "w", driver="GTiff", dtype=kind, count=1, width=columns, height=rows, crs=crs,
        transform=rasterio.Affine(pixel, 0, min(x), 0, -pixel, max(y)), **more,
    ) as target:
        target.write(np.asarray(values).astype(kind), 1)
    return path


def points(path: Path, field: Field, *, step: float = 5.0, keep: Any = None) -> Path:
    grid = geo.grid_over(field.boundary, cell_m=step)
    at = np.column_stack([one.ravel() for one in np.meshgrid(grid.easting_m, grid.northing_m)])
    at = at[shapely.contains_xy(field.boundary.buffer(9), at[:, 0], at[:, 1])]
    if keep is not None:
        at = at[keep(at[:, 0], at[:, 1])]
    lonlat = shapely.get_coordinates(geo.to_lonlat(shapely.MultiPoint(at), field.crs_centre))
    rows = [f"{lon:.9f},{lat:.9f},{value:.6f}" for (lon, lat), value in zip(
        lonlat, plane(at[:, 0], at[:, 1]), strict=True)]
    path.write_text("\n".join(["lon,lat,ECa", *rows]) + "\n", encoding="utf-8")
    return path


def add(folder: Path, sections: str, *, goal: str = "") -> None:
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace("[surface]", f"{goal}\n{sections}\n[surface]", 1),
                    encoding="utf-8")


@pytest.fixture
def field(runs: dict[str, RunResult]) -> Field:
    return runs["kettle"].job.field


@pytest.fixture
def folder(copy_of: Callable[[str], Path]) -> Path:
    return copy_of("kettle")


def said(result: RunResult, code: str) -> list[Any]:
    return [f for f in result.job.findings if f.code == code]


def test_zone_means_of_a_slope_are_its_values_at_the_centroids(
    folder: Path, field: Field, runs: dict[str, RunResult]
) -> None:
    raster(folder / "dem.tif", field)
    points(folder / "ec.csv", field)
    add(folder, RASTER + POINTS)
    result = run_field(folder)
    dem, ec = result.job.layers
    for k, zone in enumerate(result.job.zones.zones):
        by_hand = float(plane(zone.polygon.centroid.x, zone.polygon.centroid.y))
        assert dem.mean[k] == pytest.approx(by_hand, abs=0.01)
        assert ec.mean[k] == pytest.approx(by_hand, abs=0.01)
        corners = shapely.get_coordinates(zone.polygon)
        at_corners = plane(corners[:, 0], corners[:, 1])
        assert dem.low[k] == pytest.approx(at_corners.min(), abs=0.06)
        assert dem.high[k] == pytest.approx(at_corners.max(), abs=0.06)
    recorded = result.manifest["layers"]
    assert [one["name"] for one in recorded] == ["elevation", "conductivity"]
    assert recorded[0]["zones"][0]["mean"] == pytest.approx(float(dem.mean[0]))
    assert {"dem.tif", "ec.csv"} <= {one["path"] for one in result.manifest["inputs"]}
    # A layer moves no rate.
    assert result.manifest["passes"] == runs["kettle"].manifest["passes"]
    assert result.manifest["order"] == runs["kettle"].manifest["order"]
    assert runs["kettle"].manifest["layers"] == []
    told = said(result, "layer-by-zone")
    assert [one.where for one in told] == ["[[layer]] elevation", "[[layer]] conductivity"]
    assert all("moves no rate" in one.done for one in told)
    # Three figures of a spread of about 13 m.
    assert dem.decimals == 1
    assert f"A {dem.mean[0]:.1f} (" in told[0].what
    page = (result.folder / "page.html").read_text(encoding="utf-8")
    assert 'id="layers"' in page
    assert f"<b>{dem.mean[0]:.1f}</b>" in page
    assert 'id="layers"' not in (runs["kettle"].folder / "page.html").read_text(encoding="utf-8")


def test_coefficients_beside_the_samples_equal_a_reference_library(
    folder: Path, field: Field
) -> None:
    raster(folder / "dem.tif", field)
    add(folder, RASTER)
    result = run_field(folder)
    job, one = result.job, result.job.layers[0]
    assert [each.analyte for each in one.agreements] == ["potassium", "sulfate"]
    for each in one.agreements:
        places, values = job.soil.measured(each.analyte)
        grid = one.layer.grid
        # The slope at the middle of the cell that each sample lies in.
        east = grid.west_m + (np.floor((places[:, 0] - grid.west_m) / 5.0) + 0.5) * 5.0
        north = grid.north_m - (np.floor((grid.north_m - places[:, 1]) / 5.0) + 0.5) * 5.0
        assert each.n == len(values)
        assert each.pearson == pytest.approx(
            stats.pearsonr(values, plane(east, north)).statistic, abs=2e-3)
        assert each.spearman == pytest.approx(
            stats.spearmanr(values, plane(east, north)).statistic, abs=0.02)
    told = said(result, "layer-agreement")[0]
    assert f"Pearson {one.agreements[0].pearson:+.2f}" in told.what
    assert "no test of significance" in told.done


def test_classes_are_told_by_their_shares(folder: Path, field: Field) -> None:
    middle = field.boundary.centroid.x
    raster(folder / "dem.tif", field, kind="uint8", edit=lambda e, n: np.where(e < middle, 3, 7))
    add(folder, RASTER + "classes = true\n")
    result = run_field(folder)
    one = result.job.layers[0]
    assert one.codes == (3.0, 7.0)
    for k, zone in enumerate(result.job.zones.zones):
        west = zone.polygon.intersection(shapely.box(-1e5, -1e5, middle, 1e5)).area
        # A cell belongs to one class, so shares are off by some cells of the line between.
        assert one.shares[0, k] == pytest.approx(west / zone.polygon.area, abs=0.03)
        assert one.shares[:, k].sum() == pytest.approx(1.0)
    assert one.agreements == ()
    row = result.manifest["layers"][0]["zones"][0]
    assert set(row["shares"]) == {"3", "7"}
    assert "class " in said(result, "layer-by-zone")[0].what


def test_gaps_are_told_by_zone_and_never_filled_in_silence(folder: Path, field: Field) -> None:
    zones = run_field(folder).job.zones.zones
    hole = zones[0].polygon.buffer(30)
    points(folder / "ec.csv", field,
           keep=lambda e, n: ~shapely.contains_xy(hole, e, n))
    add(folder, POINTS)
    result = run_field(folder)
    one = result.job.layers[0]
    assert one.covered[0] == 0
    assert np.isnan(one.mean[0])
    assert result.manifest["layers"][0]["zones"][0] == {
        "zone_id": zones[0].zone_id, "covered_share": 0.0, "mean": None, "least": None,
        "greatest": None}
    assert f"{zones[0].letter} no value" in said(result, "layer-by-zone")[0].what
    # It moves nothing, so it does not warn.
    assert {f.severity for f in said(result, "layer-covered")} == {Severity.NOTE}
    assert "no value" in (result.folder / "page.html").read_text(encoding="utf-8")


def test_a_yield_raster_shares_the_goal_out(folder: Path, field: Field) -> None:
    west, _, east, _ = field.boundary.bounds

    def relative(e: Any, n: Any) -> np.ndarray:
        return np.asarray(0.8 + 0.4 * (np.asarray(e) - west) / (east - west))

    raster(folder / "dem.tif", field, edit=lambda e, n: 7.3 * relative(e, n))
    add(folder, RASTER.replace('"m"', '"t/ha"'), goal='layers = ["elevation"]')
    result = run_field(folder)
    told = said(result, "yield-goal-by-zone")[0]
    assert "by 1 layer:" in told.what
    goals = {part.split()[0]: float(part.split()[1])
             for part in told.what.split(": ")[1].split(", ")}
    zones = result.job.zones.zones
    acres = {zone.letter: zone.area_ac for zone in zones}
    assert sum(goals[z] * acres[z] for z in goals) / sum(acres.values()) == pytest.approx(
        6.5, abs=0.005)
    # By hand: a line's mean over a zone is its value at the centroid.
    mean = sum(relative(z.polygon.centroid.x, 0) * z.area_ac for z in zones) / sum(acres.values())
    for zone in zones:
        assert goals[zone.letter] == pytest.approx(
            6.5 * relative(zone.polygon.centroid.x, 0) / mean, abs=0.01)
    assert result.manifest["layers"][0]["yield_goal"] is True
    assert "shares the yield goal out" in said(result, "layer-by-zone")[0].done


def test_logs_and_layers_count_alike(folder: Path, field: Field) -> None:
    # A log that rises to the east and a layer that falls as much: together they are flat.
    west, south, east, north = field.boundary.bounds
    at = np.array([(x, y) for y in np.arange(south, north, 10.0) for x in np.arange(
        west, east, 10.0) if field.boundary.contains(shapely.Point(x, y))])
    lonlat = shapely.get_coordinates(geo.to_lonlat(shapely.MultiPoint(at), field.crs_centre))
    rows = [f"{lon:.9f},{lat:.9f},{4 + (x - west) / (east - west):.5f}" for (x, _), (lon, lat)
            in zip(at, lonlat, strict=True)]
    (folder / "yield.csv").write_text("\n".join(["lon,lat,t", *rows]) + "\n", encoding="utf-8")
    raster(folder / "dem.tif", field, edit=lambda e, n: 5 - (np.asarray(e) - west) / (east - west))
    log = ('\n[[yield_goal.log]]\nfile = "yield.csv"\namount_column = "t"\namount_unit = "t/ha"\n'
           'longitude_column = "lon"\nlatitude_column = "lat"\nmoisture_pct = 12\n')
    add(folder, log + RASTER.replace('"m"', '"% of mean"'), goal='layers = ["elevation"]')
    result = run_field(folder)
    told = said(result, "yield-goal-by-zone")[0]
    assert "by 1 harvest and 1 layer" in told.what
    for part in told.what.split(": ")[1].split(", "):
        assert float(part.split()[1]) == pytest.approx(6.5, abs=0.03)


def bad_raster(path: Path, field: Field, way: str) -> None:
    wild = {
        "nothing": {"edit": lambda e, n: np.full(np.shape(e), -1.0), "nodata": -1.0},
        "no system": {"crs": None},
        "fill": {"edit": lambda e, n: np.where(np.asarray(e) < 0, -9999.0, plane(e, n))},
    }.get(way, {})
    raster(path, field, **wild)
    with rasterio.open(path, "r+") as target:
        if way == "turned":
            target.transform = target.transform @ rasterio.Affine.rotation(5.0)
        if way == "outside":
            target.transform = rasterio.Affine(4.0, 0, 3e5, 0, -4.0, 4e6)


@pytest.mark.parametrize(("way", "code", "hint"), [
    ("no system", "crs-missing", "CRS"), ("turned", "raster-turned", "north up"),
    ("outside", "layer-outside-field", "CRS"), ("nothing", "layer-no-values", "band"),
    ("fill", "raster-fill-value", "no_data = -9999"), ("band", "raster-band", "1 to 1"),
    ("missing", "file-missing", "dem.tif"), ("text", "raster-unreadable", "GeoTIFF"),
    ("many classes", "layer-classes-many", "classes = true")])
def test_a_raster_that_cannot_be_used_stops_and_names_layer_and_remedy(
    folder: Path, field: Field, way: str, code: str, hint: str
) -> None:
    bad_raster(folder / "dem.tif", field, way)
    section = RASTER
    if way == "band":
        section = RASTER.replace("band = 1", "band = 2")
    elif way == "missing":
        section = RASTER.replace("dem.tif", "den.tif")
    elif way == "text":
        (folder / "dem.tif").write_text("no raster")
    elif way == "many classes":
        section = RASTER + "classes = true\n"
    add(folder, section)
    with pytest.raises(InputError) as caught:
        run_field(folder)
    assert caught.value.code == code
    assert hint in caught.value.hint
    assert "[[layer]] elevation" in caught.value.where
    assert str(folder) not in str(caught.value)
    assert not list(folder.glob("output/run-*"))


def test_a_point_table_without_its_column_stops(folder: Path, field: Field) -> None:
    points(folder / "ec.csv", field)
    add(folder, POINTS.replace('"ECa"', '"ECb"'))
    with pytest.raises(InputError) as caught:
        run_field(folder)
    assert "[[layer]] conductivity" in caught.value.where
    assert "ECa" in str(caught.value)


@pytest.mark.parametrize("way", ["easting", "workbook", "points file"])
def test_points_may_come_in_every_form_that_the_reader_knows(
    folder: Path, field: Field, way: str
) -> None:
    points(folder / "ec.csv", field, step=10.0)
    table = pd.read_csv(folder / "ec.csv")
    section = POINTS + "fill_within_m = 10\n"
    if way == "easting":
        to_utm = pyproj.Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
        table["lon"], table["lat"] = to_utm.transform(table["lon"], table["lat"])
        table.to_csv(folder / "ec.csv", index=False)
        section = section.replace("longitude_column", "easting_column").replace(
            "latitude_column", "northing_column") + f'crs = "{UTM}"\n'
    elif way == "workbook":
        with pd.ExcelWriter(folder / "ec.xlsx") as book:
            pd.DataFrame({"notes": ["see sheet 2"]}).to_excel(book, sheet_name="cover")
            table.to_excel(book, sheet_name="log", index=False)
        section = section.replace("ec.csv", "ec.xlsx") + 'sheet = "log"\n'
    else:
        at = geopandas.points_from_xy(table["lon"], table["lat"], crs="EPSG:4326")
        made = geopandas.GeoDataFrame({"ECa": table["ECa"]}, geometry=at).to_crs(UTM)
        made.to_file(folder / "ec.gpkg", layer="log", driver="GPKG")
        section = section.replace("ec.csv", "ec.gpkg").replace(
            'longitude_column = "lon"\nlatitude_column = "lat"\n', 'layer = "log"\n')
    add(folder, section)
    result = run_field(folder)
    one = result.job.layers[0]
    for k, zone in enumerate(result.job.zones.zones):
        by_hand = float(plane(zone.polygon.centroid.x, zone.polygon.centroid.y))
        assert one.mean[k] == pytest.approx(by_hand, abs=0.1)


def test_a_yield_below_zero_stops(folder: Path, field: Field) -> None:
    raster(folder / "dem.tif", field, edit=lambda e, n: np.where(np.asarray(e) < 0, -1.0, 5.0))
    add(folder, RASTER.replace('"m"', '"t/ha"'), goal='layers = ["elevation"]')
    with pytest.raises(InputError) as caught:
        run_field(folder)
    assert caught.value.code == "layer-yield-negative"


def test_a_name_with_markup_and_two_bands_of_one_file(folder: Path, field: Field) -> None:
    raster(folder / "dem.tif", field)
    add(folder, RASTER.replace('"elevation"', '"<b>Höhe</b> & \\"x\\""')
        + RASTER.replace('"elevation"', '"flat"'))
    result = run_field(folder)
    page = (result.folder / "page.html").read_text(encoding="utf-8")
    assert "<b>Höhe</b>" not in page
    assert "&lt;b&gt;Höhe&lt;/b&gt; &amp; &#34;x&#34;" in page
    assert json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))[
        "layers"][0]["name"] == '<b>Höhe</b> & "x"'


@pytest.mark.parametrize("level", [0.0, 251.3, 1e-12, 1e15])
def test_a_flat_layer_of_any_size_is_shown(folder: Path, field: Field, level: float) -> None:
    raster(folder / "dem.tif", field, edit=lambda e, n: np.full(np.shape(e), level))
    add(folder, RASTER)
    result = run_field(folder)
    assert result.job.layers[0].mean[0] == pytest.approx(level)
    assert result.job.layers[0].agreements[0].pearson is None
    assert "one of the two is flat" in said(result, "layer-agreement")[0].what


def test_a_layer_of_huge_numbers_is_shown(folder: Path, field: Field) -> None:
    raster(folder / "dem.tif", field, edit=lambda e, n: 1e20 * plane(e, n))
    add(folder, RASTER)
    assert run_field(folder).job.layers[0].mean[0] > 1e22


def test_check_shows_what_the_files_of_unfinished_layers_hold(folder: Path, field: Field) -> None:
    raster(folder / "dem.tif", field)
    points(folder / "ec.csv", field)
    unit = RASTER.replace('"m"', '"?"').replace("band = 1", 'band = "?"')
    add(folder, unit + POINTS.replace('"ECa"', '"?"').replace('"lon"', '"?"'))
    checked = check_field(folder)
    assert not checked.ready
    dem, ec = checked.layers
    assert dict(dem.facts)["system"] == "WGS 84 / UTM zone 16N"
    assert "GTiff" in dict(dem.facts)["raster"]
    assert dem.rows[0][2:4] == ("not stated", "100.0 %")
    assert ("lon", "longitude_column") in [(row[0], row[3]) for row in ec.rows]
    assert ("ECa", "number", "-") in [(row[0], row[2], row[3]) for row in ec.rows]
    assert [one["name"] for one in checked.to_json()["layers"]] == ["elevation", "conductivity"]
    text = (folder / "plan.toml").read_text(encoding="utf-8")
    half = folder / "half.toml"  # nothing open, but a key is missing
    half.write_text(text.replace('band = "?"\n', "").replace('"?"', '"x"'), encoding="utf-8")
    with pytest.raises(PlanError, match="vrx check"):
        check_field(half)
    bare = folder / "plan.toml"
    bare.write_text(bare.read_text(encoding="utf-8").replace("dem.tif", "den.tif"))
    missing = check_field(folder)
    assert [one.name for one in missing.layers] == ["conductivity"]
    assert "file-missing" in [f.code for f in missing.findings]


def test_check_of_a_finished_plan_shows_its_rasters_and_is_ready(
    folder: Path, field: Field
) -> None:
    raster(folder / "dem.tif", field)
    points(folder / "ec.csv", field)
    add(folder, RASTER + POINTS)
    checked = check_field(folder)
    assert checked.ready
    assert [one.name for one in checked.layers] == ["elevation"]
    assert not (folder / "output").exists()
