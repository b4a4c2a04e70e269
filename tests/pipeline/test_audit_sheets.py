"""What is bought, bids and irrigation schedules of real runs, worked out again by the audit.

Every number of every table is changed once, in a copy whose job record takes the new bytes: nothing
but arithmetic can tell. The figures that a person can check by hand stand below with their sum.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from vrx.audit import _bids, _buying, _geojson, _record, _schedule, _sheet, audit_run
from vrx.audit._ledger import Ledger
from vrx.pipeline import RunResult

TABLES = ("buying.csv", "bids.csv", "irrigation_stubble-2.csv")


@pytest.fixture(scope="module")
def kettle(runs: dict[str, RunResult]) -> Path:
    return runs["kettle"].folder


@lru_cache(maxsize=2)
def read(run: Path, record: str) -> tuple[_record.RunRecord, _sheet.Amounts]:
    parsed = _record.parse(record.encode(), Ledger())
    assert parsed is not None
    layer = _geojson.read((run / "prescription.geojson").read_bytes(), "g", Ledger())
    return parsed, _sheet.amounts(layer, parsed)


def judge(run: Path, name: str, data: bytes, record: dict[str, Any] | None = None) -> Ledger:
    """Only the table's own check, by rates and acres of the GeoJSON."""
    ledger = Ledger()
    text = (run / "manifest.json").read_text(encoding="utf-8") if record is None else (
        json.dumps(record))
    parsed, given = read(run, text)
    if name == "buying.csv":
        _buying.check(data, parsed, given, ledger)
    elif name == "bids.csv":
        _bids.check(data, parsed, given, ledger)
    else:
        (block,) = parsed.irrigation
        line = next(one for one in parsed.passes if one.pass_id == block["pass_id"])
        _schedule.check(data, name, block, line, given=given, ledger=ledger)
    return ledger


def agrees(ledger: Ledger) -> bool:
    return bool(ledger.result("x", record=True).arithmetic)


def rows_of(path: Path) -> list[list[str]]:
    return list(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline="")))


def written(table: list[list[str]]) -> bytes:
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\r\n").writerows(table)
    return stream.getvalue().encode("utf-8-sig")


def is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


@pytest.mark.parametrize("name", TABLES)
def test_a_clean_table_agrees_and_compares_all_its_rows(kettle: Path, name: str) -> None:
    ledger = judge(kettle, name, (kettle / name).read_bytes())
    assert [row for row in ledger.rows if not row.agrees] == []
    assert ledger.faults == []
    told = " ".join(row.where for row in ledger.rows)
    for k, row in enumerate(rows_of(kettle / name)[1:], 2):
        assert {"buying.csv": row[3], "bids.csv": f"row {k},"}.get(name, f"step {row[0]}") in told


@pytest.mark.parametrize("name", TABLES)
@pytest.mark.parametrize("factor", [1.01, 0.999])
def test_every_number_that_is_changed_is_told(kettle: Path, name: str, factor: float) -> None:
    table = rows_of(kettle / name)
    tried = 0
    for k, row in enumerate(table[1:], 1):
        for c, cell in enumerate(row):
            if not is_number(cell):
                continue
            changed = [list(one) for one in table]
            value = float(cell) * factor
            changed[k][c] = f"{value:.12g}" if float(cell) else "5"
            tried += 1
            assert not agrees(judge(kettle, name, written(changed))), (row, table[0][c])
    assert tried > 60


@pytest.mark.parametrize(("name", "column", "cell"), [
    ("buying.csv", "field", "Lower kettle"), ("buying.csv", "field", ""),
    ("buying.csv", "season", "1999"), ("bids.csv", "field", "Lower kettle"),
    ("bids.csv", "season", ""), ("irrigation_stubble-2.csv", "day", "2")])
def test_another_field_season_or_day_is_told(
    kettle: Path, name: str, column: str, cell: str
) -> None:
    table = rows_of(kettle / name)
    at = table[0].index(column)
    for k in range(1, len(table)):
        changed = [list(one) for one in table]
        changed[k][at] = cell
        ledger = judge(kettle, name, written(changed))
        assert not agrees(ledger)
        told = [one for one in ledger.faults if one.code == "audit-sheet"]
        assert told, table[k]
        if name != TABLES[2]:
            assert f"row {k + 1}, column {column}" in told[0].where
            assert repr(cell) in told[0].what


@pytest.mark.parametrize("name", TABLES)
def test_rows_that_are_missing_double_or_new_are_told(kettle: Path, name: str) -> None:
    table = rows_of(kettle / name)
    for k in range(1, len(table)):
        assert not agrees(judge(kettle, name, written([*table[:k], *table[k + 1 :]]))), table[k]
        assert not agrees(judge(kettle, name, written([*table[: k + 1], *table[k:]]))), table[k]


@pytest.mark.parametrize("name", TABLES)
@pytest.mark.parametrize("spoil", [
    lambda data: data[: len(data) // 2], lambda _: b"", lambda _: b"\xff\xfe\x00",
    lambda data: data.replace(b",", b";"), lambda data: data + b"one,cell\r\n"])
def test_damaged_tables_are_faults_and_no_crash(
    kettle: Path, name: str, spoil: Callable[[bytes], bytes]
) -> None:
    assert not agrees(judge(kettle, name, spoil((kettle / name).read_bytes())))


def edit(path: list[Any], factor: float) -> Callable[[dict[str, Any]], None]:
    def change(record: dict[str, Any]) -> None:
        node: Any = record
        for key in path[:-1]:
            node = node[key]
        node[path[-1]] *= factor
    return change


@pytest.mark.parametrize(("name", "path"), [
    ("buying.csv", ["money", "buying", 0, key]) for key in (
        "net", "bought", "usd_per_unit", "usd_net", "usd_bought", "lb_per_unit", "k2o_lb",
        "packages", "package_size", "loads", "load_size")
] + [("buying.csv", ["money", "tank_fills", 0, key]) for key in ("tank", "fills")] + [
    ("irrigation_stubble-2.csv", ["irrigation", 0, key]) for key in (
        "total_gal", "order_gal", "flow_gpm", "efficiency_pct", "tank_gal", "clean_before_h")
] + [("irrigation_stubble-2.csv", ["irrigation", 0, "legs", 1, key]) for key in (
        "wetted_ac", "hours", "wanted_gal_per_ac", "gallons", "gross_in")
] + [("bids.csv", ["money", "bids", k, "usd_delivered"]) for k in (0, 1, 2)])
def test_a_record_that_was_changed_beside_its_table_is_told(
    kettle: Path, name: str, path: list[Any]
) -> None:
    record = json.loads((kettle / "manifest.json").read_text(encoding="utf-8"))
    edit(path, 1.02)(record)
    assert not agrees(judge(kettle, name, (kettle / name).read_bytes(), record))


def test_amounts_by_hand(kettle: Path) -> None:
    """50,295.1527 lb + 1 % = 50,798.104 lb, 102 steps of 500 lb = 51,000 lb = 25.5 short tons, at
    480 USD 12,240; 2 truck loads of 26,000 lb, the second 25,000; 625 gal + 2 % in 3 totes of 275
    gal = 825 gal x 12.2 lb; a pound of K2O in 51,000 lb of 0-0-60 for 12,240 USD costs 0.40."""
    ledger = judge(kettle, "buying.csv", (kettle / "buying.csv").read_bytes())

    def expected(what: str, where: str) -> Any:
        (row,) = [one for one in ledger.rows if one.what == what and where in one.where]
        return row.expected

    potash, thio = "0-0-60, ", "0-0-25-17S, "
    assert expected("buying, amount", f"{potash}to buy") == pytest.approx(51000)
    assert expected("buying, short_tons", f"{potash}to buy") == pytest.approx(25.5)
    assert expected("buying, usd", f"{potash}to buy") == pytest.approx(12240)
    assert expected("buying, amount", f"{potash}truck loads") == pytest.approx(25000)
    assert expected("buying, amount", f"{thio}to buy") == pytest.approx(825)
    assert expected("buying, lb", f"{thio}to buy") == pytest.approx(825 * 12.2)
    bids = judge(kettle, "bids.csv", (kettle / "bids.csv").read_bytes())
    (row,) = [one for one in bids.rows
              if one.what == "bid, usd_per_lb_k2o" and "row 2," in one.where]
    assert row.expected == pytest.approx(12240 / (51000 * 0.6))
    water = judge(kettle, TABLES[2], (kettle / TABLES[2]).read_bytes())
    (row,) = [one for one in water.rows
              if one.what == "schedule, gross_in" and "step 3," in one.where]
    # 900 gpm for 18.75 h on 78.1239 ac; 452.571 gpm put on an acre-inch in an hour.
    assert row.expected == pytest.approx(900 * 18.75 / (452.571 * 78.123869), rel=1e-6)


@pytest.mark.parametrize("name", ["kettle", "long-eighty", "bench"])
def test_the_audit_of_a_whole_run_works_the_tables_out(
    runs: dict[str, RunResult], name: str
) -> None:
    run = runs[name].folder
    result = audit_run(folder=run)
    assert [row for row in result.rows if not row.agrees] == []
    assert result.arithmetic
    record = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    told = " ".join(row.where for row in result.rows)
    for one in record["files"]:
        if one["path"] in ("buying.csv", "bids.csv") and len(rows_of(run / one["path"])) > 1:
            assert one["path"] in told
        assert not one["path"].startswith("irrigation_") or one["path"] in told


def test_a_table_that_was_changed_and_sealed_is_told_by_the_whole_audit(
    kettle: Path, tmp_path: Path
) -> None:
    for name in TABLES:
        run = Path(shutil.copytree(kettle, tmp_path / name / kettle.name))
        path = run / name
        text = path.read_text(encoding="utf-8-sig")
        old = {"buying.csv": "51000.0", "bids.csv": "12240.0"}.get(name, "390.61935")
        assert old in text
        path.write_text(text.replace(old, "1" + old), encoding="utf-8-sig", newline="")
        record = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
        for one in record["files"]:
            data = (run / one["path"]).read_bytes()
            one |= {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
        (run / "manifest.json").write_text(json.dumps(record), encoding="utf-8")
        result = audit_run(folder=run)
        assert result.arithmetic is False
        assert any(name in row.where for row in result.rows if not row.agrees)


def test_a_run_with_task_data_is_judged_as_a_run(kettle: Path, tmp_path: Path) -> None:
    """A run folder that holds TASKDATA is no task folder: its own job record goes first."""
    from vrx.pipeline.audit import is_run

    run = Path(shutil.copytree(kettle, tmp_path / kettle.name))
    (run / "TASKDATA").mkdir()
    (run / "TASKDATA" / "TASKDATA.XML").write_text("<x/>", encoding="utf-8")
    assert is_run(run)
    (run / "manifest.json").unlink()
    assert not is_run(run)
