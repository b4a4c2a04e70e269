"""A yield log shares the field's goal out over the zones, and the need follows."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely

from vrx import geo
from vrx.errors import InputError, PlanError
from vrx.pipeline import RunResult, run_field

LOG = """
[[yield_goal.log]]
file = "yield.csv"
amount_column = "yield"
amount_unit = "t/ha"
longitude_column = "lon"
latitude_column = "lat"
moisture_pct = 12
harvest_column = "cutting"
"""


@pytest.fixture
def folder(copy_of: Callable[[str], Path], runs: dict[str, RunResult]) -> Path:
    """Kettle with a log of two cuttings, each on a 15 m grid, rising from west to east."""
    made = copy_of("kettle")
    field = runs["kettle"].job.field
    west, south, east, north = field.boundary.bounds
    at = np.array([
        (x, y) for y in np.arange(south, north, 15.0) for x in np.arange(west, east, 15.0)
        if field.boundary.contains(shapely.Point(x, y))
    ])
    lonlat = shapely.get_coordinates(geo.to_lonlat(shapely.MultiPoint(at), field.crs_centre))
    rows = ["lon,lat,yield,cutting"]
    for cutting, level in (("first", 5.0), ("second", 3.0)):
        for (x, _), (lon, lat) in zip(at, lonlat, strict=True):
            tons = level * (0.8 + 0.4 * (x - west) / (east - west))
            rows.append(f"{lon:.9f},{lat:.9f},{tons:.4f},{cutting}")
    (made / "yield.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    plan = made / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace("[surface]", LOG + "\n[surface]", 1), encoding="utf-8")
    return made


def test_zone_goals_keep_the_fields_mean_and_follow_the_pattern(
    folder: Path, runs: dict[str, RunResult]
) -> None:
    job = run_field(folder).job
    told = next(f for f in job.findings if f.code == "yield-goal-by-zone")
    goals = {
        part.split()[0]: float(part.split()[1]) for part in told.what.split(": ")[1].split(", ")
    }
    acres = {zone.letter: zone.area_ac for zone in job.zones.zones}
    mean = sum(goals[z] * acres[z] for z in goals) / sum(acres.values())
    assert mean == pytest.approx(6.5, abs=0.01)
    # Both cuttings rise alike, so no zone changes sides.
    steady = next(f for f in job.findings if f.code == "yield-stability")
    assert steady.what.count("of 2") == len(goals)
    assert "yield-unsteady" not in {f.code for f in job.findings}
    # By hand: relative yield rises in a line from 0.8 to 1.2, so a zone reads it at its centroid.
    west, _, east, _ = job.field.boundary.bounds
    centre = sum(
        z.polygon.centroid.x * z.area_ac for z in job.zones.zones
    ) / sum(acres.values())
    scale = 0.8 + 0.4 * (centre - west) / (east - west)
    for zone in job.zones.zones:
        by_hand = 6.5 * (0.8 + 0.4 * (zone.polygon.centroid.x - west) / (east - west)) / scale
        assert goals[zone.letter] == pytest.approx(by_hand, rel=0.02)


def test_the_need_of_a_zone_rises_with_its_goal(folder: Path, runs: dict[str, RunResult]) -> None:
    flat = [one.lb_per_ac for one in runs["kettle"].job.needs["K2O"]]
    job = run_field(folder).job
    for zone, before, need in zip(job.zones.zones, flat, job.needs["K2O"], strict=True):
        if before == 0:
            assert need.lb_per_ac == 0
            continue
        removed = next(line for line in need.lines if "removes" in line.term)
        # 49 lb K2O per ton of dry matter (computed from a cost that Michigan State printed).
        tons_dm = float(removed.detail.split(" x ")[1].split()[0])
        assert removed.lb_per_ac == pytest.approx(49 * tons_dm, rel=1e-3)
        assert zone.zone_id == need.zone_id


def test_the_log_is_an_input_of_the_job_record(folder: Path) -> None:
    result = run_field(folder)
    assert "yield.csv" in {one["path"] for one in result.manifest["inputs"]}


def test_a_log_without_moisture_or_with_an_unknown_unit_stops(folder: Path) -> None:
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    at = text.index("[[yield_goal.log]]")
    plan.write_text(text[:at] + text[at:].replace("moisture_pct = 12\n", "", 1), encoding="utf-8")
    with pytest.raises(InputError, match="moisture"):
        run_field(folder)
    plan.write_text(text.replace('"t/ha"', '"tonnes"'), encoding="utf-8")
    with pytest.raises(InputError, match="tonnes"):
        run_field(folder)
    plan.write_text(text.replace("amount_unit", "amount_units", 1), encoding="utf-8")
    with pytest.raises(PlanError, match="amount_unit"):
        run_field(folder)
