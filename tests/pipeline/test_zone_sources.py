"""Every source of zones from plan.toml to audited files, page and job record."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import Affine

from vrx.audit import audit_run
from vrx.errors import ComputeError, PlanError
from vrx.pipeline import RunResult, run_field

Copy = Callable[[str], Path]
SECTORS = "[zones.sectors]\ncentre = [-85.55, 41.93]\n"


def planned(folder: Path, zones: str, *, cell_m: float = 10.0) -> Path:
    """The field's folder with another [zones] and coarser cells."""
    path = folder / "plan.toml"
    text = path.read_text(encoding="utf-8")
    start = text.index("[zones]")
    end = start + re.search(r"\n\[(?!zones)", text[start:]).start()
    text = f"{text[:start]}[zones]\n{zones}{text[end:]}"
    path.write_text(re.sub(r"cell_m = [\d.]+", f"cell_m = {cell_m}", text), encoding="utf-8")
    return folder


def ran(folder: Path, zones: str) -> RunResult:
    result = run_field(planned(folder, zones))
    polygons = np.array([z.polygon for z in result.job.zones.zones], dtype=object)
    boundary = result.job.field.boundary
    assert shapely.coverage_is_valid(polygons)
    assert shapely.area(polygons).sum() == pytest.approx(boundary.area, rel=1e-9)
    return result


def audited(result: RunResult) -> None:
    audit = audit_run(folder=result.folder)
    assert audit.arithmetic is True, [row for row in audit.rows if not row.agrees]


def codes(result: RunResult) -> set[str]:
    return {one.code for one in result.job.findings}


def page(result: RunResult) -> str:
    return (result.folder / "page.html").read_text(encoding="utf-8")


def test_clusters_with_the_table_of_numbers(copy_of: Copy) -> None:
    result = ran(copy_of("bench"), 'from = "clusters"\nnutrients = ["potassium"]\n'
                 'layers = ["conductivity"]\n[zones.clusters]\nmost = 5\n')
    audited(result)
    table = result.job.zones.clusters
    assert table.layers == ("K", "conductivity")
    assert [one.number for one in table.scores] == [2, 3, 4, 5]
    told = result.manifest["zones_from"]
    assert told["clusters"]["proposed"] == table.proposed == table.used
    assert told["clusters"]["scores"][0]["number"] == 2
    assert told["basis"] == result.job.zones.basis
    text = page(result)
    assert "How many zones" in text
    assert "The zones were clustered by conductivity." in text
    assert "from memory" in text[text.index("How many zones"):][:1500]
    for one in table.scores:
        assert f"{one.silhouette:.3f}" in text
    layer = next(f for f in result.job.findings if f.code == "layer-by-zone")
    assert "clustered" in layer.done
    # The same plan gives the same zones.
    again = run_field(result.folder.parents[1])
    assert [z.polygon.wkb for z in again.job.zones.zones] == [
        z.polygon.wkb for z in result.job.zones.zones]


def test_other_pages_have_no_such_table(runs: dict[str, RunResult]) -> None:
    assert "How many zones" not in page(runs["kettle"])
    assert runs["kettle"].manifest["zones_from"]["clusters"] is None
    assert "They move no rate and no soil-test map." in page(runs["bench"])


def test_rate_classes_are_whole_machine_steps(copy_of: Copy) -> None:
    result = ran(copy_of("bench"), 'from = "rate classes"\nsmallest_ac = 1.0\n'
                 '[zones.rate]\nmost_classes = 4\n')
    audited(result)
    labels = {zone.label for zone in result.job.zones.zones}
    rates = sorted(float(re.search(r"about ([\d.]+) lb/ac", one)[1]) for one in labels)
    assert 2 <= len(rates) <= 4
    # The machine's step is 5 lb/ac.
    assert all(rate % 5 == 0 for rate in rates)
    # Each zone's own rate lies in its class or next to it: the zone is a mean over its cells.
    (rates_of,) = [p for p in result.job.prescription.passes if p.pass_id == "after-first"]
    step = min(np.diff(rates))
    for zone, rate in zip(result.job.zones.zones, rates_of.rates.tolist(), strict=True):
        about = float(re.search(r"about ([\d.]+) lb/ac", zone.label)[1])
        assert abs(rate - about) <= max(step, 50.0)


def test_cells_sectors_crossing_and_strips(copy_of: Copy, tmp_path: Path) -> None:
    folder = copy_of("kettle")
    cells = ran(folder, 'from = "grid cells"\ncell_ac = 10.0\ndriving_deg = 20\n')
    audited(cells)
    assert 8 <= len(cells.job.zones.zones) <= 20
    wheel = ran(folder, f'from = "pivot sectors"\n{SECTORS}number = 4\nring_radii_ft = [700]\n')
    audited(wheel)
    assert {zone.label.split(",")[0] for zone in wheel.job.zones.zones} == {
        f"sector {a} to {b} degrees" for a, b in ((0, 90), (90, 180), (180, 270), (270, 0))}
    crossed = ran(folder, 'from = "soil classes"\ncross_with = "pivot sectors"\n'
                  f'most_zones = 30\ndriving_deg = 0\n{SECTORS}angles_deg = [0, 180]\n'
                  '[zones.strips]\nwidth_ft = 90\nnumber = 4\ntreatments = ["none", "full"]\n'
                  'seed = 4\n')
    audited(crossed)
    assert "zones-strips-laid" in codes(crossed)
    strips = [z for z in crossed.job.zones.zones if z.label.startswith("strip")]
    assert len(strips) == 4
    assert all(": " in z.label for z in strips)
    assert "crossed with 2 sectors of the pivot" in page(crossed)
    assert "on top 4 trial strips of 90 ft along 0 degrees" in page(crossed)


def test_soil_map_units_by_name(copy_of: Copy) -> None:
    result = ran(copy_of("long-eighty"), 'from = "soil map units"\npolygons = "own_zones.gpkg"\n'
                 'polygons_layer = "zones"\nlabel_column = "label"\n')
    audited(result)
    assert result.job.zones.basis.startswith("units of a soil map (")


def test_driving_direction_reaches_swath_findings(copy_of: Copy) -> None:
    # 50 ft of swath, cells of 0.5 ac are 148 ft wide either way.
    folder = copy_of("bench")
    result = ran(folder, 'from = "soil classes"\nsmallest_ac = 0.5\nnarrowest_ft = 50\n'
                 'driving_deg = 90\nsmooth_ft = 30\nsimplify_ft = 20\n')
    audited(result)
    assert "across the driving direction (90 degrees)" in result.job.zones.basis
    assert "zones-narrower-than-swath" not in codes(result)


@pytest.mark.parametrize(("zones", "code"), [
    (f'from = "pivot sectors"\n{SECTORS}angles_deg = [40]\n', "zones-sectors-open"),
    ('from = "pivot sectors"\n[zones.sectors]\nnumber = 3\n', "plan-zones-centre"),
    ('from = "grid cells"\ncell_ac = 1.0\n', "zones-rules-conflict"),
    ('from = "grid cells"\ncell_ac = 3.0\nmost_zones = 5\n', "zones-rules-unmet"),
    ('from = "soil classes"\ndriving_deg = 0\n[zones.strips]\nwidth_ft = 900\nnumber = 4\n',
     "zones-strips"),
    ('from = "clusters"\nnutrients = ["boron"]\n', "plan-zones-analyte"),
    ('from = "rate classes"\n[zones.rate]\npass = "buds"\n', "plan-zones-rate"),
])
def test_zones_that_cannot_be_made(copy_of: Copy, zones: str, code: str) -> None:
    folder = planned(copy_of("kettle"), zones, cell_m=20.0)
    if "buds" in zones:
        path = folder / "plan.toml"
        text = path.read_text(encoding="utf-8")
        flat = next(one for one in re.findall(r'\[\[pass\]\]\nid = "([^"]+)"', text)
                    if 'rate = "variable"' not in text.split(f'id = "{one}"')[1].split("[[")[0])
        path.write_text(text.replace('"buds"', f'"{flat}"'), encoding="utf-8")
    with pytest.raises((PlanError, ComputeError)) as caught:
        run_field(folder)
    assert caught.value.code == code
    assert caught.value.hint
    assert not (folder / "output" / "current.json").exists()


def test_layers_of_classes_are_no_quantities(copy_of: Copy) -> None:
    folder = planned(copy_of("bench"), 'from = "clusters"\nlayers = ["units"]\n', cell_m=20.0)
    with rasterio.open(
        folder / "units.tif", "w", driver="GTiff", width=40, height=40, count=1, dtype="uint8",
        crs="EPSG:4326", transform=Affine(0.0005, 0, -108.03, 0, -0.0005, 38.71), nodata=255,
    ) as raster:
        raster.write(np.arange(1600, dtype="uint8").reshape(1, 40, 40) % 3)
    path = folder / "plan.toml"
    path.write_text(path.read_text(encoding="utf-8").replace(
        "[surface]", '[[layer]]\nname = "units"\nfile = "units.tif"\nband = 1\nunit = "code"\n'
        "classes = true\n\n[surface]", 1), encoding="utf-8")
    with pytest.raises(PlanError) as caught:
        run_field(folder)
    assert caught.value.code == "plan-zones-layer"
