"""Typed, merged and hidden cells of workbooks: the right value or a clear stop.

All samples are invented; the sixteen of the fixtures, whose K adds up to 2874 ppm, are the measure.
"""

from __future__ import annotations

import runpy
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from vrx.intake import read_soil
from vrx.model import Field

kinds = runpy.run_path(str(Path(__file__).with_name("kinds.py")))
SUM, stop_code, k_sum = (kinds[name] for name in ("SUM", "stop_code", "k_sum"))


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
