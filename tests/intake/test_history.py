"""Other years and depths of a table: read as the chosen ones are, and nothing of the chosen moved.

All samples are invented. The truth is what the rows were made from.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

from vrx.intake import read_history, read_soil
from vrx.model import Field


def test_every_year_is_read_as_if_chosen(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    head = [*make.head, "Year"]
    rows = [[*r[:3], str(int(r[3]) + 400), "2023"] for r in make.sample_rows()]
    rows += [[*r, "2026"] for r in make.sample_rows()[:12]]
    path = make.write_csv(tmp_path / "y.csv", rows, head=head)
    for use_year in (2026, "latest"):
        spec = make.soil_spec(year_column="Year", use_year=use_year)
        chosen = read_soil(path=path, field=field, spec=spec)
        assert chosen.years == ("2023", "2026")
        history = read_history(path=path, field=field, spec=spec, chosen=chosen)
        assert list(history.years) == ["2023", "2026"]
        old, new = (table.columns["potassium"].values for table in history.years.values())
        assert make.total(old) == sum(make.k) + 16 * 400
        assert make.total(new) == sum(make.k[:12])
        assert history.findings == ()
        assert not history.depths


def test_a_table_of_one_year_is_not_read_again(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    path = make.write_csv(tmp_path / "one.csv", make.sample_rows())
    spec = make.soil_spec()
    chosen = read_soil(path=path, field=field, spec=spec)
    path.unlink()
    history = read_history(path=path, field=field, spec=spec, chosen=chosen)
    assert not history.years
    assert not history.depths


def test_a_year_that_cannot_be_read_is_told_and_left_out(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    head = [*make.head, "Year"]
    rows = [[*r[:3], "not tested", "2020"] for r in make.sample_rows()]
    rows += [[*r[:3], str(int(r[3]) + 40), "2023"] for r in make.sample_rows()]
    rows += [[*r, "2026"] for r in make.sample_rows()]
    path = make.write_csv(tmp_path / "y.csv", rows, head=head)
    spec = make.soil_spec(year_column="Year", use_year=2026)
    chosen = read_soil(path=path, field=field, spec=spec)
    history = read_history(path=path, field=field, spec=spec, chosen=chosen)
    assert make.total(chosen.columns["potassium"].values) == sum(make.k)
    assert list(history.years) == ["2023", "2026"]
    [told] = history.findings
    assert told.code == "soil-year-unread"
    assert told.where.endswith("2020")
    assert make.total(history.years["2023"].columns["potassium"].values) == sum(make.k) + 16 * 40


def test_depths_are_read_each_with_its_own_inches(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    head = [*make.head, "Depth"]
    rows = [[*r, "0-6 in"] for r in make.sample_rows()]
    rows += [[*r[:3], str(int(r[3]) // 2), "6-12 in"] for r in make.sample_rows()]
    path = make.write_csv(tmp_path / "d.csv", rows, head=head)
    spec = make.soil_spec(depth_column="Depth", depth="0-6 in")
    chosen = read_soil(path=path, field=field, spec=spec)
    assert chosen.depths == ("0-6 in", "6-12 in")
    history = read_history(path=path, field=field, spec=spec, chosen=chosen)
    assert list(history.depths) == [(0.0, 6.0), (6.0, 12.0)]
    deep = history.depths[6.0, 12.0].columns["potassium"]
    assert deep.depth_in == (6.0, 12.0)
    assert make.total(deep.values) == sum(k // 2 for k in make.k)
    assert make.total(chosen.columns["potassium"].values) == sum(make.k)
