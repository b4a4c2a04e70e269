"""Terminal of 80 columns: no word cut in two, and where on earth the field lies."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from rich.console import Console

from vrx.cli import cli, show

ROOT = Path(__file__).resolve().parents[2] / "sample_geo"


@pytest.mark.parametrize("name", ["kettle", "bench"])
def test_the_table_of_readings_cuts_no_word(name: str, tmp_path: Path,
                                            monkeypatch: pytest.MonkeyPatch) -> None:
    folder = Path(shutil.copytree(ROOT / name, tmp_path / name))

    def narrow(**given: object) -> Console:
        return Console(**{**given, "width": 80})  # type: ignore[arg-type]

    monkeypatch.setattr(show, "Console", narrow)
    done = CliRunner().invoke(cli, ["check", str(folder)])
    assert done.exit_code == 0, done.output
    for word in ("potassium", "ppm", "extractant", "plausible"):
        assert word in done.output
    assert "north of the equator, west of Greenwich: latitude" in done.output
    table = [line for line in done.output.splitlines() if line.startswith(
        (" organic_matter ", " potassium "))]
    assert table
    assert all(len(line) <= 80 for line in table)


def test_words_too_wide_for_any_terminal_still_show() -> None:
    # Two blanks for each column: edges and gaps of the table.
    assert show._widths([["a", "b"], ["x" * 90, "y" * 90]], 80) == [72, 4]
    assert show._widths([["a", "b"], ["organic_matter", "1 to 2"]], 80) == [14, 6]
    assert show._widths([["a", "b"], ["one two three", "z " * 60]], 40)[0] >= len("three")


@pytest.mark.parametrize("width", [60, 80, 110])
def test_no_word_of_a_table_is_cut_off(
    width: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [["a-long-name-of-a-thing", f"word{n} " * 8, "https://example.org/" + "p" * n, "end"]
            for n in range(20, 60, 8)]
    show.table("t", ["name", "text", "address", "last"], rows, left=4, width=width)
    lines = capsys.readouterr().out.splitlines()
    assert all(len(line.rstrip()) <= width for line in lines)
    shown = "".join("".join(lines).split())
    assert shown.count("end") == len(rows)
    assert sum(line.count("p") for line in lines) >= sum(range(20, 60, 8))


def test_new_says_where_the_field_lies(tmp_path: Path) -> None:
    for name in ("boundary.geojson", "soil.csv"):
        shutil.copy(ROOT / "kettle" / name, tmp_path / name)
    done = CliRunner().invoke(cli, [
        "new", str(tmp_path), "--boundary", str(tmp_path / "boundary.geojson"), "--samples",
        str(tmp_path / "soil.csv")])
    assert done.exit_code == 0, done.output
    assert "north of the equator, west of Greenwich" in done.output
    assert "is that right?" in done.output


@pytest.mark.parametrize(("cell", "said"), [("86H826CJ+2V", "plus codes"), ("12", "")])
def test_a_draft_without_coordinates_says_so(cell: str, said: str, tmp_path: Path) -> None:
    shutil.copy(ROOT / "kettle" / "boundary.geojson", tmp_path / "b.geojson")
    lines = ["id,where,K", *(f"S{n},{cell},{n + 150}" for n in range(9))]
    (tmp_path / "s.csv").write_text("\n".join(lines), encoding="utf-8")
    run = CliRunner().invoke
    assert run(cli, ["new", str(tmp_path), "--boundary", str(tmp_path / "b.geojson"), "--samples",
                     str(tmp_path / "s.csv")]).exit_code == 0
    done = run(cli, ["check", str(tmp_path)])
    assert done.exit_code == 2
    assert "no heading reads like longitude" in done.output
    assert "[soil.points]" in done.output
    assert said in done.output
