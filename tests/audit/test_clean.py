"""A clean run agrees in full, and the result is fit to be printed and kept."""

from __future__ import annotations

import dataclasses
import json
import math
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from audit_builders import ACRE_M2, A, K, Run, acres, frame, order_csv, polygons

from vrx.audit import audit_file, audit_run
from vrx.errors import InputError
from vrx.model import Severity


def test_a_clean_run_agrees_in_full_by_run_and_by_output_folder(run: Run) -> None:
    for folder in (run.folder, run.output):
        result = audit_run(folder=folder)
        assert [row for row in result.rows if not row.agrees] == []
        assert result.faults == ()
        assert (result.arithmetic, result.trade, result.agrees) == (True, None, True)
        assert result.subject == run.folder.name


def test_the_boundary_agrees_with_the_zones(run: Run, tmp_path: Path) -> None:
    edge = frame().dissolve()[["geometry"]]
    edge.to_file(tmp_path / "boundary.geojson", driver="GeoJSON", RFC7946="YES",
                 COORDINATE_PRECISION=9)
    result = audit_run(folder=run.folder, boundary=tmp_path / "boundary.geojson")
    assert result.arithmetic is True
    assert sum(row.what == "field in no zone" for row in result.rows) == 2


def test_acres_against_geographiclib(run: Run) -> None:
    """Karney's geodesic polygon area, in GeographicLib's own port, zone by zone (1e-9)."""
    result = audit_file(path=run.geojson)
    found = [row.found for row in result.rows if row.what == "acres"]
    wanted = [acres(shape) for shape in polygons()]
    assert found == pytest.approx(wanted, rel=1e-9)
    equal_area_m2 = frame().geometry.to_crs(6933).area.sum()
    assert sum(wanted) == pytest.approx(equal_area_m2 / ACRE_M2, rel=1e-6)


def test_totals_of_a_lone_file_by_hand(run: Run) -> None:
    result = audit_file(path=run.shp)
    wanted = sum(
        rate * acres(shape)
        for rate, shape in zip(frame()[K], polygons(), strict=True)
    )
    total = next(r for r in result.rows if r.what == "total" and r.where.endswith(K))
    assert total.unit == "lb"
    assert total.found == pytest.approx(wanted, rel=1e-9)
    assert result.arithmetic is None
    assert result.agrees


def test_rows_carry_their_own_verdict(run: Run) -> None:
    run.edit_record(lambda record: record["passes"][0].update(step=9.0))
    run.seal()
    result = audit_run(folder=run.folder)
    assert result.arithmetic is False
    checked = 0
    for row in result.rows:
        if row.difference is not None and row.tolerance is not None:
            assert row.agrees == (abs(row.difference) <= row.tolerance * (1 + 1e-9))
            checked += 1
    assert checked > 50


def test_the_json_is_strict_and_sorted(run: Run) -> None:
    run.part(".dbf").write_bytes(run.part(".dbf").read_bytes()[:-40])
    result = audit_run(folder=run.folder)
    text = json.dumps(result.to_json(), allow_nan=False)
    assert json.dumps(result.to_json(), allow_nan=False, sort_keys=True) == text
    assert json.loads(text)["arithmetic"] is False


def test_the_result_is_frozen_and_repeats(run: Run) -> None:
    first, second = audit_run(folder=run.folder), audit_run(folder=run.folder)
    assert first == second
    with pytest.raises(dataclasses.FrozenInstanceError):
        first.trade = True  # type: ignore[misc]


def test_the_audit_writes_nothing(run: Run) -> None:
    before = {p: p.stat().st_mtime_ns for p in sorted(run.output.rglob("*"))}
    audit_run(folder=run.output)
    audit_file(path=run.shp)
    assert {p: p.stat().st_mtime_ns for p in sorted(run.output.rglob("*"))} == before


def test_an_audit_takes_less_than_half_a_second(run: Run) -> None:
    audit_run(folder=run.folder)
    start = time.perf_counter()
    audit_run(folder=run.folder)
    assert time.perf_counter() - start < 0.5


def test_the_readers_are_loaded_only_when_used() -> None:
    code = (
        "import sys, vrx.audit\n"
        "print([m for m in ('shapefile', 'fiona', 'pyproj', 'pyogrio') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    # pyproj is the business of vrx.geo, which vrx.audit does not import.
    assert done.stdout.strip() == "[]"


def test_a_copy_with_a_number_is_the_same_run(run: Run) -> None:
    copy = run.output / f"{run.folder.name}-2"
    shutil.copytree(run.folder, copy)
    result = audit_run(folder=copy)
    assert result.arithmetic is True
    assert [f.code for f in result.faults] == ["audit-not-current"]
    assert result.faults[0].severity is Severity.NOTE


@pytest.mark.parametrize("make", ["nothing", "empty", "file"])
def test_no_job_record_is_an_input_error(tmp_path: Path, make: str) -> None:
    target = tmp_path / "x"
    if make == "empty":
        target.mkdir()
    if make == "file":
        target.write_text("", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        audit_run(folder=target)
    assert caught.value.code in {"audit-no-folder", "audit-no-manifest"}
    assert caught.value.hint
    assert str(target) in str(caught.value)


@pytest.mark.parametrize("bad", [-1.0, math.nan, "1"])
def test_an_arithmetic_tolerance_that_is_none(run: Run, bad: float) -> None:
    with pytest.raises(InputError, match="arithmetic tolerance"):
        audit_run(folder=run.folder, arithmetic_tolerance_pct=bad)


def test_a_pass_of_rate_zero_needs_no_order_line(run: Run) -> None:
    run.edit_both(lambda data: data.assign(**{A: 0.0}))

    def change(record: dict[str, Any]) -> None:
        one = record["passes"][1]
        for zone in one["steps"]:
            zone["steps"] = 0
        one.update(prescription_total=0.0, order_total=0.0)
        record["order"].pop(1)
        sulfur = record["passes"][2]["s_lb_per_unit"] * 5.0
        for zone in record["nutrients"][1]["zones"]:
            zone["brought_lb_per_ac"] = sulfur
    run.edit_record(change)
    (run.folder / "order.csv").write_text(order_csv(run.record()["order"]), encoding="utf-8")
    run.seal()
    result = audit_run(folder=run.folder)
    assert result.arithmetic is True, [row for row in result.rows if not row.agrees]


@pytest.mark.parametrize(("usd_per_lb", "agrees"), [(0.2449, True), (0.2451, True), (0.26, False)])
def test_a_price_note_is_rounded_and_the_money_is_not(
    run: Run, usd_per_lb: float, agrees: bool
) -> None:
    def change(record: dict[str, Any]) -> None:
        line = record["order"][0]
        line.update(usd=line["lb"] * usd_per_lb, price_note="0.24 usd per lb, as of 2026-11-01")
        if usd_per_lb > 0.245:
            line["price_note"] = "0.25 usd per lb, as of 2026-11-01"
    run.edit_record(change)
    (run.folder / "order.csv").write_text(order_csv(run.record()["order"]), encoding="utf-8")
    run.seal()
    result = audit_run(folder=run.folder)
    assert result.arithmetic is agrees
    assert [row.what for row in result.rows if not row.agrees] == ([] if agrees else ["order, usd"])
