"""The application record: fields that rules ask for, filled where known, blank for the operator.

Fields asked for: Ohio Administrative Code 901:5-4-04 (A)(1) to (13), codes.ohio.gov, and Code of
Maryland Regulations 15.20.06.05 B, dsd.state.md.us (both read at their pages).
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from vrx.pipeline import run_field

OHIO = {
    "(1) date": "date", "(2) place": "field", "(3) acres": "acres_treated",
    "(4) rate": "rate_applied", "(5) total by weight or volume": "total_applied",
    "(6) analysis": "analysis", "(7) who applied": "operator",
    "(8) certificate holder": "certificate_holder", "(9) soil conditions": "soil",
    "(10) method": "method", "(11) temperature": "temperature", "(11) precipitation": "rain",
    "(12) forecast": "forecast", "(13) frozen or snow covered": "frozen",
}
MARYLAND = {"type": "product", "amount": "total", "acreage": "acres_planned", "location": "place",
            "timing": "timing", "analysis": "analysis"}
PLANS = {"licence", "wind", "soil_age", "yield_basis", "n_lb", "setbacks", "start", "stop", "crop"}


@pytest.fixture
def made(copy_of: Callable[[str], Path]) -> Path:
    folder = copy_of("bench")
    with (folder / "plan.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[application]\noperator = "=HYPERLINK(1)"\nlicence = "CA-77 ü"\n')
    return run_field(folder).folder


def rows(folder: Path) -> list[dict[str, str]]:
    with (folder / "application_record.csv").open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def test_every_field_that_the_rules_ask_for_is_there(made: Path) -> None:
    keys = {row["key"] for row in rows(made)}
    assert set(OHIO.values()) <= keys
    assert set(MARYLAND.values()) <= keys
    assert keys >= PLANS


def test_known_is_filled_unknown_is_blank(made: Path) -> None:
    told = {row["key"]: row for row in rows(made)}
    for key, row in told.items():
        assert (row["value"] == "") is (row["filled_by"] == "operator"), key
    # 0-0-60: 60 lb K2O in a hundredweight of product (a printed grade is percent by weight).
    total = float(told["total"]["value"].replace(",", ""))
    brought = float(told["k2o_lb"]["value"].replace(",", ""))
    assert brought == pytest.approx(0.6 * total, abs=1)
    acres = float(told["acres_planned"]["value"])
    assert float(told["k2o_lb_per_ac"]["value"]) == pytest.approx(brought / acres, rel=0.01)
    assert told["n_lb"]["value"] == "0"
    assert told["soil_sampled"]["value"] == "2026-10-21"
    for key in ("date", "wind", "temperature", "start", "stop", "tickets", "setbacks"):
        assert told[key]["value"] == ""
    # What nobody stated is no set-back kept.
    assert told["setback_1"]["value"] == ""


def test_no_cell_is_a_formula_and_the_page_holds_no_markup_of_users(made: Path) -> None:
    told = {row["key"]: row["value"] for row in rows(made)}
    assert told["operator"] == "'=HYPERLINK(1)"
    assert told["licence"] == "CA-77 ü"
    page = (made / "application_record.html").read_text(encoding="utf-8")
    assert "CA-77 ü" in page
    assert not re.search(r"<script|src=|https?://", page)
    assert page.count("<article>") == len({row["pass"] for row in rows(made)})


def test_the_record_is_listed_and_the_audit_agrees(made: Path) -> None:
    import json

    from vrx.audit import audit_run

    listed = {one["path"] for one in json.loads(
        (made / "manifest.json").read_text(encoding="utf-8"))["files"]}
    assert {"application_record.csv", "application_record.html"} <= listed
    assert audit_run(folder=made).agrees
