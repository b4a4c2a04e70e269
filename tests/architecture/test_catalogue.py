"""The catalogue of findings is that of the sources, and the README shows it."""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
# Kebab-case names that begin like a code and are none: kinds of rules, ids of elements of pages.
NO_CODES = {
    "soil-criterion", "soil-layer-credit", "zones-of", "field-edge", "app-places", "app-samples",
    "zones-found",
    *(f"zone-{name}" for name in (
        "borders", "card", "ground", "heads", "labels", "legend", "make", "numbers",
        "rows", "samples", "shapes", "show", "sum", "undo")),
}


@pytest.fixture(scope="module")
def table() -> ModuleType:
    sys.path.insert(0, str(ROOT / "scripts"))
    try:
        import make_findings_table
    finally:
        sys.path.remove(str(ROOT / "scripts"))
    module: ModuleType = make_findings_table
    return module


@pytest.fixture(scope="module")
def found(table: ModuleType) -> dict[str, Any]:
    emitted: dict[str, Any] = table.emitted()
    return emitted


def test_every_code_has_its_entry_and_every_entry_its_code(
    table: ModuleType, found: dict[str, Any]
) -> None:
    told, _ = table.read()
    wrong = table.troubles(told, found)
    assert not wrong, "\n".join(["", *wrong, f"=> {table.HOW}"])


def test_no_code_hides_from_the_collector(found: dict[str, Any]) -> None:
    from finding_codes import look_alikes  # found beside make_findings_table

    hidden = [
        line for line in look_alikes(found)
        if (name := line.rpartition(" ")[2]) not in NO_CODES
        # What a teller puts a prefix before, as the audit's ledger does.
        and not any(code.endswith(f"-{name}") for code in found)
    ]
    assert not hidden, "\n".join([
        "", *hidden, "=> these read like codes, but nothing that the collector sees tells them:",
        "tell them through note, warn, stop or an error, or add them to NO_CODES in this test",
    ])


def test_texts_are_plain_and_differ(table: ModuleType) -> None:
    codes = table.read()[0]["codes"]
    for code, entry in codes.items():
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)+", code), code
        assert entry["meaning"] != entry["remedy"] or not entry["meaning"], code
        assert max(len(entry["meaning"]), len(entry["remedy"])) <= 160, code
        assert code not in entry["meaning"], f"{code}: the meaning only repeats the code"


def test_the_readme_shows_the_catalogue(table: ModuleType) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    told, _ = table.read()
    assert table.with_block(readme, table.block(told)) == readme, (
        "README.md, Findings, is out of date => run `python scripts/make_findings_table.py`"
    )


SOURCES = '''
from vrx.errors import InputError
from vrx.model import Severity, note, stop, warn

class Ledger:
    def fault(self, code, where):
        self.found.append(stop(f"audit-{code}", where, "text"))

def pass_on(error):
    return stop(error.code, "", "text")

def unrelated(code):
    return code + 1

def told(ledger, name, flag, rows):
    ledger.fault("gap", "here")
    tell = warn if flag else note
    tell("layer-covered", "", "text")
    for make, code in ((note, "soil-zero"), (warn, "soil-missing")):
        make(code, "", "text")
    for key in ("part", "stage"):
        warn(f"rules-{key}", "", "text")
    unrelated("no-code-at-all")
    Finding(severity=Severity.WARN if flag else Severity.NOTE, code="rules-unread", where="")
    raise InputError("text", code="file-a" if flag else "file-b")
'''


def _package(folder: Path, text: str) -> Path:
    room = folder / "vrx" / "room"
    room.mkdir(parents=True)
    (folder / "vrx" / "errors.py").write_text("class InputError(Exception): ...\n", "utf-8")
    (folder / "vrx" / "finding.py").write_text(
        "def note(code, where, what): return Finding(severity=Severity.NOTE, code=code)\n"
        "def warn(code, where, what): return Finding(severity=Severity.WARN, code=code)\n"
        "def stop(code, where, what): return Finding(severity=Severity.STOP, code=code)\n", "utf-8",
    )
    (room / "told.py").write_text(text, encoding="utf-8")
    return folder


def test_the_collector_follows_helpers_loops_and_choices(
    table: ModuleType, tmp_path: Path
) -> None:
    from finding_codes import Sources

    found = {
        (one.code, one.severity) for one in Sources(_package(tmp_path, SOURCES)).emissions()
    }
    assert found == {
        ("audit-gap", "stop"), ("layer-covered", "warn"), ("layer-covered", "note"),
        ("soil-zero", "note"), ("soil-missing", "warn"), ("rules-part", "warn"),
        ("rules-stage", "warn"), ("rules-unread", "warn"), ("rules-unread", "note"),
        ("file-a", "error"), ("file-b", "error"),
    }


def test_a_code_that_cannot_be_told_is_named_with_its_line(
    table: ModuleType, tmp_path: Path
) -> None:
    from finding_codes import Sources

    text = "def told(name):\n    warn(f'soil-{name}', '', 'text')\n"
    with pytest.raises(ValueError, match=r"vrx/room/told\.py:2: f'soil-\{name\}'"):
        Sources(_package(tmp_path, text)).emissions()


def test_troubles_name_code_place_and_what_to_add(table: ModuleType) -> None:
    from finding_codes import Emission

    place = Emission("pass-new", "warn", "products", "vrx/products/a.py", 7)
    entry = {"room": "rules", "severity": ["note"], "weight": "data", "meaning": "No period",
             "remedy": "Do this and that."}
    told = {"families": {"pass": "x", "gone": "y"}, "rooms": {"rules": "x"},
            "codes": {"pass-old": entry}}
    assert table.troubles(told, {"pass-new": [place]}) == [
        "pass-new (emitted at vrx/products/a.py:7) is not in findings.toml",
        "pass-old is in findings.toml but emitted nowhere: --prune takes it out",
        "family 'gone' has no code: take it out of [families]",
    ]
    told = {"families": {"pass": "x"}, "rooms": {"rules": "x"}, "codes": {"pass-new": entry}}
    assert table.troubles(told, {"pass-new": [place]}) == [
        "pass-new: the sources say room = 'products', severity = ['warn']",
        "pass-new: meaning must be one sentence that ends with a period",
    ]


def test_writing_the_catalogue_keeps_texts_and_adds_blanks(
    table: ModuleType, found: dict[str, Any]
) -> None:
    told, head = table.read()
    text = table.synced(told, found, head)
    again = tomllib.loads(text)
    assert text.startswith(head)
    assert {**again, "codes": {}} == {**told, "codes": {}}
    for code, entry in told["codes"].items():
        for key in ("meaning", "remedy", "weight"):
            assert again["codes"][code][key] == entry[key]
    del told["codes"]["pass-s-ceiling"]
    blank = tomllib.loads(table.synced(told, found, head))["codes"]["pass-s-ceiling"]
    assert blank["meaning"] == blank["remedy"] == ""
    assert blank["room"] == "products"
