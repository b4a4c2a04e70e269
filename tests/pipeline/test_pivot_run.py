"""A plan with a pivot in the place of a boundary file, from samples to an audited prescription."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path

import pytest

from vrx.audit import audit_run
from vrx.errors import PlanError
from vrx.pipeline import check_field, run_field
from vrx.pipeline.inputs import read_inputs
from vrx.plan import load_plan

BOUNDARY = 'boundary = "boundary.geojson"\n'
PIVOT = """
[field.pivot]
centre = [-85.5512, 41.9333]
radius_ft = 1300
"""


def with_pivot(folder: Path, section: str, extra: str = "") -> Path:
    """The Kettle plan with a pivot of about its own circle."""
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    assert BOUNDARY in text
    text = text.replace(BOUNDARY, extra).replace("\n[soil]\n", f"{section}\n[soil]\n", 1)
    plan.write_text(text, encoding="utf-8")
    return folder


def pivot_here(folder: Path) -> str:
    """The section with the centre of the sample field's own boundary."""
    ring = json.loads((folder / "boundary.geojson").read_text(encoding="utf-8"))
    outer = ring["features"][0]["geometry"]["coordinates"]
    outer = outer[0] if isinstance(outer[0][0][0], float) else outer[0][0]
    west, east = min(p[0] for p in outer), max(p[0] for p in outer)
    south, north = min(p[1] for p in outer), max(p[1] for p in outer)
    centre = f"centre = [{(west + east) / 2!r}, {(south + north) / 2!r}]"
    return PIVOT.replace("centre = [-85.5512, 41.9333]", centre)


def test_from_samples_to_an_audited_prescription(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("kettle")
    hollow = folder / "boundary.geojson"
    with_pivot(folder, pivot_here(folder))
    hollow.unlink()
    checked = check_field(folder)
    assert checked.ready
    assert checked.field is not None
    assert round(checked.field.area_ac, 2) == 121.88
    result = run_field(folder)
    assert result.job.field.area_ac == pytest.approx(math.pi * 1300**2 / 43_560, rel=1e-8)
    assert result.job.zones.area_ac == pytest.approx(result.job.field.area_ac, rel=1e-6)
    assert "pivot-drawn" in {f.code for f in result.job.findings}
    record = json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))
    assert [one["path"] for one in record["inputs"]] == ["soil.csv"]
    audit = audit_run(folder=result.folder)
    assert audit.arithmetic is True, [row for row in audit.rows if not row.agrees]


def test_exclusions_are_an_input_file(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("kettle")
    section = pivot_here(folder)
    lon, lat = json.loads(section.split("centre = ")[1].splitlines()[0])
    box = [[lon, lat], [lon + 0.001, lat], [lon + 0.001, lat + 0.001], [lon, lat + 0.001],
           [lon, lat]]
    (folder / "wet.kml").write_text(
        '<kml xmlns="http://www.opengis.net/kml/2.2"><Placemark><Polygon><outerBoundaryIs>'
        "<LinearRing><coordinates>" + " ".join(f"{a!r},{b!r}" for a, b in box)
        + "</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></kml>",
        encoding="utf-8")
    with_pivot(folder, section + 'exclusions = "wet.kml"\n')
    plan_file = folder / "plan.toml"
    inputs = read_inputs(load_plan(plan_file), plan_file=plan_file)
    assert "pivot-exclusions-cut" in {f.code for f in inputs.field.findings}
    assert inputs.field.area_ac < 121.88 - 2
    assert [one["path"] for one in inputs.record["inputs"]] == ["soil.csv", "wet.kml"]


@pytest.mark.parametrize(("section", "extra", "words"), [
    ("", "", "exactly one of boundary"),
    (PIVOT, BOUNDARY, "exactly one of boundary"),
    (PIVOT, 'several = "join"\n', "several belongs to a boundary file"),
    (PIVOT.replace("1300", '"1300"'), "", "field.pivot.radius_ft"),
    (PIVOT.replace("[-85.5512, 41.9333]", "[41.9333, -95.5]"), "", "field.pivot.centre"),
    (PIVOT + "radius_m = 400\n", "", "unknown key 'field.pivot.radius_m'"),
    (PIVOT + 'exclusions_layer = "a"\n', "", "need exclusions"),
])
def test_a_wrong_pivot_section_says_what_is_wrong(
    copy_of: Callable[[str], Path], section: str, extra: str, words: str
) -> None:
    folder = with_pivot(copy_of("kettle"), section, extra)
    with pytest.raises(PlanError) as caught:
        run_field(folder)
    assert words in str(caught.value)


def test_a_draft_with_a_pivot_is_checked_as_far_as_it_goes(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("kettle")
    with_pivot(folder, pivot_here(folder))
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace('unit = "pH"', 'unit = "?"'), encoding="utf-8")
    checked = check_field(folder)
    assert not checked.ready
    assert checked.field is not None
    assert round(checked.field.area_ac, 2) == 121.88
    plan.write_text(text.replace("radius_ft = 1300", 'radius_ft = "?"'), encoding="utf-8")
    assert check_field(folder).field is None
