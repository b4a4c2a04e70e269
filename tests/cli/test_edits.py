"""`vrx edits`: list, each edit, undo and redo, and what it refuses."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import shapely
from click.testing import CliRunner, Result

from vrx import geo
from vrx.cli import cli
from vrx.errors import VrxError
from vrx.pipeline.edit_field import open_field
from vrx.plan.edits import EDITS_NAME, read_edits

SAMPLE = Path(__file__).parents[2] / "sample_geo" / "kettle"


def asked(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["edits", str(folder), *words])


def done(folder: Path, *words: str) -> str:
    result = asked(folder, *words)
    assert result.exit_code == 0, (result.output, result.exception)
    return result.stdout


@pytest.fixture
def kettle(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SAMPLE, tmp_path / "kettle"))


def test_a_session_from_the_command_line(kettle: Path) -> None:
    assert "no edits" in done(kettle)
    assert "zone 3 split into 10 (C), 11 (K)" in done(
        kettle, "--split", "C", "--line", "300,-100 310,600")
    assert "zones 10, 11 merged into 12 (C)" in done(kettle, "--merge", "C,K")
    told = done(kettle, "--rate", "c:after-first=120", "--reason", "Known poor stand",
                "--words", "flooded")
    assert "zone 12, pass after-first: 120 lb/ac" in told
    assert "known poor stand: flooded" in " ".join(told.split())
    assert "got letter 'M'" in done(kettle, "--rename", "12=M")
    assert "--redo brings back edit 4" in done(kettle, "--undo")
    assert "4 edits in force" in done(kettle, "--redo")
    assert "the rule's rate again" in done(kettle, "--clear", "M:after-first")
    listed = done(kettle)
    assert listed.count("yes") == 5
    told = json.loads(done(kettle, "--json"))
    assert [row["op"] for row in told["records"]] == [
        "split", "merge", "rate", "rename", "go", "go", "clear-rate"]
    assert told["undo_to"] == 4
    assert told["redo_to"] is None
    assert "kept as" in done(kettle, "--set-aside")
    assert (kettle / "edits-set-aside-1.jsonl").is_file()
    assert "no edits" in done(kettle)


def test_corners_and_borders_in_metres_and_in_degrees(kettle: Path) -> None:
    held = open_field(kettle)
    pairs, lengths = geo.shared_edges([zone.polygon for zone in held.zones.zones])
    one, two = (held.zones.zones[k] for k in pairs[int(lengths.argmax())])
    shared = shapely.intersection(one.polygon, two.polygon)
    edge = max(shapely.get_parts(shapely.line_merge(shared)), key=lambda part: part.length)
    points = shapely.get_coordinates(edge)
    assert len(points) > 2
    corner, to = points[1], points[1] + [2.0, -1.0]
    place = geo.to_lonlat(shapely.MultiPoint([corner, to]), held.field.crs_centre)
    (lon, lat), (to_lon, to_lat) = shapely.get_coordinates(place)
    assert "corner at E" in done(kettle, "--corner", f"{lon:.9f},{lat:.9f}", "--to",
                                 f"{to_lon:.9f},{to_lat:.9f}", "--degrees")
    [record] = read_edits(kettle).records
    assert record.to == pytest.approx(tuple(to), abs=1e-3)  # type: ignore[union-attr]
    assert "back to what the plan makes" in done(kettle, "--undo")
    ends = " ".join(f"{e!r},{n!r}" for e, n in (points[0].tolist(), points[-1].tolist()))
    assert f"border between zones {one.zone_id} and {two.zone_id} drawn anew" in done(
        kettle, "--redraw", f"{one.letter},{two.zone_id}", "--line", ends)


@pytest.mark.parametrize("words", [
    ("--split", "C"), ("--rate", "C:after-first=120"), ("--undo", "--redo"),
    ("--split", "C", "--line", "1;2"), ("--rate", "C=120", "--reason", "trial strip"),
    ("--rate", "C:after-first=much", "--reason", "trial strip"), ("--redraw", "A", "--line", "1,2"),
    ("--corner", "1,2", "--to", "1,2 3,4"), ("--rename", "C"),
])
def test_what_is_no_edit_is_told_and_not_written(kettle: Path, words: tuple[str, ...]) -> None:
    result = asked(kettle, *words)
    assert result.exit_code == 2
    assert "Error: " in result.output
    assert not (kettle / EDITS_NAME).exists()


@pytest.mark.parametrize(("words", "code"), [
    (("--split", "Z", "--line", "1,2 3,4"), "edits-zone"),
    (("--split", "C", "--line", "9000,1 9000,2"), "edit-line-misses"),
    (("--merge", "A"), "edit-merge-count"),
    (("--rate", "C:after-first=121", "--reason", "trial strip"), "prescription-by-hand-step"),
    (("--rate", "C:after-first=120", "--reason", "why not"), "prescription-by-hand-reason"),
    (("--undo",), "edits-no-undo"), (("--redo",), "edits-no-redo"),
    (("--set-aside",), "edits-none"), (("--clear", "3:after-first"), "edits-no-rate"),
])
def test_refusals_have_codes(kettle: Path, words: tuple[str, ...], code: str) -> None:
    result = asked(kettle, *words)
    assert isinstance(result.exception, VrxError)
    assert result.exception.code == code
    assert not (kettle / EDITS_NAME).exists()


def test_the_command_loads_nothing_before_it_is_used() -> None:
    code = ("import vrx.cli.edits, sys; "
            "print(sorted({'shapely', 'numpy', 'pydantic'} & set(sys.modules)))")
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                         timeout=60)
    assert out.stdout.strip() == "[]"
