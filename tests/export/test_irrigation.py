"""The operator's schedule as CSV, read by another reader, and safe in a spreadsheet."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from vrx.errors import ExportError
from vrx.export import write_schedules
from vrx.formats.irrigation import COLUMNS


def test_rows_hold_the_schedule(injections, tmp_path: Path) -> None:
    made = injections.pivot_schedule()
    ((kind, path),) = write_schedules([made], tmp_path)
    assert (kind, path.name) == ("csv", "irrigation_stubble-2.csv")
    read = pd.read_csv(path)
    assert tuple(read.columns) == COLUMNS
    assert read["step"].tolist() == list(range(1, len(made.steps) + 1))
    legs = read[read["what"].isin(["inject", "injector off"])]
    assert legs["gallons"].sum() == pytest.approx(made.total_gal, rel=1e-7)
    assert legs["wetted_ac"].tolist() == pytest.approx([leg.wetted_ac for leg in made.legs])
    assert set(legs["end_gun"]) == {"on", "off"}
    assert read["start_h"].is_monotonic_increasing
    assert read.loc[read["what"] == "fill the tank", "fill_gal"].sum() == pytest.approx(
        made.total_gal, rel=1e-7)


def test_sets_have_clean_water_product_and_flush_each(injections, tmp_path: Path) -> None:
    made = injections.set_schedule(4)
    ((_, path),) = write_schedules([made], tmp_path)
    read = pd.read_csv(path)
    assert read["what"].tolist() == ["clean water", "inject", "flush"] * 4
    assert read["hours"].tolist() == [5.0, 3.0, 3.5] * 4
    assert read["day"].tolist() == [1] * 6 + [2] * 6


def test_no_cell_is_a_formula(injections, tmp_path: Path) -> None:
    made = injections.pivot_schedule()
    wicked = replace(made, legs=tuple(replace(leg, label='=cmd|" /c calc"!A1')
                                      for leg in made.legs))
    ((_, path),) = write_schedules([wicked], tmp_path)
    with path.open(encoding="utf-8-sig", newline="") as stream:
        cells = [cell for row in csv.reader(stream) for cell in row]
    assert not [cell for cell in cells if cell[:1] in "=+-@\t\r" and cell]
    assert any(cell.startswith("'=cmd") for cell in cells)


def test_nothing_is_overwritten(injections, tmp_path: Path) -> None:
    write_schedules([injections.pivot_schedule()], tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    with pytest.raises(ExportError):
        write_schedules([injections.pivot_schedule("fixed")], tmp_path)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before
