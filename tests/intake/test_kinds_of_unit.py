"""Units, forms, extractants and depths in sample tables: the right value or a clear stop.

All samples are invented; the sixteen of the fixtures, whose K adds up to 2874 ppm, are the measure.
"""

from __future__ import annotations

import runpy
from pathlib import Path
from types import SimpleNamespace

import pytest

from vrx.intake import ColumnSpec, read_soil
from vrx.model import Field

kinds = runpy.run_path(str(Path(__file__).with_name("kinds.py")))
SUM, stop_code, k_sum, written = (kinds[name] for name in ("SUM", "stop_code", "k_sum", "written"))


def in_column(make: SimpleNamespace, cell: str, row: int = 4) -> list[list[str]]:
    rows: list[list[str]] = make.sample_rows()
    rows[row][3] = cell
    return rows


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


def test_a_depth_chosen_by_its_words(make: SimpleNamespace, field: Field, tmp_path: Path) -> None:
    label = "0-6in topsoil"
    path = written(make, tmp_path / "d.csv", [[*r, label] for r in make.sample_rows()],
                   head=[*make.head, "depth"])
    assert stop_code(path, field, make.soil_spec(depth_column="depth")) == "soil-depth-unreadable"
    spec = make.soil_spec(depth_column="depth", depth=label)
    assert k_sum(read_soil(path=path, field=field, spec=spec)) == SUM


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


@pytest.mark.parametrize(("heading", "extractant", "code"), [
    ("K-AA", "mehlich-3", "soil-extractant-heading"), ("K-AA", "ammonium acetate", ""),
    ("K_bicarb", "mehlich-3", "soil-extractant-heading"),
    ("K meh3", "olsen", "soil-extractant-conflict"), ("Potash", "mehlich-3", "soil-form-heading"),
    ("K (M3-ICP)", "mehlich-3", "")])
def test_short_names_of_extractants_and_potash_in_the_heading(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, heading: str, extractant: str, code: str
) -> None:
    """The extractant's guide, or the 1.2 times of K2O to K, would otherwise be wrong unseen."""
    path = written(make, tmp_path / "x.csv", make.sample_rows(), head=[*make.head[:3], heading])
    spec = make.soil_spec({"potassium": make.k_column(heading, extractant=extractant)})
    if code.endswith("conflict"):
        assert stop_code(path, field, spec) == code
        return
    soil = read_soil(path=path, field=field, spec=spec)
    assert k_sum(soil) == SUM
    said = set(make.codes(soil.findings)) & {"soil-extractant-heading", "soil-form-heading"}
    assert said == ({code} if code else set())


@pytest.mark.parametrize("cell", ["134 S", "134 L", "134VH", "134 E"])
def test_letters_of_a_rating_change_no_number(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, cell: str
) -> None:
    path = written(make, tmp_path / "r.csv", in_column(make, cell))
    soil = read_soil(path=path, field=field, spec=make.soil_spec())
    assert k_sum(soil) == SUM - make.k[4] + 134
