"""Workbooks and files that are refused before they can do harm, each with a reason."""

from __future__ import annotations

import io
import os
import re
import time
import zipfile
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vrx.errors import InputError
from vrx.intake import peek_table, read_boundary, read_soil
from vrx.model import Field

openpyxl = pytest.importorskip("openpyxl")


def stopped(**given_: Any) -> InputError:
    with pytest.raises(InputError) as caught:
        read_soil(**given_)
    return caught.value


def workbook(make: SimpleNamespace, path: Path, formulas: dict[str, str] | None = None) -> Path:
    book = openpyxl.Workbook()
    book.active.append([*make.head, "note"])
    for name, lat, lon, k in make.sample_rows():
        book.active.append([name, float(lat), float(lon), int(k), ""])
    for cell, text in (formulas or {}).items():
        book.active[cell] = text
    book.save(path)
    return path


def changed(path: Path, member: str, old: str, new: str) -> Path:
    """The workbook with a text replaced in one of its parts."""
    source = io.BytesIO(path.read_bytes())
    with zipfile.ZipFile(source) as archive, zipfile.ZipFile(path, "w") as made:
        for name in archive.namelist():
            data = archive.read(name)
            if name == member:
                text = data.decode()
                assert old in text
                data = text.replace(old, new, 1).encode()
            made.writestr(name, data)
    return path


SHEET = "xl/worksheets/sheet1.xml"


def test_a_formula_without_a_result_is_named(make: SimpleNamespace, field: Field, tmp_path: Path
                                             ) -> None:
    path = workbook(make, tmp_path / "f.xlsx", {"D3": "=D2*2", "D7": "=D2+1"})
    error = stopped(path=path, field=field, spec=make.soil_spec())
    assert error.code == "workbook-formula-empty"
    assert "D3, D7" in str(error)
    assert "workbook-formula-empty" in make.codes(peek_table(path).findings)
    # In a column that nobody asked for it is told and does no harm.
    path = workbook(make, tmp_path / "n.xlsx", {"E4": "=D2*2"})
    soil = read_soil(path=path, field=field, spec=make.soil_spec())
    assert make.total(soil.columns["potassium"].values) == 2874
    assert "E4" in next(f.what for f in soil.findings if f.code == "workbook-formula-empty")


@pytest.mark.parametrize(("name", "cells"), [
    ("Average", {"D18": "=AVERAGE(D2:D17)"}), ("", {"D18": "=SUM(D2:D17)"}),
    ("", {"D18": "=ROUND(STDEV.S(D$2:D$17),1)", "B18": "=MAX(B2:B17)"}),
    ("Field mean", {"B18": "=AVERAGE(B2:B17)", "C18": "=AVERAGE(C2:C17)", "D18": "=D2*0.5"})])
def test_a_summary_of_formulas_stops_nothing(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, name: str, cells: dict[str, str]
) -> None:
    path = workbook(make, tmp_path / "f.xlsx", {**cells, **({"A18": name} if name else {})})
    soil = read_soil(path=path, field=field, spec=make.soil_spec())
    assert (make.total(soil.columns["potassium"].values), len(soil.sample_id)) == (2874, 16)
    assert "D18" in next(f.what for f in soil.findings if f.code == "workbook-formula-empty")


@pytest.mark.parametrize("formula", ["=AVERAGE(D2:D9)", "=D2*2", "=SUM(D3,D4)"])
def test_a_formula_of_a_sample_still_stops(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, formula: str
) -> None:
    # In a row that has a name and a place of its own, or is nothing but this row's arithmetic.
    path = workbook(make, tmp_path / "f.xlsx", {"D6": formula})
    assert "D6" in str(stopped(path=path, field=field, spec=make.soil_spec()))
    path = workbook(make, tmp_path / "g.xlsx", {"D18": "=SUM(A18:C18)"})
    assert "D18" in str(stopped(path=path, field=field, spec=make.soil_spec()))


def test_a_formula_with_its_stored_result_is_read(make: SimpleNamespace, field: Field,
                                                  tmp_path: Path) -> None:
    path = workbook(make, tmp_path / "f.xlsx", {"D2": "=67*2", "D3": '=""'})
    changed(path, SHEET, '<c r="D2"><f>67*2</f><v /></c>', '<c r="D2"><f>67*2</f><v>134</v></c>')
    changed(path, SHEET, '<c r="D3"><f>""</f><v /></c>',
            '<c r="D3" t="str"><f>""</f><v></v></c>')
    soil = read_soil(path=path, field=field, spec=make.soil_spec())
    # S02 was 233; its formula says the empty text, which is no result.
    assert make.total(soil.columns["potassium"].values) == 2874 - 233
    assert "2 cells are formulas" in next(
        f.what for f in soil.findings if f.code == "workbook-formulas")


def test_a_workbook_that_is_a_bomb(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    path = workbook(make, tmp_path / "b.xlsx")
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive, archive.open(
            "xl/media/huge.xml", "w", force_zip64=True) as stream:
        for _ in range(300):
            stream.write(bytes(1 << 20))
    assert path.stat().st_size < 1 << 20
    error = stopped(path=path, field=field, spec=make.soil_spec())
    assert error.code == "workbook-too-large"
    assert "unpacks to" in str(error)
    path = workbook(make, tmp_path / "w.xlsx", {"XFD2": "1", "A9000": "x"})
    assert stopped(path=path, field=field, spec=make.soil_spec()).code == "workbook-too-large"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_a_workbook_with_a_document_type(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, encoding: str
) -> None:
    path = workbook(make, tmp_path / "x.xlsx")
    source = io.BytesIO(path.read_bytes())
    bomb = '<!DOCTYPE w [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]>'
    with zipfile.ZipFile(source) as archive, zipfile.ZipFile(path, "w") as made:
        for name in archive.namelist():
            data = archive.read(name)
            if name == SHEET:
                data = (bomb + data.decode()).encode(encoding)
            made.writestr(name, data)
    assert stopped(path=path, field=field, spec=make.soil_spec()).code == "xml-doctype"


@pytest.mark.parametrize("suffix", [".csv", ".xlsx", ".xml", ".json", ".geojson", ".gpkg", ".zip"])
def test_a_file_of_more_than_2_gib_is_refused_unread(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, suffix: str
) -> None:
    path = tmp_path / f"huge{suffix}"
    with path.open("wb") as stream:
        # A sparse file: it has the size and takes no room.
        os.truncate(stream.fileno(), (2 << 30) + 1)
    error = stopped(path=path, field=field, spec=make.soil_spec())
    assert error.code == "file-too-large"
    assert "at most 2 GiB" in str(error)
    with pytest.raises(InputError, match="at most 2 GiB"):
        read_boundary(path=path, name="F")


def without_time(path: Path) -> bytes:
    """The workbook's bytes with no time of making in them: alike in every run of a test."""
    made = io.BytesIO()
    with zipfile.ZipFile(path) as archive, zipfile.ZipFile(made, "w") as plain:
        for name in archive.namelist():
            data = archive.read(name)
            if name == "docProps/core.xml":
                data = re.sub(rb"\d{4}-\d\d-\d\dT[\d:]+Z", b"2026-10-01T00:00:00Z", data)
            info = zipfile.ZipInfo(name, (2026, 10, 1, 0, 0, 0))
            plain.writestr(info, data, zipfile.ZIP_DEFLATED)
    return made.getvalue()


def test_the_workbook_to_damage_is_the_same_at_any_time(make: SimpleNamespace, tmp_path: Path,
                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    now = time.time()
    first = without_time(workbook(make, tmp_path / "a.xlsx"))
    later = time.localtime(now + 4e6)
    monkeypatch.setattr(time, "time", lambda: now + 4e6)
    monkeypatch.setattr(time, "localtime", lambda *_: later)
    assert without_time(workbook(make, tmp_path / "b.xlsx")) == first


@settings(max_examples=30, derandomize=True, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_damaged_workbook_is_an_error_of_ours(
    make: SimpleNamespace, field: Field, tmp_path: Path, data: st.DataObject
) -> None:
    path = workbook(make, tmp_path / "f.xlsx", {"E3": "=D2*2"})
    whole = bytearray(without_time(path))
    for _ in range(data.draw(st.integers(1, 3))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(bytes(whole))
    fault = ""
    try:
        count = len(read_soil(path=path, field=field, spec=make.soil_spec()).sample_id)
    except InputError as err:
        count, fault = 0, err.code
    assert fault or 0 < count <= 16
