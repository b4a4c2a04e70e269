"""`vrx sampling`, end to end: boundary alone, samples there are, zones; record, refusals."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import geographiclib.geodesic
import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from shapely.geometry import shape

from vrx.cli import cli
from vrx.errors import ComputeError, PlanError, VrxError
from vrx.pipeline import RunResult, plan_sampling, read_field
from vrx.plan import load_field_plan

SAMPLE_GEO = Path(__file__).resolve().parents[2] / "sample_geo"
FT_M = 0.3048
CopyOf = Callable[[str], Path]

BARE = """
schema = 1
[field]
name = "Bare eighty"
boundary = "boundary.zip"
crop = "alfalfa"
season = 2028
[sampling]
depths_in = [[0, 8]]
"""


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """A field that has nothing but a boundary."""
    shutil.copy(SAMPLE_GEO / "long-eighty" / "boundary.zip", tmp_path)
    (tmp_path / "plan.toml").write_text(BARE, encoding="utf-8")
    return tmp_path


def points_of(folder: Path) -> tuple[np.ndarray, dict[str, object]]:
    document = json.loads((folder / "sampling_points.geojson").read_text(encoding="utf-8"))
    places = np.array([shape(one["geometry"]).coords[0] for one in document["features"]])
    return places, document


@pytest.mark.parametrize("layout", ["offset grid", "square grid", "long axis"])
def test_a_boundary_alone_is_enough_for_a_first_layout(bare: Path, layout: str) -> None:
    result = plan_sampling(bare, overrides={"layout": layout})
    places, _ = points_of(result.folder)
    field = read_field(load_field_plan(bare / "plan.toml"), folder=bare)
    assert len(places) == pytest.approx(field.area_ac / 2.5, rel=0.15)
    # Distances on the ellipsoid by another library: every point 50 ft and more from the edge.
    from vrx import geo

    edge = shapely.segmentize(geo.to_lonlat(field.boundary.boundary, field.crs_centre), 2e-5)
    vertices = shapely.get_coordinates(edge)
    earth = geographiclib.geodesic.Geodesic.WGS84
    for east, north in places[:8]:
        near = vertices[np.argsort(np.hypot(*(vertices - (east, north)).T))[:20]]
        least = min(earth.Inverse(north, east, b, a)["s12"] for a, b in near)
        assert least >= 50 * FT_M - 0.02
    assert result.plan.walk_m <= result.plan.unsorted_walk_m


def test_where_it_pays_ranks_and_the_record_tells_it(copy_of: CopyOf) -> None:
    folder = copy_of("kettle")
    result = plan_sampling(folder)
    record = json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))
    worth = record["worth"]
    assert record["layout"] == "where it pays most"
    assert worth["unit"] == "lb K2O"
    assert worth["expected_misapplied_after"] < worth["expected_misapplied_before"]
    assert sum(worth["gain_by_rank"]) == pytest.approx(
        worth["expected_misapplied_before"] - worth["expected_misapplied_after"], rel=1e-9)
    soil = [one for one in record["points"] if one["soil"]]
    assert sorted(one["rank"] for one in soil) == list(range(1, 11))
    assert len(worth["candidates"]) > 100
    best = max(worth["candidates"], key=lambda one: one["gain_alone"])
    first = next(one for one in soil if one["rank"] == 1)
    assert best["lonlat"] == pytest.approx([first["longitude"], first["latitude"]], abs=1e-9)
    # Every zone is asked for plants, since the plan has [tissue].
    assert {one["zone"] for one in record["points"] if one["plants"]} == {
        one["zone"] for one in record["points"]}
    assert record["plant_words"] == "top 6 in, bud to first flower"
    listed = {one["path"] for one in record["files"]}
    assert listed == {path.name for path in result.folder.iterdir()} - {"manifest.json"}


def test_the_same_again_keeps_its_folder_and_other_options_get_another(copy_of: CopyOf) -> None:
    folder = copy_of("bench")
    one, two = plan_sampling(folder), plan_sampling(folder)
    assert one.folder == two.folder
    other = plan_sampling(folder, overrides={"points": 4})
    assert other.folder != one.folder
    assert one.folder.is_dir()
    current = json.loads((folder / "sampling" / "current.json").read_text(encoding="utf-8"))
    assert current["run"] == other.folder.name
    assert not list((folder / "sampling").glob(".writing*"))


def test_points_by_zones_lie_in_their_zones_and_every_zone_has_its_least(copy_of: CopyOf) -> None:
    folder = copy_of("kettle")
    result = plan_sampling(folder, overrides={"layout": "by zones", "ac_per_sample": 10.0})
    letters = [one.zone for one in result.plan.points if one.soil]
    zones = set(letters)
    assert len(zones) >= 5
    assert all(letters.count(one) >= 3 for one in zones)


def test_own_polygons_are_sampled_by_zones_without_any_sample(bare: Path) -> None:
    shutil.copy(SAMPLE_GEO / "long-eighty" / "own_zones.gpkg", bare)
    told = BARE + '\n[zones]\nfrom = "own polygons"\npolygons = "own_zones.gpkg"\n'
    (bare / "plan.toml").write_text(told, encoding="utf-8")
    result = plan_sampling(bare, overrides={"layout": "by zones", "ac_per_sample": 8.0})
    assert all(one.zone for one in result.plan.points)
    assert "own_zones.gpkg" in {one["path"] for one in result.manifest["inputs"]}


def test_ground_to_keep_off_is_kept_off(bare: Path) -> None:
    field = read_field(load_field_plan(bare / "plan.toml"), folder=bare)
    from vrx import geo

    middle = field.boundary.representative_point()
    away = geo.to_lonlat(middle.buffer(80.0), field.crs_centre)
    document = {"type": "FeatureCollection", "features": [
        {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(away)}]}
    (bare / "off.geojson").write_text(json.dumps(document), encoding="utf-8")
    result = plan_sampling(bare, overrides={
        "exclusions": "off.geojson", "exclusion_ft": 40.0, "ac_per_sample": 1.0})
    places = np.array([[one.easting_m, one.northing_m] for one in result.plan.points])
    assert np.hypot(*(places - (middle.x, middle.y)).T).min() >= 80.0 + 40 * FT_M - 0.1
    assert "off.geojson" in {one["path"] for one in result.manifest["inputs"]}


def test_where_samples_show_no_likeness_the_gaps_are_filled_and_that_is_told(
    copy_of: CopyOf
) -> None:
    folder = copy_of("bench")
    plan = (folder / "plan.toml").read_text(encoding="utf-8")
    assert plan.count("[surface]\n") == 1
    kept = [line for line in plan.splitlines() if not line.startswith('method = "choose"')]
    plan = "\n".join(kept).replace("[surface]", '[surface]\nmethod = "inverse distance"')
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    result = plan_sampling(folder, overrides={"points": 5})
    assert "sampling-no-variogram" in {one.code for one in result.plan.findings}
    assert result.worth is None
    assert len([one for one in result.plan.points if one.soil]) == 5


def test_prices_turn_pounds_into_dollars_and_stop_where_a_sample_costs_more(
    copy_of: CopyOf
) -> None:
    folder = copy_of("kettle")
    priced = {"usd_per_lb_over": 0.45, "usd_per_lb_short": 0.9}
    free = plan_sampling(folder, overrides={**priced, "points": 6})
    assert free.worth is not None
    assert free.worth.unit == "USD"
    cost = float(free.worth.gain[2]) * 1.0001
    paid = plan_sampling(folder, overrides={**priced, "points": 6, "usd_per_sample": cost})
    assert paid.worth is not None
    assert 0 < len(paid.worth.gain) <= 2
    assert "sampling-stopped" in {one.code for one in paid.plan.findings}


def refused(folder: Path, **overrides: object) -> VrxError:
    with pytest.raises(VrxError) as err:
        plan_sampling(folder, overrides=overrides)
    assert not (folder / "sampling" / "current.json").exists()
    return err.value


def test_what_cannot_be_is_refused_with_its_key(bare: Path) -> None:
    for overrides, kind, code in (
        ({"edge_ft": 5000.0}, ComputeError, "sampling-no-room"),
        ({"ac_per_sample": 0.0001}, ComputeError, "sampling-too-many"),
        ({"ac_per_sample": -1.0}, PlanError, "plan-value"),
        ({"ac_per_sample": float("nan")}, PlanError, "plan-value"),
        ({"points": 0}, PlanError, "plan-value"),
        ({"layout": "where it pays"}, PlanError, "sampling-needs-samples"),
        ({"layout": "by zones"}, PlanError, "sampling-needs-samples"),
        ({"gate": (85.0, 41.0)}, PlanError, "sampling-gate-far"),
        ({"depths_in": ((8.0, 0.0),)}, PlanError, "plan-value"),
        ({"usd_per_lb_over": 1.0}, PlanError, "plan-value"),
    ):
        err = refused(bare, **overrides)
        assert isinstance(err, kind), overrides
        assert err.code == code
        assert err.hint


def test_a_depth_is_never_guessed(bare: Path) -> None:
    (bare / "plan.toml").write_text(BARE.replace("depths_in = [[0, 8]]", ""), encoding="utf-8")
    assert refused(bare).code == "sampling-depth"


def test_a_flat_rate_makes_no_sample_worth_its_walk(copy_of: CopyOf) -> None:
    folder = copy_of("kettle")
    plan = (folder / "plan.toml").read_text(encoding="utf-8")
    flat = plan.replace('book = "tri-state-2020"',
                        'book = "removal-potassium"\nremoval_source = "nebraska"')
    (folder / "plan.toml").write_text(flat, encoding="utf-8")
    assert refused(folder).code == "sampling-nothing-pays"


def test_a_typing_mistake_in_a_new_plan_is_named(bare: Path) -> None:
    (bare / "plan.toml").write_text(BARE + "\n[samling]\n", encoding="utf-8")
    assert refused(bare).code == "plan-unknown-key"
    (bare / "plan.toml").write_text(BARE + "\nedge_feet = 3\n", encoding="utf-8")
    err = refused(bare)
    assert "edge_ft" in err.message


def test_the_command_prints_points_and_where_the_sheet_lies(bare: Path) -> None:
    runner = CliRunner()
    shown = runner.invoke(cli, ["sampling", str(bare), "--layout", "square grid", "--depth", "0",
                                "6", "--depth", "6", "24"])
    assert shown.exit_code == 0, shown.output
    assert "sheet to print:" in shown.output
    told = runner.invoke(cli, ["sampling", str(bare), "--json"])
    record = json.loads(told.stdout)
    assert Path(record["folder"]).is_dir()
    assert record["manifest"]["points"][0]["number"] == 1
    wrong = runner.invoke(cli, ["sampling", str(bare), "--layout", "spiral"])
    assert wrong.exit_code == 2


def test_the_sheet_is_self_contained_and_escapes_names(bare: Path) -> None:
    plan = BARE.replace('"Bare eighty"', '"<script>alert(1)</script> & \\u0007 field"')
    (bare / "plan.toml").write_text(plan, encoding="utf-8")
    text = (plan_sampling(bare).folder / "crew.html").read_text(encoding="utf-8")
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    assert "\x07" not in text
    assert "http" not in text.replace("http://www.w3.org", "").replace("http-equiv", "")
    for word in ("Buried lines", "811", "Livestock", "Wet ground", "Bag labels", "date ____"):
        assert word in text


def test_the_runs_record_tells_how_sure_every_zone_is(runs: dict[str, RunResult]) -> None:
    for result in runs.values():
        held = {one["analyte"]: one for one in result.manifest["knowledge"]}
        known = held["potassium"]
        total = known["sure_ac"] + known["not_sure_ac"] + (known["sample_here_ac"] or 0.0)
        assert total == pytest.approx(result.manifest["field"]["area_ac"], rel=1e-9)
        assert len(known["zones"]) == len(result.manifest["zones"])
        from scipy.stats import norm

        reading = result.job.readings["potassium"]
        for k, zone in enumerate(known["zones"]):
            meant = norm.cdf(known["critical"], reading.mean[k], reading.standard_error[k])
            assert zone["probability_below"] == pytest.approx(meant, abs=1e-9)


def test_a_crew_pack_of_a_hundred_acres_is_quick(copy_of: CopyOf) -> None:
    folder = copy_of("kettle")
    begun = time.perf_counter()
    plan_sampling(folder)
    assert time.perf_counter() - begun < 20.0


def test_a_new_plan_without_samples_leads_to_a_first_sampling(tmp_path: Path) -> None:
    folder = tmp_path / "Old \u201cEighty\u201d"
    boundary = SAMPLE_GEO / "long-eighty" / "boundary.zip"
    runner = CliRunner()
    made = runner.invoke(cli, ["new", str(folder), "--boundary", str(boundary)])
    assert made.exit_code == 0, made.output
    assert "no samples yet" in made.output
    with pytest.raises(PlanError) as err:
        plan_sampling(folder)
    assert err.value.code == "plan-blank"
    assert "sampling.depths_in" in err.value.message
    text = (folder / "plan.toml").read_text(encoding="utf-8")
    text = text.replace('season = "?"', "season = 2028").replace('[["?", "?"]]', "[[0, 8]]")
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    result = plan_sampling(folder)
    assert result.plan.layout.startswith("offset grid")
    assert len(result.plan.points) == pytest.approx(79.4 / 2.5, abs=3)


@pytest.mark.parametrize("kept", [1, 4, 7])
def test_too_few_samples_for_a_variogram_fill_the_gaps(copy_of: CopyOf, kept: int) -> None:
    folder = copy_of("kettle")
    lines = (folder / "soil.csv").read_text(encoding="utf-8").splitlines()
    (folder / "soil.csv").write_text("\n".join(lines[: kept + 1]) + "\n", encoding="utf-8")
    result = plan_sampling(folder, overrides={"points": 6})
    assert "sampling-no-variogram" in {one.code for one in result.plan.findings}
    soil = [one for one in result.plan.points if one.soil]
    assert sorted(one.rank or 0 for one in soil) == list(range(1, 7))


def test_samples_that_are_all_equal_fill_the_gaps(copy_of: CopyOf) -> None:
    folder = copy_of("kettle")
    lines = (folder / "soil.csv").read_text(encoding="utf-8").splitlines()
    at = lines[0].split(",").index("K_M3_ppm")
    rows = [line.split(",") for line in lines[1:]]
    same = [",".join([*row[:at], "140", *row[at + 1:]]) for row in rows]
    (folder / "soil.csv").write_text("\n".join([lines[0], *same]) + "\n", encoding="utf-8")
    result = plan_sampling(folder)
    assert result.plan.layout == "the widest gaps between samples"


def test_a_field_narrower_than_the_lattice_still_gets_its_points(tmp_path: Path) -> None:
    strip = shapely.box(-85.55, 41.93, -85.54, 41.93008)
    document = {"type": "Feature", "properties": {},
                "geometry": shapely.geometry.mapping(strip)}
    (tmp_path / "strip.geojson").write_text(json.dumps(document), encoding="utf-8")
    plan = BARE.replace("boundary.zip", "strip.geojson")
    (tmp_path / "plan.toml").write_text(plan, encoding="utf-8")
    err = refused(tmp_path)
    assert err.code == "sampling-no-room"
    assert "edge_ft below" in err.hint
    for layout in ("offset grid", "square grid", "long axis"):
        made = plan_sampling(tmp_path, overrides={"layout": layout, "edge_ft": 5.0})
        assert len(made.plan.points) >= 1
        field = read_field(load_field_plan(tmp_path / "plan.toml"), folder=tmp_path)
        places = [(one.easting_m, one.northing_m) for one in made.plan.points]
        assert shapely.contains_xy(field.boundary, places).all()
