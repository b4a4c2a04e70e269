"""A guide of one's own: gaps, overlaps, order, what is left open, and `check_book`."""

from __future__ import annotations

import re
import tomllib
from typing import Any

import numpy as np
import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import RuleError
from vrx.model import Yield, ZoneReading
from vrx.rules import check_book, load_books, needs, own_book_template
from vrx.rules.book import KINDS, Book
from vrx.rules.load import parse_book


def book_of(text: str) -> Book:
    return parse_book(text.encode(), file="mine.toml", origin="user")


def refused(kind: str, old: str, new: str) -> str:
    text = own_book_template(kind)
    assert old in text, f"{kind} has no {old!r}"
    with pytest.raises(RuleError) as caught:
        book_of(text.replace(old, new, 1))
    assert caught.value.code == "rules-book-invalid"
    assert caught.value.where == "mine.toml"
    assert caught.value.hint
    return str(caught.value)


@pytest.mark.parametrize(("old", "new", "words"), [
    ("since = 71.0", "since = 75.0", ["a gap between classes low and medium", "70", "75"]),
    ("since = 71.0", "since = 70.0", ["classes low and medium overlap", "70"]),
    ("since = 71.0", "since = 60.0", ["classes low and medium overlap", "60"]),
    ("printed_step = 1.0\n", "", ["a gap between classes low and medium", "printed_step"]),
    ("since = 71.0, up_to = 170.0", "since = 171.0, up_to = 170.0", ["class medium", "nothing"]),
    ("up_to = 170.0", "up_to = 60.0", ["class medium runs from 71 to 60"]),
    ('name = "medium", since', 'name = "middle", since', ["same class names"]),
    ('name = "loamy"', 'name = "sandy"', ["group used twice: sandy"]),
    ("rate_lb_per_ac = 111.0", "rate_lb_per_ac = 333.0",
     ["must not rise", "class medium has 333, class low has 222", "as_printed"]),
    ("rate_lb_per_ac = 111.0", 'rate_lb_per_ac = "111"',
     ["classes[2].rate_lb_per_ac: a number is wanted, without quotation marks (value '111')"]),
    ("rate_lb_per_ac = 111.0", "rate_lb_pr_ac = 111.0", ["mean 'rate_lb_per_ac'"]),
    (", rate_lb_per_ac = 111.0", "", ["class medium has not", "rate_not_read"]),
    ('group_option = "soil_group"', 'grup_option = "soil_group"', ["mean 'group_option'"]),
    ('unit = "lb/ac"', 'unit = "ppm"', ["soil.scale", "every unit but ppm"]),
    ('unit = "lb/ac"', 'unit = "kg/ha"', ["unit", "kg/ha"]),
    ("per_ppm = 2.0", "per_ppm = 0.0", ["per_ppm", "greater than 0"]),
    ("to_in = 6.0", "to_in = 0.0", ["to_in", "greater than 0"]),
    ("from_in = 0.0", "from_in = 6.0", ["6-6 in has no thickness"]),
    ('extractants = ["mehlich-1"]', "extractants_not_stated = false", ["extractants", "not both"]),
    ('extractants = ["mehlich-1"]', 'extractants = ["m1"]\nextractants_not_stated = true',
     ["extractants", "not both"]),
    ('extractants = ["mehlich-1"]', 'extractants = ["m1"]\ndepth_not_stated = true',
     ["soil.depth", "not both"]),
])
def test_class_tables_that_do_not_cover(old: str, new: str, words: list[str]) -> None:
    text = re.sub(r" +#.*", "", own_book_template("grouped-class-table"))
    assert old in text
    with pytest.raises(RuleError) as caught:
        book_of(text.replace(old, new, 1))
    said = str(caught.value)
    assert caught.value.code == "rules-book-invalid"
    assert [w for w in words if w not in said] == [], said


@pytest.mark.parametrize(("kind", "old", "new", "words"), [
    ("rating-table", '{ name = "medium", rate', '{ name = "low", rate', ["rating used twice: low"]),
    ("rating-table", '{ name = "low", rate', '{ name = "low", up_to = 5.0, rate', ["every class"]),
    ("class-share", "share_of_removal = 0.5", "share_of_removal = 1.5", ["must not rise", "high"]),
    ("class-share", "share_of_removal = 0.5", "rate_lb_per_ac = 5.0", ["share_of_removal, not"]),
    ("class-share", ", share_of_removal = 0.5", "", ["either every class"]),
    ("class-table", 'name = "low", below', 'name = "low", share_of_removal = 1.0, below',
     ["belong to the kind class-share"]),
    ("stand-age", "share = 0.5", "share = 1.5", ["from 0 to 1"]),
    ("conditional-rate", "below = 1.1", "", ["reading and below go together"]),
    ("conditional-rate", 'option = "sandy"', "", ["give option"]),
    ("availability-index", "per_unit = 3.3", "per_unit = -3.3", ["per_unit"]),
    ("availability-index", 'option = "deposition_lb_per_ac"', 'option = "om_pct"',
     ["option used twice: om_pct"]),
    ("tissue-table", 'unit = "%"', 'unit = "ppm"', ["sulfate-sulfur"]),
    ("soil-criterion", 'extractant = "calcium phosphate"\n', "", ["give extractant"]),
    ("rate-table", "[100.0, 150.0]", "[250.0, 150.0]", ["row 100 has 250, row 50 has 200"]),
    ("rate-table", "yield_tons = [4.0, 8.0]\n", "", ["not 1 columns"]),
    ("rate-table", "[55.0, 77.0, 99.0]", "[55.0, 77.0]", ["sufficiency_pct"]),
    ("linear-in-yield", 'unit = "ppm"',
     'unit = "mg/L"\nscale = { locator = "page 1", evidence = "user" }', ["reads ppm, not mg/L"]),
])
def test_other_faults_name_the_row(kind: str, old: str, new: str, words: list[str]) -> None:
    said = refused(kind, old, new)
    assert [w for w in words if w not in said] == [], said


def test_as_printed_lets_a_rising_table_through() -> None:
    text = own_book_template("rate-table").replace("[100.0, 150.0]", "[250.0, 150.0]")
    text = text.replace("yield_tons = [4.0, 8.0]\n", "yield_tons = [4.0, 8.0]\nas_printed = true\n")
    text = text.replace("lb_per_ac = 187.5", "lb_per_ac = 225.0")
    assert check_book(book_of(text)).good


@pytest.mark.parametrize("kind", KINDS)
def test_every_template_without_locator_or_evidence_is_refused(kind: str) -> None:
    document = tomllib.loads(own_book_template(kind))
    for key in ("locator", "evidence"):
        broken = {**document, "rules": [
            {k: v for k, v in one.items() if k != key} for one in document["rules"]]}
        with pytest.raises(RuleError, match=rf"rules\[1\]\.{key}: missing"):
            book_of(tomlkit.dumps(broken))


@pytest.mark.parametrize("kind", KINDS)
def test_a_mistyped_key_of_every_template_names_the_nearest(kind: str) -> None:
    document: dict[str, Any] = tomllib.loads(own_book_template(kind))
    rule = document["rules"][-1]
    key = next(k for k in rule if k not in ("id", "kind", "locator", "evidence", "years"))\
        if len(rule) > 4 else "locator"
    rule[key + "x"] = rule.pop(key)
    with pytest.raises(RuleError, match=f"mean '{key}'"):
        book_of(tomlkit.dumps(document))


def test_check_book_tells_what_is_wrong() -> None:
    text = own_book_template("linear-in-yield")
    good = check_book(book_of(text))
    assert good.good
    assert good.swept == "0 to 600 ppm, all else as in '100 ppm'"
    wrong = check_book(book_of(text.replace("lb_per_ac = 110.0", "lb_per_ac = 111.0")))
    assert not wrong.good
    assert "need 110" in wrong.examples[0].differences[0]
    document = tomllib.loads(text)
    document["examples"] = []
    bare = check_book(book_of(tomlkit.dumps(document)))
    assert (bare.good, bare.examples) == (True, ())
    assert bare.swept == "0 to 600 ppm, 6 tons of hay, CEC 10"
    none = check_book(book_of(own_book_template("flat-rate")))
    assert (none.good, none.not_swept) == (True, "the book reads no soil test")


def test_an_index_that_lacks_a_supply_says_so() -> None:
    text = own_book_template("availability-index")
    book = book_of(text)
    found, = needs(book=book, nutrient="S", zone_ids=[1], readings={}, crop="alfalfa",
                   expected_yield=Yield(tons_per_ac=6, moisture_pct=12),
                   options={"subsoil_sulfur": "low"})
    assert found.lb_per_ac == 22
    assert {"rules-index-assumed"} <= {f.code for f in found.findings}
    assert [x.lb_per_ac for x in found.lines] == [0, 0, 0, 22]
    assert "index 6.6" in found.lines[-1].detail


@settings(derandomize=True, max_examples=40, deadline=None)
@given(limits=st.lists(st.integers(1, 500), min_size=1, max_size=6, unique=True),
       soil=st.lists(st.floats(0, 600), min_size=1, max_size=20), data=st.data())
def test_any_class_table_covers_every_value_once_and_falls(
    limits: list[int], soil: list[float], data: st.DataObject
) -> None:
    limits = sorted(limits)
    rates = sorted((data.draw(st.integers(0, 400)) for _ in range(len(limits) + 1)), reverse=True)
    closed = [data.draw(st.booleans()) for _ in limits]
    document = tomllib.loads(own_book_template("class-table"))
    rule = document["rules"][0]
    del rule["yield_tons"]
    rule["classes"] = [
        {"name": f"c{n}", "up_to" if c else "below": float(x), "rate_lb_per_ac": float(r)}
        for n, (x, c, r) in enumerate(zip(limits, closed, rates, strict=False))
    ] + [{"name": "last", "rate_lb_per_ac": float(rates[-1])}]
    document["examples"] = []
    book = book_of(tomlkit.dumps(document))
    values = np.sort(np.array(soil))
    reading = ZoneReading(analyte="potassium", unit="ppm", extractant="ammonium acetate",
                          depth_in=(0, 12), mean=values, standard_error=values * 0, low=values,
                          high=values)
    found = needs(book=book, nutrient="K2O", zone_ids=range(values.size),
                  readings={"potassium": reading}, crop="alfalfa",
                  expected_yield=Yield(tons_per_ac=6, moisture_pct=12))
    amounts = [n.lb_per_ac for n in found]
    assert amounts == sorted(amounts, reverse=True)
    for value, need in zip(values, found, strict=True):
        # By hand: the first class whose end is not passed.
        ends = [(x, c) for x, c in zip(limits, closed, strict=True)
                if value < x or (c and value == x)]
        want = rates[len(limits) - len(ends)]
        assert need.lb_per_ac == want


@pytest.mark.parametrize(("kind", "old", "new", "words"), [
    # a whole section is not thrown at the reader, only the key path and the rule broken
    ("class-table", "up_to = 150.0", "up_to = 90.0", ["limits must rise: 100, 90"]),
    ("class-table", "[ton]  ", "[tonn]  ", ["tonn: unknown key", "mean 'ton'"]),
    ("class-table", "[[rules]]", "[rules]", ["rules: a list is wanted: write [[rules]]"]),
    ("class-table", 'id = "my-state-potassium"', 'id = "My State"',
     ["id: only lower case letters and digits", "hyphens", "(value 'My State')"]),
    ("class-table", 'nutrient = "K2O"', 'nutrient = "K"', ["must be 'K2O' or 'S'", "mean 'K2O'"]),
    ("rate-table", "[55.0, 77.0, 99.0]", "[55.0, 77.0, 199.0]", ["sufficiency_pct[3]", "100"]),
    ("build-up-maintenance", "intercept_ppm = 144.0", "intercept_ppm = 44.0",
     ["at CEC 1 the maintenance limit (45.1 ppm) lies under the critical level (88 ppm)"]),
])
def test_a_slip_is_told_in_words_and_not_as_a_dump(
    kind: str, old: str, new: str, words: list[str]
) -> None:
    told = refused(kind, old, new)
    for word in words:
        assert word in told, told
    assert not [odd for odd in ("{'", "Input should", "tuple", "pattern") if odd in told], told


@pytest.mark.parametrize(("old", "new", "words"), [
    ('["ammonium acetate"]', '["amonium acetate"]',
     ["'amonium acetate' is none that vrx knows: is it 'ammonium acetate'?"]),
    ("[11.0, 22.0, 33.0]", "[11.0, 33.0, 22.0]",
     ["class medium: the rate falls from 33 to 22 lb/ac as the yield goal rises from 6 to 8 tons"]),
    ('["ammonium acetate"]', '["1 N ammonium acetate"]', []),
])
def test_what_may_be_a_slip_is_a_doubt_and_no_fault(old: str, new: str, words: list[str]) -> None:
    text = own_book_template("class-table")
    assert old in text
    found = check_book(book_of(text.replace(old, new, 1)))
    assert found.good
    assert len(found.doubts) == len(words)
    for word in words:
        assert word in found.doubts[0]


def test_no_built_in_book_raises_a_doubt() -> None:
    assert {book.id: check_book(book).doubts for book in load_books().values()
            if check_book(book).doubts} == {}
