"""`vrx answer`, and how `vrx check` and findings read in a terminal and in a pipe."""

from __future__ import annotations

import io
import re
import shlex
import shutil
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from rich.console import Console

from vrx.cli import cli, show
from vrx.errors import VrxError
from vrx.model import note, stop, warn

SAMPLE_GEO = Path(__file__).resolve().parents[2] / "sample_geo"
ESCAPE = "\x1b["


def vrx(*arguments: object) -> Result:
    return CliRunner().invoke(cli, [str(one) for one in arguments])


@pytest.fixture
def draft(tmp_path: Path) -> Path:
    source = Path(shutil.copytree(SAMPLE_GEO / "kettle", tmp_path / "kettle"))
    folder = tmp_path / "field"
    done = vrx("new", folder, "--boundary", source / "boundary.geojson", "--samples",
               source / "soil.csv")
    assert done.exit_code == 0, done.output
    return folder


def test_a_draft_becomes_ready_by_the_commands_that_check_prints(draft: Path) -> None:
    """All that is open is offered as a command, and with values in their places check is ready."""
    values = {
        "form": "K", "extractant": "calcium phosphate", "depth_in": "[0, 8]", "season": "2027",
        "stand_year": "3", "lab": "Invented", "report_number": "1", "net_in": "8",
        "sulfate_so4_ppm": "30", "tons_per_ac": "6.5", "moisture_pct": "12",
        "book": "tri-state-2020", "material": "muriate of potash 0-0-60", "least_lb_per_ac": "80",
        "most_lb_per_ac": "600", "step_lb_per_ac": "10",
    }
    taken = vrx("answer", draft, "--take-proposals")
    assert taken.exit_code == 0, taken.output
    assert 'soil.sulfate.form: "?" -> "SO4-S"  (the heading)' in taken.output
    shown = vrx("check", draft)
    assert shown.exit_code == 2
    commands = [line.strip() for line in shown.output.splitlines()
                if line.strip().startswith("vrx answer") and "=" in line]
    plan = tomllib.loads((draft / "plan.toml").read_text())
    for command in commands:
        pairs = [word.split("=", 1) for word in shlex.split(command)[3:]]
        if pairs[0][0].startswith("soil.") and pairs[0][0].split(".")[1] not in plan["soil"]:
            continue  # an analyte that the plan does not read
        done = vrx("answer", draft, *(
            f"{key}={values[key.rpartition('.')[2]] if value[-1] in '.?' else value}"
            for key, value in pairs))
        assert done.exit_code == 0, done.output
    left = [line for line in (draft / "plan.toml").read_text().splitlines()
            if '"?"' in line and not line.startswith("#")]
    assert left == []
    ready = vrx("check", draft)
    assert ready.exit_code == 0, ready.output
    assert "ready: vrx run can start" in ready.output


def test_lines_are_shown_before_and_after_and_a_dry_run_writes_nothing(draft: Path) -> None:
    before = (draft / "plan.toml").read_bytes()
    done = vrx("answer", draft, "field.season=2027", "--drop", "field.stand_year", "--dry-run")
    assert done.exit_code == 0
    assert 'field.season: "?" -> 2027' in done.output
    assert 'field.stand_year: "?" -> taken out' in done.output
    assert "nothing written" in done.output
    assert (draft / "plan.toml").read_bytes() == before


@pytest.mark.parametrize(("words", "said"), [
    (["soil.potassium.form=K2"], "K2O"), (["nonsense"], "KEY=VALUE"), ([], "nothing to answer"),
    (["field.seasn=2027"], "field.season"), (["soil.id_column=sampel_id"], "sample_id"),
])
def test_a_wrong_answer_is_a_message(draft: Path, words: list[str], said: str) -> None:
    before = (draft / "plan.toml").read_bytes()
    done = vrx("answer", draft, *words)
    assert done.exit_code in {1, 2}
    text = done.output + str(done.exception)
    if isinstance(done.exception, VrxError):
        text += done.exception.hint
        assert done.exception.exit_code == 2
    assert said in text
    assert (draft / "plan.toml").read_bytes() == before


def test_check_fits_80_columns_beside_commands(draft: Path) -> None:
    for line in vrx("check", draft).output.splitlines():
        words = line.rstrip()
        if "vrx answer" in words or words.startswith(("note", "warn", "STOP", " ")):
            continue
        assert len(words) <= 80, words


def many() -> list:
    found = [warn("soil-sample-outside", f"soil.csv row {n}", f"sample S{n} lies outside", done="x")
             for n in range(150)]
    found += [note("table-blank-rows", f"file {n}", f"{n} empty rows") for n in range(100)]
    return found + [stop("soil-unit-missing", f"soil.csv, column C{n}", f"no unit {n}",
                         todo="state it") for n in range(50)]


def shown(monkeypatch: pytest.MonkeyPatch, *, terminal: bool, width: int = 80,
          everything: bool = False) -> str:
    out = io.StringIO()
    monkeypatch.setattr(show, "talk", lambda: Console(
        file=out, force_terminal=terminal, width=width, highlight=False, soft_wrap=True,
        color_system="standard" if terminal else None))
    show.show_findings(many(), everything=everything)
    return out.getvalue()


def test_300_findings_are_a_screen_in_a_terminal_and_wrap_at_words(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    text = re.sub(r"\x1b\[[0-9;]*m", "", shown(monkeypatch, terminal=True))
    lines = text.splitlines()
    assert len(lines) <= 60
    assert all(len(line) <= 80 for line in lines)
    assert "275" not in lines[0]
    assert "25 STOP (soil-unit-missing 25)" in text.replace("\n     ", " ")
    assert "150 warn (soil-sample-outside 150)" in text.replace("\n     ", " ")
    assert all(line.startswith(("STOP ", "     ")) for line in lines)


def test_in_a_pipe_a_finding_is_one_plain_line(monkeypatch: pytest.MonkeyPatch) -> None:
    text = shown(monkeypatch, terminal=False, everything=True)
    assert ESCAPE not in text
    assert len(text.splitlines()) == 300


def test_no_color_is_respected(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=80)
    monkeypatch.setattr(show, "talk", lambda: console)
    show.show_findings(many()[:2])
    assert not re.search(r"\x1b\[3\dm", out.getvalue())


def test_commands_in_findings_name_the_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    out = io.StringIO()
    monkeypatch.setattr(show, "talk", lambda: Console(file=out, width=200))
    show.show_findings([stop("soil-longitude-sign", "a.csv", "x", todo="if that is so: vrx answer "
                             "FOLDER soil.longitudes_are_west=true")], folder=Path("my field"))
    assert 'vrx answer "my field" soil.longitudes_are_west=true' in out.getvalue()


def test_a_layout_of_last_year_serves_a_sheet_of_another_name(tmp_path: Path) -> None:
    from vrx.plan import SoilSection
    from vrx.plan.layout import layout_text

    told = {"samples": "s.xlsx", "id_column": "ID",
            "potassium": {"column": "K", "unit": "ppm"}}
    assert "No sheet" in layout_text(SoilSection.model_validate({**told, "sheet": "Soil 2026"}))
    kept = layout_text(SoilSection.model_validate({**told, "sheet": "Results"}))
    assert tomllib.loads(kept)["soil"]["sheet"] == "Results"
