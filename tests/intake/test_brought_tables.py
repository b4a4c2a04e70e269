"""Tables of water, plant and manure tests: handbook values, unit algebra and awkward files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import openpyxl
import pint
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vrx import units
from vrx.errors import InputError, VrxError
from vrx.formats.brought import MANURE, TISSUE, WATER
from vrx.intake import (
    ColumnSpec,
    ManureRead,
    ManureSpec,
    SoilSpec,
    TissueRead,
    TissueSpec,
    WaterRead,
    WaterSpec,
    read_manure,
    read_tissue,
    read_water,
)

REGISTRY: pint.UnitRegistry[float] = pint.UnitRegistry()
Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def make(*lines: str, name: str = "tests.csv", encoding: str = "utf-8") -> Path:
        path = tmp_path / name
        path.write_bytes("\r\n".join(lines).encode(encoding))
        return path

    return make


def water(
    path: Path, *, net_in: float | None = None, unit: str | None = "mg/L",
    form: str | None = "SO4", column: str = "SO4", of: dict[str, float] | None = None,
    net_in_column: str | None = None, several: str | None = None,
    more: dict[str, ColumnSpec] | None = None, season: int | None = None,
    limit: float | None = None,
    **table: Any,
) -> WaterRead:
    sulfate = ColumnSpec(column=column, unit=unit, form=form, limit_of_detection=limit)
    given = {"columns": {"sulfate": sulfate, **(more or {})}, **table}
    return read_water(path, WaterSpec(
        table=SoilSpec(**given), net_in=net_in, net_in_of=of or {}, net_in_column=net_in_column,
        several=several), season=season)


def stopped(read: Callable[..., Any], *args: Any, **given: Any) -> InputError:
    with pytest.raises(InputError) as caught:
        read(*args, **given)
    return caught.value


def told(found: WaterRead | TissueRead | ManureRead, code: str) -> str:
    return "; ".join(f"{one.where}: {one.what}" for one in found.findings if one.code == code)


# --- water: conversions checked against the outside


def test_oregon_state_universitys_worked_conversions(write: Write) -> None:
    # Oregon State University, irrigation water quality guide: "48 ppm SO4 = 16 ppm SO4-S"
    # (it divides by 3), "3.3 meq/L Ca = 66.0 ppm" (equivalent weight 20).
    found = water(write("SO4", "48"), net_in=24.0)
    assert found.sulfate_s_ppm == pytest.approx(16.0, abs=0.03)
    assert units.ppm_from_meq_per_l(3.3, g_per_mol=40.078, charge=2) == pytest.approx(66.0, abs=0.2)


@pytest.mark.parametrize(
    ("unit", "form", "ppm_s"),
    [("mg/L", "SO4", 30.0 * 32.06 / 96.056), ("ppm", "SO4", 30.0 * 32.06 / 96.056),
     ("mg/L", "SO4-S", 30.0), ("ppm", "S", 30.0),
     # Two charges and one S an ion: 1 meq/L is half of 32.06 mg S.
     ("meq/L", None, 30.0 * 16.03), ("me/L", "SO4", 30.0 * 16.03), ("mmol/L", None, 30.0 * 32.06)],
)
def test_every_unit_and_form_of_sulfate(
    *, write: Write, unit: str, form: str | None, ppm_s: float
) -> None:
    found = water(write("Sulfate result", "30"), net_in=10.0, unit=unit, form=form,
                  column="Sulfate result")
    assert found.sulfate_s_ppm == pytest.approx(ppm_s, rel=1e-4)


def test_the_factor_of_water_agrees_with_unit_algebra() -> None:
    # pint: acre-inches of water of 1 g/mL at 1 mg/L -> lb/ac.
    found = (1 * REGISTRY.mg / REGISTRY.liter * 1 * REGISTRY.inch).to("lb/acre").magnitude
    assert units.water_lb_per_ac(1.0, net_in=1.0) == pytest.approx(found, rel=1e-5)  # survey acre
    assert units.water_lb_per_ac(1.0, net_in=1.0) == pytest.approx(0.22661, abs=5e-6)


@pytest.mark.parametrize(
    ("measured", "unit", "to"),
    [(WATER["ec"], "uS/cm", "dS/m"), (TISSUE["sulfur"], "g/kg", "percent"),
     (TISSUE["sulfur"], "mg/kg", "percent"), (MANURE["sulfur by weight"], "g/kg", "lb/US_ton"),
     (MANURE["sulfur by weight"], "mg/kg", "lb/US_ton"), (MANURE["sulfur by weight"], "%",
                                                          "lb/US_ton")],
)
def test_units_agree_with_unit_algebra(*, measured: Any, unit: str, to: str) -> None:
    spelled = {"uS/cm": "microsiemens/cm", "dS/m": "decisiemens/m", "%": "percent"}
    if to == "lb/US_ton":
        registry_value = (7.0 * REGISTRY(spelled.get(unit, unit))).to("").magnitude * 2000.0
    else:
        registry_value = (7.0 * REGISTRY(spelled.get(unit, unit))).to(spelled.get(to, to)).magnitude
    assert measured.units[unit](7.0) == pytest.approx(registry_value, rel=1e-9)


def test_mg_per_litre_of_manure_agrees_with_unit_algebra() -> None:
    found = (1000 * REGISTRY.gallon * 1 * REGISTRY.mg / REGISTRY.liter).to("lb").magnitude
    assert MANURE["sulfur by volume"].units["mg/L"](1.0) == pytest.approx(found, rel=1e-9)


def test_a_chemists_weights_of_chloride_and_sodium() -> None:
    # Equivalent weights 35.45 and 22.99 (CRC Handbook, from memory).
    assert WATER["chloride"].units["meq/L"](2.0) == pytest.approx(70.9)
    assert WATER["sodium"].units["meq/L"](2.0) == pytest.approx(45.98, abs=0.01)


# --- water: sources, inches, dates

TWO = ("Source,Date,SO4,Cl,EC", "Well,2026-05-02,120,40,0.9", "Canal,2026-06-10,15,5,0.25")
NAMED = {"id_column": "Source", "date_column": "Date"}


def test_sources_are_weighted_by_their_inches_and_told_one_by_one(write: Write) -> None:
    found = water(write(*TWO), of={"well": 10.0, "Canal": 14.0}, **NAMED, more={
        "chloride": ColumnSpec(column="Cl", unit="mg/L"),
        "ec": ColumnSpec(column="EC", unit="mmhos/cm")})
    assert found.net_in == 24.0
    # By hand: 120 and 15 ppm SO4 are 40.05 and 5.006 ppm S; x 0.22661 x inches = 90.8 + 15.9.
    assert units.water_lb_per_ac(found.sulfate_s_ppm, net_in=24.0) == pytest.approx(106.6, abs=0.1)
    assert found.chloride_ppm == pytest.approx((40 * 10 + 5 * 14) / 24)
    assert found.ec_ds_per_m == pytest.approx((0.9 * 10 + 0.25 * 14) / 24)
    assert found.sampled_on == "2026-05-02"
    lines = told(found, "test-water-source")
    assert "Well: sulfate 120 mg/L SO4 = 40.05 ppm SO4-S x 10 in net x 0.22661 = 90.8 lb S/ac" in (
        lines)
    assert "15.9 lb S/ac" in lines
    assert "106.6 lb S/ac" in told(found, "test-water-sources-combined")


def test_inches_are_never_guessed(write: Write) -> None:
    path = write(*TWO)
    assert "2 sources: Well, Canal" in stopped(water, path, net_in=24.0, **NAMED).message
    assert stopped(water, path, of={"Well": 10.0}, **NAMED).code == "test-water-inches"
    err = stopped(water, path, of={"Well": 10.0, "Canl": 4.0, "Canal": 1.0}, **NAMED)
    assert (err.code, "'Canal'" in err.hint) == ("test-water-source-unknown", True)
    assert stopped(water, path, **NAMED).code == "test-water-inches"
    found = water(path, of={"Well": 0.0, "Canal": 14.0}, **NAMED)
    assert (found.net_in, found.sampled_on) == (14.0, "2026-06-10")
    assert "Well" in told(found, "test-water-source-left-out")


def test_inches_in_a_column(write: Write) -> None:
    path = write("Source;SO4;Net in", "Well;120;10,5", "Canal;15,5;14")
    found = water(path, net_in_column="Net in", id_column="Source")
    assert found.net_in == 24.5
    path = write("Source,SO4,Net in", "Well,120,10", "Well,130,12", "Canal,15,14")
    err = stopped(water, path, net_in_column="Net in", id_column="Source", several="mean")
    assert "net inches of Well: 10, 12" in err.message
    path = write("Source,SO4,Net in", "Well,120,ten", "Canal,15,14")
    assert stopped(water, path, net_in_column="Net in", id_column="Source").code == (
        "test-value-unreadable")


def test_several_tests_of_a_source_need_a_word(write: Write) -> None:
    path = write("Source,Date,SO4", "Well,2025-05-02,120", "Well,2026-07-01,90")
    assert stopped(water, path, net_in=10.0, **NAMED).code == "test-several"
    assert water(path, net_in=10.0, several="latest", **NAMED).sulfate_s_ppm == pytest.approx(
        units.s_from_so4(90.0))
    mean = water(path, net_in=10.0, several="mean", **NAMED)
    assert mean.sulfate_s_ppm == pytest.approx(units.s_from_so4(105.0))
    assert mean.sampled_on == "2025-05-02"
    assert "mean of 2 tests" in told(mean, "test-water-source")
    bare = write("Source,Date,SO4", "Well,,120", "Well,2026-07-01,90")
    assert stopped(water, bare, net_in=10.0, several="latest", **NAMED).code == "test-several"


def test_dates_read_two_ways_old_and_missing(write: Write) -> None:
    path = write("Source,Date,SO4", "Well,05/06/2026,120", "Canal,04/03/2026,15")
    of = {"Well": 1.0, "Canal": 1.0}
    assert stopped(water, path, of=of, **NAMED).code == "soil-date-two-ways"
    assert water(path, of=of, date_order="dmy", **NAMED).sampled_on == "2026-03-04"
    old = write("Source,Date,SO4", "Well,2021-05-02,120", "Canal,,15")
    found = water(old, of=of, season=2026, **NAMED)
    assert "oldest on 2021-05-02" in told(found, "soil-test-old")
    assert "1 of 2 samples have no date" in told(found, "soil-test-no-date")
    assert found.sampled_on == ""


# --- water: units, forms, awkward cells


@pytest.mark.parametrize(
    ("lines", "given", "code"),
    [
        (["SO4", "48"], {"unit": None}, "test-unit-missing"),
        (["SO4", "48"], {"form": None}, "test-form-missing"),
        (["SO4", "48"], {"unit": "lb/ac"}, "test-unit-unknown"),
        (["SO4", "48"], {"unit": "furlong"}, "test-unit-unknown"),
        (["SO4", "48"], {"form": "SO3"}, "test-form-unknown"),
        (["SO4-S mg/L", "48"], {"column": "SO4-S mg/L"}, "test-form-conflict"),
        (["SO4 mg/L", "48"], {"column": "SO4 mg/L", "form": "SO4-S"}, "test-form-conflict"),
        (["Sulfate (meq/L)", "4.8"], {"column": "Sulfate (meq/L)"}, "test-unit-conflict"),
        (["SO4,Na", "meq/L,meq/L", "4,3"], {}, "test-unit-conflict"),
        (["SO4", "12000"], {}, "test-value-implausible"),
        (["SO4", "-3"], {}, "test-value-negative"),
        (["SO4", "lots"], {}, "test-value-unreadable"),
        (["Source,SO4,Cl", "Well,,4"], {"id_column": "Source"}, "test-water-sulfate-missing"),
        (["Source,SO4", "Well,ND"], {"id_column": "Source"}, "test-water-sulfate-missing"),
        (["SO4", ""], {}, "table-no-rows"),
        (["Sulfat", "48"], {}, "table-column-missing"),
    ],
)
def test_what_is_not_stated_or_in_doubt_stops(
    *, write: Write, lines: Sequence[str], given: dict[str, Any], code: str
) -> None:
    assert stopped(water, write(*lines), net_in=10.0, **given).code == code


def test_a_units_row_answers_the_unit_but_never_the_form(write: Write) -> None:
    path = write("Source,SO4,EC", ",meq/L,uS/cm", "Well,2,600")
    found = water(path, net_in=10.0, unit=None, form=None, id_column="Source",
                  more={"ec": ColumnSpec(column="EC")})
    assert found.sulfate_s_ppm == pytest.approx(32.06)
    assert found.ec_ds_per_m == pytest.approx(0.6)
    path = write("Source,SO4", ",mg/L", "Well,2")
    assert stopped(water, path, net_in=1.0, unit=None, form=None,
                   id_column="Source").code == "test-form-missing"


def test_an_ec_in_the_wrong_unit_is_caught(write: Write) -> None:
    path = write("SO4,EC", "48,600")
    err = stopped(water, path, net_in=10.0, more={"ec": ColumnSpec(column="EC", unit="dS/m")})
    assert err.code == "test-value-implausible"
    # 0.06 dS/m has room for 0.6 meq/L; 480 mg/L SO4 alone are 10 (USDA Handbook 60, from memory).
    found = water(write("SO4,EC", "480,0.06"), net_in=10.0,
                  more={"ec": ColumnSpec(column="EC", unit="dS/m")})
    assert "10.0 meq/L" in told(found, "test-water-salts-exceed-ec")
    good = water(write("SO4,EC", "480,1.5"), net_in=10.0,
                 more={"ec": ColumnSpec(column="EC", unit="dS/m")})
    assert not told(good, "test-water-salts-exceed-ec")


def test_half_a_limit_counts_and_what_it_can_move_is_told(write: Write) -> None:
    found = water(write("Source,SO4", "Well,<5"), net_in=20.0, id_column="Source")
    half = units.s_from_so4(2.5)
    assert found.sulfate_s_ppm == pytest.approx(half)
    moved = units.water_lb_per_ac(half, net_in=20.0)
    assert f"up to {moved:.1f} lb S/ac either way" in told(found, "test-water-below-limit")
    same = water(write("Source,SO4", "Well,ND"), net_in=20.0, id_column="Source", limit=5.0)
    assert same.sulfate_s_ppm == found.sulfate_s_ppm
    above = water(write("Source,SO4", "Well,>500"), net_in=1.0, id_column="Source")
    assert above.sulfate_s_ppm == pytest.approx(units.s_from_so4(500.0))
    assert told(above, "test-value-above")


def test_missing_salts_are_told_and_hold_for_the_others_only(write: Write) -> None:
    path = write("Source,Date,SO4,Cl,EC", "Well,2026-05-02,120,40,0.9", "Canal,2026-06-10,15,,")
    found = water(path, of={"Well": 10.0, "Canal": 14.0}, **NAMED,
                  more={"chloride": ColumnSpec(column="Cl", unit="ppm")})
    assert found.chloride_ppm == 40.0
    assert "Canal" in told(found, "test-value-missing")
    assert "no chloride of Canal" in told(found, "test-water-partly-tested")


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_semicolons_decimal_commas_titles_and_summaries(*, write: Write, encoding: str) -> None:
    path = write("Würgler Water Laboratory;;", "", "Source;SO4;EC", "Well;120,5;0,91",
                 "Canal;15,25;0,2", "Average;67,9;0,56", encoding=encoding)
    found = water(path, of={"Well": 10.0, "Canal": 10.0}, id_column="Source",
                  more={"ec": ColumnSpec(column="EC", unit="dS/m")})
    assert found.sulfate_s_ppm == pytest.approx(units.s_from_so4((120.5 + 15.25) / 2))
    assert "'Average'" in told(found, "soil-row-not-a-sample")


def test_one_result_a_row_and_units_by_row(write: Write) -> None:
    path = write("Source,Analyte,Result,Units", "Well,Sulfate,120,mg/L", "Well,Chloride,2,meq/L",
                 "Canal,Sulfate,0.5,meq/L", "Canal,Chloride,1,meq/L")
    spec = SoilSpec(
        id_column="Source", analyte_column="Analyte", value_column="Result", unit_column="Units",
        columns={"sulfate": ColumnSpec(analyte_is="Sulfate", form="SO4"),
                 "chloride": ColumnSpec(analyte_is="chloride")})
    found = read_water(path, WaterSpec(table=spec, net_in_of={"Well": 10.0, "Canal": 10.0}))
    assert found.sulfate_s_ppm == pytest.approx((units.s_from_so4(120.0) + 8.015) / 2)
    assert found.chloride_ppm == pytest.approx(1.5 * 35.45)


def test_a_workbook_with_merged_headings_and_serial_dates(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    cover, sheet = book.active, book.create_sheet("Water")
    assert cover is not None
    cover.append(["Report", "W-7"])
    sheet.append(["Source", "Taken", "Anions (mg/L)", None])
    sheet.merge_cells("C1:D1")
    sheet.append([None, None, "SO4", "Cl"])
    sheet.append(["Well", datetime(2026, 5, 2), 120, 40])  # noqa: DTZ001 - a day in a cell
    path = tmp_path / "water.xlsx"
    book.save(path)
    found = water(path, net_in=10.0, column="Anions (mg/L) SO4", id_column="Source",
                  date_column="Taken")
    assert found.sulfate_s_ppm == pytest.approx(units.s_from_so4(120.0))
    assert found.sampled_on == "2026-05-02"
    err = stopped(water, path, net_in=10.0, column="Anions (mg/L) SO4", unit="meq/L",
                  id_column="Source")
    assert err.code == "test-unit-conflict"


# --- plant tests


def tissue(path: Path, *, unit: str = "%", form: str = "S", column: str = "S",
           **given: Any) -> TissueRead:
    own = {key: given.pop(key) for key in ("part_column", "stage_column", "zone_column")
           if key in given}
    columns = given.pop("columns", {"sulfur": ColumnSpec(column=column, unit=unit, form=form)})
    return read_tissue(path, TissueSpec(
        table=SoilSpec(columns=columns, **given), part="top 6 in", stage="bud", **own))


PLANTS = ("Spot,Part,S,K,Zone", "P1,top 6 in,0.21,2.4,A", "P2,top 6 in,0.25,2.2,B",
          "P3,Top 6 in,0.17,,B", "P4,whole tops,0.30,3.0,A")


def test_mean_count_and_lowest_of_the_stated_part(write: Write) -> None:
    found = tissue(write(*PLANTS), id_column="Spot", part_column="Part")
    assert found.sulfur_pct == pytest.approx(0.21)
    assert "mean 0.21 % of dry matter, 3 tests, lowest 0.17 % at P3" in (
        told(found, "test-tissue-mean"))
    assert "P4 'whole tops'" in told(found, "test-tissue-other-part")


def test_zones_have_their_own_means(write: Write) -> None:
    found = tissue(write(*PLANTS), id_column="Spot", part_column="Part", zone_column="Zone")
    assert found.sulfur_pct_of == pytest.approx({"A": 0.21, "B": 0.21})
    bare = tissue(write("Spot,S,Zone", "P1,0.2,A", "P2,0.3,"), id_column="Spot",
                  zone_column="Zone")
    assert "P2" in told(bare, "test-tissue-no-zone")


@pytest.mark.parametrize(("unit", "cell"), [("%", "0.21"), ("g/kg", "2.1"), ("ppm", "2100"),
                                            ("mg/kg", "2100")])
def test_units_of_plant_tests(*, write: Write, unit: str, cell: str) -> None:
    assert tissue(write("S", cell), unit=unit).sulfur_pct == pytest.approx(0.21)


@pytest.mark.parametrize(
    ("lines", "given", "code"),
    [
        (["S", "2.1"], {}, "test-value-implausible"),  # g/kg taken for per cent
        (["S", "0.21"], {"form": "SO4-S"}, "test-form-unknown"),
        (["SO4-S", "0.05"], {"column": "SO4-S"}, "test-form-conflict"),
        (["S (g/kg)", "2.1"], {"column": "S (g/kg)"}, "test-unit-conflict"),
        (["Part,S", "stems,0.2"], {"part_column": "Part"}, "test-tissue-nothing"),
        (["Spot,S,K", "P1,,2.0"], {}, "test-tissue-nothing"),
    ],
)
def test_doubtful_plant_tests_stop(
    *, write: Write, lines: Sequence[str], given: dict[str, Any], code: str
) -> None:
    assert stopped(tissue, write(*lines), **given).code == code


def test_censored_plant_tests_tell_what_they_move(write: Write) -> None:
    found = tissue(write("S", "<0.2", "0.3"))
    assert found.sulfur_pct == pytest.approx(0.2)
    assert "up to 0.05 % either way" in told(found, "test-tissue-below-limit")


# --- manure


def manure(path: Path, *, unit: str | None = "lb/ton", form: str = "S", basis: str = "as is",
           by_volume: bool = False, more: dict[str, ColumnSpec] | None = None, column: str = "S",
           **given: Any) -> ManureRead:
    own = {key: given.pop(key) for key in ("sample", "several", "moisture_pct",
                                           "density_lb_per_gal") if key in given}
    columns = {"sulfur": ColumnSpec(column=column, unit=unit, form=form), **(more or {})}
    return read_manure(path, ManureSpec(table=SoilSpec(columns=columns, **given), basis=basis,
                                        by_volume=by_volume, **own))


@pytest.mark.parametrize(
    ("unit", "form", "cell", "lb_per_ton"),
    [("lb/ton", "S", "3.2", 3.2), ("%", "S", "0.16", 3.2), ("g/kg", "S", "1.6", 3.2),
     ("ppm", "S", "1600", 3.2),
     # Molar weights: S 32.06 of SO3 80.057 and of SO4 96.056.
     ("%", "SO3", "0.4", 8.0 * 32.06 / 80.057), ("lb/ton", "SO4", "9.6", 9.6 * 32.06 / 96.056)],
)
def test_units_and_forms_of_manure(
    *, write: Write, unit: str, form: str, cell: str, lb_per_ton: float
) -> None:
    found = manure(write("S", cell), unit=unit, form=form)
    assert found.sulfur == pytest.approx(lb_per_ton, rel=1e-4)


def test_dry_matter_needs_a_moisture(write: Write) -> None:
    path = write("S,Moisture,DM", "0.5,68,32")
    assert stopped(manure, path, unit="%", basis="dry matter").code == "manure-moisture-missing"
    # By hand: 0.5 % of dry matter is 10 lb/ton of dry matter; 32 % dry matter leaves 3.2.
    for more in ({"moisture": ColumnSpec(column="Moisture", unit="%")},
                 {"dry_matter": ColumnSpec(column="DM", unit="%")}):
        found = manure(path, unit="%", basis="dry matter", more=more)
        assert found.sulfur == pytest.approx(3.2)
    assert manure(path, unit="%", basis="dry matter", moisture_pct=68.0).sulfur == (
        pytest.approx(3.2))
    assert "x 0.32 (moisture 68 %)" in told(found, "manure-analysis")


def test_gallons_and_tons_meet_only_by_a_density(write: Write) -> None:
    path = write("S", "4")
    assert manure(path, unit="lb/1,000 gal", by_volume=True).sulfur == 4.0
    assert stopped(manure, path, by_volume=True).code == "manure-density-missing"
    # 1,000 gal at 8.4 lb/gal are 4.2 short tons.
    assert manure(path, by_volume=True, density_lb_per_gal=8.4).sulfur == pytest.approx(16.8)
    assert manure(path, unit="lb/1000 gal", density_lb_per_gal=8.4).sulfur == (
        pytest.approx(4.0 / 4.2))


def test_the_sample_is_named_or_a_mean_asked_for(write: Write) -> None:
    path = write("Lagoon,S", "North,4", "South,6")
    given = {"id_column": "Lagoon"}
    assert stopped(manure, path, **given).code == "test-several"
    assert manure(path, sample="south", **given).sulfur == 6.0
    assert manure(path, several="mean", **given).sulfur == 5.0
    assert stopped(manure, path, sample="Sout", **given).code == "manure-sample-unknown"
    assert stopped(manure, write("Lagoon,S,N", "North,,9"), **given).code == "manure-sulfur-missing"
    assert told(manure(write("Lagoon,S", "North,<1"), **given), "manure-below-limit")


CELLS = st.sampled_from(["", "Well", "12", "<5", ">9", "ND", "1,5", "1.5", "mg/L", "meq/L", "-4",
                         "05/06/2026", "2026-05-01", "=A1", "Average", "\ufeff", '"', "SO4",
                         "1e309", "9" * 400, "\u0000", "ppm", "0"])


@settings(max_examples=150, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.lists(CELLS, min_size=1, max_size=5), max_size=6),
       mark=st.sampled_from([",", ";", "\t"]))
def test_any_table_is_read_or_refused(*, write: Write, rows: list[list[str]], mark: str) -> None:
    lines = [mark.join(["Source", "SO4", "Date", "Unit"]), *(mark.join(row) for row in rows)]
    path = write(*lines)
    column = ColumnSpec(column="SO4", unit_column="Unit", form="SO4")
    spec = SoilSpec(id_column="Source", date_column="Date", columns={"sulfate": column})
    for several in ("mean", "latest", None):
        try:
            found = read_water(path, WaterSpec(table=spec, net_in=3.0, several=several))
        except VrxError:
            continue
        assert 0 <= found.sulfate_s_ppm <= WATER["sulfate"].most
