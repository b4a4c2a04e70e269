"""Rates outside the field, by default and for a lost position: task data, record, plan agree.

Task data are looked at by the XML parser and by bytes; defects are planted by hand.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from vrx.audit import AuditResult, audit_files, audit_run
from vrx.pipeline import run_field
from vrx.pipeline.commit import sha256

BENCH = Path(__file__).resolve().parents[2] / "sample_geo" / "bench"
PASS = "after-first"
FORMS = ("polygons", "grid type 1", "grid type 2")
ASKED = {"H": 45.0, "I": 60.0, "J": 20.0}
# DDI 6 counts mg/m2; 1 lb/ac = 0.45359237 kg / 4046.8564224 m2 (exact by definition).
RAW_PER_LB_AC = 0.45359237e6 / 4046.8564224


@pytest.fixture(scope="module", params=FORMS)
def run(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = Path(shutil.copytree(BENCH, tmp_path_factory.mktemp("off") / "bench",
                                  ignore=shutil.ignore_patterns("output")))
    plan = folder / "plan.toml"
    text = re.sub(r"^formats = .*$", 'formats = ["geojson", "iso11783"]',
                  plan.read_text(encoding="utf-8"), flags=re.MULTILINE)
    plan.write_text(
        f'{text}\n[export.task_data]\nform = "{request.param}"\n\n'
        f"[export.task_data.rates.{PASS}]\ndefault_lb_per_ac = {ASKED['H']}\n"
        f"position_lost_lb_per_ac = {ASKED['I']}\noutside_lb_per_ac = {ASKED['J']}\n",
        encoding="utf-8")
    return run_field(folder).folder


def copied(run: Path, folder: Path) -> Path:
    """The field's folder again, without current.json: the record's own hash is not in play."""
    home = Path(shutil.copytree(run.parent.parent, folder / "bench"))
    (home / "output" / "current.json").unlink()
    return home / "output" / run.name


def reseal(run: Path) -> None:
    """Whoever planted the defect also wrote the new hashes into the record."""
    path = run / "manifest.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    for one in record["files"]:
        one |= {"sha256": sha256(run / one["path"]),
                "bytes": (run / one["path"]).stat().st_size}
    path.write_text(json.dumps(record), encoding="utf-8")


def task_of(root: ET.Element) -> ET.Element:
    (task,) = [one for one in root.findall("TSK") if PASS in (one.get("B") or "")]
    return task


def told(result: AuditResult) -> list[str]:
    return [f"{one.code} {one.where}: {one.what}" for one in result.faults
            if one.code in {"audit-outside-rate", "audit-outside"}]


def test_task_data_hold_what_the_plan_asks_for(run: Path) -> None:
    task = task_of(ET.parse(run / "TASKDATA" / "TASKDATA.XML").getroot())  # noqa: S314 - our own
    zones = {one.get("A"): one for one in task.findall("TZN")}
    for key, rate in ASKED.items():
        (value,) = zones[task.get(key)].findall("PDV")
        assert abs(int(value.get("B") or "") - rate * RAW_PER_LB_AC) <= 0.5
    record = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    (own,) = [one for one in record["passes"] if one["pass_id"] == PASS]
    assert (own["rate_default"], own["rate_position_lost"], own["rate_outside"]) == (45, 60, 20)
    result = audit_run(folder=run)
    assert result.arithmetic is True
    assert told(result) == []
    held = {row.what: row for row in result.rows
            if PASS in row.where and "attribute" in row.where}
    for words, rate in (("rate where the map says nothing", 45), ("rate outside the field", 20),
                        ("rate where the position is lost", 60)):
        assert held[words].expected == rate
    alone = audit_files(paths=[run / "TASKDATA"], record=run / "manifest.json")
    assert alone.arithmetic is True
    assert told(alone) == []


def _value(key: str) -> Callable[[ET.Element], None]:
    def spoil(task: ET.Element) -> None:
        zone = next(one for one in task.findall("TZN") if one.get("A") == task.get(key))
        zone.find("PDV").set("B", str(round(1.5 * ASKED[key] * RAW_PER_LB_AC)))

    return spoil


def _exchanged(task: ET.Element) -> None:
    lost, outside = task.get("I") or "", task.get("J") or ""
    task.set("I", outside)
    task.set("J", lost)


def _not_named(task: ET.Element) -> None:
    del task.attrib["H"]


@pytest.mark.parametrize(("spoil", "key"), [
    (_value("H"), "H"), (_value("I"), "I"), (_value("J"), "J"), (_exchanged, "I"),
    (_exchanged, "J"), (_not_named, "H")])
def test_a_changed_zone_for_ground_without_a_map_is_told(
    spoil: Callable[[ET.Element], None], key: str, run: Path, tmp_path: Path
) -> None:
    here = copied(run, tmp_path)
    path = here / "TASKDATA" / "TASKDATA.XML"
    tree = ET.parse(path)  # noqa: S314 - our own file
    spoil(task_of(tree.getroot()))
    tree.write(path, encoding="utf-8", xml_declaration=True)
    alone = audit_files(paths=[here / "TASKDATA"], record=here / "manifest.json")
    reseal(here)
    for result in (audit_run(folder=here), alone):
        assert result.arithmetic is False
        assert [one for one in told(result)
                if f"attribute {key}" in one and f"{ASKED[key]:g} lb/ac" in one], told(result)


@pytest.mark.parametrize(
    "run", [one for one in FORMS if one != "polygons"], indirect=True, scope="module")
def test_cells_outside_the_field_with_another_rate_are_told(run: Path, tmp_path: Path) -> None:
    here = copied(run, tmp_path)
    root = ET.parse(here / "TASKDATA" / "TASKDATA.XML").getroot()  # noqa: S314 - our own file
    task = task_of(root)
    grid = task.find("GRD")
    assert grid is not None
    path = here / "TASKDATA" / f"{grid.get('G')}.bin"
    kind = np.dtype("u1" if grid.get("I") == "1" else "<i4")
    cells = np.frombuffer(path.read_bytes(), dtype=kind).copy()
    shape = int(grid.get("F") or 0), int(grid.get("E") or 0)
    # What stands in the middle of the field, in one cell at the grid's own edge that lies outside.
    off = int(task.get("J") or "") if kind.itemsize == 1 else round(ASKED["J"] * RAW_PER_LB_AC)
    at = int(np.flatnonzero(cells == off)[0])
    cells[at] = cells.reshape(shape)[shape[0] // 2, shape[1] // 2]
    assert cells[at] != off
    path.write_bytes(cells.tobytes())
    reseal(here)
    result = audit_run(folder=here)
    assert result.arithmetic is False
    assert [one for one in told(result) if "cells outside the field" in one]
    # Alone, of whoever's hand, it is a doubt: half a cell may be meant.
    alone = audit_files(paths=[here / "TASKDATA"])
    assert [one for one in alone.faults
            if one.code == "audit-outside" and one.severity.name == "WARN"]


def test_a_record_that_differs_from_its_plan_is_told(run: Path, tmp_path: Path) -> None:
    here = copied(run, tmp_path)
    path = here / "manifest.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    for one in record["passes"]:
        one["rate_default"] = 0.0
    path.write_text(json.dumps(record), encoding="utf-8")
    result = audit_run(folder=here)
    assert result.arithmetic is False
    assert [one for one in told(result) if "default is 0, the plan has 45.0 lb/ac" in one]
    # With another plan there, nothing can be said of the plan.
    plan = here.parent.parent / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    assert not [one for one in told(audit_run(folder=here)) if "the plan has" in one]
