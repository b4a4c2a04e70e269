"""Changes of a plan made through the program are undone and redone; what a hand wrote stays."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from vrx.errors import PlanError
from vrx.plan import DropItem, answer_plan, read_past, step_back, step_forward
from vrx.plan.past import MOST_TEXTS, PAST_NAME

KETTLE = Path(__file__).resolve().parents[2] / "sample_geo" / "kettle" / "plan.toml"


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    file = tmp_path / "plan.toml"
    file.write_bytes(KETTLE.read_bytes())
    return file


def _set(plan: Path, tons: float) -> None:
    answer_plan(plan, [("yield_goal.tons_per_ac", str(tons))], for_undo=True)


def test_a_change_is_undone_and_redone_in_plain_words(plan: Path) -> None:
    before = plan.read_bytes()
    _set(plan, 7.0)
    after = plan.read_bytes()
    assert read_past(plan).undo_words == "yield goal 6.5 → 7.0"
    assert step_back(plan) == "yield goal 6.5 → 7.0"
    assert plan.read_bytes() == before
    assert (read_past(plan).undo_words, read_past(plan).redo_words) == ("", "yield goal 6.5 → 7.0")
    assert step_forward(plan) == "yield goal 6.5 → 7.0"
    assert plan.read_bytes() == after


def test_words_of_items_and_of_several_changes(plan: Path) -> None:
    answer_plan(plan, [("yield_goal.moisture_pct", "10"), ("zones.smallest_ac", "3")],
                items=[DropItem(key="bid", number=2)], for_undo=True)
    assert read_past(plan).undo_words == (
        "took out bid Lakeside Farm Supply (invented), and 2 more")
    answer_plan(plan, [], drop=["field.stand_year"], for_undo=True)
    assert read_past(plan).undo_words == "field stand year taken out (was 3)"


def test_a_plan_that_a_hand_changed_since_is_left_alone(plan: Path) -> None:
    _set(plan, 7.0)
    by_hand = plan.read_bytes() + b"# by hand\n"
    plan.write_bytes(by_hand)
    for step in (step_back, step_forward):
        with pytest.raises(PlanError) as told:
            step(plan)
        assert told.value.code == "plan-past-broken"
        assert plan.read_bytes() == by_hand
    assert read_past(plan).undo_words == ""
    _set(plan, 8.0)
    step_back(plan)
    assert plan.read_bytes() == by_hand
    with pytest.raises(PlanError) as told:
        step_back(plan)
    assert told.value.code == "plan-no-undo"


def test_a_writer_that_was_ended_between_the_two_files_is_understood(
    plan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = plan.read_bytes()
    _set(plan, 7.0)
    after = plan.read_bytes()
    past = (plan.with_name(PAST_NAME)).read_bytes()
    plan.write_bytes(before)  # the note was written, the plan was not
    assert plan.with_name(PAST_NAME).read_bytes() == past
    assert read_past(plan).undo_words == ""
    assert step_forward(plan) == "yield goal 6.5 → 7.0"
    assert plan.read_bytes() == after


@pytest.mark.parametrize("text", [
    "", "{", "[]", "null", '{"texts": 3, "words": [], "at": 0}',
    '{"texts": ["a", "b"], "words": [], "at": 0}', '{"texts": ["a"], "words": [], "at": "x"}',
    '{"texts": [1], "words": [], "at": 0}', '{"texts": "ab", "words": "a", "at": 0}'])
def test_a_wrong_file_of_earlier_texts_means_only_that_nothing_can_be_undone(
    plan: Path, text: str
) -> None:
    plan.with_name(PAST_NAME).write_text(text, encoding="utf-8")
    with pytest.raises(PlanError) as told:
        step_back(plan)
    assert told.value.code in {"plan-no-undo", "plan-past-broken"}
    _set(plan, 7.0)
    step_back(plan)
    assert plan.read_bytes() == KETTLE.read_bytes()


def test_earlier_texts_are_bounded(plan: Path) -> None:
    for n in range(MOST_TEXTS + 20):
        _set(plan, 5.0 + n / 100)
    told = json.loads(plan.with_name(PAST_NAME).read_text(encoding="utf-8"))
    assert len(told["texts"]) == MOST_TEXTS
    for _ in range(MOST_TEXTS - 1):
        step_back(plan)
    with pytest.raises(PlanError):
        step_back(plan)


def test_without_being_asked_nothing_is_kept(plan: Path) -> None:
    answer_plan(plan, [("yield_goal.tons_per_ac", "7.0")])
    assert [one.name for one in plan.parent.iterdir()] == ["plan.toml"]


class PlanChanges(RuleBasedStateMachine):
    """Against a plain list of texts: changes, undo, redo, and a hand in between."""

    def __init__(self) -> None:
        super().__init__()
        import tempfile

        self.scratch = tempfile.TemporaryDirectory()
        self.plan = Path(self.scratch.name) / "plan.toml"
        self.plan.write_bytes(KETTLE.read_bytes())
        self.texts, self.at, self.fresh = [self.plan.read_bytes()], 0, 0

    def teardown(self) -> None:
        self.scratch.cleanup()

    @rule()
    def change(self) -> None:
        self.fresh += 1
        _set(self.plan, 1.0 + self.fresh / 8)
        self.texts = [*self.texts[: self.at + 1], self.plan.read_bytes()]
        self.at += 1

    @rule()
    def by_hand(self) -> None:
        self.fresh += 1
        with self.plan.open("ab") as stream:
            stream.write(f"# {self.fresh}\n".encode())
        self.texts, self.at = [self.plan.read_bytes()], 0

    @precondition(lambda self: self.at > 0)
    @rule()
    def undo(self) -> None:
        step_back(self.plan)
        self.at -= 1

    @precondition(lambda self: self.at < len(self.texts) - 1)
    @rule()
    def redo(self) -> None:
        step_forward(self.plan)
        self.at += 1

    @rule(step=st.sampled_from([step_back, step_forward]))
    def too_far(self, step: object) -> None:
        if (step is step_back and self.at == 0) or (
                step is step_forward and self.at == len(self.texts) - 1):
            with pytest.raises(PlanError):
                step(self.plan)  # type: ignore[operator]

    @invariant()
    def the_plan_is_where_the_list_is(self) -> None:
        assert self.plan.read_bytes() == self.texts[self.at]


PlanChanges.TestCase.settings = settings(max_examples=25, stateful_step_count=20, deadline=None)
TestPlanChanges = PlanChanges.TestCase
