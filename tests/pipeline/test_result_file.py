"""The kettle field from a laboratory's result file gives the prescription of its CSV table."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from xml.sax.saxutils import escape

from click.testing import CliRunner

from vrx.cli import cli
from vrx.pipeline import RunResult, check_field, new_plan, run_field

CODES = {"K_M3_ppm": ("S-K-M3.01.03", "ppm"), "CEC_meq_per_100g": ("S-CEC.19", "meq/100g"),
         "OM_pct": ("S-SOM-LOI.15", "%"), "pH": ("S-PH-1:1.02.07", "none")}


def as_results(table: Path, target: Path) -> None:
    """A table as Modus 1 XML, points as latitude, longitude."""
    parts = ['<ModusResult Version="1.0">']
    with table.open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            results = "".join(
                f"<NutrientResult><Element>{escape(heading)}</Element><Value>{row[heading]}</Value>"
                f"<ModusTestID>{code}</ModusTestID><ValueUnit>{unit}</ValueUnit></NutrientResult>"
                for heading, (code, unit) in CODES.items() if row[heading])
            parts.append(
                f"<Event><EventMetaData><EventDate>{row['sampled_on']}</EventDate></EventMetaData>"
                "<LabMetaData><LabName>Two Creeks (invented)</LabName></LabMetaData><EventSamples>"
                '<Soil><DepthRefs><DepthRef DepthID="1"><StartingDepth>0</StartingDepth>'
                "<EndingDepth>8</EndingDepth><DepthUnit>in</DepthUnit></DepthRef></DepthRefs>"
                f"<SoilSample><SampleMetaData><SampleNumber>{row['sample_id']}</SampleNumber>"
                f"<Geometry>POINT({row['latitude']} {row['longitude']})</Geometry>"
                f'</SampleMetaData><Depths><Depth DepthID="1"><NutrientResults>{results}'
                "</NutrientResults></Depth></Depths></SoilSample></Soil></EventSamples></Event>")
    target.write_text("".join([*parts, "</ModusResult>"]), encoding="utf-8")


def plan_for_results(folder: Path) -> None:
    """The kettle's plan with the result file in the place of its table."""
    as_results(folder / "soil.csv", folder / "results.xml")
    text = (folder / "plan.toml").read_text(encoding="utf-8")
    start = text.index("[soil]")
    rest = text.index("[water]")
    soil = ['[soil]', 'samples = "results.xml"', 'point_order = "latitude longitude"',
            'date_column = "event date"', 'report_number = "TC-26-10418"',
            '[soil.potassium]', 'column = "S-K-M3.01.03"', '[soil.cec]', 'column = "S-CEC.19"',
            '[soil.organic_matter]', 'column = "S-SOM-LOI.15"', '[soil.ph]',
            'column = "S-PH-1:1.02.07"', ""]
    (folder / "plan.toml").write_text(text[:start] + "\n".join(soil) + text[rest:],
                                      encoding="utf-8")


def test_a_result_file_gives_the_same_potassium(
    copy_of: Callable[[str], Path], runs: dict[str, RunResult]
) -> None:
    folder = copy_of("kettle")
    plan_for_results(folder)
    result = run_field(folder)
    assert [i["path"] for i in result.manifest["inputs"]] == ["boundary.geojson", "results.xml"]
    first, other = (
        [one for one in run.manifest["passes"] if one["k2o_lb_per_unit"] > 0]
        for run in (result, runs["kettle"]))
    assert first
    assert first == other
    assert result.manifest["zones"] == runs["kettle"].manifest["zones"]


def test_a_column_map_is_saved_used_and_recorded(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("kettle")
    runner = CliRunner()
    target = folder / "two-creeks.toml"
    done = runner.invoke(cli, ["check", str(folder), "--save-layout", str(target)])
    assert done.exit_code == 0, done.output
    assert "column map:" in done.output
    before = check_field(folder)
    text = (folder / "plan.toml").read_text(encoding="utf-8")
    start, rest = text.index("[soil]"), text.index("[water]")
    (folder / "plan.toml").write_text(
        text[:start] + '[soil]\nsamples = "soil.csv"\nlayout = "two-creeks.toml"\n'
        'report_number = "TC-26-10418"\n' + text[rest:], encoding="utf-8")
    after = check_field(folder)
    assert after.ready
    assert after.readings == before.readings
    assert "plan-layout" in [f.code for f in after.findings]
    result = run_field(folder)
    assert "two-creeks.toml" in [i["path"] for i in result.manifest["inputs"]]
    assert "plan-layout" in [f["code"] for f in result.manifest["findings"]]
    # A map that changes changes the run.
    target.write_text(target.read_text().replace("calcium phosphate", "lithium chloride"))
    changed = runner.invoke(cli, ["check", str(folder), "--json"])
    assert '"extractant": "lithium chloride"' in changed.output


def test_a_draft_asks_for_the_order_of_points(copy_of: Callable[[str], Path], tmp_path: Path
                                              ) -> None:
    folder = copy_of("kettle")
    as_results(folder / "soil.csv", folder / "results.xml")
    path, _, peek = new_plan(tmp_path / "new", boundary=folder / "boundary.geojson",
                             samples=folder / "results.xml")
    text = path.read_text(encoding="utf-8")
    assert 'point_order = "?"' in text
    assert 'column = "S-K-M3.01.03"' in text
    assert "longitude_column" not in text
    assert peek.points_have_geometry is False
    shown = CliRunner().invoke(cli, ["check", str(tmp_path / "new"), "--json"])
    assert "S-K-M3.01.03" in json.dumps(json.loads(shown.output)["columns"])
