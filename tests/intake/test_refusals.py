"""Workbooks and files that are refused before they can do harm, each with a reason."""

from __future__ import annotations

import io
import os
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


@settings(max_examples=30, derandomize=True, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_damaged_workbook_is_an_error_of_ours(
    make: SimpleNamespace, field: Field, tmp_path: Path, data: st.DataObject
) -> None:
    path = workbook(make, tmp_path / "f.xlsx", {"E3": "=D2*2"})
    whole = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 3))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(bytes(whole))
    fault = ""
    try:
        count = len(read_soil(path=path, field=field, spec=make.soil_spec()).sample_id)
    except InputError as err:
        count, fault = 0, err.code
    assert fault or 0 < count <= 16
