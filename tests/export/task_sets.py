"""Export sets for the tests of task data, and the readers of others that look at it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from vrx import geo
from vrx.export import build_set, write_formats
from vrx.export.export_set import ExportSet
from vrx.export.task_options import TaskDataOptions
from vrx.model import Field, Material, PassRates, Prescription, Zone, Zones

CENTRE = (-96.5, 41.2)
NODE_MODULES = Path(os.environ.get(
    "VRX_NODE_MODULES", Path.home() / ".cache" / "vrx" / "npm" / "node_modules"))
SCRIPT = Path(__file__).parents[1] / "outside" / "read_task_data.cjs"


def material(name: str, code: str, *, liquid: bool = False) -> Material:
    return Material(
        id=name, code=code, form="liquid" if liquid else "dry", n_pct=0, p2o5_pct=0, k2o_pct=60,
        s_pct=0, mg_pct=0, cl_pct=0, density_lb_per_gal=12.0 if liquid else None, s_form="",
        cautions=(), evidence="", source="")


POTASH = material("muriate of potash 0-0-60", "KCL")
GYPSUM = material("gypsum 0-0-0-18S", "GYP")
THIOSULFATE = material("potassium thiosulfate 0-0-25-17S", "KTS", liquid=True)


def one_pass(
    number: int, rates: Sequence[float], *, step: float = 0.5, of: Material = POTASH,
    pass_id: str = "",
) -> PassRates:
    steps = np.round(np.array(rates) / step).astype(np.int64)
    unit = "GAL" if of.form == "liquid" else "LB"
    return PassRates(
        pass_id=pass_id or f"pass-{number}", number=number, timing="stubble", method="broadcast",
        material=of, serves="K2O", kind="variable", column=f"P{number}_{of.code}_{unit}",
        step=step, steps=steps, rates=steps * step, treated_ac=None, wanted_total=0,
        planned_total=0, prescription_total=0, order_total=0)


def a_set(
    polygons: Sequence[shapely.Geometry], passes: Sequence[PassRates], *,
    options: TaskDataOptions | None = None, name: str = "North forty",
    centre: tuple[float, float] = CENTRE, letters: Sequence[str] = (),
) -> ExportSet:
    """A set of polygons in the field's CRS (metres from `centre`)."""
    zones = tuple(
        Zone(zone_id=k + 1, letter=letters[k] if letters else f"Z{k + 1}", polygon=one,
             area_ac=geo.area_ac(one, centre), label="")
        for k, one in enumerate(polygons))
    whole = shapely.union_all(list(polygons))
    field = Field(name=name, crs_centre=centre, area_ac=geo.area_ac(whole, centre),
                  boundary=shapely.MultiPolygon(list(shapely.get_parts(whole))))
    prescription = Prescription(
        zone_ids=tuple(z.zone_id for z in zones), zone_area_ac=tuple(z.area_ac for z in zones),
        passes=tuple(passes), order=(), balances=())
    meant = build_set(field=field, zones=Zones(zones=zones, basis=""), prescription=prescription)
    return with_options(meant, options or TaskDataOptions())


def with_options(meant: ExportSet, options: TaskDataOptions) -> ExportSet:
    from dataclasses import replace

    return replace(meant, task_data=options)


def marked_corner() -> list[shapely.Geometry]:
    """A field of 400 by 300 m whose north-east corner (80 by 60 m) is a zone of its own."""
    corner = shapely.box(120, 90, 200, 150)
    # The border's corners stand in both rings, as in every coverage.
    rest = shapely.Polygon([(-200, -150), (200, -150), (200, 90), (120, 90), (120, 150),
                            (-200, 150)])
    return [corner, rest]


def written(meant: ExportSet, folder: Path) -> Path:
    write_formats(meant=meant, formats=["iso11783"], folder=folder)
    return folder / "TASKDATA"


def by_npm(home: Path, tmp_path: Path) -> dict[str, Any]:
    """What npm isoxml 1.11.2 (Apache-2.0) reads in a task folder; skips where it is absent."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("no Node.js on this machine (npm isoxml cannot be asked)")
    if not (NODE_MODULES / "isoxml").is_dir():
        pytest.skip(f"npm isoxml is not installed in {NODE_MODULES} (.ci/run does it)")
    packed = tmp_path / "for_npm.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        for path in sorted(home.iterdir()):
            archive.write(path, f"TASKDATA/{path.name}")
    done = subprocess.run(
        [node, str(SCRIPT), str(NODE_MODULES), str(packed)], capture_output=True, text=True,
        check=False, timeout=120)
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)
