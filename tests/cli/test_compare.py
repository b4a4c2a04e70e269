"""`vrx compare` in a terminal of 80 columns."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from vrx.cli import cli
from vrx.cli.compare import _head

SAMPLE = Path(__file__).parents[2] / "sample_geo" / "kettle"
BOOKS = ("removal-potassium", "arizona-potassium", "new-york-potassium", "south-carolina-potassium",
         "tri-state-1995")
OPTIONS = ("removal-potassium.removal_source=michigan", "arizona-potassium.rate_lb_per_ac=250",
           "new-york-potassium.rate_lb_per_ac=100", "south-carolina-potassium.rating=medium")


def compared(folder: Path, *more: str) -> str:
    asked = [word for option in OPTIONS for word in ("--option", option)]
    done = CliRunner().invoke(cli, ["compare", str(folder), *BOOKS, *asked, *more])
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture(scope="module")
def kettle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("compare") / "kettle"
    shutil.copytree(SAMPLE, folder)
    return folder


def test_many_guides_fit_80_columns_and_no_figure_is_broken(kettle: Path) -> None:
    told = compared(kettle)
    assert max(len(line.rstrip()) for line in told.splitlines()) <= 80
    found, = json.loads(compared(kettle, "--json"))["comparisons"]
    rows = [line.split() for line in told.splitlines() if line.startswith(" field, lb")]
    shown = [word for row in rows for word in row[4:]]
    read = [guide for guide in found["guides"] if not guide["refused"]]
    assert len(read) == 5
    assert shown == [f"{guide['total_lb']:,.0f}" for guide in read]
    # Pounds on the field are the sum of need x acres, zone by zone.
    acres = {zone["zone_id"]: zone["area_ac"]
             for zone in json.loads(compared(kettle, "--json"))["zones"]}
    for guide in read:
        total = sum(zone["need_lb_per_ac"] * acres[zone["zone_id"]] for zone in guide["zones"])
        assert total == pytest.approx(guide["total_lb"], rel=1e-9)
    assert "(1 to 4 of 5 guides; the spread is that of all)" in " ".join(told.split())


def test_what_is_from_memory_says_what_to_do(kettle: Path) -> None:
    told = " ".join(compared(kettle).split())
    of_plan = told[told.index("tri-state-2020: hay removes"):told.index("removal-potassium: ")]
    assert "from memory (check your guide)" in of_plan
    assert "user" not in told.split()


@pytest.mark.parametrize(("name", "head"), [
    ("tri-state-2020", "tri-state-\n2020"),
    ("south-dakota-k-equation", "south-\ndakota-k-\nequation"),
    ("guide", "guide"), ("averylongnamewithoutany", "averylongnamewithoutany"),
])
def test_a_head_is_broken_after_hyphens_only(name: str, head: str) -> None:
    assert _head(name) == head
