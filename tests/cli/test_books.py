"""`vrx books` as a user types it."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from vrx.cli import cli
from vrx.rules import load_books
from vrx.rules.book import KINDS


def books(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["books", *map(str, arguments)])


def test_the_list_fits_80_columns_and_tells_the_coverage() -> None:
    done = books()
    assert done.exit_code == 0
    assert max(len(line.rstrip()) for line in done.stdout.splitlines()) <= 80
    for name in load_books():
        assert name in done.stdout, name
    line = next(x for x in done.stdout.splitlines() if " wisconsin-potassium " in x)
    assert [w for w in ("Wisconsin", "bray-1", "0-6", "read", "yes") if w not in line] == []
    assert done.stdout.index("Potassium (K2O)") < done.stdout.index("Sulfur (S)")


def test_the_list_as_json_holds_the_same_books() -> None:
    rows = {row["id"]: row for row in json.loads(books("--json").stdout)}
    assert set(rows) == set(load_books())
    georgia = rows["georgia-potassium"]
    assert (georgia["unit"], georgia["depth_in"]) == ("lb/ac", "not stated")
    assert georgia["has_rates"] is False
    assert "from memory" in georgia["evidence"]


@pytest.mark.parametrize("words", [("explain", "georgia-potassium"), ("georgia-potassium",)])
def test_explain_shows_table_source_examples_refusals(words: tuple[str, ...]) -> None:
    told = books(*words).stdout
    for part in ("crop.prg?025", "Coastal Plain", "0 to 70", "lb/ac", "Examples:", "Refuses:",
                 "a plan without region_of_georgia", "(from memory)", "No published example"):
        assert part in told, part
    page = json.loads(books(*words, "--json").stdout)
    assert page["row"]["id"] == "georgia-potassium"
    assert page["tables"][0]["columns"][2] == "soil, lb/ac"


def test_explaining_more_than_one_is_refused() -> None:
    done = books("explain", "flat-sulfur", "tri-state-2020")
    assert done.exit_code == 2
    assert "one name is wanted" in done.stderr


@pytest.mark.parametrize("kind", KINDS)
def test_a_template_can_be_checked_as_it_is(kind: str, tmp_path: Path) -> None:
    printed = books("template", kind)
    assert printed.exit_code == 0
    path = tmp_path / "mine.toml"
    path.write_text(printed.stdout, encoding="utf-8")
    done = books("check", path)
    assert done.exit_code == 0, done.output
    assert f"my-{tomllib.loads(printed.stdout)['id'][3:]}: holds together" in done.stdout


def test_templates_are_listed_and_a_wrong_kind_names_the_nearest() -> None:
    listed = books("template")
    assert all(kind in listed.stdout for kind in KINDS)
    wrong = books("template", "class-tabel")
    assert wrong.exit_code != 0
    assert getattr(wrong.exception, "code", "") == "rules-kind-unknown"
    assert "mean 'class-table'" in str(wrong.exception)


def test_check_fails_where_an_example_fails(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    text = books("template", "linear-in-yield").stdout
    path.write_text(text.replace("lb_per_ac = 110.0", "lb_per_ac = 90.0"), encoding="utf-8")
    done = books("check", path)
    assert done.exit_code == 1
    assert "DOES NOT HOLD" in done.stdout
    assert "need 110.0000, not 90" in done.stdout
    (told,) = json.loads(books("check", path, "--json").stdout)
    assert told["good"] is False
    assert books("check").exit_code == 2
