"""One field's folder kept open: every stage is made again only where something it reads changed.

The plan and what lies beside it are the only truth. A workbench holds values that follow from them
and may be thrown away at any time: after any changes its job is that of a fresh `compute` of the
same folder, value for value.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from vrx.audit import AuditResult
from vrx.errors import PlanError
from vrx.model import Job, Zones
from vrx.pipeline import audit as auditing
from vrx.pipeline import edits, stages
from vrx.pipeline._files import Folder
from vrx.pipeline._live import Live, ZoneMemory, ask_live, ground_live, live_of
from vrx.pipeline._reach import Kept, Told
from vrx.pipeline.answer import answer_field
from vrx.pipeline.compare import with_book
from vrx.pipeline.guide_choice import GuideChoice, guide_choices
from vrx.pipeline.inputs import Inputs, read_inputs
from vrx.pipeline.known_runs import KnownRun, known_runs
from vrx.pipeline.run import OUTPUT, RunResult, run_field
from vrx.pipeline.stages import Asked, Drawn, Progress, silent
from vrx.plan import (
    AddItem,
    Answered,
    DropItem,
    Item,
    MoveItem,
    NeedSection,
    read_past,
    step_back,
    step_forward,
)

__all__ = ["KnownRun", "Live", "Workbench"]

_OPS: Mapping[str, Callable[..., edits.EditLog]] = {
    one.__name__: one for one in (
        edits.split, edits.merge, edits.move_corner, edits.redraw, edits.assign, edits.rename,
        edits.set_rate, edits.clear_rate, edits.undo, edits.redo)}
_OF_ZONES = frozenset(_OPS) - {"clear_rate", "undo", "redo"}


class Workbench(Folder):
    """One folder with its plan, from the files to the job. Not for several threads at a time."""

    def __init__(self, folder: Path) -> None:
        self._kept, self._memory = Kept(), ZoneMemory()
        self._ready: tuple[object, Told] | None = None
        super().__init__(folder)

    # Stages

    def _told(self) -> Told:
        """Plan and inputs as the stages read them; read from the disk where they changed."""
        if self._ready is not None and self._ready[0] is self.loaded:
            return self._ready[1]
        if self.plan is None:
            raise self.trouble or PlanError("there is no plan", code="plan-missing",
                                            where=str(self.plan_file))
        told = Told(self.plan)

        def part(name: str, make: Any, *made_from: object) -> Any:
            return self._kept.get(f"read {name}", told, (self.token, *made_from), make)

        inputs = read_inputs(told.plan, plan_file=self.plan_file, part=part)
        ready = Told(stages.settled(self.plan, inputs), inputs)
        self._ready = (self.loaded, ready)
        return ready

    def _made_from(self, *values: object) -> tuple[object, ...]:
        """What a stage is made from beside plan and inputs: the files' bytes and other values."""
        return (self.token, *values)

    def _drawn(self, told: Told, progress: Progress) -> tuple[Drawn, Drawn]:
        """(the maps as they were made, the same with plan and inputs of now)."""
        made = self._kept.get("draw", told, self._made_from(), lambda: stages.draw(
            told.plan, told.inputs, progress=progress))
        return made, replace(made, plan=told.plan, inputs=told.inputs)

    def drawn(self, progress: Progress = silent) -> Drawn:
        """Soil-test maps and layers."""
        told = self._told()
        made, _ = self._drawn(told, progress)
        plan, inputs = told.plain
        return replace(made, plan=plan, inputs=inputs)

    def base(self, progress: Progress = silent) -> Zones:
        """Zones of the plan's source, without the edits made by hand."""
        told = self._told()
        made, drawn = self._drawn(told, progress)
        return self._kept.get("cut", told, self._made_from(made), lambda: stages.cut(
            drawn, progress=progress))

    def zones(self, progress: Progress = silent) -> Zones:
        """Zones of the plan's source, with the edits made by hand.

        Raises `PlanError` (`edits-stale`) where the plan makes other zones than were edited.
        """
        told, base, log = self._told(), self.base(progress), self.log()
        field = told.plain[1].field
        return self._kept.get(
            "edited", told, (base, field, edits.state(log, base)),
            lambda: edits.apply_zones(base, log, field))

    def _part(self, made: Drawn, told: Told) -> Any:
        def part(name: str, make: Any, *made_from: object) -> Any:
            return self._kept.get(f"ask {name}", told, self._made_from(made, *made_from), make)

        return part

    def live(self) -> Live:
        """Acres, needs, rates, totals, order and cost of the zones as they are."""
        told = self._told()
        made, drawn = self._drawn(told, silent)
        zones, log = self.zones(), self.log()
        asked = self._kept.get(
            "live needs", told, self._made_from(made, zones), lambda: ask_live(
                drawn, zones, memory=self._memory, part=self._part(made, told)))
        live = self._kept.get(
            "live", told, self._made_from(asked, edits.state(log, zones)), lambda: live_of(
                drawn, asked, state=self.state, rates=lambda: edits.overrides(log, zones)))
        return replace(live, state=self.state)

    def job(self, progress: Progress = silent) -> Job:
        """The whole job, as `vrx run` would write it."""
        told = self._told()
        made, drawn = self._drawn(told, progress)
        base, zones, log = self.base(progress), self.zones(progress), self.log()
        said = edits.said_of(base, zones, log)
        # What comes out goes on reading the inputs of its time: all of them must be today's.
        asked: Asked = self._kept.get(
            "ask", told, self._made_from(made, zones, repr(said.rates), *_parts(told)),
            lambda: stages.ask(drawn, zones, by_hand=said.rates, progress=progress,
                               part=self._part(made, told)))
        job = self._kept.get(
            "finish", told, self._made_from(asked, repr(said), *_parts(told)),
            lambda: stages.finish(drawn, asked, said=said))
        return stages.with_torn(job, log)

    def guides(
        self, nutrient: str, *, instead: NeedSection | None = None
    ) -> tuple[GuideChoice, ...]:
        """Every guide of a nutrient ("K2O", "S") on the zones as they are.

        `instead` stands in the place of the plan's own section of that nutrient. It is asked even
        where the plan's own guide cannot read this field.
        """
        told = self._told()
        made, drawn = self._drawn(told, silent)
        zones = self.zones()

        def asked() -> tuple[GuideChoice, ...]:
            ground = ground_live(
                drawn, zones, memory=self._memory, part=self._part(made, told))
            plan = told.plan if instead is None else with_book(told.plan, nutrient, instead)
            return guide_choices(plan, told.inputs, ground, nutrient)

        if instead is not None:
            return asked()
        return self._kept.get(f"guides {nutrient}", told, self._made_from(made, zones), asked)

    # Changes

    def answer(
        self, answers: Sequence[tuple[str, str]], *, drop: Sequence[str] = (), on: str,
        items: Sequence[Item] = (),
    ) -> Answered:
        """Write answers into the plan, as `vrx answer` does, and changes of its lists before them.

        One call is one change that `undo_plan` takes back.
        """
        self.require(on)
        done, _ = answer_field(self.folder, answers, drop=drop, items=items, for_undo=True)
        self.look()
        return done

    def take_proposals(self, *, on: str) -> tuple[Answered, tuple[str, ...]]:
        """Fill in what the sample file itself states; gives also where each stands."""
        self.require(on)
        done = answer_field(self.folder, [], take_proposals=True, for_undo=True)
        self.look()
        return done

    def add_item(
        self, key: str, values: Mapping[str, str], *, on: str, at: int | None = None,
        answers: Sequence[tuple[str, str]] = (),
    ) -> Answered:
        """One more item of a list of the plan ("pass", "bid"), and answers that belong to it."""
        return self.answer(answers, items=[AddItem(key=key, values=values, at=at)], on=on)

    def drop_item(
        self, key: str, number: int, *, on: str, drop: Sequence[str] = ()
    ) -> Answered:
        """Item `number` (from 1) of a list taken out, with keys elsewhere that belong to it."""
        return self.answer([], items=[DropItem(key=key, number=number)], drop=drop, on=on)

    def move_item(self, key: str, number: int, to: int, *, on: str) -> Answered:
        """Item `number` (from 1) of a list put in place `to`."""
        return self.answer([], items=[MoveItem(key=key, number=number, to=to)], on=on)

    @property
    def plan_undo_words(self) -> str:
        """The change of the plan that `undo_plan` takes back, "" where there is none."""
        return read_past(self.plan_file).undo_words

    @property
    def plan_redo_words(self) -> str:
        """The change that `redo_plan` brings back, "" where there is none."""
        return read_past(self.plan_file).redo_words

    def undo_plan(self, *, on: str) -> str:
        """Take the last change of the plan back; gives its words. See `vrx.plan.past`."""
        self.require(on)
        words = step_back(self.plan_file)
        self.look()
        return words

    def redo_plan(self, *, on: str) -> str:
        """Bring the change that was undone last back; gives its words."""
        self.require(on)
        words = step_forward(self.plan_file)
        self.look()
        return words

    def edit(
        self, op: str, *, on: str, at: str | None = None, **arguments: Any
    ) -> edits.EditLog:
        """Change zones or rates by hand (see `vrx.pipeline.edits`), or undo and redo such a change.

        `op` is the name of a function there: split, merge, move_corner, redraw, assign, rename,
        set_rate, clear_rate, undo, redo.
        """
        self.require(on)
        told: dict[str, Any] = {"base": self.base(), "at": at, "known": self.log(), **arguments}
        if op in _OF_ZONES:
            told["field"] = self._told().plain[1].field
        if op == "set_rate":
            told["asked"] = self.live()
        if op not in _OPS:
            raise ValueError(f"{op!r} is no edit")
        _OPS[op](self.folder, **told)
        self.look()
        return self.log()

    def set_edits_aside(self, *, on: str) -> Path:
        """Keep the edits under another name and go on without them."""
        self.require(on)
        kept = edits.set_aside(self.folder)
        self.look()
        return kept

    # Runs

    def run(self, progress: Progress = silent) -> RunResult:
        """Write the run, as `vrx run` does."""
        return run_field(self.folder, progress=progress)

    def audit(self) -> AuditResult:
        """Judge the current run from its own files."""
        return auditing.judge([self.folder])

    def runs(self) -> tuple[KnownRun, ...]:
        """The finished runs in the folder's output, the current one first."""
        return known_runs(self.folder / OUTPUT)


def _parts(told: Told) -> tuple[object, ...]:
    """The inputs, each by itself; their record is of the plan's bytes and moves nothing."""
    inputs: Inputs = told.plain[1]
    return (inputs.field, inputs.soil, inputs.own_zones, inputs.books, inputs.materials,
            inputs.tests, inputs.history)
