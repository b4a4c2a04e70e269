"""Task folders that lead out of themselves or claim more than they hold: three readers of them."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from vrx.errors import InputError
from vrx.formats.task_check import judge_task_data
from vrx.formats.task_read import MOST_CELL_BYTES
from vrx.intake import read_task_grids
from vrx.model import Severity

RECORD = """<ISO11783_TaskData VersionMajor="4" VersionMinor="3" \
ManagementSoftwareManufacturer="demo" ManagementSoftwareVersion="0" DataTransferOrigin="1">
 <PFD A="PFD1" C="Field" D="7500"/><PDT A="PDT1" B="0-0-60"/>
 <TSK A="TSK1" B="potash" E="PFD1" G="1">
  <TZN A="1" B="80 lb/ac"><PDV A="0006" B="8967" C="PDT1"/></TZN>
  <GRD A="41.2" B="-96.5" C="0.0002" D="0.00025" E="{columns}" F="{rows}" G="{name}" H="20" I="1"/>
 </TSK>
</ISO11783_TaskData>
"""


def folder(home: Path, *, name: str = "GRD00001", columns: str = "5", rows: str = "4") -> Path:
    tasks = home / "TASKDATA"
    tasks.mkdir()
    (tasks / "TASKDATA.XML").write_text(
        RECORD.format(name=name, columns=columns, rows=rows), encoding="utf-8")
    (tasks / "GRD00001.bin").write_bytes(b"\x01" * 20)
    (home / "GRD00009.bin").write_bytes(b"\x01" * 20)
    return tasks


def test_the_whole_folder_is_read(tmp_path: Path) -> None:
    tasks = folder(tmp_path)
    assert not [one for one in judge_task_data(tasks) if one.severity is Severity.STOP]
    assert len(read_task_grids(path=tasks)) == 1


@pytest.mark.parametrize("name", [
    "../GRD00009", "..\\GRD00009", "/etc/passwd", "GRD00001/../../GRD00009", "GRD00001\n", "",
    "C:GRD00001", "GRD" + "0" * 5000])
def test_grids_outside_the_folder(tmp_path: Path, name: str) -> None:
    tasks = folder(tmp_path, name=name)
    assert any(one.severity is Severity.STOP for one in judge_task_data(tasks))
    if name.strip() == "GRD00001":
        return  # blanks around a name are no way out
    with pytest.raises(InputError):
        read_task_grids(path=tasks)


@pytest.mark.parametrize(("columns", "rows"), [
    ("4294967295", "4294967295"), ("9" * 400, "1"), ("0", "0"), ("-5", "-4"), ("5e0", "4"),
    ("nan", "4"), ("0x5", "4"), ("٥", "٤")])
def test_grids_of_any_size_take_no_room_and_no_time(
    tmp_path: Path, columns: str, rows: str
) -> None:
    tasks = folder(tmp_path, columns=columns, rows=rows)
    begun = time.process_time()
    told = judge_task_data(tasks)
    with pytest.raises(InputError):
        read_task_grids(path=tasks)
    assert time.process_time() - begun < 2.0
    assert any(one.severity is Severity.STOP for one in told)


def test_a_sparse_grid_beyond_the_limit_is_not_read(tmp_path: Path) -> None:
    tasks = folder(tmp_path, columns="20000", rows="20000")
    os.truncate(tasks / "GRD00001.bin", 20000 * 20000)
    assert MOST_CELL_BYTES < 20000 * 20000
    begun = time.process_time()
    assert any(one.severity is Severity.STOP for one in judge_task_data(tasks))
    assert time.process_time() - begun < 2.0


@pytest.mark.parametrize("text", [
    '<!DOCTYPE a [<!ENTITY x "y">]>', '<!DOCTYPE a SYSTEM "file:///etc/passwd">',
    '<!DOCTYPE a [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>'])
def test_entities(tmp_path: Path, text: str) -> None:
    tasks = folder(tmp_path)
    record = tasks / "TASKDATA.XML"
    record.write_text(text + record.read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_task_grids(path=tasks)
    assert caught.value.code == "xml-doctype"
    assert [one.code for one in judge_task_data(tasks)] == ["xml-doctype"]
