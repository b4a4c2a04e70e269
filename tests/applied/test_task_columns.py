"""Rates of task data are called alike, whether zones are polygons or cells."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import applied_export_sets as make
import pytest

from vrx.export import TaskDataOptions, write_formats
from vrx.intake import read_prescription


@pytest.mark.parametrize("form", ["polygons", "grid type 1", "grid type 2"])
def test_a_column_goes_by_the_product_s_id_or_its_name(form: str, tmp_path: Path) -> None:
    meant = make.full_set(rates=[120.0, 130.0, 140.0, 150.5], maps=False, samples=False)
    write_formats(
        meant=replace(meant, task_data=TaskDataOptions(form=form, passes=("pass-1",), cell_m=4.0)),
        formats=["iso11783"], folder=tmp_path)
    names = ["0006 PDT1", f"0006 {meant.prescription.passes[0].material.id}"]
    read = read_prescription(path=tmp_path, field=meant.field, columns=names, unit="lb/ac")
    one, two = (read.rates[name].tolist() for name in names)
    assert one == two
    assert {round(rate * 2) / 2 for rate in one} - {0.0} == {120, 130, 140, 150.5}
