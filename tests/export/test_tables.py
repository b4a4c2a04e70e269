"""Tables that no spreadsheet takes for formulas, read by another reader."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from vrx.errors import ExportError
from vrx.export import write_money
from vrx.export.tables import write_table
from vrx.model import AmountLine, Money, Purchase

ATTACKS = ["=HYPERLINK(\"http://x\")", "+1+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "\n=1"]


@pytest.mark.parametrize("text", ATTACKS)
def test_a_text_that_begins_like_a_formula_gets_an_apostrophe(tmp_path: Path, text: str) -> None:
    path = tmp_path / "a.csv"
    write_table(path, ["name", "amount"], [[text, -1.5]])
    held = path.read_text(encoding="utf-8-sig")
    assert held.splitlines()[1].lstrip('"').startswith("'")
    back = pd.read_csv(path, dtype={"name": str}, encoding="utf-8-sig")
    assert back["name"][0][0] == "'"
    # A negative amount stays a number.
    assert back["amount"][0] == -1.5


def test_none_is_an_empty_cell_and_never_a_nought(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    write_table(path, ["name", "usd"], [["a", None], ["b", 0.0]])
    back = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    assert back["usd"].tolist() == ["", "0.0"]


def test_a_file_that_does_not_hold_what_was_meant_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pd, "read_csv", lambda *_a, **_k: pd.DataFrame({"name": ["other"]}))
    with pytest.raises(ExportError, match="differs"):
        write_table(tmp_path / "a.csv", ["name"], [["a"]])


def test_lines_of_a_purchase_without_a_price(tmp_path: Path) -> None:
    one = Purchase(
        material="=evil 0-0-60", form="dry", unit="lb",
        lines=(AmountLine(words="exact rates", amount=90.0, detail="1 pass"),
               AmountLine(words="whole packages", amount=10.0, detail="2 of 50 lb")),
        shares=((1, "p1", 90.0),), net=90.0, bought=100.0, lb_per_unit=1.0, density_from="",
        package="bag", package_size=50.0, packages=2, load_size=None, loads=None, last_load=None,
        k2o_lb=60.0, s_lb=0.0, n_lb=0.0, usd_per_unit=None, usd_net=None, usd_bought=None,
        price_note="not known: no price given")
    write_money(Money(purchases=(one,)), field="-1 north", season=2027, folder=tmp_path)
    back = pd.read_csv(tmp_path / "buying.csv", dtype=str, keep_default_na=False,
                       encoding="utf-8-sig")
    assert set(back["field"]) == {"'-1 north"}
    assert set(back["material"]) == {"'=evil 0-0-60"}
    assert set(back["usd"]) == {""}
    assert back["line"].tolist() == ["exact rates", "whole packages", "to buy",
                                     "of it for pass 1, p1"]
    assert [float(value) for value in back["amount"]] == [90, 10, 100, 90]
    bids = pd.read_csv(tmp_path / "bids.csv", encoding="utf-8-sig")
    assert len(bids) == 0
