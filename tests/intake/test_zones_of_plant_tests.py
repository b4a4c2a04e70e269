"""Zones of plant tests written in two ways are one zone: none of their tests is lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from vrx.intake import ColumnSpec, SoilSpec, TissueSpec, read_tissue


def test_zone_letters_in_either_case_are_one_zone(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("zone,S\nA,0.20\na,0.30\nB,0.40\n")
    found = read_tissue(path, TissueSpec(
        table=SoilSpec(columns={"sulfur": ColumnSpec(column="S", unit="%", form="S")}),
        part="top 6 in", stage="bud", zone_column="zone"))
    assert dict(found.sulfur_pct_of) == {"A": pytest.approx(0.25), "B": pytest.approx(0.40)}
    said = next(f for f in found.findings if f.code == "test-tissue-zone-alike")
    assert "'a' and 'A'" in said.what
