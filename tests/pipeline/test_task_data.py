"""A run that writes task data, from the plan to totals read out of the folder."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from vrx.audit import audit_run
from vrx.errors import ExportError, PlanError
from vrx.formats.task_check import judge_task_data
from vrx.intake import read_task_grids
from vrx.pipeline import run_field

ACRE_M2 = 4046.8564224
# Amount of one raw value of DDI 0006 (1 mg/m2) and DDI 0001 (0.01 mm3/m2) per m2, in lb and US gal:
# 0.45359237 kg and 231 in3 by definition (NIST SP 811).
PER_RAW = {"0006": 1e-6 / 0.45359237, "0001": 0.01e-9 / 0.003785411784}


def plan_with(folder: Path, lines: str, formats: str = '"iso11783"') -> Path:
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    old = 'formats = ["shapefile", "geojson"]'
    assert old in text
    plan.write_text(text.replace(old, f"formats = [{formats}]\n[export.task_data]\n{lines}"),
                    encoding="utf-8")
    return folder


def ring_m2(line: ET.Element) -> float:
    polygon = Geodesic.WGS84.Polygon()
    for at in line.findall("PNT")[:-1]:
        polygon.AddPoint(float(at.get("C") or ""), float(at.get("D") or ""))
    return abs(float(polygon.Compute(False, True)[2]))


def test_totals_of_the_polygons_are_those_of_the_order(copy_of: Callable[[str], Path]) -> None:
    # Areas by GeographicLib (Karney 2013), amounts by the definitions above.
    folder = plan_with(copy_of("kettle"), 'customer = "A grower"\nfarm = "Kettle farm"\n',
                       '"shapefile", "iso11783"')
    result = run_field(folder)
    home = result.folder / "TASKDATA"
    assert judge_task_data(home) == ()
    root = ET.parse(home / "TASKDATA.XML").getroot()  # noqa: S314 - our own file
    passes = result.job.prescription.passes
    assert len(root.findall("TSK")) == len(passes) == 3
    for task, one in zip(root.findall("TSK"), passes, strict=True):
        total = 0.0
        for zone in task.findall("TZN"):
            value = zone.find("PDV")
            assert value is not None
            rings = [ring_m2(line) * (1 if line.get("A") == "1" else -1)
                     for line in zone.findall("PLN/LSG")]
            total += sum(rings) * int(value.get("B") or "") * PER_RAW[value.get("A") or ""]
        # Half a raw value of 30 lb/ac or more is 0.015 %.
        assert total == pytest.approx(one.prescription_total, rel=2e-4)
        assert (task.get("B") or "").startswith(f"P{one.number} {one.pass_id}")
    record = json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))
    assert "TASKDATA/TASKDATA.XML" in {one["path"] for one in record["files"]}
    assert "TASKDATA/TASKDATA.XML" in (result.folder / "page.html").read_text(encoding="utf-8")
    codes = {one["code"] for one in record["findings"]}
    assert "task-rounding" in codes
    assert "task-unnamed" not in codes
    assert audit_run(folder=result.folder).agrees
    # Once more: the same folder, byte by byte, so no run of another number.
    assert run_field(folder).folder == result.folder


def test_totals_of_the_cells_are_those_of_the_order_within_what_is_told(
    copy_of: Callable[[str], Path]
) -> None:
    folder = plan_with(copy_of("kettle"), 'form = "grid type 2"\ncell_m = 3.0\n')
    result = run_field(folder)
    told = next(one for one in result.job.findings if one.code == "task-grid-cells")
    grids = read_task_grids(path=result.folder)
    for grid, one in zip(grids, result.job.prescription.passes, strict=True):
        latitudes, _ = grid.centres_deg()
        # Area of a cell between two parallels: R2 of the authalic sphere would be 1e-3 off, so the
        # ellipsoid's quadrangle by GeographicLib, once a row.
        high, wide = grid.cell_north_deg / 2, grid.cell_east_deg
        acres = np.array([_cell_m2(at, high, wide) for at in latitudes])[:, None] / ACRE_M2
        total = float((grid.rates(one.material.unit) * acres).sum())
        off = 100 * (total / one.prescription_total - 1)
        assert f"{one.pass_id} {off:+.2f} %" in told.what
        assert abs(off) < 0.5


def _cell_m2(latitude: float, half: float, wide: float) -> float:
    polygon = Geodesic.WGS84.Polygon()
    for at, east in ((-half, 0), (-half, wide), (half, wide), (half, 0)):
        polygon.AddPoint(latitude + at, east)
    return abs(float(polygon.Compute(False, True)[2]))


def test_rates_where_the_map_says_nothing_reach_the_file(copy_of: Callable[[str], Path]) -> None:
    folder = plan_with(copy_of("kettle"), """
form = "grid type 1"
passes = ["after-first"]
[export.task_data.rates.after-first]
default_lb_per_ac = 100.0
position_lost_lb_per_ac = 80.0
""")
    result = run_field(folder)
    root = ET.parse(result.folder / "TASKDATA" / "TASKDATA.XML").getroot()  # noqa: S314
    (task,) = root.findall("TSK")
    zones = {zone.get("A"): zone.find("PDV").get("B") for zone in task.findall("TZN")}  # type: ignore[union-attr]
    assert [zones[task.get(key)] for key in "HIJ"] == ["11209", "8967", "0"]
    assert "task-rate-without-map" in {one.code for one in result.job.findings}


@pytest.mark.parametrize(("lines", "said"), [
    ('form = "grid"\n', "form"),
    ("cell_m = 0.0\n", "cell_m"),
    ('passes = ["spring"]\n', "names the pass 'spring'; the pass ids are"),
    ("[export.task_data.rates.spring]\noutside_lb_per_ac = 0.0\n", "names the pass 'spring'"),
    ("[export.task_data.rates.after-first]\noutside_lb_per_ac = 1.0\ndefault_gal_per_ac = 1.0\n",
     "in the unit of its material"),
    ("[export.task_data.rates.after-first]\noutside_lb_per_ac = -1.0\n", "outside_lb_per_ac"),
    ("[export.task_data.rates.after-first]\noutside_gal_per_ac = 5.0\n",
     "applied in lb/ac"),
    ("cells = 5\n", "cell_m"),
])
def test_what_the_plan_cannot_mean_is_refused_with_the_key(
    copy_of: Callable[[str], Path], lines: str, said: str
) -> None:
    folder = plan_with(copy_of("kettle"), lines)
    with pytest.raises(PlanError, match=said) as caught:
        run_field(folder)
    assert caught.value.hint
    assert not (folder / "output" / "current.json").exists()


def test_what_the_format_cannot_hold_stops_the_run_before_anything_is_written(
    copy_of: Callable[[str], Path]
) -> None:
    folder = plan_with(copy_of("kettle"), 'tasks = "one for all"\n')
    with pytest.raises(ExportError, match="after-first and late-summer") as caught:
        run_field(folder)
    assert caught.value.code == "task-product-twice"
    assert not (folder / "output").exists()
