"""Codes explained by a command, and findings as the terminal shows them."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from vrx.cli import grouping, show
from vrx.cli.findings import command
from vrx.errors import InputError
from vrx.model import Finding, note, stop, warn


def run(*arguments: str) -> tuple[int, str]:
    done = CliRunner().invoke(command, list(arguments))
    return done.exit_code, done.output


def test_one_code_is_explained() -> None:
    code, text = run("pass-s-ceiling")
    assert code == 0
    assert "told by products" in text
    assert "To do:" in text


def test_a_family_a_room_and_all_are_listed() -> None:
    assert "zip-broken" in run("zip")[1]
    assert "pass-twice" in run("products")[1]
    code, text = run()
    assert code == 0
    assert text.index("audit-gap") < text.index("soil-unit-missing") < text.index("zones-small")


def test_json_holds_the_same_entries() -> None:
    told = json.loads(run("zip", "--json")[1])
    codes = [one["code"] for one in told]
    assert codes == sorted(codes)
    assert {"zip-bomb", "zip-broken", "zip-too-large", "zip-unsafe-path"} <= set(codes)
    assert all(code.startswith("zip-") for code in codes)
    assert len(json.loads(run("--json")[1])) > 400


def test_an_unknown_code_names_the_nearest() -> None:
    code, text = run("pass-s-celing")
    assert code == 2
    assert "pass-s-ceiling" in text
    assert "codes begin with" in run("0")[1]


def shown(found: list[Finding], capsys: pytest.CaptureFixture[str], *, all_of: bool = False
          ) -> list[str]:
    show.show_findings(found, everything=all_of)
    return capsys.readouterr().err.splitlines()


def test_each_line_ends_with_its_code_and_the_weighty_stand_first(
    capsys: pytest.CaptureFixture[str],
) -> None:
    lines = shown([
        note("table-read", "a.csv", "CSV"), warn("soil-test-old", "a.csv", "old"),
        warn("pass-k2o-season", "season", "much"), stop("pass-twice", "pass a", "twice"),
    ], capsys)
    assert [line.rpartition(" ")[2] for line in lines] == [
        "[pass-twice]", "[pass-k2o-season]", "[soil-test-old]", "[table-read]",
    ]
    assert lines[0].startswith("STOP pass a: twice.")


def test_the_same_words_at_several_places_share_a_line(capsys: pytest.CaptureFixture[str]) -> None:
    found = [warn("pass-nitrogen", f"pass {k}", "brings N", done="kept") for k in "abcdef"]
    (line,) = shown(found, capsys)
    assert line == (
        "warn pass a, pass b, pass c and 3 more: brings N. Done: kept. [pass-nitrogen]")
    assert len(shown(found, capsys, all_of=True)) == 6


def test_three_of_a_kind_tell_the_first_and_name_the_others(
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = [warn("surface-outlier", name, f"{k} values lie far")
             for k, name in enumerate(["ph", "cec", "sulfate"], 1)]
    (line,) = shown(found, capsys)
    assert line == (
        "warn ph: 1 values lie far. And 2 more like it: cec, sulfate. [surface-outlier]")
    assert len(shown(found[:2], capsys)) == 2


def test_stops_that_differ_are_never_folded(capsys: pytest.CaptureFixture[str]) -> None:
    found = [stop("pass-value", f"pass {k}", f"rate {k}") for k in range(12)]
    found += [warn("soil-test-old", "", "old"), note("table-read", "", "x")]
    lines = shown(found, capsys)
    assert sum(line.startswith("STOP") for line in lines) == 12
    assert lines[-1].strip() == (
        "and 1 warn (soil-test-old), 1 note (table-read) more: --all shows them, "
        "vrx findings CODE explains one"
    )


def test_at_most_seven_lines_and_no_finding_is_lost_in_the_count(
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = [warn(f"soil-made-up-{k // 2}", f"row {k}", f"value {k}") for k in range(40)]
    lines = shown(found, capsys)
    assert len(lines) == show.MOST_FINDINGS + 1
    assert f"and {40 - show.MOST_FINDINGS} warn (" in lines[-1]
    assert "…" in lines[-1]
    assert sum(one.count for one in grouping.grouped(found)) == 40


def test_words_in_brackets_of_a_finding_are_no_markup(capsys: pytest.CaptureFixture[str]) -> None:
    (line,) = shown([note("plan-no-s-ceiling", "[limits]", "none [red]set")], capsys)
    assert "[limits]: none [red]set. [plan-no-s-ceiling]" in line


def test_an_error_ends_with_its_code(capsys: pytest.CaptureFixture[str]) -> None:
    show.show_error(InputError("is empty", code="file-empty", where="a.csv", hint="copy it again"))
    assert capsys.readouterr().err.rstrip().endswith("-> copy it again [file-empty]")
