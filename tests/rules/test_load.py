"""A user's own book works like ours, and a wrong one is explained by file, key path and value."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from vrx.errors import RuleError
from vrx.model import Yield, ZoneReading
from vrx.rules import load_books, needs, own_book_template, run_examples

TEMPLATE = own_book_template()


def written(folder: Path, text: str, name: str = "mine.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_the_template_loads_and_its_example_holds(tmp_path: Path) -> None:
    path = written(tmp_path, TEMPLATE)
    for given in (tmp_path, path):
        book = load_books([given])["my-state-potassium"]
        assert book.origin == "user"
        assert book.file == str(path)
        assert all(r.passed for r in run_examples(book))


def test_a_book_with_a_byte_order_mark_loads(tmp_path: Path) -> None:
    path = tmp_path / "bom.toml"
    path.write_bytes(b"\xef\xbb\xbf" + TEMPLATE.encode())
    assert "my-state-potassium" in load_books([path])


def test_a_users_book_gives_needs(tmp_path: Path) -> None:
    book = load_books([written(tmp_path, TEMPLATE)])["my-state-potassium"]
    k = np.array([99.0, 100.0, 150.0, 150.1])
    zero = np.zeros(4)
    reading = ZoneReading(analyte="potassium", unit="ppm", extractant="1 N ammonium acetate",
                          depth_in=(0, 12), mean=k, standard_error=zero, low=k, high=k)
    found = needs(book=book, nutrient="K2O", zone_ids=[1, 2, 3, 4],
                  readings={"potassium": reading}, crop="alfalfa",
                  expected_yield=Yield(tons_per_ac=8.8, moisture_pct=20))
    # 8.8 t at 20 % moisture = 7.04 t dry matter = 8 t at 12 %: the table's last column.
    assert [n.lb_per_ac for n in found] == pytest.approx([333, 33, 33, 0])
    assert [n.soil_class for n in found] == ["low", "medium", "medium", "high"]


RATE_TABLE = """
[[rules]]
id = "table"
kind = "rate-table"
locator = "table 1"
evidence = "user"
soil_test = [50.0, 100.0, 150.0]
yield_tons = [4.0, 8.0]
rates_lb_per_ac = [[200.0, 300.0], [100.0, 150.0], [0.0, 0.0]]

[[examples]]
title = "half way in both directions: mean of 200, 300, 100, 150"
locator = "by hand"
evidence = "computed"
given = { readings = { potassium = 75.0 }, yield_tons_per_ac = 6.0, yield_moisture_pct = 12.0 }
expect = { lb_per_ac = 187.5, tolerance = 0.001 }

[[examples]]
title = "below the first row, its rate"
locator = "by hand"
evidence = "computed"
given = { readings = { potassium = 10.0 }, yield_tons_per_ac = 8.0, yield_moisture_pct = 12.0 }
expect = { lb_per_ac = 300.0, tolerance = 0.001 }
"""


def test_a_rate_table_is_bilinear(tmp_path: Path) -> None:
    head = TEMPLATE[: TEMPLATE.index("# Classes with one rate")]
    book = load_books([written(tmp_path, head + RATE_TABLE)])["my-state-potassium"]
    assert [r.differences for r in run_examples(book)] == [(), ()]


@pytest.mark.parametrize(
    ("old", "new", "code", "words"),
    [
        ('kind = "class-table"', 'kind = "class-tabel"', "rules-book-invalid",
         ["rules[1].kind", "'class-tabel'", "mean 'class-table'"]),
        ("yield_tons = [4.0", "yield_ton = [4.0", "rules-book-invalid",
         ["rules[1].yield_ton", "mean 'yield_tons'"]),
        ("below = 100.0", 'below = "100"', "rules-book-invalid",
         ["rules[1].classes[1].below", "'100'"]),
        ("below = 100.0", "belov = 100.0", "rules-book-invalid",
         ["rules[1].classes[1].belov", "mean 'below'"]),
        ("below = 100.0", "below = 200.0", "rules-book-invalid", ["limits must rise", "200, 150"]),
        ("below = 100.0", "below = nan", "rules-book-invalid", ["below", "finite"]),
        ("[111.0, 222.0, 333.0]", "[111.0, 222.0]", "rules-book-invalid",
         ["class low", "as many rates"]),
        ("[111.0, 222.0, 333.0]", "[-1.0, 222.0, 333.0]", "rules-book-invalid", ["-1.0"]),
        (', rate_lb_per_ac = [0.0, 0.0, 0.0]', "", "rules-book-invalid", ["every class", "none"]),
        ("dm_fraction = 0.88", "dm_fraction = 12.0", "rules-book-invalid", ["ton.dm_fraction"]),
        ("schema = 1", "schema = 9", "rules-book-invalid", ["schema", "9"]),
        ('id = "my-state', 'id = "My State', "rules-book-invalid", ["id", "My State"]),
        ('form = "oxide K2O"', 'form = "elemental S"', "rules-book-invalid", ["K2O", "form"]),
        ("no_published_example_because", "why", "rules-book-invalid", ["why: unknown key"]),
        ('id = "table"', 'id = "table"\nformula = "k*2"', "rules-book-invalid",
         ["formula: unknown key"]),
        ("schema = 1", "schema = = 1", "rules-toml", ["not valid TOML", "line"]),
    ],
)
def test_faults_name_file_key_path_and_value(
    tmp_path: Path, old: str, new: str, code: str, words: list[str]
) -> None:
    assert old in TEMPLATE
    path = written(tmp_path, TEMPLATE.replace(old, new, 1))
    with pytest.raises(RuleError) as caught:
        load_books([path])
    assert caught.value.code == code
    assert caught.value.where == str(path)
    assert caught.value.hint
    text = str(caught.value)
    assert [w for w in words if w not in text] == []


def test_a_locator_that_is_missing_is_named(tmp_path: Path) -> None:
    text = TEMPLATE.replace('locator = "table number of the guide"\n', "")
    with pytest.raises(RuleError, match=r"rules\[1\]\.locator: missing"):
        load_books([written(tmp_path, text)])


def test_the_soil_table_is_wanted_where_a_rule_reads_a_soil_test(tmp_path: Path) -> None:
    start, end = TEMPLATE.index("[soil]"), TEMPLATE.index("[ton]")
    with pytest.raises(RuleError, match=r"add a \[soil\] table"):
        load_books([written(tmp_path, TEMPLATE[:start] + TEMPLATE[end:])])


def test_one_id_twice_is_an_error(tmp_path: Path) -> None:
    text = TEMPLATE.replace("my-state-potassium", "tri-state-2020")
    with pytest.raises(RuleError, match=r"already used by tri-state-2020\.toml") as caught:
        load_books([written(tmp_path, text)])
    assert caught.value.code == "rules-duplicate"
    written(tmp_path, TEMPLATE, "a.toml")
    written(tmp_path, TEMPLATE, "mine.toml")
    with pytest.raises(RuleError, match=r"already used by .*a\.toml"):
        load_books([tmp_path])


def test_missing_empty_and_unreadable_places(tmp_path: Path) -> None:
    with pytest.raises(RuleError, match="no such folder or file"):
        load_books([tmp_path / "nowhere"])
    with pytest.raises(RuleError, match=r"no \.toml file"):
        load_books([tmp_path])
    bad = tmp_path / "latin.toml"
    bad.write_bytes('name = "Größe"'.encode("latin-1"))
    with pytest.raises(RuleError, match="not UTF-8"):
        load_books([bad])


def test_loading_the_room_does_not_load_pydantic() -> None:
    code = "import sys, vrx.rules; print('pydantic' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
