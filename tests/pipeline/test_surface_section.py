"""`[surface]` from the plan to the page: layers as drift, methods, results beyond a limit."""

from __future__ import annotations

import csv
import runpy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vrx.errors import PlanError
from vrx.model import Field
from vrx.pipeline import RunResult, run_field
from vrx.plan import load_plan

_LAYERS = runpy.run_path(str(Path(__file__).with_name("test_layers.py")))
raster, RASTER = _LAYERS["raster"], _LAYERS["RASTER"]


@pytest.fixture
def field(runs: dict[str, RunResult]) -> Field:
    return runs["kettle"].job.field


@pytest.fixture
def folder(copy_of: Callable[[str], Path]) -> Path:
    return copy_of("kettle")


def edit(folder: Path, surface: str, *, sections: str = "") -> Path:
    """Layers before `[surface]`, lines into it."""
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    keep = [line for line in text.splitlines() if not line.startswith("method = \"choose\"")]
    plan.write_text(
        "\n".join(keep).replace("[surface]", f"{sections}\n[surface]\n{surface}", 1) + "\n",
        encoding="utf-8")
    return plan


def bowl(east: Any, north: Any) -> np.ndarray:
    return np.asarray(250.0 + 1e-4 * (np.asarray(east) ** 2 + np.asarray(north) ** 2))


def follow(folder: Path, result: RunResult) -> None:
    """Make the potassium of the samples follow the bowl, with noise of 5 ppm."""
    soil = result.job.soil
    at = {name: float(bowl(e, n)) for name, e, n in zip(
        soil.sample_id, soil.easting_m, soil.northing_m, strict=True)}
    rng = np.random.default_rng(1)
    with (folder / "soil.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        if row["sample_id"] in at:
            value = 60.0 + 6.0 * (at[row["sample_id"]] - 250.0) + rng.normal(0.0, 5.0)
            row["K_M3_ppm"] = f"{value:.0f}"
    with (folder / "soil.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def test_a_layer_guides_the_map_that_it_is_named_for(
    folder: Path, field: Field, runs: dict[str, RunResult]
) -> None:
    raster(folder / "dem.tif", field, edit=bowl)
    follow(folder, runs["kettle"])
    edit(folder, 'drift = { potassium = ["elevation"] }', sections=RASTER)
    result = run_field(folder)
    potassium = result.job.surfaces["potassium"]
    assert potassium.method == "kriging with drift"
    assert potassium.drift == ("elevation",)
    assert result.job.surfaces["sulfate"].drift == ()
    told = {one["analyte"]: one for one in result.manifest["maps"]}
    assert told["potassium"]["drift"] == ["elevation"]
    by = {one["method"]: one for one in told["potassium"]["scores"]}
    assert by["kriging with drift"]["rmse"] < by["kriging"]["rmse"]
    assert by["kriging with drift"]["block_rmse"] > 0
    assert by["nearest sample"]["remark"]
    page = (result.folder / "page.html").read_text(encoding="utf-8")
    assert "kriging, guided by elevation" in page
    assert "Why taken or not" in page


def test_one_list_of_layers_serves_all_maps(folder: Path, field: Field) -> None:
    raster(folder / "dem.tif", field)
    edit(folder, 'drift = ["elevation"]', sections=RASTER)
    result = run_field(folder)
    for one in result.manifest["maps"]:
        tried = {score["method"] for score in one["scores"]}
        assert "kriging with drift" in tried, one["analyte"]


@pytest.mark.parametrize("method", ["spline", "nearest sample", "kriging with trend"])
def test_every_method_makes_a_whole_run(folder: Path, method: str) -> None:
    edit(folder, f'method = "{method}"')
    result = run_field(folder)
    assert result.job.surfaces["potassium"].method == method
    reading = result.job.readings["potassium"]
    assert np.isfinite(reading.standard_error).all()


def test_results_below_the_limit_are_bounds(folder: Path, runs: dict[str, RunResult]) -> None:
    table = folder / "soil.csv"
    with table.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    low = sorted(rows, key=lambda row: float(row["K_M3_ppm"]))[:4]
    limit = max(float(row["K_M3_ppm"]) for row in low) + 1.0
    for row in low:
        row["K_M3_ppm"] = f"<{limit:.0f}"
    with table.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    result = run_field(folder)
    told = [f for f in result.job.findings
            if f.code == "surface-bounds" and f.where == "potassium"]
    assert len(told) == 1
    assert "results lie below the laboratory's limit" in told[0].what
    surface, before = result.job.surfaces["potassium"], runs["kettle"].job.surfaces["potassium"]
    assert surface.values.min() > 0.25 * limit
    assert abs(surface.values.mean() - before.values.mean()) < 0.05 * before.values.mean()


@pytest.mark.parametrize(("surface", "words"), [
    ('drift = ["elevatoin"]', ["surface.drift", "'elevation'"]),
    ('drift = ["elevation", "elevation"]', ["twice"]),
    ('drift = { potash = ["elevation"] }', ["potash"]),
    ('method = "kriging with drift"', ["needs drift"]),
    ('method = "krigging"', ["method"]),
])
def test_what_surface_cannot_be_is_told(folder: Path, surface: str, words: list[str]) -> None:
    plan = edit(folder, surface, sections=RASTER)
    with pytest.raises(PlanError) as caught:
        load_plan(plan)
    assert all(word in str(caught.value) for word in words), str(caught.value)


def test_classes_cannot_guide_a_map(folder: Path) -> None:
    plan = edit(folder, 'drift = ["elevation"]', sections=RASTER + "classes = true\n")
    with pytest.raises(PlanError, match="classes"):
        load_plan(plan)
