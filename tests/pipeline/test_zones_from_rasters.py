"""A run's rasters as the zones and rates of a new plan: all nine zones of the sample field."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from vrx.pipeline import run_field


@pytest.fixture(scope="module")
def rasters(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The run folder of the kettle field with its rasters."""
    source = Path(__file__).resolve().parents[2] / "sample_geo" / "kettle"
    folder = Path(shutil.copytree(source, tmp_path_factory.mktemp("rasters") / "kettle"))
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(re.sub(r"^formats = .*$", 'formats = ["geotiff"]', text, flags=re.MULTILINE),
                    encoding="utf-8")
    return run_field(folder).folder


def again(folder: Path) -> Path:
    """The field's plan with zones and one pass from a raster beside it."""
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8").partition("# Potash in two halves")[0]
    text = re.sub(r"\[zones\].*?\n\n", '[zones]\nfrom = "own polygons"\n'
                  'polygons = "rate_P1_KCL_LB.tif"\nsmallest_ac = 0.1\n\n', text, flags=re.DOTALL)
    plan.write_text(text + """
[[pass]]
id = "after-first"
timing = "stubble of cutting 1"
method = "broadcast"
material = "muriate of potash 0-0-60"
rate = "from file"
from_file = { column = "RATE", unit = "lb/ac" }

[export]
formats = ["geojson"]
""", encoding="utf-8")
    return folder


@pytest.mark.parametrize("beside", [True, False])
def test_zones_and_rates_come_back_from_a_raster(
    beside: bool, rasters: Path, copy_of: Callable[[str], Path]
) -> None:
    folder = again(copy_of("kettle"))
    names = ["rate_P1_KCL_LB.tif", *(["zones.tif"] if beside else [])]
    for name in names:
        shutil.copy(rasters / "geotiff" / name, folder / name)
    before = json.loads((rasters / "manifest.json").read_text(encoding="utf-8"))
    after = json.loads((run_field(folder).folder / "manifest.json").read_text(encoding="utf-8"))
    read = {one["path"] for one in after["inputs"]}
    assert set(names) <= read
    codes = {(one["code"], one["severity"]) for one in after["findings"]}
    # Cells reach beyond the boundary on purpose: nothing to worry about.
    assert ("zones-cut-at-boundary", "warn") not in codes
    if not beside:
        assert len(after["zones"]) == 6
        (told,) = [one for one in after["findings"] if one["code"] == "prescription-zones-merged"]
        acres = sum(one["area_ac"] for one in before["zones"] if one["letter"] in "ADEF")
        assert f"A, D, E, F ({acres:.2f} ac at 230) as 1" in told["what"]
        return
    assert ("prescription-zones-merged", "warn") not in codes
    assert [one["label"] for one in after["zones"]] == [one["letter"] for one in before["zones"]]
    # 3.48 ac are 14,000 m2 with a border of 700 m: cells of 5 m move it by less than 2 %.
    for one, was in zip(after["zones"], before["zones"], strict=True):
        assert one["area_ac"] == pytest.approx(was["area_ac"], rel=0.02)
    old, new = before["passes"][0], after["passes"][0]
    assert [one["steps"] * new["step"] for one in new["steps"]] == [
        one["steps"] * old["step"] for one in old["steps"]]
    assert new["prescription_total"] == pytest.approx(old["prescription_total"], rel=1e-3)
