"""Rows, quotes and pages of sample tables: the right value or a clear stop.

All samples are invented; the sixteen of the fixtures, whose K adds up to 2874 ppm, are the measure.
"""

from __future__ import annotations

import runpy
import zipfile
from pathlib import Path
from types import SimpleNamespace

import pytest

from vrx.errors import InputError
from vrx.intake import read_soil
from vrx.model import Field

kinds = runpy.run_path(str(Path(__file__).with_name("kinds.py")))
SUM, stop_code, k_sum, written = (kinds[name] for name in ("SUM", "stop_code", "k_sum", "written"))


@pytest.mark.parametrize("note", ['"see remark', '"again'])
def test_an_open_quotation_mark_swallows_no_rows(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, note: str
) -> None:
    lines = [",".join([*make.head, "note"]), *(",".join([*r, ""]) for r in make.sample_rows())]
    lines[6] += note
    path = tmp_path / "q.csv"
    path.write_text("\n".join(lines) + "\n")
    assert stop_code(path, field, make.soil_spec()) == "table-quote-open"
    lines[10] += '"twice'
    path.write_text("\n".join(lines) + "\n")
    assert stop_code(path, field, make.soil_spec()) in {"table-quote-open", "table-broken"}


@pytest.mark.parametrize("note", ['"two\nlines, of text"', '"said ""wet"""', 'only 6" deep'])
def test_a_note_with_quotes_or_lines_is_a_note(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, note: str
) -> None:
    lines = [",".join([*make.head, "note"]), *(",".join([*r, ""]) for r in make.sample_rows())]
    lines[6] += note
    path = tmp_path / "q.csv"
    path.write_text("\n".join(lines) + "\n")
    assert k_sum(read_soil(path=path, field=field, spec=make.soil_spec())) == SUM


def test_columns_parted_by_blanks_stop(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    path = tmp_path / "b.txt"
    path.write_text("\n".join("  ".join(r) for r in [make.head, *make.sample_rows()]))
    assert stop_code(path, field, make.soil_spec()) == "table-not-parted"


@pytest.mark.parametrize("name", [
    "Field average", "Avg (n=16)", "Mean of field", "Sub-total block A", "Std. Deviation",
    "Mittelwert", "Moyenne", "Check sample", "Method blank", "QC-1", "LCS", "Lab control"])
def test_summaries_and_controls_are_no_samples(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, name: str
) -> None:
    """With a place of their own, as formulas dragged over the columns give them."""
    rows = make.sample_rows()
    rows.append([name, *rows[5][1:3], "500"])
    soil = read_soil(path=written(make, tmp_path / "a.csv", rows), field=field,
                     spec=make.soil_spec())
    assert k_sum(soil) == SUM
    told = next(f for f in soil.findings if f.code == "soil-row-not-a-sample")
    assert "row 18" in told.where
    assert name in told.what


def test_a_summary_named_in_another_column(make: SimpleNamespace, field: Field, tmp_path: Path
                                           ) -> None:
    rows = [["A", *r] for r in make.sample_rows()]
    rows.insert(8, ["Block mean", "", *make.sample_rows()[3][1:3], "176"])
    path = written(make, tmp_path / "a.csv", rows, head=["block", *make.head])
    assert k_sum(read_soil(path=path, field=field, spec=make.soil_spec())) == SUM


def test_names_and_notes_that_are_no_summaries(make: SimpleNamespace, field: Field, tmp_path: Path
                                               ) -> None:
    rows = [["Average Joe Farm", f"Meander {n}" if n % 2 else "", *r[1:], "mean of 3 cores", "8 ft"]
            for n, r in enumerate(make.sample_rows())]
    rows = [r for r in rows if r[1]] + [["", *r[1:]] for r in rows if not r[1]]
    path = written(make, tmp_path / "m.csv", rows,
                   head=["farm", *make.head, "remark", "Depth to water"])
    assert k_sum(read_soil(path=path, field=field, spec=make.soil_spec())) == SUM


def test_page_breaks_and_footers(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    rows = make.sample_rows()
    rows[8:8] = [["Page 2 of 3", "", "", ""], ["Invented Lab", "Report 7", "", ""],
                 [h.upper() for h in make.head], ["", "deg", "deg", "ppm"], ["---"] * 4]
    rows += [["Approved by:", "J. Doe", "Lab manager", ""],
             ["As received", " not the lot", " see terms", ""]]
    soil = read_soil(path=written(make, tmp_path / "p.csv", rows), field=field,
                     spec=make.soil_spec())
    assert (k_sum(soil), len(soil.sample_id)) == (SUM, 16)
    assert {"table-headings-again", "soil-note-rows"} <= set(make.codes(soil.findings))


def test_headings_in_another_order_after_a_page_break(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    rows = [[*r, "25"] for r in make.sample_rows()]
    rows[8:] = [["sample_id", "lat", "lon", "P_ppm", "K_ppm"],
                *([*r[:3], "25", r[3]] for r in rows[8:])]
    path = written(make, tmp_path / "p.csv", rows, head=[*make.head, "P_ppm"])
    assert stop_code(path, field, make.soil_spec()) == "table-headings-change"


def test_another_decimal_mark_in_a_column_that_is_not_read(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    rows = [[*(c.replace(".", ",") for c in r), "10.30"] for r in make.sample_rows()]
    path = written(make, tmp_path / "t.csv", rows, head=[*make.head, "time"], delimiter=";")
    assert k_sum(read_soil(path=path, field=field, spec=make.soil_spec())) == SUM
    rows = [[*r[:3], "134,5"] for r in make.sample_rows()]
    path = written(make, tmp_path / "u.csv", rows, delimiter=";")
    assert stop_code(path, field, make.soil_spec()) == "table-decimal-mixed"


@pytest.mark.parametrize(("name", "data", "word"), [
    ("a.csv", b"%PDF-1.7\n", "PDF"), ("a.xls", b"<html><body><table>", "HTML"),
    ("a.txt", b"{\\rtf1 x}", "RTF"), ("a.csv", b"\x89PNG\r\n", "picture"),
    ("a.xls", b'<?xml version="1.0"?>\n<Workbook xmlns="x">', "XML"),
    ("a.ods", "content.xml", "OpenDocument"), ("a.xlsb", "xl/workbook.bin", "xlsb"),
    ("a.csv", "xl/workbook.xml", "suffix .xlsx"), ("a.numbers", "Index/Document.iwa", "another")])
def test_files_that_are_no_tables(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, name: str, data: bytes | str, word: str
) -> None:
    path = tmp_path / name
    if isinstance(data, bytes):
        path.write_bytes(data)
    else:
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr(data, "<a/>")
    with pytest.raises(InputError) as caught:
        read_soil(path=path, field=field, spec=make.soil_spec())
    assert caught.value.code == "table-other-kind"
    assert word in f"{caught.value} {caught.value.hint}"
