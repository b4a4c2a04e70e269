"""Every built-in book: its examples hold, every number is cited, words and amounts stay apart."""

from __future__ import annotations

import hashlib
import json
import pickle
from collections.abc import Iterator
from dataclasses import asdict
from importlib import resources
from typing import Any

import pytest

from vrx.rules import (
    Book,
    catalogue,
    explain,
    load_books,
    own_book_template,
    read_book,
    run_examples,
)
from vrx.rules.book import KINDS
from vrx.rules.evaluate import KINDS as BUILDERS
from vrx.rules.load import conversions
from vrx.rules.schema_parts import Cited, Strict

BOOKS = load_books()
WANTED = {
    "tri-state-2020", "removal-potassium", "western-acetate-k-classes", "south-dakota-k-equation",
    "tissue-sulfur", "western-sulfate-criterion", "sulfur-balance", "flat-sulfur",
}


@pytest.mark.parametrize("book", BOOKS.values(), ids=list(BOOKS))
def test_every_worked_example_of_the_book_holds(book: Book) -> None:
    results = run_examples(book)
    assert results, "a book without any example"
    assert [(r.title, r.differences) for r in results if not r.passed] == []


def test_the_books_that_the_project_promises() -> None:
    assert set(BOOKS) >= WANTED


def test_a_wrong_example_is_reported_with_its_figures(tmp_path: Any) -> None:
    text = own_book_template().replace("lb_per_ac = 166.5", "lb_per_ac = 170.0")
    path = tmp_path / "wrong.toml"
    path.write_text(text, encoding="utf-8")
    (result,) = run_examples(read_book(path))
    assert not result.passed
    assert "166.5" in result.differences[0]
    assert "170" in result.differences[0]


def parts(value: Any) -> Iterator[Any]:
    if isinstance(value, Strict):
        yield value
        for name in type(value).model_fields:
            yield from parts(getattr(value, name))
    elif isinstance(value, tuple):
        for item in value:
            yield from parts(item)


@pytest.mark.parametrize("book", BOOKS.values(), ids=list(BOOKS))
def test_every_rule_and_number_has_locator_and_evidence(book: Book) -> None:
    for rule in book.data.rules:
        assert rule.locator.strip()
        assert rule.evidence
    cited = [p for p in parts(book.data) if isinstance(p, Cited)]
    assert all(len(p.locator) >= 5 for p in cited)
    holders = [p for p in parts(book.data.rules) if not isinstance(p, Cited)]
    # What holds numbers without a citation of its own stands inside a part that has one.
    assert {type(p).__name__ for p in holders} <= {
        "SoilClass", "LevelStep", "RefusedPart", "IndexChoice"}


def test_kinds_listed_and_kinds_built_are_the_same_closed_set() -> None:
    assert set(KINDS) == set(BUILDERS)
    used = {rule.kind for book in BOOKS.values() for rule in book.data.rules}
    assert used <= set(KINDS)


def test_no_book_names_a_brand_mark_or_holds_code() -> None:
    for entry in resources.files("vrx.rules").joinpath("books").iterdir():
        text = entry.read_text(encoding="utf-8")
        assert "(R)" not in text
        assert "®" not in text
        assert "lambda" not in text
        assert "import " not in text


def test_the_trade_fact_is_the_same_wherever_it_is_used() -> None:
    # Common practice, no source: 10 tons take up 55 lb S.
    figures = {s.lb_per_ton for b in BOOKS.values() for s in b.removal_sources()
               if s.name == "common-practice"}
    assert figures == {5.5}


def test_takes_up_and_removes_are_never_the_same_line() -> None:
    for book in BOOKS.values():
        for source in book.removal_sources():
            assert (source.word == "takes up") == (source.name == "common-practice")


def test_sha256_is_that_of_the_file() -> None:
    book = BOOKS["tri-state-2020"]
    raw = resources.files("vrx.rules").joinpath("books", book.file).read_bytes()
    assert book.sha256 == hashlib.sha256(raw).hexdigest()


def test_books_survive_a_worker_process() -> None:
    book = pickle.loads(pickle.dumps(BOOKS["tri-state-2020"]))  # noqa: S301 - our own bytes
    assert book.data == BOOKS["tri-state-2020"].data
    assert book.sha256 == BOOKS["tri-state-2020"].sha256


def test_the_list_of_books() -> None:
    rows = {row.id: row for row in catalogue(BOOKS)}
    assert list(rows) == sorted(rows, key=lambda i: (rows[i].nutrient, i))
    assert rows["tri-state-2020"].depth_in == "0-8"
    assert "from memory" in rows["tri-state-2020"].evidence
    assert not rows["western-acetate-k-classes"].has_rates
    assert not rows["western-sulfate-criterion"].has_rates
    assert rows["tissue-sulfur"].has_rates


@pytest.mark.parametrize("book", [*BOOKS.values()], ids=list(BOOKS))
def test_every_book_explains_itself_in_plain_values(book: Book) -> None:
    page = explain(book)
    text = json.dumps(asdict(page))
    assert len(page.tables) == len(book.data.rules)
    assert page.examples
    assert page.source.title in text
    assert any("crops other than" in r for r in page.refusals)
    if not any(e.evidence == "read" for e in book.data.examples):
        assert page.no_published_example_because


def test_explained_numbers_are_those_of_the_book() -> None:
    page = explain(BOOKS["western-acetate-k-classes"])
    assert page.tables[0].rows == (
        ("deficient", "0 to under 40", "no rate"), ("marginal", "40 to under 80", "no rate"),
        ("adequate", "80 to 125", "no rate"), ("high", "above 125", "no rate"))
    cells = [cell for table in explain(BOOKS["tri-state-2020"]).tables for row in table.rows
             for cell in row]
    assert any("100 ppm where CEC is up to 5; 120 ppm" in c for c in cells)


def test_conversions_carry_the_published_factor() -> None:
    # Ohio State factsheet ANR-75: Mehlich-3 K is about 14 % above ammonium-acetate K.
    ohio = next(c for c in conversions() if "Ohio" in c.name)
    assert (ohio.from_extractant, ohio.to_extractant) == ("ammonium acetate", "mehlich-3")
    assert 100 * ohio.factor == pytest.approx(114)


def test_a_limit_stands_in_one_class_only() -> None:
    """Georgia prints 0-70, 71-170, 171-275, above 275 lb/ac: 70 is low and 275 high."""
    spans = [row[2] for row in explain(BOOKS["georgia-potassium"]).tables[0].rows[:4]]
    assert spans == ["0 to 70", "above 70 to 170", "above 170 to 275", "above 275"]
    # Southwest Oregon: 0-75, 75-100, above 100 ppm; 75 itself counts as the middle class.
    spans = [row[1] for row in explain(BOOKS["oregon-southwest-potassium"]).tables[0].rows]
    assert spans == ["0 to under 75", "75 to 100", "above 100"]
