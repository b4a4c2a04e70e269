"""Answers written into a plan: comments kept, values checked, one writer, nothing half written."""

from __future__ import annotations

import threading
import time
import tomllib
from pathlib import Path

import pytest
from filelock import FileLock
from hypothesis import given
from hypothesis import strategies as st

from vrx.errors import PlanError
from vrx.plan import answer_plan, blanks
from vrx.plan.keys import key_steps, key_text, value_at
from vrx.plan.lock import LOCK_NAME

ROOT = Path(__file__).resolve().parents[2]
TEXT = '''# A plan with comments.
schema = 1

[field]
name = "north"  # the name stays
# Year of the harvest.
season = "?"

[soil]
samples = "soil.csv"
lab = "?"

[soil.potassium]
column = "K"
unit = "?"  # from the report
form = "?"
depth_in = ["?", "?"]

# Trips over the field.
[[pass]]
id = "one"
material = "?"

[machine.one]
step_lb_per_ac = "?"
'''


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(TEXT, encoding="utf-8")
    return path


def refused(plan: Path, key: str, value: str) -> PlanError:
    before = plan.read_bytes()
    with pytest.raises(PlanError) as caught:
        answer_plan(plan, [(key, value)])
    assert plan.read_bytes() == before
    return caught.value


def test_lines_are_filled_in_and_everything_else_stays(plan: Path) -> None:
    done = answer_plan(plan, [
        ("field.season", "2027"), ("soil.potassium.unit", "ppm"),
        ("soil.potassium.depth_in", "[0, 8]"), ("pass[1].material", "muriate of potash 0-0-60"),
        ("machine.one.step_lb_per_ac", "10"), ("soil.sampled_on", "2026-10-14"),
    ])
    text = plan.read_text(encoding="utf-8")
    wanted = (TEXT.replace('season = "?"', "season = 2027").replace('unit = "?"', 'unit = "ppm"')
              .replace('["?", "?"]', "[0, 8]")
              .replace('material = "?"', 'material = "muriate of potash 0-0-60"')
              .replace('step_lb_per_ac = "?"', "step_lb_per_ac = 10"))
    gone = [line for line in wanted.splitlines() if line and line not in text.splitlines()]
    assert gone == []
    assert str(tomllib.loads(text)["soil"]["sampled_on"]) == "2026-10-14"
    assert done.written
    assert [(c.key, c.before, c.after) for c in done.changes][:3] == [
        ("field.season", '"?"', "2027"), ("soil.potassium.unit", '"?"', '"ppm"'),
        ("soil.potassium.depth_in", '["?", "?"]', "[0, 8]")]
    assert set(done.open_keys) == {"soil.lab", "soil.potassium.form"}


def test_a_section_that_is_not_there_is_made_and_one_is_taken_out(plan: Path) -> None:
    answer_plan(plan, [("soil.cec.column", "CEC"), ("soil.cec.unit", "meq/100 g"),
                       ("water.net_in", "8"), ("zones.breaks.potassium", "[100, 150]")])
    document = tomllib.loads(plan.read_text(encoding="utf-8"))
    assert document["soil"]["cec"] == {"column": "CEC", "unit": "meq/100 g"}
    assert document["water"] == {"net_in": 8}
    assert document["zones"]["breaks"]["potassium"] == [100, 150]
    done = answer_plan(plan, [], drop=["soil.cec", "field.name"])
    document = tomllib.loads(plan.read_text(encoding="utf-8"))
    assert "cec" not in document["soil"]
    assert "name" not in document["field"]
    assert [one.after for one in done.changes] == ["", ""]
    assert any("field.name" in fault for fault in done.faults)


def test_text_numbers_and_dates_get_the_type_of_their_key() -> None:
    assert value_at(key_steps("soil.lab"), "12") == "12"
    assert value_at(key_steps("soil.lab"), '"A & B"') == "A & B"
    assert value_at(key_steps("field.season"), "2027") == 2027
    assert value_at(key_steps("soil.use_year"), "latest") == "latest"
    assert value_at(key_steps("soil.use_year"), "2026") == 2026
    assert value_at(key_steps("soil.longitudes_are_west"), "true") is True
    assert value_at(key_steps("soil.leave_out"), '["S07"]') == ["S07"]
    assert value_at(key_steps("need.sulfur.rate_lb_per_ac"), "20") == 20
    assert value_at(key_steps("soil.potassium.form"), "K2O") == "K2O"


@pytest.mark.parametrize(("key", "value", "code", "words"), [
    ("soil.potasium.unit", "ppm", "plan-unknown-key", "soil.potassium"),
    ("soil.potassium.units", "ppm", "plan-unknown-key", "soil.potassium.unit"),
    ("soil.season", "2027", "plan-unknown-key", "field.season"),
    ("field.season", "soon", "plan-value", "number"),
    ("field.season", "1927", "plan-value", "2000"),
    ("soil.potassium.unit", "kg/ha", "plan-value", "lb/ac"),
    ("soil.potassium.form", "K or K2O", "plan-value", "K2O"),
    ("soil.potassium.extractant", "mehlich-4", "plan-value", "mehlich"),
    ("soil.potassium.extractant", "olsen?", "answer-placeholder", "?"),
    ("soil.potassium.depth_in", "[0]", "plan-value", "depth_in"),
    ("soil.depth_unit", "m", "plan-value", "'cm'"),
    ("soil.lab", "...", "answer-placeholder", "value"),
    ("soil.lab", "?", "answer-placeholder", "value"),
    ("soil.sampled_on", "2026-02-30", "plan-value", "date"),
    ("soil.longitudes_are_east", "perhaps", "plan-value", "bool"),
    ("pass[2].material", "x", "answer-absent", "pass[2]"),
    ("field..season", "2027", "answer-key", "field..season"),
    ("field.season.x", "1", "plan-unknown-key", "season"),
    ("soil", "1", "plan-value", "soil"),
])
def test_what_a_key_does_not_take_is_refused_and_nothing_is_written(
    plan: Path, key: str, value: str, code: str, words: str
) -> None:
    err = refused(plan, key, value)
    assert err.code == code
    assert words in f"{err} {err.hint}"


def test_the_same_key_twice_is_refused(plan: Path) -> None:
    with pytest.raises(PlanError) as caught:
        answer_plan(plan, [("field.season", "2027"), ("field.season", "2028")])
    assert caught.value.code == "answer-twice"


def test_one_wrong_answer_among_good_ones_writes_none(plan: Path) -> None:
    with pytest.raises(PlanError):
        answer_plan(plan, [("field.season", "2027"), ("soil.potassium.unit", "furlong")])
    assert plan.read_text(encoding="utf-8") == TEXT


def test_a_dry_run_tells_and_writes_nothing(plan: Path) -> None:
    done = answer_plan(plan, [("field.season", "2027")], dry_run=True)
    assert done.changes
    assert not done.written
    assert plan.read_text(encoding="utf-8") == TEXT


def test_only_blanks_never_overwrites(plan: Path) -> None:
    done = answer_plan(plan, [("soil.potassium.column", "K2"), ("soil.potassium.form", "K")],
                       only_blanks=True)
    assert [one.key for one in done.changes] == ["soil.potassium.form"]


def test_what_is_not_there_is_not_taken_out(plan: Path) -> None:
    with pytest.raises(PlanError) as caught:
        answer_plan(plan, [], drop=["soil.cec"])
    assert caught.value.code == "answer-absent"


def test_another_writer_is_waited_for_and_then_told(
    plan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("vrx.plan.lock._WAIT_S", 0.1)
    with FileLock(plan.with_name(LOCK_NAME)), pytest.raises(PlanError) as caught:
        answer_plan(plan, [("field.season", "2027")])
    assert caught.value.code == "plan-locked"
    assert plan.read_text(encoding="utf-8") == TEXT


def test_answers_of_several_writers_are_all_kept(plan: Path) -> None:
    answers = [("field.season", "2027"), ("soil.lab", "A"), ("soil.potassium.unit", "ppm"),
               ("soil.potassium.form", "K"), ("machine.one.step_lb_per_ac", "5"),
               ("soil.report_number", "7")]
    threads = [threading.Thread(target=answer_plan, args=(plan, [one])) for one in answers]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    document = tomllib.loads(plan.read_text(encoding="utf-8"))
    assert document["field"]["season"] == 2027
    assert document["soil"]["lab"] == "A"
    assert document["soil"]["report_number"] == "7"
    assert document["soil"]["potassium"]["unit"] == "ppm"
    assert document["machine"]["one"]["step_lb_per_ac"] == 5


def test_no_lock_stays_beside_the_plan(plan: Path) -> None:
    answer_plan(plan, [("field.season", "2027")])
    with pytest.raises(PlanError):
        answer_plan(plan, [("field.nonsense", "1")])
    assert [path.name for path in plan.parent.iterdir()] == [plan.name]


def test_a_lock_of_a_file_that_was_taken_away_is_none(plan: Path) -> None:
    """The one who waited on the old file must not write beside the one who holds the new one."""
    old = FileLock(plan.with_name(LOCK_NAME))
    old.acquire()
    seen: list[str] = []

    def write() -> None:
        try:
            answer_plan(plan, [("soil.lab", "two")])
            seen.append("written")
        except PlanError as err:
            seen.append(err.code)

    waiting = threading.Thread(target=write)
    waiting.start()
    time.sleep(0.3)  # it holds the old file open by now
    plan.with_name(LOCK_NAME).unlink()
    new = FileLock(plan.with_name(LOCK_NAME))
    new.acquire(timeout=5)
    old.release()
    time.sleep(0.3)
    assert seen == []  # still waiting, now for the new one
    new.release()
    waiting.join()
    assert seen == ["written"]


def test_line_ends_and_a_byte_order_mark_stay(plan: Path) -> None:
    plan.write_bytes(b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode())
    answer_plan(plan, [("field.season", "2027")])
    raw = plan.read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    assert raw.count(b"\n") == raw.count(b"\r\n")
    assert b"season = 2027\r\n" in raw


def test_a_folder_that_cannot_be_written_leaves_the_plan(
    plan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", broken)
    with pytest.raises(PlanError) as caught:
        answer_plan(plan, [("field.season", "2027")])
    assert caught.value.code == "answer-write"
    assert plan.read_text(encoding="utf-8") == TEXT
    assert not plan.with_name("plan.toml.new").exists()


@pytest.mark.parametrize("name", ["kettle", "bench", "long-eighty"])
def test_every_key_of_the_sample_plans_is_known_and_its_value_taken(name: str) -> None:
    document = tomllib.loads((ROOT / "sample_geo" / name / "plan.toml").read_text("utf-8"))

    def walk(value: object, at: str) -> list[str]:
        if isinstance(value, dict):
            return [key for own, inner in value.items() for key in walk(
                inner, key_text([*(key_steps(at) if at else ()), own]))]
        if isinstance(value, list) and value and isinstance(value[0], dict):
            return [key for n, inner in enumerate(value) for key in walk(inner, f"{at}[{n + 1}]")]
        return [at]

    keys = walk(document, "")
    assert len(keys) > 30
    for key in keys:
        steps = key_steps(key)
        value = document
        for step in steps:
            value = value[step]
        if isinstance(value, str) and not value.endswith("?"):
            # "2026-11-01" in quotation marks may be taken for the date that it is.
            assert str(value_at(steps, value)) == value


@given(st.text(max_size=30), st.text(max_size=30))
def test_any_words_are_an_answer_or_a_plan_error(key: str, value: str) -> None:
    codes = {"answer-key", "answer-placeholder", "plan-unknown-key", "plan-value"}
    try:
        value_at(key_steps(key), value)
    except PlanError as err:
        found = err.code
    else:
        return
    assert found in codes


@given(st.text(max_size=40))
def test_any_text_of_a_laboratory_is_written_as_it_was_typed(value: str) -> None:
    try:
        kept = value_at(key_steps("soil.lab"), value)
    except PlanError:
        return
    assert isinstance(kept, str)
    assert kept == value.strip() or kept in tomllib.loads(f"v = {value.strip()}").values()


def test_blanks_are_keys_that_can_be_answered(plan: Path) -> None:
    for key in blanks(tomllib.loads(TEXT)):
        key_steps(key)
