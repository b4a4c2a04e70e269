"""Kinds of trouble in sample tables, each in several spellings: the right value or a clear stop.

All samples are invented; the sixteen of the fixtures, whose K adds up to 2874 ppm, are the measure.
"""

from __future__ import annotations

import zipfile
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyproj
import pytest

from vrx.errors import InputError
from vrx.intake import ColumnSpec, SoilSpec, read_soil
from vrx.model import Field, SoilTable

SUM = 2874


def written(make: SimpleNamespace, path: Path, rows: Sequence[Sequence[str]], **how: Any) -> Path:
    made: Path = make.write_csv(path, rows, **how)
    return made


def stop_code(path: Path, field: Field, spec: SoilSpec) -> str:
    with pytest.raises(InputError) as caught:
        read_soil(path=path, field=field, spec=spec)
    assert path.name in str(caught.value)
    return caught.value.code


def k_sum(soil: SoilTable) -> float:
    return float(np.nansum(soil.columns["potassium"].values))


def in_column(make: SimpleNamespace, cell: str, row: int = 4) -> list[list[str]]:
    rows: list[list[str]] = make.sample_rows()
    rows[row][3] = cell
    return rows


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


@pytest.mark.parametrize("heading", [
    "K kg/ha", "K_kg_ha", "K (g/kg)", "K mg/100 g", "K (%)", "%K", "K_pct", "K meq", "K lbs",
    "K #/A", "K ppb", "K (meq/L)", "K (LBS/A)", "K [cmol/kg]"])
def test_a_unit_in_the_heading_contradicts_the_plan(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, heading: str
) -> None:
    path = written(make, tmp_path / "h.csv", make.sample_rows(), head=[*make.head[:3], heading])
    spec = make.soil_spec({"potassium": make.k_column(heading)})
    assert stop_code(path, field, spec) == "soil-unit-conflict"


@pytest.mark.parametrize("unit", ["lb/ac", "(lb/ac)", "kg/ha", "[mg/100g]"])
@pytest.mark.parametrize("before", [[], ["Mehlich 3"]])
def test_a_units_row_of_any_spelling_counts(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, unit: str, before: list[str]
) -> None:
    head = [*make.head[:3], "K"]
    rows = [*(["", "", "", word] for word in before), ["No.", "deg", "deg", unit],
            *make.sample_rows()]
    path = written(make, tmp_path / "u.csv", rows, head=head)
    spec = make.soil_spec({"potassium": make.k_column("K")})
    assert stop_code(path, field, spec) == "soil-unit-conflict"
    rows[len(before)][3] = "(ppm)"
    path = written(make, tmp_path / "v.csv", rows, head=head)
    assert k_sum(read_soil(path=path, field=field, spec=spec)) == SUM


@pytest.mark.parametrize(("heading", "ok"), [
    ("K Olsen ppm", False), ("K Mehlich-1 (ppm)", False), ("NH4OAc K (ppm)", False),
    ("M3 K ppm", True), ("K Mehlich III (ppm)", True)])
def test_an_extractant_in_the_heading(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, heading: str, ok: bool
) -> None:
    path = written(make, tmp_path / "x.csv", make.sample_rows(), head=[*make.head[:3], heading])
    spec = make.soil_spec({"potassium": make.k_column(heading)})
    if ok:
        assert k_sum(read_soil(path=path, field=field, spec=spec)) == SUM
    else:
        assert stop_code(path, field, spec) == "soil-extractant-conflict"


@pytest.mark.parametrize(("heading", "form", "code"), [
    ("SO4 (ppm)", "SO4-S", "soil-form-heading"), ("S ppm", "SO4", "soil-form-heading"),
    ("SO4 as S", "SO4", "soil-form-conflict"), ("Sulphate-S", "SO4", "soil-form-conflict")])
def test_sulfate_or_its_sulfur_in_the_heading(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, heading: str, form: str, code: str
) -> None:
    rows = [[*r, "9"] for r in make.sample_rows()]
    path = written(make, tmp_path / "s.csv", rows, head=[*make.head, heading])
    spec = make.soil_spec({"sulfate": ColumnSpec(
        column=heading, unit="ppm", form=form, extractant="calcium phosphate",
        depth_in=(0.0, 6.0))})
    if code.endswith("conflict"):
        assert stop_code(path, field, spec) == code
    else:
        assert code in make.codes(read_soil(path=path, field=field, spec=spec).findings)


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


def test_a_depth_chosen_by_its_words(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    label = "0-6in topsoil"
    path = written(make, tmp_path / "d.csv", [[*r, label] for r in make.sample_rows()],
                   head=[*make.head, "depth"])
    assert stop_code(path, field, make.soil_spec(depth_column="depth")) == "soil-depth-unreadable"
    spec = make.soil_spec(depth_column="depth", depth=label)
    assert k_sum(read_soil(path=path, field=field, spec=spec)) == SUM


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


@pytest.mark.parametrize("place", [("", ""), ("41.0123", ""), ("n/a", "no fix"), ("-", "–")])
def test_a_sample_without_a_fix_is_left_out(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, place: tuple[str, str]
) -> None:
    rows = make.sample_rows()
    rows[4][1:3] = place
    soil = read_soil(path=written(make, tmp_path / "n.csv", rows), field=field,
                     spec=make.soil_spec())
    assert k_sum(soil) == SUM - make.k[4]
    assert any("S05" in f.what for f in soil.findings if f.severity.name == "WARN")


@pytest.mark.parametrize(("cell", "value"), [
    ("134 ppm", 134), ("134ppm", 134), ("134 mg/kg", 134), ("<10 ppm", 5), ("134.", 134),
    ("'134", 134), ("134\u200b", 134), ("–", None), ("not analyzed", None), ("12%", "unit"),
    ("2.9 %", "unit"), ("268 lb/ac", "unit"), ("0.34 meq/100g", "unit"), ("134 mg/L", "unit"),
    ("134 kg/ha", "unit"), ("~12", "bad"), ("12 ± 2", "bad"), ("134/135", "bad")])
def test_units_and_signs_in_the_cell(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, cell: str, value: float | str | None
) -> None:
    path = written(make, tmp_path / "c.csv", in_column(make, cell))
    if isinstance(value, str):
        code = {"unit": "soil-unit-conflict", "bad": "soil-value-unreadable"}[value]
        assert stop_code(path, field, make.soil_spec()) == code
        return
    soil = read_soil(path=path, field=field, spec=make.soil_spec())
    assert k_sum(soil) == SUM - make.k[4] + (value or 0)


def test_codes_for_missing_values_and_medians(make: SimpleNamespace, field: Field, tmp_path: Path
                                              ) -> None:
    rows = make.sample_rows()
    for k in (1, 5, 9):
        rows[k][3] = "999"
    path = written(make, tmp_path / "m.csv", rows)
    assert stop_code(path, field, make.soil_spec()) == "soil-value-code"
    rows = [[*r[:3], f"{int(r[3]) / 1000:.3f}"] for r in make.sample_rows()]
    soil = read_soil(path=written(make, tmp_path / "g.csv", rows), field=field,
                     spec=make.soil_spec())
    assert "soil-median-unusual" in make.codes(soil.findings)


def test_another_decimal_mark_in_a_column_that_is_not_read(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    rows = [[*(c.replace(".", ",") for c in r), "10.30"] for r in make.sample_rows()]
    path = written(make, tmp_path / "t.csv", rows, head=[*make.head, "time"], delimiter=";")
    assert k_sum(read_soil(path=path, field=field, spec=make.soil_spec())) == SUM
    rows = [[*r[:3], "134,5"] for r in make.sample_rows()]
    path = written(make, tmp_path / "u.csv", rows, delimiter=";")
    assert stop_code(path, field, make.soil_spec()) == "table-decimal-mixed"


@pytest.mark.parametrize(("label", "code"), [
    ("0-6 in", ""), ('0"-6"', ""), ("0-150 mm", ""), ("0-0.5 ft", ""), ("6 in", ""), ("top", ""),
    ("0-300 mm", "soil-depth-conflict"), ("0 in - 12 in", "soil-depth-conflict"),
    ("12", "soil-depth-conflict"), ("0-0.3 m", "soil-depth-conflict"),
    ("2026-06-12", "soil-depth-unreadable"), ("6-Jun", "soil-depth-unreadable")])
def test_depths_in_every_spelling(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, label: str, code: str
) -> None:
    path = written(make, tmp_path / "d.csv", [[*r, label] for r in make.sample_rows()],
                   head=[*make.head, "depth"])
    spec = make.soil_spec(depth_column="depth")
    if code:
        assert stop_code(path, field, spec) == code
    else:
        assert k_sum(read_soil(path=path, field=field, spec=spec)) == SUM


@pytest.mark.parametrize(("heading", "labels"), [
    ("Layer", ("top", "sub")), ("Year", ("2026", "2021")), ("horizon", ("A", "B")),
    ("Date sampled", ("2026-10-01", "2021-10-01"))])
@pytest.mark.parametrize("long", [False, True])
def test_a_column_that_nobody_stated_tells_rows_apart(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, heading: str,
    labels: tuple[str, str], long: bool,
) -> None:
    extra = ["K"] if long else []
    rows = [[*r[:3], *extra, k, label] for r in make.sample_rows()
            for k, label in zip((r[3], "40"), labels, strict=True)]
    head = [*make.head[:3], *(["A", "V"] if long else ["K_ppm"]), heading]
    spec = make.soil_spec() if not long else make.soil_spec(
        {"potassium": make.k_column("", analyte_is="K")}, analyte_column="A", value_column="V")
    path = written(make, tmp_path / "y.csv", rows, head=head)
    assert stop_code(path, field, spec) == "soil-unstated-column"


def test_a_day_in_the_laboratory_is_no_second_campaign(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    rows = [[*r[:3], k, day] for r in make.sample_rows()
            for k, day in ((r[3], "2026-10-05"), (r[3], "2026-10-06"))]
    path = written(make, tmp_path / "y.csv", rows, head=[*make.head, "Date analyzed"])
    assert k_sum(read_soil(path=path, field=field, spec=make.soil_spec())) == SUM


def test_depths_in_the_names_and_methods_in_a_column(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    rows = [[f"{r[0]} ({d})", *r[1:3], k] for r in make.sample_rows()
            for d, k in (("0-6", r[3]), ("6-24", "40"))]
    path = written(make, tmp_path / "n.csv", rows)
    assert stop_code(path, field, make.soil_spec()) == "soil-unstated-column"
    rows = [[*r[:3], "K", m, v, "ppm"] for r in make.sample_rows()
            for m, v in (("Mehlich 3", r[3]), ("Olsen", "60"))]
    path = written(make, tmp_path / "m.csv", rows,
                   head=[*make.head[:3], "A", "Extractant", "V", "U"])
    spec = make.soil_spec({"potassium": make.k_column("", unit=None, analyte_is="K")},
                          analyte_column="A", value_column="V", unit_column="U")
    assert stop_code(path, field, spec) == "soil-several-methods"


def _dms(value: float, end: str, marks: str = "°'\"") -> str:
    size = abs(value)
    minutes = (size % 1) * 60
    return (f"{int(size)}{marks[0]}{int(minutes):02d}{marks[1]}{(minutes % 1) * 60:.4f}"
            f"{marks[2:]}{end}")


@pytest.mark.parametrize("spelled", [
    lambda a, o: (f"{a} North", f"{-o} West"), lambda a, o: (f"Lat: {a}", f"Lon: {o}"),
    lambda a, o: (_dms(a, "", "::"), "-" + _dms(o, "", "::")),
    lambda a, o: (_dms(a, "", "dms"), "-" + _dms(o, "", "dms")),
    lambda a, o: (f"{a}", f"–{-o}"), lambda a, o: (f"{a}", f"- {-o}"),
    lambda a, o: (f"{a:.9e}", f"{o:.9e}"), lambda a, o: (f"{a}", f"{o + 360}")])
def test_spellings_of_degrees(*, make: SimpleNamespace, field: Field, tmp_path: Path, spelled: Any
                              ) -> None:
    rows = [[r[0], *spelled(float(r[1]), float(r[2])), r[3]] for r in make.sample_rows()]
    spec = make.soil_spec(decimal_mark=".")
    soil = read_soil(path=written(make, tmp_path / "g.csv", rows), field=field, spec=spec)
    assert (k_sum(soil), len(soil.sample_id)) == (SUM, 16)
    plain = read_soil(path=written(make, tmp_path / "p.csv", make.sample_rows()), field=field,
                      spec=make.soil_spec())
    assert np.allclose(soil.easting_m, plain.easting_m, atol=0.02)


@pytest.mark.parametrize(("spelled", "code"), [
    (lambda a, o: (f"{a}", f"{o} E"), "soil-coordinate-unreadable"),
    (lambda a, o: (f"{a}, {o}", ""), "soil-coordinate-unreadable"),
    (lambda a, o: (f"{a:.2f}", f"{o:.2f}"), "soil-coordinates-coarse")])
def test_degrees_that_stop(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, spelled: Any, code: str
) -> None:
    rows = [[r[0], *spelled(float(r[1]), float(r[2])), r[3]] for r in make.sample_rows()]
    path = written(make, tmp_path / "g.csv", rows)
    assert stop_code(path, field, make.soil_spec()) == code


@pytest.mark.parametrize(("zone", "ok"), [
    ("15", True), ("15T", True), ("15 t", True), ("15N", True), ("UTM 15N", True),
    ("Zone 15", True), ("15.0", True), ("15S", False), ("15C", False), ("61", False)])
def test_zones_with_letters(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, zone: str, ok: bool
) -> None:
    to_utm = pyproj.Transformer.from_crs(4326, make.utm, always_xy=True)
    rows = [[r[0], *(f"{v:.3f}" for v in to_utm.transform(float(r[2]), float(r[1]))), r[3], zone]
            for r in make.sample_rows()]
    path = written(make, tmp_path / "z.csv", rows, head=["sample_id", "E", "N", "K_ppm", "zone"])
    spec = make.soil_spec(longitude_column=None, latitude_column=None, easting_column="E",
                          northing_column="N", zone_column="zone")
    if ok:
        assert k_sum(read_soil(path=path, field=field, spec=spec)) == SUM
    else:
        assert stop_code(path, field, spec) == "soil-zone-unknown"


def test_many_names_at_few_places(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    base = make.sample_rows()
    rows = [[r[0], *base[0][1:3], r[3]] for r in base]
    soil = read_soil(path=written(make, tmp_path / "f.csv", rows), field=field,
                     spec=make.soil_spec())
    assert "soil-places-few" in make.codes(soil.findings)


def _book(path: Path, rows: Sequence[Sequence[Any]]) -> Any:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(list(row))
    return book


def test_typed_numbers_keep_their_point(make: SimpleNamespace, field: Field, tmp_path: Path
                                        ) -> None:
    base = [[r[0], float(r[1]), float(r[2]), int(r[3])] for r in make.sample_rows()]
    path = tmp_path / "t.xlsx"
    spec = make.soil_spec()
    _book(path, [make.head, *([*r[:3], r[3] + 0.125] for r in base)]).save(path)
    for mark in (None, ".", ","):
        soil = read_soil(path=path, field=field, spec=make.soil_spec(decimal_mark=mark))
        assert k_sum(soil) == SUM + 2
    _book(path, [make.head, *base[:4], [*base[4][:3], "232,5"], *base[5:]]).save(path)
    assert k_sum(read_soil(path=path, field=field, spec=spec)) == SUM + 0.5
    _book(path, [make.head, *([*r[:3], "1,250"] for r in base)]).save(path)
    assert stop_code(path, field, spec) == "table-decimal-unclear"


def test_shares_merged_and_hidden_cells_of_a_workbook(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    base = [[r[0], float(r[1]), float(r[2]), int(r[3])] for r in make.sample_rows()]
    path = tmp_path / "w.xlsx"
    book = _book(path, [make.head, *([*r[:3], r[3] / 100] for r in base)])
    for row in book.active.iter_rows(min_row=2, min_col=4, max_col=4):
        row[0].number_format = "0%"
    book.save(path)
    assert stop_code(path, field, make.soil_spec()) == "soil-unit-conflict"
    rows = [line for r in base for line in ([*r[:3], "pH", 6.8], [None, None, None, "K", r[3]])]
    book = _book(path, [[*make.head[:3], "A", "V"], *rows])
    for k in range(2, 34, 2):
        for letter in "ABC":
            book.active.merge_cells(f"{letter}{k}:{letter}{k + 1}")
    book.active.row_dimensions[5].hidden = True
    book.save(path)
    soil = read_soil(path=path, field=field, spec=make.soil_spec(
        {"potassium": make.k_column("", analyte_is="K")}, analyte_column="A", value_column="V"))
    assert (k_sum(soil), len(soil.sample_id)) == (SUM, 16)
    told = {f.code: f.what for f in soil.findings}
    assert "rows 5" in told["workbook-hidden"]
    assert told["workbook-merged-down"].startswith("48 cells")


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
