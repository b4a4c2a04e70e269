"""What a plan says about machines: loading check, files for them, sheets, from plan to page."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
import shapefile

from vrx.audit import audit_run
from vrx.errors import PlanError
from vrx.pipeline import RunResult, run_field
from vrx.plan import load_plan

Copy = Callable[[str], Path]

CONTROLLER = """
[controller]
takes = ["shapefile"]
most_polygons = 500
most_vertices = 120
most_vertices_polygon = 60
most_rates = "none"
most_products = 1
most_name_characters = 8
holes = false
parts = true
reduce_within_ft = 25
limits_from = "operator's manual, page 12"
"""
MACHINE = """
speed_mph = [5, 9]
flow_lb_per_min = [20, 300]
pattern_cv_pct = 12
pattern_tested_on = 2026-04-02
[machine.after-first.catch_test]
caught_lb = 41.3223
width_ft = 50
distance_ft = 200
set_lb_per_ac = 180
"""


def change(folder: Path, *, controller: str = "", machine: str = "", export: str = "") -> Path:
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    text = text.replace("swath_ft = 50\n", f"swath_ft = 50\n{machine}\n")
    plan.write_text(f"{text}\n{export}\n{controller}", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    import shutil

    source = Path(__file__).resolve().parents[2] / "sample_geo" / "bench"
    folder = Path(shutil.copytree(source, tmp_path_factory.mktemp("machine") / "bench"))
    return run_field(change(folder, controller=CONTROLLER, machine=MACHINE,
                            export="one_product_per_file = true"))


def test_the_file_made_for_the_machine_will_fit_where_the_others_may_not(made: RunResult) -> None:
    record = json.loads((made.folder / "manifest.json").read_text(encoding="utf-8"))
    checks = {one["file"]: one for one in record["machine_fit"]["loading"]}
    assert checks["shapefile/prescription.shp"]["verdict"] == "may not"
    assert any(one.startswith("characters of the file's name")
               for one in checks["shapefile/prescription.shp"]["because"])
    assert checks["prescription.geojson"]["because"][0].startswith("format: geojson")
    own = checks["machine/P1_KCL/P1_KCL.shp"]
    assert own["verdict"] == "fits", own
    assert {line["source"] for line in own["lines"]} >= {"operator's manual, page 12"}
    # A machine's swath stands for the least width where none is stated.
    (width,) = [line for line in own["lines"] if line["item"].startswith("least zone width")]
    assert width["limit"] == "50 ft"


def test_the_file_for_the_machine_has_the_rates_and_few_corners(made: RunResult) -> None:
    record = made.manifest
    path = made.folder / "machine" / "P1_KCL" / "P1_KCL.shp"
    with shapefile.Reader(str(path)) as reader:
        rows = list(reader.iterShapeRecords())
    assert sum(len(one.shape.points) for one in rows) <= 120
    steps = [one["steps"] * record["passes"][0]["step"] for one in record["passes"][0]["steps"]]
    assert [one.record["P1_KCL_LB"] for one in rows] == pytest.approx(steps)
    (told,) = record["machine_fit"]["machine_files"]
    assert told["reduction"]["vertices_after"] == sum(len(one.shape.points) for one in rows)
    found = [one for one in made.job.findings if one.code == "load-vertices-reduced"]
    assert len(found) == 1
    listed = {one["path"]: one["format"] for one in record["files"]}
    assert listed["machine/P1_KCL/P1_KCL.shp"] == "machine files"


def test_the_audit_agrees_and_says_what_it_did_not_read(made: RunResult) -> None:
    result = audit_run(folder=made.folder)
    assert result.agrees
    assert any("machine files" in fault.what for fault in result.faults)


def test_page_and_sheet(made: RunResult) -> None:
    page = html.unescape((made.folder / "page.html").read_text(encoding="utf-8"))
    part = page[page.index('<section id="machine"'):]
    part = re.sub(r"<[^>]+>", " ", part[:part.index("</section>")])
    flat = " ".join(part.split())
    assert "This will load" in flat
    assert "May not load , because:" in flat
    assert "needs 42.9 to 273 lb/min, the meter gives 20 to 300" in flat
    # 41.3223 lb over 50 ft x 200 ft (0.22957 ac) are 180 lb/ac.
    assert "180 lb/ac caught, 180 set (+0.0 %), within 5 %" in flat
    assert "CV 12 %" in flat
    assert '<a href="#machine">' in page


def test_without_a_word_all_is_unknown_and_blank(copy_of: Copy) -> None:
    result = run_field(copy_of("bench"))
    fit = result.job.fit
    assert {one.verdict for one in fit.loads} == {"not known"}
    assert fit.files == ()
    assert not (result.folder / "machine").exists()
    (sheet,) = fit.sheets
    assert {line.item for line in sheet.lines if not line.stated} >= {
        "Pattern test", "Speed", "Flow", "Catch test"}
    assert not [one for one in result.job.findings if one.code.startswith(("load-", "equipment-"))]


def test_a_machine_s_own_limit_goes_before_the_shared_one(copy_of: Copy) -> None:
    folder = change(copy_of("bench"), controller="[controller]\nmost_rates = 2\nmost_polygons = 1",
                    machine="most_rates = 9")
    result = run_field(folder)
    because = {line.partition(":")[0] for one in result.job.fit.loads for line in one.because}
    assert because == {"polygons"}
    found = [one for one in result.job.findings if one.code == "load-may-not"]
    assert {one.severity.value for one in found} == {"warn"}


def test_passes_through_the_irrigation_are_loaded_nowhere(runs: dict[str, RunResult]) -> None:
    for result in runs.values():
        through = {one.pass_id for one in result.job.prescription.passes
                   if one.method == "through irrigation"}
        described = set(load_plan(result.folder.parents[1] / "plan.toml").machine)
        loaded = {name for one in result.job.fit.loads for name in one.pass_ids}
        assert not loaded & (through - described)
        assert not {one.pass_id for one in result.job.fit.sheets} & through


def test_a_described_machine_has_its_sheet_through_the_irrigation_too(copy_of: Copy) -> None:
    folder = copy_of("kettle")
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    held = "[machine.stubble-2]\nstep_gal_per_ac = 0.5\n"
    assert held in text
    plan.write_text(text.replace(
        held, f"{held}swath_ft = 60\nspeed_mph = [5, 8]\nflow_gal_per_min = [2, 12]\n"))
    sheets = {one.pass_id: one for one in run_field(folder).job.fit.sheets}
    assert set(sheets) == {"after-first", "stubble-2", "late-summer"}
    words = {line.item: line.words for line in sheets["stubble-2"].lines}
    # gal/min = gal/ac x mph x ft / 495, the formula of sprayer guides with the swath in feet.
    assert words["Flow"].startswith(f"needs {5 * 5 * 60 / 495:.2f} to {5 * 8 * 60 / 495:.2f} gal")
    assert words["Speed"] == (
        f"the meter holds 5 gal/ac from {2 * 495 / 300:.1f} to {12 * 495 / 300:.1f} mph")


def test_one_product_per_file_without_a_format_for_it(copy_of: Copy) -> None:
    folder = copy_of("bench")
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8").replace(
        'formats = ["shapefile", "geojson"]',
        'formats = ["iso11783"]\none_product_per_file = true')
    plan.write_text(text, encoding="utf-8")
    result = run_field(folder)
    (found,) = [one for one in result.job.findings if one.code == "load-no-machine-file"]
    assert "shapefile" in found.todo


@pytest.mark.parametrize(("machine", "code", "words"), [
    ("speed_mph = [9, 5]", "plan-value", "least first"),
    ("most_rates = 0", "plan-value", "most_rates"),
    ('most_rates = "many"', "plan-value", "most_rates"),
    ("most_rate = 5", "plan-key", "most_rates"),
    ("flow_gal_per_min = [1, 2]", "plan-unit", "flow_lb_per_min"),
    ("[machine.after-first.catch_test]\nwidth_ft = 3\ndistance_ft = 9", "plan-value", "caught_lb"),
    ("[machine.after-first.catch_test]\nwidth_ft = 3\ncaught_lb = 9", "plan-value", "distance_ft"),
    ("[machine.after-first.catch_test]\nwidth_ft = 3\ndistance_ft = 9\ncaught_gal = 1",
     "plan-catch-unit", "caught_lb"),
    ("[machine.after-first.catch_test]\nwidth_ft = 3\ndistance_ft = 9\ncaught_lb = 1\n\
set_gal_per_ac = 3", "plan-unit", "set_lb_per_ac"),
    ("turndown = 0.5", "plan-value", "turndown"),
    ("reduce_within_ft = inf", "plan-value", "reduce_within_ft"),
    ('takes = ["paper"]', "plan-value", "takes"),
])
def test_keys_that_do_not_fit_are_refused(
    copy_of: Copy, machine: str, code: str, words: str
) -> None:
    folder = change(copy_of("bench"), machine=machine)
    with pytest.raises(PlanError) as caught:
        run_field(folder)
    assert words in f"{caught.value} {caught.value.hint}"
    assert caught.value.code.startswith(code.rpartition("-")[0])
    assert not (folder / "output").exists()
