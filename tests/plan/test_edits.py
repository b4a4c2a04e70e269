"""The file of edits: every fault of it by name, nothing lost, one writer."""

from __future__ import annotations

import json
import multiprocessing
import os
import time
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock

from vrx.errors import PlanError
from vrx.plan.edits import (
    EDITS_NAME,
    EditLog,
    append_record,
    edits_path,
    read_edits,
    set_aside,
)
from vrx.plan.lock import LOCK_NAME, plan_lock

ZONES, RATES = "a" * 24, "b" * 24
START = f"{ZONES}-{RATES}"


def rate(zone_id: int = 3, *, on: str = START, state: str | None = None, **more: Any) -> dict[
        str, Any]:
    return {"on": on, "op": "rate", "zone_id": zone_id, "pass_id": "spring", "rate": 120.0,
            "unit": "lb/ac", "material": "muriate of potash 0-0-60", "reason": "trial strip",
            "words": "", "geometry": "c" * 24, "state": state or f"{ZONES}-{zone_id:024x}", **more}


def write(folder: Path, *told: dict[str, Any]) -> EditLog:
    log = read_edits(folder)
    for one in told:
        with plan_lock(edits_path(folder)):
            log = append_record(read_edits(folder), one)
    return log


def lines(folder: Path) -> list[str]:
    return (folder / EDITS_NAME).read_text(encoding="utf-8").splitlines()


def chain(folder: Path, count: int) -> EditLog:
    told, on = [], START
    for n in range(1, count + 1):
        told.append(rate(n, on=on))
        on = told[-1]["state"]
    return write(folder, *told)


def test_records_come_back_as_they_were_written(tmp_path: Path) -> None:
    written = chain(tmp_path, 3)
    again = read_edits(tmp_path)
    assert again.records == written.records
    assert (again.cursor, again.tip, again.undo_to, again.redo_to) == (3, 3, 2, None)
    assert [one.seq for one in again.path()] == [1, 2, 3]
    assert not (tmp_path / LOCK_NAME).exists()
    assert again.findings == ()


def test_no_file_is_no_edits(tmp_path: Path) -> None:
    log = read_edits(tmp_path)
    assert (log.records, log.cursor, log.undo_to, log.redo_to) == ((), 0, None, None)
    (tmp_path / EDITS_NAME).write_bytes(b"")
    assert read_edits(tmp_path).records == ()


def test_a_new_edit_after_undo_leaves_the_old_branch_in_the_file(tmp_path: Path) -> None:
    log = chain(tmp_path, 3)
    log = write(tmp_path, {"on": log.records[2].state, "op": "go", "to": 2,
                           "state": log.records[1].state})
    assert (log.cursor, log.redo_to) == (2, 3)
    log = write(tmp_path, {"on": log.records[1].state, "op": "go", "to": 1,
                           "state": log.records[0].state})
    assert (log.cursor, log.redo_to) == (1, 2)
    log = write(tmp_path, rate(9, on=log.records[0].state))
    assert [one.seq for one in log.path()] == [1, 6]
    assert log.redo_to is None
    assert len(lines(tmp_path)) == 6
    assert [one.seq for one in read_edits(tmp_path).path(3)] == [1, 2, 3]


@pytest.mark.parametrize("ended", [True, False])
def test_a_file_cut_at_every_byte_of_its_last_record(tmp_path: Path, ended: bool) -> None:
    chain(tmp_path, 3)
    whole = (tmp_path / EDITS_NAME).read_bytes()
    start = whole[:-1].rfind(b"\n") + 1
    for length in range(start, len(whole) + 1):
        (tmp_path / EDITS_NAME).write_bytes(whole[:length])
        log = read_edits(tmp_path)
        kept = 3 if length >= len(whole) - 1 else 2
        assert len(log.records) == kept, length
        assert log.torn == (0 if kept == 3 else length - start)
        assert [one.code for one in log.findings] == ["edits-torn"] * bool(log.torn)
        if ended:
            after = write(tmp_path, rate(7, on=log.records[-1].state))
            assert len(after.records) == kept + 1
            assert read_edits(tmp_path).records == after.records
            assert (tmp_path / EDITS_NAME).read_bytes().startswith(whole[:start])
            assert read_edits(tmp_path).torn == 0


def broken(line: str, **changed: Any) -> str:
    return json.dumps({**json.loads(line), **changed})


@pytest.mark.parametrize(("make", "told"), [
    (lambda line: broken(line, op="explode"), "op is 'explode'"),
    (lambda line: broken(line, op=["rate"]), "op is"),
    (lambda _: "[1, 2]", "is no record"),
    (lambda _: "", "is no record"),
    (lambda _: "\x00" * 40, "is no record"),
    (lambda _: "<<<<<<< ours", "is no record"),
    (lambda line: line.replace("120.0", "NaN"), "NaN is no number"),
    (lambda line: line.replace("120.0", "Infinity"), "Infinity is no number"),
    (lambda line: line.replace("120.0", "1e999"), "rate"),
    (lambda line: line.replace("120.0", "-1.0"), "rate"),
    (lambda line: line.replace("120.0", '"120"'), "rate"),
    (lambda line: line.replace("120.0", "true"), "rate"),
    (lambda line: line.replace("120.0", "9" * 5000), "edits.jsonl line 2"),
    (lambda line: line.replace('"seq": 2', '"seq": 2, "seq": 2'), "twice"),
    (lambda line: broken(line, seq=3), "seq is 3, it should be 2"),
    (lambda line: broken(line, seq=0), "seq"),
    (lambda line: broken(line, seq=2.0), "seq"),
    (lambda line: broken(line, after=0), "after is 0"),
    (lambda line: broken(line, on=f"{ZONES}-{'9' * 24}"), "another state than that of record 1"),
    (lambda line: broken(line, on="../../etc"), "on"),
    (lambda line: broken(line, state=f"{'9' * 24}-{RATES}"), "changes zones by an edit of a rate"),
    (lambda line: broken(line, color="red"), "color"),
    (lambda line: json.dumps({k: v for k, v in json.loads(line).items() if k != "reason"}),
     "reason"),
    (lambda line: broken(line, words="x" * 5000), "words"),
    (lambda line: broken(line, zone_id=-1), "zone_id"),
    (lambda _: "[" * 100_000, "edits.jsonl line 2"),
    (lambda _: '{"op": "split", "line": [[1, 2]]}', "edits.jsonl line 2"),
], ids=range(27))
def test_any_other_bad_line_stops_with_file_and_line(
    tmp_path: Path, make: Any, told: str
) -> None:
    chain(tmp_path, 3)
    rows = lines(tmp_path)
    rows[1] = make(rows[1])
    (tmp_path / EDITS_NAME).write_text("\n".join([*rows, ""]), encoding="utf-8")
    before = (tmp_path / EDITS_NAME).read_bytes()
    with pytest.raises(PlanError) as caught:
        read_edits(tmp_path)
    assert caught.value.code == "edits-line"
    assert "edits.jsonl line 2" in str(caught.value)
    assert told in str(caught.value)
    assert "--set-aside" in caught.value.hint
    assert len(str(caught.value)) < 1500
    assert (tmp_path / EDITS_NAME).read_bytes() == before


@pytest.mark.parametrize("changed", [
    {"to": 9}, {"to": 2, "state": START}, {"to": -1}, {"state": f"{ZONES}-{'9' * 24}"}])
def test_a_cursor_goes_only_to_an_edit_and_its_state(
    tmp_path: Path, changed: dict[str, Any]
) -> None:
    log = chain(tmp_path, 2)
    go = {"on": log.records[1].state, "op": "go", "to": 1, "state": log.records[0].state}
    with pytest.raises(PlanError, match="line 3"):
        write(tmp_path, {**go, **changed})
    assert len(lines(tmp_path)) == 2
    write(tmp_path, go)
    with pytest.raises(PlanError, match="no edit before it"):
        write(tmp_path, {**go, "on": log.records[0].state, "to": 3})


def test_not_utf_8_a_folder_and_a_pipe(tmp_path: Path) -> None:
    file = tmp_path / EDITS_NAME
    file.write_bytes(b'\xff\xfe{"seq": 1}\n')
    with pytest.raises(PlanError, match="line 1"):
        read_edits(tmp_path)
    file.unlink()
    file.mkdir()
    with pytest.raises(PlanError, match="not a file"):
        read_edits(tmp_path)
    file.rmdir()
    os.mkfifo(file)
    with pytest.raises(PlanError, match="not a file"):
        read_edits(tmp_path)


def test_sizes_have_limits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    chain(tmp_path, 2)
    size = (tmp_path / EDITS_NAME).stat().st_size
    monkeypatch.setattr("vrx.plan.edits.MOST_LINE_BYTES", 100)
    with pytest.raises(PlanError, match="line 1: has more than"):
        read_edits(tmp_path)
    monkeypatch.undo()
    monkeypatch.setattr("vrx.plan.edits.MOST_BYTES", size)
    log = read_edits(tmp_path)
    with pytest.raises(PlanError) as caught:
        write(tmp_path, rate(3, on=log.records[1].state))
    assert caught.value.code == "edits-size"
    assert (tmp_path / EDITS_NAME).stat().st_size == size
    monkeypatch.setattr("vrx.plan.edits.MOST_BYTES", size - 1)
    with pytest.raises(PlanError) as caught:
        read_edits(tmp_path)
    assert caught.value.code == "edits-size"


def test_what_is_no_number_is_never_written(tmp_path: Path) -> None:
    chain(tmp_path, 1)
    before = (tmp_path / EDITS_NAME).read_bytes()
    for wrong in (float("nan"), float("inf"), -1.0, 1e300):
        with pytest.raises(PlanError) as caught:
            write(tmp_path, rate(2, on=read_edits(tmp_path).records[0].state, rate=wrong))
        assert caught.value.code == "edits-line"
    with pytest.raises(PlanError):
        write(tmp_path, rate(2, words="\ud800", on=read_edits(tmp_path).records[0].state))
    assert (tmp_path / EDITS_NAME).read_bytes() == before


def test_a_disk_that_is_full_leaves_the_file_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = chain(tmp_path, 2)
    before = (tmp_path / EDITS_NAME).read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("vrx.plan.edits.os.fsync", full)
    with pytest.raises(PlanError, match="No space left"):
        write(tmp_path, rate(3, on=log.records[1].state))
    assert (tmp_path / EDITS_NAME).read_bytes() == before


def test_set_aside_keeps_every_file(tmp_path: Path) -> None:
    with pytest.raises(PlanError) as caught:
        set_aside(tmp_path)
    assert caught.value.code == "edits-none"
    kept = []
    for count in (1, 2):
        chain(tmp_path, count)
        kept.append((tmp_path / EDITS_NAME).read_bytes())
        target = set_aside(tmp_path)
        assert target.name == f"edits-set-aside-{count}.jsonl"
        assert target.read_bytes() == kept[-1]
        assert read_edits(tmp_path).records == ()
    assert (tmp_path / "edits-set-aside-1.jsonl").read_bytes() == kept[0]


def _writer(folder: str, count: int) -> None:
    for _ in range(count):
        with plan_lock(edits_path(Path(folder))):
            log = read_edits(Path(folder))
            on = log.records[-1].state if log.records else START
            append_record(log, rate(len(log.records) + 1, on=on, words=str(os.getpid())))


def test_two_writers_take_turns(tmp_path: Path) -> None:
    context = multiprocessing.get_context("fork")
    both = [context.Process(target=_writer, args=(str(tmp_path), 20)) for _ in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join(60)
        assert one.exitcode == 0
    log = read_edits(tmp_path)
    assert [one.seq for one in log.records] == list(range(1, 41))
    assert len({getattr(one, "words", "") for one in log.records}) == 2


def test_one_lock_for_plan_and_edits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vrx.plan.lock._WAIT_S", 0.1)
    with FileLock(tmp_path / LOCK_NAME), pytest.raises(PlanError) as caught:
        write(tmp_path, rate())
    assert caught.value.code == "plan-locked"
    assert not (tmp_path / EDITS_NAME).exists()


def test_only_what_is_new_is_read_again(tmp_path: Path) -> None:
    first = chain(tmp_path, 2)
    chain_on = write(tmp_path, rate(3, on=first.records[1].state))
    again = read_edits(tmp_path, known=first)
    assert again.records == chain_on.records
    assert again.records[0] is first.records[0]
    # A file that was put back to an earlier one is read anew.
    (tmp_path / EDITS_NAME).write_text(lines(tmp_path)[0] + "\n", encoding="utf-8")
    assert len(read_edits(tmp_path, known=again).records) == 1
    # So is one whose last line had no end yet.
    (tmp_path / EDITS_NAME).write_text(lines(tmp_path)[0], encoding="utf-8")
    unended = read_edits(tmp_path)
    assert len(unended.records) == 1
    write(tmp_path, rate(5, on=unended.records[0].state))
    assert len(read_edits(tmp_path, known=unended).records) == 2


def test_ten_thousand_records_are_read_in_a_moment(tmp_path: Path) -> None:
    on, told = START, []
    for seq in range(1, 10_001):
        one = rate(seq, on=on)
        told.append(json.dumps({"seq": seq, "after": seq - 1, **one}))
        on = one["state"]
    (tmp_path / EDITS_NAME).write_text("\n".join([*told, ""]), encoding="utf-8")
    start = time.process_time()
    log = read_edits(tmp_path)
    took = time.process_time() - start
    assert log.cursor == 10_000
    assert len(log.path()) == 10_000
    # Against the time of parsing the same lines as JSON, so that a slow machine does not count.
    start = time.process_time()
    for line in lines(tmp_path):
        json.loads(line)
    assert took < 20 * (time.process_time() - start) + 0.2
    start = time.process_time()
    write(tmp_path, rate(5, on=on))
    read_edits(tmp_path, known=log)
    assert time.process_time() - start < 3.0
