"""Zone values, earlier years and other depths, from plan to page and job record."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.stats import linregress

from vrx.pipeline import RunResult, run_field
from vrx.pipeline.inputs import read_inputs
from vrx.plan import load_plan


def rows_of(folder: Path) -> list[dict[str, str]]:
    with (folder / "soil.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def write_rows(folder: Path, rows: list[dict[str, str]]) -> None:
    with (folder / "soil.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def with_years(folder: Path, **laboratory: str) -> list[dict[str, str]]:
    """Kettle with samples of 2021 and 2024 beside its own of 2026: K fell by 9 ppm a year."""
    rng = np.random.default_rng(3)
    own = rows_of(folder)
    rows = []
    for year, day in ((2021, "2021-10-12"), (2024, "2024-10-01"), (2026, "")):
        for row in own:
            fresh = {**row, "lab": laboratory.get(f"y{year}", "Two Creeks")}
            if day:
                fresh["sampled_on"] = day
                earlier = float(row["K_M3_ppm"]) + 9 * (2026 - year) + rng.normal(0, 3)
                fresh["K_M3_ppm"] = f"{earlier:.0f}"
            rows.append(fresh)
    write_rows(folder, rows)
    plan = (folder / "plan.toml").read_text(encoding="utf-8")
    plan = plan.replace('lab = "Two Creeks Soil Laboratory (invented)"',
                        'lab_column = "lab"\nuse_year = 2026')
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    return rows


def codes(result: RunResult) -> list[str]:
    return [one.code for one in result.job.findings]


def test_job_record_and_page_hold_the_zone_values(runs: dict[str, RunResult]) -> None:
    for result in runs.values():
        record = json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))
        page = (result.folder / "page.html").read_text(encoding="utf-8")
        potassium = next(one for one in record["readings"] if one["analyte"] == "potassium")
        reading = result.job.readings["potassium"]
        surface = result.job.surfaces["potassium"]
        assert len(potassium["zones"]) == len(result.job.zones.zones)
        assert sum(zone["samples"] for zone in potassium["zones"]) == len(
            result.job.soil.measured("potassium")[1])
        assert potassium["mean_by"] == (
            "block kriging" if surface.method.startswith("kriging") else "mean of the map")
        for zone in potassium["zones"]:
            low, middle, high = zone["percentiles_10_50_90"]
            assert zone["least"] <= low <= middle <= high <= zone["greatest"]
        assert record["trends"] == record["depth_profiles"] == []
        assert "inside the zones</summary>" in page
        assert reading.percentiles is not None


def test_samples_left_out_of_their_zone_by_brute_force(runs: dict[str, RunResult]) -> None:
    job = runs["kettle"].job
    places, values = job.soil.measured("potassium")
    polygons = [zone.polygon for zone in job.zones.zones]
    zone = np.array([
        int(np.argmin([polygon.distance(shapely.Point(place)) for polygon in polygons]))
        for place in places])
    misses, flat = [], []
    for i in range(len(values)):
        others = np.arange(len(values)) != i
        mine = others & (zone == zone[i])
        misses.append(values[i] - values[mine if mine.any() else others].mean())
        flat.append(values[i] - values[others].mean())
    expected = 1 - np.square(misses).sum() / np.square(flat).sum()
    assert job.readings["potassium"].explained_samples == pytest.approx(expected, rel=1e-10)


def test_trend_of_planted_years(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("kettle")
    plain = run_field(Path(shutil.copytree(folder, folder.with_name("plain"))))
    rows = with_years(folder)
    result = run_field(folder)
    # What moves rates is the chosen year alone: the same needs and rates to the last digit.
    for one, two in zip(plain.job.prescription.passes, result.job.prescription.passes, strict=True):
        np.testing.assert_array_equal(one.rates, two.rates)
    [trend] = result.job.past.trends
    assert trend.years == (2021, 2024, 2026)
    assert set(trend.verdict) == {"drawn down"}
    # The same places, each compared with itself: the planted -9 ppm a year, ± its noise of 3 ppm.
    assert trend.paired
    assert 2.0 < trend.noise < 4.0
    np.testing.assert_allclose(trend.slope, -9.0, atol=1.5)
    assert ((trend.low <= -9) & (trend.high >= -9)).mean() > 0.5
    # Places shifted between years: the lines of scipy.stats.linregress through each zone's samples.
    for row in rows:
        step = {"2021": 0.0004, "2024": -0.0004}.get(row["sampled_on"][:4], 0.0)
        row["longitude"] = str(float(row["longitude"]) + step)
    write_rows(folder, rows)
    moved = run_field(folder).job
    [trend] = moved.past.trends
    assert not trend.paired
    assert trend.noise > 15.0
    by_zone: dict[int, tuple[list[float], list[float]]] = {}
    inputs = read_inputs(load_plan(folder / "plan.toml"), plan_file=folder / "plan.toml")
    for year, table in inputs.history.years.items():
        places, values = table.measured("potassium")
        for place, value in zip(places, values, strict=True):
            away = [zone.polygon.distance(shapely.Point(place)) for zone in moved.zones.zones]
            years, readings = by_zone.setdefault(int(np.argmin(away)), ([], []))
            years.append(float(year))
            readings.append(float(value))
    for k, (years, readings) in by_zone.items():
        assert trend.slope[k] == pytest.approx(linregress(years, readings).slope, rel=1e-9)
    page = (result.folder / "page.html").read_text(encoding="utf-8")
    assert "over the years, by zone" in page
    assert "Since earlier samples" in page
    record = json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))
    assert record["trends"][0]["zones"][0]["verdict"] == "drawn down"
    assert not {"trend-not-alike", "trend-season-differs"} & set(codes(result))


def test_years_of_another_laboratory_are_not_mixed(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("kettle")
    with_years(folder, y2021="Elsewhere")
    result = run_field(folder)
    [trend] = result.job.past.trends
    assert trend.years == (2024, 2026)
    assert {"trend-not-alike", "trend-two-years"} <= set(codes(result))


def test_samplings_of_different_seasons_are_told(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("kettle")
    rows = with_years(folder)
    for row in rows:
        row["sampled_on"] = row["sampled_on"].replace("2024-10-01", "2024-04-20")
    write_rows(folder, rows)
    result = run_field(folder)
    assert "trend-season-differs" in codes(result)


def test_depths_give_a_profile_by_zone(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("kettle")
    rows = [
        {**row, "depth": depth, "K_M3_ppm": f"{float(row['K_M3_ppm']) * factor:.0f}"}
        for row in rows_of(folder) for depth, factor in (("0-8 in", 1.0), ("8-16 in", 0.5))
    ]
    write_rows(folder, rows)
    plan = (folder / "plan.toml").read_text(encoding="utf-8")
    plan = plan.replace('id_column = "sample_id"',
                        'id_column = "sample_id"\ndepth_column = "depth"\ndepth = "0-8 in"', 1)
    plan = plan.replace("depth_in = [0, 24]", "depth_in = [0, 8]")
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    result = run_field(folder)
    profile = next(one for one in result.job.past.profiles if one.analyte == "potassium")
    assert profile.depths_in == ((0.0, 8.0), (8.0, 16.0))
    np.testing.assert_allclose(profile.mean[:, 1] / profile.mean[:, 0], 0.5, atol=0.01)
    assert "by depth and zone" in (result.folder / "page.html").read_text(encoding="utf-8")
    assert result.job.past.trends == ()
