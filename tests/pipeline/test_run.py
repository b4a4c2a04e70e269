"""The main job, end to end, on the three invented fields."""

from __future__ import annotations

import json
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import geographiclib.geodesic
import numpy as np
import pytest
import shapely
from shapely.geometry import shape

from vrx import geo
from vrx.audit import audit_run
from vrx.errors import InputError, PlanError, PlanInfeasible
from vrx.pipeline import RunResult, run_field

FIELDS = ["kettle", "long-eighty", "bench"]
M2_PER_ACRE = 4046.8564224


def files(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in sorted(folder.rglob("*")) if p.is_file()
    }


@pytest.mark.parametrize("name", FIELDS)
def test_the_audit_agrees_with_the_run_by_other_parsers(
    runs: dict[str, RunResult], name: str
) -> None:
    result = audit_run(folder=runs[name].folder)
    assert result.arithmetic is True, [row for row in result.rows if not row.agrees]
    assert len(result.rows) > 50


@pytest.mark.parametrize("name", FIELDS)
def test_zones_close_on_the_boundary_and_acres_are_geodesic(
    runs: dict[str, RunResult], name: str
) -> None:
    job = runs[name].job
    planar = sum(zone.polygon.area for zone in job.zones.zones)
    assert planar == pytest.approx(job.field.boundary.area, rel=1e-9)
    assert shapely.coverage_is_valid([zone.polygon for zone in job.zones.zones])
    assert job.zones.area_ac == pytest.approx(job.field.area_ac, rel=1e-7)


@pytest.mark.parametrize("name", FIELDS)
def test_exported_acres_by_geographiclib(runs: dict[str, RunResult], name: str) -> None:
    # GeographicLib's own polygon area (Karney 2013), pure Python, no PROJ.
    document = json.loads(
        (runs[name].folder / "prescription.geojson").read_text(encoding="utf-8")
    )
    total = 0.0
    for feature in document["features"]:
        acres = 0.0
        for part in shapely.get_parts(shape(feature["geometry"])):
            for sign, ring in [(1, part.exterior), *((-1, hole) for hole in part.interiors)]:
                polygon = geographiclib.geodesic.Geodesic.WGS84.Polygon()
                for longitude, latitude in list(ring.coords)[:-1]:
                    polygon.AddPoint(latitude, longitude)
                acres += sign * abs(polygon.Compute()[2]) / M2_PER_ACRE
        assert feature["properties"]["AREA_AC"] == pytest.approx(acres, rel=2e-4)
        total += acres
    assert total == pytest.approx(runs[name].job.field.area_ac, rel=1e-5)


@pytest.mark.parametrize("name", FIELDS)
def test_order_is_rate_times_acres_and_brings_its_analysis(
    runs: dict[str, RunResult], name: str
) -> None:
    job = runs[name].job
    area = np.array([zone.area_ac for zone in job.zones.zones])
    for line in job.prescription.order:
        passes = [one for one in job.prescription.passes if one.material.id == line.material]
        by_hand = sum(
            float(one.rates @ area) if one.treated_ac is None
            else float(one.rates[0]) * one.treated_ac
            for one in passes
        )
        assert line.quantity == pytest.approx(by_hand, rel=1e-12)
        material = passes[0].material
        assert line.k2o_lb == pytest.approx(by_hand * material.nutrient_lb_per_unit("K2O"))
        assert line.short_tons == pytest.approx(by_hand * material.lb_per_unit / 2000)
    for balance in job.prescription.balances:
        brought = sum(
            one.rates * one.material.nutrient_lb_per_unit(balance.nutrient)
            for one in job.prescription.passes
        )
        assert balance.brought == pytest.approx(np.asarray(brought))


@pytest.mark.parametrize("name", FIELDS)
def test_every_need_is_the_sum_of_its_lines(runs: dict[str, RunResult], name: str) -> None:
    for per_zone in runs[name].job.needs.values():
        for need in per_zone:
            assert need.lb_per_ac == pytest.approx(sum(line.lb_per_ac for line in need.lines))
            assert all(line.locator and line.evidence for line in need.lines)


def test_the_canal_brings_the_sulfur_so_none_is_bought(runs: dict[str, RunResult]) -> None:
    # By hand: 180 ppm SO4 x 0.333764 = 60.08 ppm S; x 24 in x 0.22661 = 327 lb S/ac, against
    # 33 lb that a 6-ton crop takes up (common practice, no source: 55 lb at 10 tons).
    job = runs["bench"].job
    assert all(need.lb_per_ac == 0 for need in job.needs["S"])
    assert all(line.s_lb == 0 for line in job.prescription.order)
    water = [
        line.lb_per_ac for need in job.needs["S"] for line in need.lines if "water" in line.term
    ]
    assert water == pytest.approx([-180 * 0.333764 * 24 * 0.22661] * len(water), rel=1e-4)
    told = next(one for one in job.findings if one.code == "need-none-s")
    assert "irrigation water brings 327 lb/ac" in told.what
    assert told.done == "none is bought"


def test_five_gallons_bring_fifteen_pounds_k2o_and_the_page_says_so(
    runs: dict[str, RunResult],
) -> None:
    # 5 gal x 12.2 lb/gal x 25 % K2O = 15.25 lb; common practice, no source: the crop takes up 475
    # lb K = 572 lb K2O at 10 tons, so 372 at 6.5.
    told = next(f for f in runs["kettle"].job.findings if f.code == "pass-small-share")
    assert "15.2 lb K2O/ac of the 372 lb that the crop takes up" in told.what
    page = (runs["kettle"].folder / "page.html").read_text(encoding="utf-8")
    assert "takes up" in page
    assert "remove" in page


def test_gallons_are_wetted_acres_not_prescription_acres(runs: dict[str, RunResult]) -> None:
    line = next(one for one in runs["kettle"].job.prescription.order if one.unit == "gal")
    assert line.quantity == pytest.approx(5.0 * 125.0)


def test_the_old_test_and_the_parts_are_told(runs: dict[str, RunResult]) -> None:
    job = runs["long-eighty"].job
    assert "soil-test-old" in {one.code for one in job.findings}
    assert len(job.field.boundary.geoms) == 2


def test_the_same_run_again_gives_the_same_bytes(
    copy_of: Callable[[str], Path], runs: dict[str, RunResult]
) -> None:
    again = run_field(copy_of("bench"))
    assert again.folder.name == runs["bench"].folder.name
    assert files(again.folder) == files(runs["bench"].folder)


def test_job_record_names_no_place_of_this_machine(runs: dict[str, RunResult]) -> None:
    for result in runs.values():
        text = (result.folder / "manifest.json").read_text(encoding="utf-8")
        assert str(result.folder.parents[1]) not in text
        assert str(Path.home()) not in text


def test_own_zone_polygons_are_taken_as_drawn(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("long-eighty")
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    old = next(line for line in text.splitlines() if line.startswith("from = "))
    new = (
        'from = "own polygons"\npolygons = "own_zones.gpkg"\npolygons_layer = "zones"\n'
        'label_column = "label"'
    )
    plan.write_text(text.replace(old, new), encoding="utf-8")
    import fiona

    with fiona.open(folder / "own_zones.gpkg", layer="zones") as source:
        labels = [f["properties"]["label"] for f in source]
    job = run_field(folder).job
    assert sorted(zone.label for zone in job.zones.zones) == sorted(str(x) for x in labels)


def edit(folder: Path, old: str, new: str) -> Path:
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    assert old in text
    plan.write_text(text.replace(old, new, 1), encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("old", "new", "kind", "words"),
    [
        ('= "boundary.geojson"', '= "bound.geojson"', InputError, ["bound.geojson"]),
        ('samples = "soil.csv"', 'samples = "soils.csv"', InputError, ["soils.csv"]),
        ('unit = "ppm"', 'unit = "ppb"', InputError, ["ppb", "ppm"]),
        ('extractant = "mehlich-3"', 'extractant = "mehlik"', InputError, ["mehlik", "mehlich-3"]),
        ('form = "K"', 'form = "K3O"', InputError, ["K3O"]),
        ('column = "K_M3_ppm"', 'column = "K_M3"', InputError, ["K_M3", "K_M3_ppm"]),
        ('book = "tri-state-2020"', 'book = "tristate"', PlanError, ["tristate", "tri-state-2020"]),
        ('"muriate of potash 0-0-60"', '"muriate 0-0-60"', PlanError, ["muriate"]),
        ("treated_ac = 125.0", "treated_ac = 0.0", PlanError, ["treated_ac", "greater than 0"]),
        ("label_most_gal_per_ac = 10.0", "", PlanError, ["label_most_gal_per_ac"]),
        ("rate_gal_per_ac = 5.0", "rate_lb_per_ac = 5.0", PlanError, ["rate_gal_per_ac"]),
        ("depth_in = [0, 8]", "depth_in = [0, 6]", ValueError, ["0-6", "0-8"]),
    ],
)
def test_bad_input_is_named_and_nothing_is_written(
    copy_of: Callable[[str], Path], old: str, new: str, kind: type[Exception], words: list[str]
) -> None:
    folder = edit(copy_of("kettle"), old, new)
    with pytest.raises(kind) as caught:
        run_field(folder)
    for word in words:
        assert word in str(caught.value)
    assert list((folder / "output").glob("*")) == [] if (folder / "output").exists() else True


def test_an_extractant_that_the_guide_does_not_read_stops(copy_of: Callable[[str], Path]) -> None:
    folder = edit(copy_of("kettle"), 'extractant = "mehlich-3"', 'extractant = "ammonium acetate"')
    with pytest.raises(ValueError, match="mehlich-3"):
        run_field(folder)


def test_a_sample_that_the_plan_leaves_out_is_left_out_by_name(
    copy_of: Callable[[str], Path], runs: dict[str, RunResult]
) -> None:
    folder = edit(copy_of("kettle"), "[soil]\n", '[soil]\nleave_out = ["K05"]\n')
    job = run_field(folder).job
    assert set(runs["kettle"].job.soil.sample_id) - set(job.soil.sample_id) == {"K05"}
    assert "soil-left-out" in {one.code for one in job.findings}
    edit(folder, '["K05"]', '["K055"]')
    with pytest.raises(InputError) as caught:
        run_field(folder)
    assert "'K05'" in str(caught.value) + " ".join(f.line() for f in caught.value.findings)


def test_samples_of_another_field_stop_with_both_extents(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("kettle")
    other = copy_of("bench")
    (folder / "boundary.geojson").write_bytes((other / "boundary.geojson").read_bytes())
    edit(folder, "centre = [-85.55, 41.93]", "")
    with pytest.raises(InputError) as caught:
        run_field(folder)
    told = str(caught.value) + " ".join(f.line() for f in caught.value.findings)
    assert "inside" in told


def test_elemental_sulfur_for_this_season_stops_the_run(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("long-eighty")
    edit(folder, '"gypsum 0-0-0-18S"', '"elemental sulfur 0-0-0-90S"')
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8").replace(
        '"gypsum 0-0-0-18S"', '"elemental sulfur 0-0-0-90S"'
    )
    plan.write_text(text, encoding="utf-8")
    with pytest.raises(PlanInfeasible) as caught:
        run_field(folder)
    assert "pass-elemental-s" in {one.code for one in caught.value.findings}


def test_a_field_with_a_flat_soil_gets_one_zone_and_a_finding(
    copy_of: Callable[[str], Path],
) -> None:
    folder = copy_of("bench")
    rows = (folder / "soil.csv").read_text(encoding="utf-8").splitlines()
    column = rows[0].split(",").index("K ppm")
    flat = [rows[0]]
    for row in rows[1:]:
        cells = row.split(",")
        cells[column] = "110"
        flat.append(",".join(cells))
    (folder / "soil.csv").write_text("\n".join(flat) + "\n", encoding="utf-8")
    job = run_field(folder).job
    assert len(job.zones.zones) == 1
    assert job.readings["potassium"].mean[0] == pytest.approx(110)
    assert "surface-constant" in {one.code for one in job.findings}


def _limit_file_size() -> None:
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1024, 1024))


def test_a_full_disk_keeps_the_earlier_run(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("bench")
    run_field(folder)
    before = files(folder / "output")
    edit(folder, "tons_per_ac = 6.0", "tons_per_ac = 5.0")
    done = subprocess.run(
        [sys.executable, "-B", "-m", "vrx", "run", str(folder)], capture_output=True, text=True,
        check=False, preexec_fn=_limit_file_size,
    )
    assert done.returncode == 7, done.stderr
    assert "Traceback" not in done.stderr
    assert files(folder / "output") == before


def test_a_run_killed_at_any_moment_leaves_a_whole_run_current(
    copy_of: Callable[[str], Path],
) -> None:
    folder = copy_of("bench")
    run_field(folder)
    first = json.loads((folder / "output" / "current.json").read_text(encoding="utf-8"))["run"]
    old = files(folder / "output" / first)
    for part in range(6):
        now, then = 6.0 + 0.1 * part, 6.1 + 0.1 * part
        edit(folder, f"tons_per_ac = {now:.1f}", f"tons_per_ac = {then:.1f}")
        process = subprocess.Popen(
            [sys.executable, "-m", "vrx", "run", str(folder)],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        time.sleep(0.5 + 0.2 * part)
        process.kill()
        process.wait()
        current = json.loads((folder / "output" / "current.json").read_text(encoding="utf-8"))
        result = audit_run(folder=folder / "output" / current["run"])
        assert result.arithmetic is True
        assert files(folder / "output" / first) == old


def test_local_crs_area_is_the_geodesic_area(runs: dict[str, RunResult]) -> None:
    for result in runs.values():
        field = result.job.field
        assert field.boundary.area / M2_PER_ACRE == pytest.approx(
            geo.area_ac(field.boundary, field.crs_centre), rel=1e-6
        )


def test_a_stated_variogram_is_taken_told_and_recorded(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("kettle")
    plan = folder / "plan.toml"
    plan.write_text(
        plan.read_text(encoding="utf-8").replace(
            'method = "choose"', 'method = "kriging"', 1
        )
        + "\n[surface.variogram.potassium]\nmodel = \"spherical\"\nnugget = 90.0\n"
        "partial_sill = 300.0\nrange_ft = 1200.0\n",
        encoding="utf-8",
    )
    result = run_field(folder)
    drawn = result.job.surfaces["potassium"]
    assert drawn.variogram is not None
    assert drawn.variogram.range_m == pytest.approx(365.76)
    assert "surface-variogram-stated" in {one.code for one in drawn.findings}
    page = (result.folder / "page.html").read_text(encoding="utf-8")
    assert "as the plan states it" in page
    record = json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))
    (told,) = [one for one in record["maps"] if one["analyte"] == "potassium"]
    assert told["variogram"]["nugget"] == 90.0
    assert any("as the plan states it" in words for words in told["variogram_words"])
