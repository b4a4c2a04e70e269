"""Items of a plan's lists added, taken out and moved: other lines stay byte for byte.

What a plan then says is read by the standard library's tomllib, which shares nothing with the
lines' own editor.
"""

from __future__ import annotations

import difflib
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import PlanError
from vrx.plan import AddItem, DropItem, Item, MoveItem, answer_plan, load_plan

KETTLE = Path(__file__).resolve().parents[2] / "sample_geo" / "kettle" / "plan.toml"
NEW = {"id": "spring", "timing": "green-up", "method": "broadcast",
       "material": "gypsum", "rate_lb_per_ac": "100.0"}


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    file = tmp_path / "plan.toml"
    file.write_bytes(KETTLE.read_bytes())
    return file


def _change(plan: Path, *items: Item, drop: tuple[str, ...] = ()) -> tuple[list[str], list[str]]:
    """Lines that came and lines that went."""
    before = plan.read_text(encoding="utf-8").splitlines()
    answer_plan(plan, [], items=items, drop=drop)
    after = plan.read_text(encoding="utf-8").splitlines()
    told = [line for line in difflib.ndiff(before, after) if line[:2] in ("+ ", "- ")]
    return ([line[2:] for line in told if line[0] == "+"],
            [line[2:] for line in told if line[0] == "-"])


def _ids(plan: Path) -> list[str]:
    return [one["id"] for one in tomllib.loads(plan.read_text(encoding="utf-8"))["pass"]]


def test_an_item_is_added_where_it_is_asked_for_and_nothing_else_moves(plan: Path) -> None:
    came, went = _change(plan, AddItem(key="pass", values=NEW, at=2))
    assert _ids(plan) == ["after-first", "spring", "stubble-2", "late-summer"]
    assert not went
    assert [line for line in came if line] == [
        "[[pass]]", 'id = "spring"', 'timing = "green-up"', 'method = "broadcast"',
        'material = "gypsum"', "rate_lb_per_ac = 100.0"]
    assert [one.id for one in load_plan(plan).passes] == _ids(plan)


def test_the_last_item_comes_behind_the_others_and_before_the_next_section(plan: Path) -> None:
    _, went = _change(plan, AddItem(key="pass", values=NEW))
    assert _ids(plan)[-1] == "spring"
    assert not went
    text = plan.read_text(encoding="utf-8")
    assert text.index('id = "late-summer"') < text.index('id = "spring"') < text.index(
        "# The season's days")


def test_an_item_goes_with_its_own_comment_and_what_belongs_to_it_elsewhere(plan: Path) -> None:
    came, went = _change(
        plan, DropItem(key="pass", number=2),
        drop=("machine.stubble-2", "calendar.pass.stubble-2", "conditions.pass.stubble-2",
              "irrigation", 'prices."potassium thiosulfate 0-0-25-17S"',
              'order.material."potassium thiosulfate 0-0-25-17S"'))
    assert _ids(plan) == ["after-first", "late-summer"]
    assert not [line for line in came if line]
    assert any(line.startswith("# Through the pivot on stubble, before regrowth.") for line in went)
    text = plan.read_text(encoding="utf-8")
    assert "# Potash in two halves, so that one pass stays at or under 200 lb K2O/ac." in text
    assert "# The season's days, as expected" in text
    load_plan(plan)


def test_an_item_is_moved_with_its_comment(plan: Path) -> None:
    before = sorted(line for line in plan.read_text(encoding="utf-8").splitlines() if line)
    answer_plan(plan, [], items=[MoveItem(key="pass", number=2, to=1)])
    assert _ids(plan) == ["stubble-2", "after-first", "late-summer"]
    after = plan.read_text(encoding="utf-8").splitlines()
    assert sorted(line for line in after if line) == before
    assert after[after.index('id = "stubble-2"') - 2].startswith("# off the label")


def test_the_first_item_of_a_list_and_the_last_one_leave_a_good_plan(plan: Path) -> None:
    answer_plan(plan, [], items=[DropItem(key="bid", number=2), DropItem(key="bid", number=1)])
    assert "bid" not in tomllib.loads(plan.read_text(encoding="utf-8"))
    answer_plan(plan, [], items=[AddItem(key="bid", values={
        "seller": "A", "material": "muriate of potash 0-0-60", "usd": "450.0",
        "per": "short ton", "as_of": "2027-01-08"})])
    assert tomllib.loads(plan.read_text(encoding="utf-8"))["bid"][0]["usd"] == 450.0
    load_plan(plan)


def test_lists_inside_a_section_count_too(plan: Path) -> None:
    answer_plan(plan, [], items=[DropItem(key="calendar.cutting", number=1)])
    told = tomllib.loads(plan.read_text(encoding="utf-8"))["calendar"]
    assert [str(one["cut"]) for one in told["cutting"]] == [
        "2027-07-02", "2027-08-05", "2027-09-06"]
    assert "after-first" in told["pass"]


@pytest.mark.parametrize(("item", "code"), [
    (DropItem(key="pass", number=4), "answer-absent"),
    (DropItem(key="pass", number=0), "answer-absent"),
    (MoveItem(key="pass", number=1, to=9), "answer-absent"),
    (AddItem(key="passes", values={}), "plan-unknown-key"),
    (AddItem(key="pass", values={"idd": "a"}), "plan-unknown-key"),
    (AddItem(key="pass", values={"rate_lb_per_ac": "much"}), "plan-value"),
    (AddItem(key="pass", values={"id": "?"}), "answer-placeholder"),
    (DropItem(key="zones.nutrients", number=1), "answer-not-safe"),
    (AddItem(key="field", values={}), "plan-unknown-key"),
])
def test_what_cannot_be_done_is_told_and_nothing_is_written(
    plan: Path, item: Item, code: str
) -> None:
    before = plan.read_bytes()
    with pytest.raises(PlanError) as told:
        answer_plan(plan, [], items=[item])
    assert told.value.code == code
    assert plan.read_bytes() == before
    assert [one.name for one in plan.parent.iterdir()] == ["plan.toml"]


HARD = '''schema = 1
note = """
[[pass]]
"""
# of the first
[[pass]]
id = 'a' # [[pass]]
list = [
  "[[pass]]",
  [1, 2],
]
# a remark under it

[[pass.part]]
x = 1

# of the second
[["pass"]]
id = "b"

# alone

[last]
y = 1'''


def test_lines_that_only_look_like_items_are_none() -> None:
    from vrx.plan.items import with_item

    document = tomllib.loads(HARD)
    text, goal, _ = with_item(HARD, document, DropItem(key="pass", number=1))
    assert tomllib.loads(text) == goal
    assert [one["id"] for one in goal["pass"]] == ["b"]
    assert "# of the second" in text
    assert "# alone" in text
    text, goal, _ = with_item(HARD, document, MoveItem(key="pass", number=2, to=1))
    assert tomllib.loads(text) == goal
    assert text.index('"b"') < text.index("'a'")
    assert "# a remark under it" in text


@settings(max_examples=60, deadline=None)
@given(crlf=st.booleans(), steps=st.lists(st.one_of(
    st.builds(DropItem, key=st.just("pass"), number=st.integers(1, 5)),
    st.builds(MoveItem, key=st.just("pass"), number=st.integers(1, 5), to=st.integers(1, 5)),
    st.builds(AddItem, key=st.just("pass"), values=st.just({"timing": "x"}),
              at=st.none() | st.integers(1, 5))), max_size=6))
def test_any_changes_read_as_those_of_a_plain_list(crlf: bool, steps: list[Item]) -> None:
    from vrx.plan.items import with_item

    text = KETTLE.read_text(encoding="utf-8")
    text = text.replace("\n", "\r\n") if crlf else text
    document = tomllib.loads(text)
    comments = {line for line in text.splitlines() if line.startswith("#")}
    plain = [one.get("id", "x") for one in document["pass"]]
    for one in steps:
        try:
            text, document, _ = with_item(text, document, one)
        except PlanError:
            continue
        if isinstance(one, DropItem):
            plain.pop(one.number - 1)
        elif isinstance(one, MoveItem):
            plain.insert(one.to - 1, plain.pop(one.number - 1))
        else:
            plain.insert(len(plain) if one.at is None else one.at - 1, "x")
        assert tomllib.loads(text) == document
        assert [each.get("id", "x") for each in document.get("pass", [])] == plain
    assert text.count("\r\n") == (text.count("\n") if crlf else 0)
    of_items = {line for line in comments if line.startswith(
        ("# Potash in two", "# Through the pivot on", "# off the label", "# The pivot wets"))}
    assert comments - of_items <= set(text.splitlines())
