"""What stands beside a result and contradicts the plan; samples that only a slip puts elsewhere.

All samples are invented; the sixteen of the fixtures, whose K adds up to 2874 ppm, are the measure.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from vrx.errors import InputError
from vrx.intake import SoilSpec, read_soil
from vrx.model import Field


def stop_of(path: Path, field: Field, spec: SoilSpec) -> InputError:
    with pytest.raises(InputError) as caught:
        read_soil(path=path, field=field, spec=spec)
    return caught.value


def k_sum(path: Path, field: Field, spec: SoilSpec) -> float:
    soil = read_soil(path=path, field=field, spec=spec)
    return float(np.nansum(soil.columns["potassium"].values))


@pytest.mark.parametrize(("heading", "word", "code"), [
    ("K unit", "lb/ac", "soil-unit-conflict"), ("Units", "kg/ha", "soil-unit-conflict"),
    ("Extractant", "Olsen", "soil-extractant-conflict"),
    ("K unit", "mg/kg", ""), ("Extractant", "Mehlich 3", ""), ("Remark", "lb/ac tbd", "")])
@pytest.mark.parametrize("long", [False, True])
def test_a_column_beside_the_result_that_nobody_stated(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, heading: str, word: str, code: str,
    long: bool,
) -> None:
    more = ["K"] if long else []
    path = make.write_csv(
        tmp_path / "u.csv", [[*r[:3], *more, r[3], word] for r in make.sample_rows()],
        head=[*make.head[:3], *(["A", "V"] if long else ["K"]), heading])
    spec = make.soil_spec({"potassium": make.k_column("K")}) if not long else make.soil_spec(
        {"potassium": make.k_column("", analyte_is="K")}, analyte_column="A", value_column="V")
    if code:
        error = stop_of(path, field, spec)
        assert error.code == code
        assert heading in str(error)
        assert word in str(error)
    else:
        assert k_sum(path, field, spec) == 2874


def test_a_row_of_methods_below_the_headings(make: SimpleNamespace, field: Field, tmp_path: Path
                                             ) -> None:
    for word, ok in (("Olsen", False), ("Mehlich 3", True)):
        path = make.write_csv(tmp_path / "m.csv", [["", "", "", word], *make.sample_rows()])
        if ok:
            assert k_sum(path, field, make.soil_spec()) == 2874
        else:
            assert stop_of(path, field, make.soil_spec()).code == "soil-extractant-conflict"


@pytest.mark.parametrize("heading", ["K2O rec lb/ac", "Recommended K lb/ac", "K removal (lb/ac)"])
def test_advice_is_no_soil_test(make: SimpleNamespace, field: Field, tmp_path: Path, heading: str
                                ) -> None:
    path = make.write_csv(tmp_path / "r.csv", make.sample_rows(), head=[*make.head[:3], heading])
    form = "K2O" if "K2O" in heading else "K"
    spec = make.soil_spec({"potassium": make.k_column(heading, unit="lb/ac", form=form)})
    assert stop_of(path, field, spec).code == "soil-not-a-test"


@pytest.mark.parametrize(("line", "told"), [
    ("All results in lb/ac", True), ("Values reported in lbs/acre", True),
    ("All results in ppm", False), ("Recommendations in lb/ac", False)])
@pytest.mark.parametrize("above", [True, False])
def test_a_note_with_another_unit_is_warned_of(
    *, make: SimpleNamespace, field: Field, tmp_path: Path, line: str, told: bool, above: bool
) -> None:
    path = make.write_csv(tmp_path / "n.csv", make.sample_rows())
    text = path.read_text()
    path.write_text(f"{line}\n{text}" if above else f"{text}{line}\n")
    soil = read_soil(path=path, field=field, spec=make.soil_spec())
    assert ("soil-note-unit" in make.codes(soil.findings)) is told


def test_a_row_that_lost_a_cell_is_told(make: SimpleNamespace, field: Field, tmp_path: Path
                                        ) -> None:
    rows = [[*r, "25", "x"] for r in make.sample_rows()]
    del rows[4][3]  # K is lost, and P takes its place
    path = make.write_csv(tmp_path / "s.csv", rows, head=[*make.head, "P", "note"])
    soil = read_soil(path=path, field=field, spec=make.soil_spec())
    assert "row 6" in next(f.what for f in soil.findings if f.code == "table-row-short")
    path = make.write_csv(tmp_path / "t.csv", [r[:4] for r in rows], head=[*make.head, "P", "note"])
    soil = read_soil(path=path, field=field, spec=make.soil_spec())
    assert "table-row-short" not in make.codes(soil.findings)


def test_some_rows_without_a_minus_sign(make: SimpleNamespace, field: Field, tmp_path: Path
                                        ) -> None:
    rows = make.sample_rows()
    for k in range(6):
        rows[k][2] = rows[k][2].removeprefix("-")
    path = make.write_csv(tmp_path / "w.csv", rows)
    error = stop_of(path, field, make.soil_spec())
    assert error.code == "soil-longitude-sign"
    assert "6 of 16 samples lie outside" in str(error)
    assert "6 of 6 inside if the longitudes are negative" in str(error)
    assert k_sum(path, field, make.soil_spec(longitudes_are_west=True)) == 2874
    # A single slip leaves one sample out, with the reason that explains it.
    rows = make.sample_rows()
    rows[0][2] = rows[0][2].removeprefix("-")
    soil = read_soil(path=make.write_csv(tmp_path / "v.csv", rows), field=field,
                     spec=make.soil_spec())
    told = next(f for f in soil.findings if f.code == "soil-sample-outside")
    assert "inside if the longitudes are negative" in told.what
