"""The workbench: what is made anew by which change, states, edits by hand, items and undo.

That its values are right is asked in test_workbench_law.py, against a fresh run.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vrx import geo
from vrx.errors import PlanError, VrxError
from vrx.pipeline import stages
from vrx.pipeline._reach import _Seen, _SeenInputs
from vrx.pipeline.workbench import Workbench
from vrx.plan import answer_plan


@pytest.fixture
def folder(copy_of: Callable[[str], Path]) -> Path:
    made = copy_of("kettle")
    answer_plan(made / "plan.toml", [
        ("surface.cell_m", "20"), ("surface.method", '"inverse distance"')])
    return made


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the stages that were made, in order."""
    names: list[str] = []
    for name in ("draw", "cut", "ask", "finish"):
        real = getattr(stages, name)

        def told(*values: Any, _real: Any = real, _name: str = name, **more: Any) -> Any:
            names.append(_name)
            return _real(*values, **more)

        monkeypatch.setattr(stages, name, told)
    return names


def _set(bench: Workbench, key: str, value: str) -> None:
    bench.answer([(key, value)], on=bench.state)


@pytest.mark.parametrize(("key", "value", "anew"), [
    ('prices."muriate of potash 0-0-60".usd', "500", ["ask", "finish"]),
    ("yield_goal.tons_per_ac", "7", ["ask", "finish"]),
    ("water.net_in", "5", ["ask", "finish"]),
    ("tissue.sulfur_pct", "0.3", ["ask", "finish"]),
    ("field.stand_year", "2", ["ask", "finish"]),
    ("machine.after-first.step_lb_per_ac", "20", ["ask", "finish"]),
    ("irrigation.inject.stubble-2.speed_pct", "50", ["ask", "finish"]),
    ("charges.hay_usd_per_ton", "180", ["finish"]),
    ("order.overage_pct", "4", ["finish"]),
    ("field.billed_ac", "120", ["finish"]),
    ("sampling.sure_from", "0.7", ["finish"]),
    ("zones.smallest_ac", "4", ["cut", "ask", "finish"]),
    ("zones.breaks.potassium", "[90, 130]", ["cut", "ask", "finish"]),
    ("surface.cell_m", "25", ["draw", "cut", "ask", "finish"]),
    ("soil.merge_within_m", "3", ["draw", "cut", "ask", "finish"]),
])
def test_only_what_reads_a_key_is_made_anew(
    folder: Path, made: list[str], key: str, value: str, anew: list[str] | None
) -> None:
    bench = Workbench(folder)
    bench.job()
    assert made == ["draw", "cut", "ask", "finish"]
    del made[:]
    _set(bench, key, value)
    bench.job()
    assert made == anew


def test_a_yield_goal_recuts_zones_of_rates_and_only_those(folder: Path, made: list[str]) -> None:
    answer_plan(folder / "plan.toml", [("zones.from", '"rate classes"')],
                drop=["zones.nutrients", "zones.breaks"])
    bench = Workbench(folder)
    bench.zones()
    del made[:]
    _set(bench, "yield_goal.tons_per_ac", "7.5")
    bench.zones()
    assert made == ["cut"]


def test_what_was_there_before_is_found_again(folder: Path, made: list[str]) -> None:
    bench = Workbench(folder)
    first = bench.job()
    _set(bench, "zones.smallest_ac", "5")
    bench.job()
    del made[:]
    bench.undo_plan(on=bench.state)
    assert bench.job() is first
    assert made == []


def test_a_touched_file_moves_nothing_and_a_changed_one_everything(
    folder: Path, made: list[str]
) -> None:
    bench = Workbench(folder)
    first = bench.job()
    os.utime(folder / "soil.csv", (1_700_000_000, 1_700_000_000))
    assert not bench.look()
    assert bench.job() is first
    del made[:]
    (folder / "soil.csv").write_bytes((folder / "soil.csv").read_bytes() + b"\n")
    assert bench.look()
    bench.job()
    assert made == ["draw", "cut", "ask", "finish"]
    assert not bench.look()


def test_a_guide_in_a_folder_of_guides_is_watched(copy_of: Callable[[str], Path]) -> None:
    folder = copy_of("bench")
    (folder / "guides").mkdir()
    book = folder / "guides" / "county_guide.toml"
    (folder / "county_guide.toml").rename(book)
    answer_plan(folder / "plan.toml", [
        ("books", '["guides"]'), ("surface.cell_m", "25"), ("surface.method", '"field mean"')])
    bench = Workbench(folder)
    before = bench.live().needs["K2O"]
    text = book.read_text(encoding="utf-8")
    assert not bench.look()
    told = next(line for line in text.splitlines() if line.startswith("name = "))
    book.write_text(text.replace(told, 'name = "Another name"'), encoding="utf-8")
    assert bench.look()
    assert {one.name for one in bench.guides("K2O")} >= {"Another name"}
    book.unlink()
    assert bench.look()
    with pytest.raises(VrxError):
        bench.live()
    assert before


def test_an_edit_of_zones_reads_only_the_zones_that_changed(
    folder: Path, made: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Workbench(folder)
    before = bench.live()
    asked: list[int] = []
    real = geo.zonal_mean

    def told(*, polygons: Any, **more: Any) -> Any:
        asked.append(len(polygons))
        return real(polygons=polygons, **more)

    monkeypatch.setattr(geo, "zonal_mean", told)
    del made[:]
    zone = max(before.zones.zones, key=lambda one: one.area_ac)
    west, south, east, north = zone.polygon.bounds
    bench.edit("split", on=bench.state, zone_id=zone.zone_id,
               line=[(west - 1, south - 1), (east + 1, north + 1)])
    after = bench.live()
    old = {id(one) for one in before.zones.zones}
    fresh = [one for one in after.zones.zones if id(one) not in old]
    assert len(after.zones.zones) > len(before.zones.zones)
    assert set(asked) == {len(fresh)}
    assert len(asked) == len(bench.drawn().maps)
    assert made == []
    assert after.area_ac.sum() == pytest.approx(before.area_ac.sum(), rel=1e-9)


def test_a_state_that_moved_on_is_refused_before_anything_is_written(folder: Path) -> None:
    one, two = Workbench(folder), Workbench(folder)
    assert one.state == two.state
    assert len(one.state) == 12
    old = one.state
    _set(two, "yield_goal.tons_per_ac", "7")
    plan = (folder / "plan.toml").read_bytes()
    for change in (
        lambda: one.answer([("yield_goal.tons_per_ac", "8")], on=old),
        lambda: one.edit("undo", on=old), lambda: one.undo_plan(on=old),
        lambda: one.add_item("bid", {}, on=old), lambda: one.set_edits_aside(on=old),
    ):
        with pytest.raises(PlanError) as told:
            change()
        assert told.value.code == "app-moved-on"
    assert (folder / "plan.toml").read_bytes() == plan
    assert one.state == two.state


def test_a_rate_by_hand_that_lost_its_zone_is_told_beside_the_rule(folder: Path) -> None:
    bench = Workbench(folder)
    rule = bench.live()
    zone = max(rule.zones.zones, key=lambda one: one.area_ac)
    bench.edit("set_rate", on=bench.state, zone_id=zone.zone_id, pass_id="after-first",
               rate=100.0, reason="trial strip")
    live = bench.live()
    place = [one.zone_id for one in live.zones.zones].index(zone.zone_id)
    assert live.prescription.passes[0].rates[place] == 100.0
    assert [one.rate for one in live.overrides] == [100.0]
    west, south, east, north = zone.polygon.bounds
    bench.edit("split", on=bench.state, zone_id=zone.zone_id,
               line=[(west - 1, south - 1), (east + 1, north + 1)])
    live = bench.live()
    assert live.trouble is not None
    assert live.trouble.code == "edits-rate-stale"
    assert live.overrides == ()
    with pytest.raises(VrxError) as told:
        bench.job()
    assert told.value.code == "edits-rate-stale"
    bench.edit("clear_rate", on=bench.state, zone_id=zone.zone_id, pass_id="after-first")
    assert bench.live().trouble is None
    assert np.array_equal(bench.live().prescription.passes[0].rates,
                          bench.job().prescription.passes[0].rates)


def test_zones_that_the_plan_makes_otherwise_stop_at_the_edits(folder: Path) -> None:
    bench = Workbench(folder)
    ids = [one.zone_id for one in bench.zones().zones[:2]]
    bench.edit("merge", on=bench.state, zone_ids=ids, apart=True)
    _set(bench, "zones.smallest_ac", "9")
    with pytest.raises(PlanError) as told:
        bench.zones()
    assert told.value.code == "edits-stale"
    assert len(bench.base().zones) > 1
    bench.undo_plan(on=bench.state)
    assert len(bench.zones().zones) == len(bench.base().zones) - 1
    bench.redo_plan(on=bench.state)
    bench.set_edits_aside(on=bench.state)
    assert bench.zones() is bench.base()


def test_a_plan_that_cannot_be_used_says_why(tmp_path: Path, folder: Path) -> None:
    empty = Workbench(tmp_path / "nothing")
    assert not empty.has_plan
    assert empty.trouble is not None
    assert empty.trouble.code == "plan-missing"
    with pytest.raises(PlanError):
        empty.live()
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    bench = Workbench(folder)
    plan.write_text(text.replace("tons_per_ac = 6.5", 'tons_per_ac = "?"'), encoding="utf-8")
    assert bench.look()
    assert bench.plan is None
    assert bench.open_keys == ("yield_goal.tons_per_ac",)
    assert bench.trouble is not None
    bench.answer([("yield_goal.tons_per_ac", "6.5")], on=bench.state)
    assert bench.plan is not None
    assert bench.trouble is None
    (folder / "soil.csv").unlink()
    assert bench.look()
    with pytest.raises(VrxError):
        bench.live()


def test_items_and_what_belongs_to_them_are_one_change(folder: Path) -> None:
    bench = Workbench(folder)
    before = (folder / "plan.toml").read_bytes()
    bench.add_item("pass", {"id": "spring", "timing": "green-up", "method": "broadcast",
                            "material": "gypsum 0-0-0-18S", "rate_lb_per_ac": "100.0"}, at=1,
                   answers=[("machine.spring.step_lb_per_ac", "10")], on=bench.state)
    assert bench.plan is not None
    assert [one.id for one in bench.plan.passes] == [
        "spring", "after-first", "stubble-2", "late-summer"]
    assert bench.live().prescription.passes[0].pass_id == "spring"
    assert bench.plan_undo_words == "added pass spring, and 1 more"
    bench.move_item("pass", 1, 2, on=bench.state)
    bench.drop_item("pass", 2, drop=["machine.spring"], on=bench.state)
    for _ in range(3):
        bench.undo_plan(on=bench.state)
    assert (folder / "plan.toml").read_bytes() == before
    assert bench.plan_redo_words == "added pass spring, and 1 more"


def test_runs_are_listed_and_audited(folder: Path) -> None:
    bench = Workbench(folder)
    assert bench.runs() == ()
    first = bench.run()
    _set(bench, "yield_goal.tons_per_ac", "7")
    second = bench.run()
    assert [(one.name, one.is_current) for one in bench.runs()] == [
        (second.folder.name, True), (first.folder.name, False)]
    assert bench.audit().agrees
    assert not list((folder / "output").glob(".writing*"))


def test_nothing_that_is_kept_goes_on_reading_a_plan_of_its_time(folder: Path) -> None:
    """A kept value that holds a seen section would show old figures unseen."""
    bench = Workbench(folder)
    bench.job()
    bench.live()
    allowed = {("draw", ".plan"), ("draw", ".inputs"), ("ask", ".rated"), ("ask", ".prescribe"),
               ("live", ".rated"),
               # Sections without a table, as they stand: `settled` takes them out of the plan of
               # now, since `as_told` is part of what they are made from.
               ("read tests", ".tissue"), ("read tests", ".water")}
    found = set()
    for name, entries in bench._kept._held.items():
        for _, _, value in entries:
            found |= {(name, "." + at.split(".")[1].split("[", maxsplit=1)[0])
                      for at in _seen_in(value, "", set())}
    assert found <= allowed, sorted(found - allowed)


def _seen_in(value: Any, at: str, known: set[int]) -> Iterator[str]:
    if id(value) in known:
        return
    known.add(id(value))
    if isinstance(value, _Seen | _SeenInputs):
        yield at + "."
    elif isinstance(value, functools.partial):
        for key, each in value.keywords.items():
            yield from _seen_in(each, f"{at}[{key}]", known)
    elif is_dataclass(value) and not isinstance(value, type):
        for field in fields(value):
            yield from _seen_in(getattr(value, field.name), f"{at}.{field.name}", known)
    elif isinstance(value, Mapping):
        for key, each in value.items():
            yield from _seen_in(each, f"{at}[{key}]", known)
    elif isinstance(value, list | tuple):
        for each in value:
            yield from _seen_in(each, f"{at}[]", known)
