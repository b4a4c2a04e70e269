"""One field's folder kept open: every stage is made again only where something it reads changed.

The plan and what lies beside it are the only truth. A workbench holds values that follow from them
and may be thrown away at any time: after any changes its job is that of a fresh `compute` of the
same folder, value for value.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from vrx.audit import AuditResult
from vrx.errors import PlanError, VrxError
from vrx.model import Job, Zones
from vrx.pipeline import audit as auditing
from vrx.pipeline import stages
from vrx.pipeline._files import Sums, short_sum
from vrx.pipeline._live import Live, live_of
from vrx.pipeline._reach import Kept, Told
from vrx.pipeline.answer import answer_field
from vrx.pipeline.commit import CURRENT, MANIFEST
from vrx.pipeline.inputs import Inputs, input_paths, read_inputs
from vrx.pipeline.run import OUTPUT, RunResult, run_field
from vrx.pipeline.stages import Asked, Drawn, Progress, silent
from vrx.plan import PLAN_NAME, Answered, Plan, blanks, load_plan, read_document


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownRun:
    """A run in the folder's output; `is_current` is the one that was made last."""

    name: str
    folder: Path
    is_current: bool


class Workbench:
    """One folder with its plan, from the files to the job. Not for several threads at a time.

    `plan` is the plan as it stands, None while it cannot be used; `trouble` then says why, and
    `open_keys` what is still to be filled in. `state` (12 hexadecimal digits) stands for the bytes
    of the plan, of the edits and of every input.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.plan_file = folder / PLAN_NAME
        self.plan: Plan | None = None
        self.trouble: VrxError | None = None
        self.open_keys: tuple[str, ...] = ()
        self.state = ""
        self._sums, self._kept = Sums(), Kept()
        self._plan_sum = ""
        self._inputs_now: dict[str, str] = {}
        # Another object whenever the bytes of an input, or the list of them, changed.
        self._token = object()
        self._ready: Told | None = None
        self.look()

    # What lies in the folder

    @property
    def has_plan(self) -> bool:
        """Whether there is a plan file."""
        return self._plan_sum != ""

    def look(self) -> bool:
        """See whether plan, edits or inputs changed on the disk; True if anything did."""
        before = self.state
        plan_sum = self._sums.of(self.plan_file)
        if plan_sum != self._plan_sum or self.plan is None:
            self._load(plan_sum)
        inputs = self._input_sums()
        if inputs != self._inputs_now:
            self._token, self._inputs_now = object(), inputs
            # Its own column map is an input of the plan.
            self._load(plan_sum)
        self.state = short_sum(plan_sum, inputs)
        if self.state != before:
            self._ready = None
        return self.state != before

    def _load(self, plan_sum: str) -> None:
        self._plan_sum, self.plan, self.trouble, self.open_keys = plan_sum, None, None, ()
        try:
            self.open_keys = blanks(read_document(self.plan_file)) if plan_sum else ()
            self.plan = load_plan(self.plan_file)
        except VrxError as err:
            self.trouble = err
        if not plan_sum:
            self.trouble = PlanError(
                "there is no plan file here", code="plan-missing", where=str(self.plan_file),
                hint="start one from a boundary and a table of soil tests")

    def _input_sums(self) -> dict[str, str]:
        if self.plan is not None:
            try:
                return self._sums.of_all(input_paths(self.plan, folder=self.folder))
            except VrxError as err:
                # Reading them will tell; until then the words stand for the state.
                return {"": str(err)}
        # What a draft will name is not known yet: whatever lies beside it may count.
        try:
            return self._sums.of_all({
                one.name: one for one in self.folder.iterdir()
                if one.is_file() and not one.name.startswith(".")})
        except OSError:
            return {}

    def require(self, on: str) -> None:
        """Raise `PlanError` where the folder is no longer in the state `on`."""
        self.look()
        if on != self.state:
            raise PlanError(
                "the plan or its files changed since this was shown", code="app-moved-on",
                where=str(self.plan_file), hint="look at what is shown now, then do it again")

    # Stages

    def _told(self) -> Told:
        """Plan and inputs as the stages read them; read from the disk where they changed."""
        if self._ready is not None:
            return self._ready
        if self.plan is None:
            raise self.trouble or PlanError("there is no plan", code="plan-missing",
                                            where=str(self.plan_file))
        told = Told(self.plan)

        def part(name: str, make: Any, *made_from: object) -> Any:
            return self._kept.get(f"read {name}", told, (self._token, *made_from), make)

        inputs = read_inputs(told.plan, plan_file=self.plan_file, part=part)
        self._ready = Told(stages.settled(self.plan, inputs), inputs)
        return self._ready

    def _made_from(self, *values: object) -> tuple[object, ...]:
        """What a stage is made from beside plan and inputs: the files' bytes and other values."""
        return (self._token, *values)

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

    def zones(self, progress: Progress = silent) -> Zones:
        """Zones of the plan's source, with the edits made by hand."""
        told = self._told()
        made, drawn = self._drawn(told, progress)
        return self._kept.get("cut", told, self._made_from(made), lambda: stages.cut(
            drawn, progress=progress))

    def _asked(self, told: Told, progress: Progress) -> tuple[Asked, Drawn]:
        made, drawn = self._drawn(told, progress)
        zones = self.zones(progress)
        # What comes out goes on reading the inputs of its time: all of them must be today's.
        asked = self._kept.get("ask", told, self._made_from(made, zones, *_parts(told)),
                               lambda: stages.ask(drawn, zones, progress=progress))
        return asked, drawn

    def live(self) -> Live:
        """Acres, needs, rates, totals, order and cost of the zones as they are."""
        told = self._told()
        asked, _ = self._asked(told, silent)
        return live_of(
            state=self.state, field=told.plain[1].field, zones=asked.zones,
            needs=asked.found.needs, prescription=asked.prescription,
            means={key: one.mean for key, one in asked.readings.items()})

    def job(self, progress: Progress = silent) -> Job:
        """The whole job, as `vrx run` would write it."""
        told = self._told()
        asked, drawn = self._asked(told, progress)
        return self._kept.get("finish", told, self._made_from(asked, *_parts(told)),
                              lambda: stages.finish(drawn, asked))

    # Changes

    def answer(
        self, answers: Sequence[tuple[str, str]], *, drop: Sequence[str] = (), on: str
    ) -> Answered:
        """Write answers into the plan, as `vrx answer` does."""
        self.require(on)
        done, _ = answer_field(self.folder, answers, drop=drop)
        self.look()
        return done

    # Runs

    def run(self, progress: Progress = silent) -> RunResult:
        """Write the run, as `vrx run` does."""
        return run_field(self.folder, progress=progress)

    def audit(self) -> AuditResult:
        """Judge the current run from its own files."""
        return auditing.judge([self.folder])

    def runs(self) -> tuple[KnownRun, ...]:
        """The finished runs in the folder's output, the current one first."""
        output = self.folder / OUTPUT
        try:
            current = str(json.loads((output / CURRENT).read_text(encoding="utf-8"))["run"])
        except (OSError, ValueError, KeyError, TypeError):
            current = ""
        try:
            found = sorted(one for one in output.iterdir() if (one / MANIFEST).is_file()
                           and not one.name.startswith("."))
        except OSError:
            return ()
        runs = [KnownRun(name=one.name, folder=one, is_current=one.name == current)
                for one in found]
        return tuple(sorted(runs, key=lambda one: not one.is_current))


def _parts(told: Told) -> tuple[object, ...]:
    """The inputs, each by itself; their record is of the plan's bytes and moves nothing."""
    inputs: Inputs = told.plain[1]
    return (inputs.field, inputs.soil, inputs.own_zones, inputs.books, inputs.materials,
            inputs.tests, inputs.history)
