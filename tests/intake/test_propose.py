"""What an unseen table may be: words of headings, units, forms, extractants, depths, doubts.

Headings are invented in the manner of laboratories' exports (common practice, no source). Numbers
of doubts rest on unit arithmetic: lb/ac of a 6-2/3 in furrow slice is 2 x ppm (common practice),
SO4-S = SO4 / 2.996 (molar masses, IUPAC abridged 2021).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from vrx.formats.soil_methods import METHODS
from vrx.formats.soil_words import soil_words
from vrx.intake import propose_columns
from vrx.intake._heading import heard
from vrx.model import ANALYTES

PLACES = "sample_id,lat,lon"


def table(tmp_path: Path, heading: str, cells: list[str], *, more: str = "") -> Path:
    path = tmp_path / "lab.csv"
    rows = [f'{PLACES},"{heading}"{more and "," + more}']
    rows += [f'S{n},41.0{n},-93.5{n},"{cell}"{more and ",x"}' for n, cell in enumerate(cells)]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(("heading", "analyte", "unit", "form", "extractant", "states"), [
    ("K_M3_ppm", "potassium", "ppm", "K", "mehlich-3", True),
    ("K (Mehlich III) lbs/A", "potassium", "lb/ac", "K", "mehlich-3", True),
    ("Potassium NH4OAc mg/kg", "potassium", "mg/kg", "", "ammonium acetate", True),
    ("K AA ppm", "potassium", "ppm", "K", "ammonium acetate", False),
    ("K BIC", "potassium", "", "K", "olsen", False),
    ("K2O lb/ac", "potassium", "lb/ac", "K2O", "", False),
    ("Potash", "potassium", "", "", "", False),
    ("%K", "potassium", "% saturation", "K", "", False),
    ("K base saturation", "potassium", "% saturation", "K", "", False),
    ("K meq/100g", "potassium", "meq/100 g", "K", "", False),
    ("SO4-S ppm", "sulfate", "ppm", "SO4-S", "", False),
    ("S_CaPhos_ppm", "sulfate", "ppm", "", "calcium phosphate", False),
    ("Sulfate", "sulfate", "", "", "", False),
    ("SO4 mg/L", "sulfate", "mg/L", "", "", False),
    ("P2O5_ppm", "phosphorus", "ppm", "P2O5", "", False),
    ("Bray P1 ppm", "phosphorus", "ppm", "", "bray-1", True),
    ("Olsen P", "phosphorus", "", "P", "olsen", True),
    ("Nutrients (ppm) P", "phosphorus", "ppm", "P", "", False),
    ("B_HWS_ppm", "boron", "ppm", "B", "hot water", False),
    ("Mg AA ppm", "magnesium", "ppm", "Mg", "ammonium acetate", False),
    ("Na (meq/100 g)", "sodium", "meq/100 g", "Na", "", False),
    ("EC 1:1 mmhos/cm", "ec", "dS/m", "", "1:1 water", False),
    ("CEC_meq_per_100g", "cec", "meq/100 g", "", "", False),
    ("Organic Matter (%)", "organic_matter", "%", "", "", False),
    ("pH (H2O)", "ph", "pH", "", "", False),
])
def test_a_heading_says_what_it_says_and_no_more(
    heading: str, analyte: str, unit: str, form: str, extractant: str, *, states: bool
) -> None:
    said = heard(heading)
    assert (said.analyte, said.unit.value, said.form.value) == (analyte, unit, form)
    if analyte not in {"ph", "cec", "organic_matter"}:
        assert (said.extractant.value, said.extractant.states) == (extractant, states)


@pytest.mark.parametrize("heading", [
    "Ca ppm", "Buffer pH", "Zn", "Sample", "Kernel", "Mn_ppm", "Notes", "", "K/Mg", "Texture",
    "Nitrate-N", "NO3-N ppm", "P-K-S",
])
def test_strangers_are_not_taken_for_an_analyte(heading: str) -> None:
    assert heard(heading).analyte == ""


def test_words_that_are_also_written_for_something_else_state_nothing() -> None:
    # Reports print "SO4" over sulfate-sulfur, and "K" over K2O, so neither states its form.
    assert not heard("SO4 ppm").form.value
    assert not heard("K ppm").form.states
    assert heard("K2O ppm").form.states
    assert heard("SO4-S").form.states
    assert not heard("K %").unit.states
    assert not heard("Mehlich K").extractant.states


def test_a_depth_in_the_heading_is_read_with_its_unit_only() -> None:
    assert heard("K ppm 0-6 in").depth.value == "[0, 6]"
    assert heard("K ppm 0-15 cm").depth.value == "[0, 5.91]"
    assert heard("K ppm 0-6").depth.value == ""


def test_the_vocabulary_names_known_analytes_and_methods() -> None:
    words = soil_words()
    assert set(words.analytes) == set(ANALYTES)
    assert {one.name for one in words.extractants} <= {m.name for m in METHODS}
    assert all(low < high for low, high in words.usual.values())
    assert {a for a, _ in words.usual} == set(ANALYTES)


def doubts(tmp_path: Path, heading: str, cells: list[str]) -> str:
    found = propose_columns(table(tmp_path, heading, cells))
    return "; ".join(found.analytes[0].judged.doubts)


def test_potassium_of_300_ppm_is_asked_whether_it_is_lb_per_ac(tmp_path: Path) -> None:
    assert "fits K2O, less well K; lb/ac K" in doubts(tmp_path, "K ppm", ["290", "300", "310"])
    assert doubts(tmp_path, "K ppm", ["140", "150", "160"]) == ""


def test_potassium_of_half_is_asked_whether_it_is_meq(tmp_path: Path) -> None:
    said = doubts(tmp_path, "K ppm", ["0.4", "0.5", "0.6"])
    assert "meq/100 g" in said


def test_potassium_of_three_is_asked_whether_it_is_a_saturation(tmp_path: Path) -> None:
    assert "% saturation" in doubts(tmp_path, "K ppm", ["2.9", "3.0", "3.6"])


def test_sulfate_of_50_fits_so4_and_not_so4_s(tmp_path: Path) -> None:
    assert "it would fit ppm SO4" in doubts(tmp_path, "SO4-S ppm", ["49", "50", "51"])
    assert "fits SO4, less well SO4-S" in doubts(tmp_path, "Sulfate ppm", ["49", "50", "51"])


def test_a_ph_of_70_and_values_beyond_the_register_are_told(tmp_path: Path) -> None:
    assert "outside" in doubts(tmp_path, "pH", ["68", "70", "71"])


def test_ranges_are_in_the_proposed_unit(tmp_path: Path) -> None:
    one = propose_columns(table(tmp_path, "K lb/ac 0-6 in", ["300"])).analytes[0]
    assert one.judged.unit == "lb/ac"
    # 0-6 in at 2 lb/ac per ppm: 40 to 250 ppm is 80 to 500 lb/ac.
    assert one.judged.usual == pytest.approx((80, 500), rel=0.02)


def test_numbers_are_counted(tmp_path: Path) -> None:
    one = propose_columns(table(
        tmp_path, "K ppm", ["120", "<20", "", "n/a", "ND", "see note", "168VH"])).analytes[0]
    assert (one.values, one.missing, one.censored, one.text) == (3, 2, 2, 1)
    assert (one.least, one.greatest) == (10.0, 168.0)


def test_units_in_cells_are_seen(tmp_path: Path) -> None:
    one = propose_columns(table(tmp_path, "K", ["120 ppm", "130 ppm"])).analytes[0]
    assert (one.unit.value, one.unit.source) == ("ppm", "the text of the cells")
    # A unit beside the number is part of the value, not a text that cannot be read.
    assert (one.values, one.text) == (2, 0)


def test_a_units_row_states(tmp_path: Path) -> None:
    path = tmp_path / "lab.csv"
    path.write_text("id,lat,lon,K,pH\n,deg,deg,lbs/A,\nA,41,-93,300,6\nB,41.1,-93,310,6\n")
    one = propose_columns(path).analytes[0]
    assert (one.unit.value, one.unit.source, one.unit.states) == ("lb/ac", "the units row", True)


def test_mixed_units_in_a_column_are_told_and_not_chosen(tmp_path: Path) -> None:
    path = tmp_path / "lab.csv"
    path.write_text("id,lat,lon,depth_in,K,unit\nA,41,-93,0-6,134,ppm\nB,41.1,-93,0-8,400,lb/ac\n"
                    "C,41.2,-93,0-6,140,\n")
    found = propose_columns(path)
    one = found.analytes[0]
    assert one.unit.value == ""
    assert one.unit.source == "row by row (ppm 1, lb/ac 1, none 1)"
    assert one.unit_column == "unit"
    assert not found.depths  # laboratories that differ, not layers


def test_layers_are_counted(tmp_path: Path) -> None:
    path = tmp_path / "lab.csv"
    path.write_text("id,lat,lon,depth,K_ppm\nA,41,-93,0-6 in,134\nA,41,-93,6-24 in,80\n")
    assert dict(propose_columns(path).depths) == {"0-6 in": 1, "6-24 in": 1}


LONG = """Sample ID,Lat,Lon,Depth (in),Analyte,Method,Result,Unit
A1,41.01,-93.59,0-6,K,Mehlich 3,143,ppm
A1,41.01,-93.59,0-6,SO4-S,Mono-calcium phosphate,7.1,ppm
A1,41.01,-93.59,0-6,P2O5,Olsen,31,lb/ac
A2,41.02,-93.58,0-6,K,Mehlich 3,167,ppm
A2,41.02,-93.58,0-6,SO4-S,Mono-calcium phosphate,<2,ppm
A2,41.02,-93.58,0-6,P2O5,Olsen,35,lb/ac
"""


def test_one_result_a_row_is_told_by_analyte_with_its_unit_and_method(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_text(LONG)
    found = propose_columns(path)
    assert found.long
    told = {one.key: (one.analyte_is, one.method_is, one.unit.value, one.extractant.value,
                      one.depth.value, one.values) for one in found.analytes}
    assert told == {
        "potassium": ("K", "Mehlich 3", "ppm", "mehlich-3", "[0, 6]", 2),
        "sulfate": ("SO4-S", "Mono-calcium phosphate", "ppm", "calcium phosphate", "[0, 6]", 2),
        "phosphorus": ("P2O5", "Olsen", "lb/ac", "olsen", "[0, 6]", 2)}


def test_group_headings_of_a_workbook_give_the_unit(tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Sample", None, "Location", None, "Nutrients (ppm)", None])
    sheet.append(["ID", "Date sampled", "Lat", "Lon", "P", "K"])
    for cells in ("A1:B1", "C1:D1", "E1:F1"):
        sheet.merge_cells(cells)
    for n in range(4):
        sheet.append([f"S{n}", "2026-10-01", 41.01 + n / 1000, -93.59, 20 + n, 130 + n])
    book.save(tmp_path / "lab.xlsx")
    found = propose_columns(tmp_path / "lab.xlsx")
    keys = {one.key: one.heading for one in found.columns if one.proposed}
    assert keys["latitude_column"] == "Location Lat"
    assert keys["id_column"] == "Sample ID"
    assert [(one.key, one.unit.value) for one in found.analytes] == [
        ("phosphorus", "ppm"), ("potassium", "ppm")]
