"""GeoTIFFs of soil tests: what they read in each zone is worked out again and held to the record.

The same figures come from exactextract (its own reading by GDAL) in the field's own system; defects
are planted by rasterio.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from exactextract import exact_extract

from vrx.audit import AuditResult, audit_files, audit_run
from vrx.pipeline import run_field
from vrx.pipeline.commit import sha256

BENCH = Path(__file__).resolve().parents[2] / "sample_geo" / "bench"
MAP = "geotiff/map_k_ppm.tif"


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = Path(shutil.copytree(BENCH, tmp_path_factory.mktemp("maps") / "bench",
                                  ignore=shutil.ignore_patterns("output")))
    plan = folder / "plan.toml"
    plan.write_text(re.sub(
        r"^formats = .*$", 'formats = ["geojson", "geotiff"]', plan.read_text(encoding="utf-8"),
        flags=re.MULTILINE), encoding="utf-8")
    return run_field(folder).folder


def readings(run: Path) -> dict[int, dict[str, float]]:
    record = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    (own,) = [one for one in record["readings"] if one["analyte"] == "potassium"]
    return {one["zone_id"]: one for one in own["zones"]}


def faults(result: AuditResult) -> set[str]:
    return {one.code for one in result.faults if one.severity.name == "STOP"}


def test_what_maps_read_in_zones_is_worked_out_and_agrees_with_another_library(run: Path) -> None:
    result = audit_run(folder=run)
    assert result.arithmetic is True
    rows = [row for row in result.rows if row.where.startswith(f"{MAP}, zone")]
    assert len(rows) == 3 * len(readings(run))
    with rasterio.open(run / MAP) as source:
        zones = gpd.read_file(run / "prescription.geojson").to_crs(source.crs)
    got = exact_extract(str(run / MAP), zones, ["mean"], include_cols=["ZONE_ID"], output="pandas")
    other = dict(zip(got["ZONE_ID"], got["band_1_mean"], strict=True))
    for zone_id, mean in other.items():
        (row,) = [one for one in rows if f", zone {zone_id} " in one.where
                  and one.what.startswith("mean ")]
        # Borders are straight in degrees here, in metres there.
        assert row.found == pytest.approx(mean, rel=1e-5)
        assert row.expected == readings(run)[zone_id]["mean"]


def _changed(change: Callable[[np.ndarray], None]) -> Callable[[Path], None]:
    def spoil(run: Path) -> None:
        with rasterio.open(run / MAP, "r+", IGNORE_COG_LAYOUT_BREAK="YES") as target:
            cells = target.read()
            change(cells)
            target.write(cells)

    return spoil


def _one_percent(cells: np.ndarray) -> None:
    cells[0][cells[0] > 0] *= 1.01


def _one_cell(cells: np.ndarray) -> None:
    # The greatest cell of the field becomes twice as great.
    at = np.unravel_index(int(np.argmax(cells[0])), cells[0].shape)
    cells[0][at] *= 2


def _turned(cells: np.ndarray) -> None:
    cells[:] = cells[:, ::-1, :].copy()


def _negative_error(cells: np.ndarray) -> None:
    cells[1][cells[1] > 0] *= -1


def _hole(cells: np.ndarray) -> None:
    rows, columns = cells[0].shape
    cells[:, rows // 2 - 2:rows // 2 + 2, columns // 2 - 2:columns // 2 + 2] = -9999


def _tag(**tags: str) -> Callable[[Path], None]:
    def spoil(run: Path) -> None:
        with rasterio.open(run / MAP, "r+", IGNORE_COG_LAYOUT_BREAK="YES") as target:
            target.update_tags(**tags)

    return spoil


def _of_another(run: Path) -> None:
    shutil.copyfile(run / "geotiff" / "map_so4s_ppm.tif", run / MAP)


def _record(change: Callable[[Any], None]) -> Callable[[Path], None]:
    def spoil(run: Path) -> None:
        path = run / "manifest.json"
        record = json.loads(path.read_text(encoding="utf-8"))
        change(record)
        path.write_text(json.dumps(record), encoding="utf-8")

    return spoil


def _mean(record: dict[str, Any]) -> None:
    (own,) = [one for one in record["readings"] if one["analyte"] == "potassium"]
    own["zones"][1]["mean"] *= 1.001


def _cell(record: dict[str, Any]) -> None:
    record["maps"][0]["cell_m"] *= 2


@pytest.mark.parametrize(("spoil", "code"), [
    (_changed(_one_percent), "audit-map-zone"), (_changed(_one_cell), "audit-map-zone"),
    (_changed(_turned), "audit-map-zone"), (_changed(_negative_error), "audit-raster-cells"),
    (_changed(_hole), "audit-gap"), (_tag(UNIT="lb/ac"), "audit-raster-words"),
    (_tag(METHOD="nearest"), "audit-raster-words"), (_tag(ANALYTE="boron"), "audit-map-unrecorded"),
    (_of_another, "audit-map-unrecorded"), (_record(_mean), "audit-map-zone"),
    (_record(_cell), ""),
], ids=["one percent", "one cell", "turned", "errors below 0", "hole", "unit", "method", "analyte",
        "another map", "mean in the record", "cell in the record"])
def test_planted_defects_of_a_map_are_told(
    spoil: Callable[[Path], None], code: str, run: Path, tmp_path: Path
) -> None:
    # Without current.json beside it the job record's own hash is not in play.
    here = Path(shutil.copytree(run, tmp_path / run.name))
    spoil(here)
    path = here / "manifest.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    for one in record["files"]:
        one |= {"sha256": sha256(here / one["path"]),
                "bytes": (here / one["path"]).stat().st_size}
    path.write_text(json.dumps(record), encoding="utf-8")
    result = audit_run(folder=here)
    assert result.arithmetic is False
    assert not code or code in faults(result), faults(result)


def test_a_map_alone_is_held_to_the_words_of_a_record(run: Path, tmp_path: Path) -> None:
    held = audit_files(paths=[run / MAP], record=run / "manifest.json")
    assert held.arithmetic is True
    here = Path(shutil.copytree(run, tmp_path / run.name))
    _tag(UNIT="meq/100 g")(here)
    wrong = audit_files(paths=[here / MAP], record=here / "manifest.json")
    assert "audit-raster-words" in faults(wrong)
