"""A field's folder on the disk: its plan, its edits, and whether anything changed since."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

from vrx.errors import PlanError, VrxError
from vrx.pipeline import edits
from vrx.pipeline.commit import sha256
from vrx.pipeline.inputs import input_paths
from vrx.plan import PLAN_NAME, Plan, blanks, load_plan, read_document
from vrx.plan.edits import edits_path

_Stat = tuple[int, int, int, int]


class Sums:
    """SHA-256 of files, kept for as long as size, times and place on the disk stay."""

    def __init__(self) -> None:
        self._known: dict[Path, tuple[_Stat, str]] = {}

    def of(self, path: Path) -> str:
        """The file's sum, "" where none can be read."""
        try:
            found = path.stat()
            stat = (found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino)
            known = self._known.get(path)
            if known is None or known[0] != stat:
                # The stat before the bytes: a change while they are read is seen next time.
                known = self._known[path] = (stat, sha256(path))
        except OSError:
            return ""
        return known[1]

    def of_all(self, paths: Mapping[str, Path]) -> dict[str, str]:
        """The sum of every file by its name."""
        return {name: self.of(path) for name, path in sorted(paths.items())}


def short_sum(*parts: object) -> str:
    """Twelve hexadecimal digits that stand for these values."""
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:12]


class Folder:
    """One folder as it was at the last `look`.

    `plan` is the plan as it stands, None while it cannot be used; `trouble` then says why, and
    `open_keys` what is still to be filled in. `state` (12 hexadecimal digits) stands for the bytes
    of the plan, of the edits and of every input.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.plan_file = folder / PLAN_NAME
        self.plan: Plan | None = None
        self.edits: edits.EditLog | None = None
        self.trouble: VrxError | None = None
        self.open_keys: tuple[str, ...] = ()
        self.state = ""
        # Another object whenever the plan was read again.
        self.loaded = object()
        # Another object whenever the bytes of an input, or the list of them, changed.
        self.token = object()
        self._sums = Sums()
        self._plan_sum = self._edits_sum = ""
        self._edits_trouble: VrxError | None = None
        self._inputs_now: dict[str, str] = {}
        self.look()

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
            self.token, self._inputs_now = object(), inputs
            # Its own column map is an input of the plan.
            self._load(plan_sum)
        self._look_at_edits()
        self.state = short_sum(plan_sum, self._edits_sum, inputs)
        return self.state != before

    def _load(self, plan_sum: str) -> None:
        self._plan_sum, self.plan, self.trouble, self.open_keys = plan_sum, None, None, ()
        self.loaded = object()
        try:
            self.open_keys = blanks(read_document(self.plan_file)) if plan_sum else ()
            self.plan = load_plan(self.plan_file)
        except VrxError as err:
            self.trouble = err
        if not plan_sum:
            self.trouble = PlanError(
                "there is no plan file here", code="plan-missing", where=str(self.plan_file),
                hint="start one from a boundary and a table of soil tests")

    def _look_at_edits(self) -> None:
        found = self._sums.of(edits_path(self.folder))
        if found == self._edits_sum and self.edits is not None:
            return
        self._edits_sum, self._edits_trouble = found, None
        try:
            self.edits = edits.read_edits(self.folder, known=self.edits)
        except VrxError as err:
            self.edits, self._edits_trouble = None, err

    def log(self) -> edits.EditLog:
        """The edits. Raises `PlanError` where their file cannot be read."""
        if self.edits is None:
            raise self._edits_trouble or PlanError(
                "the edits are not read", code="edits-read", where=str(edits_path(self.folder)))
        return self.edits

    def _input_sums(self) -> dict[str, str]:
        if self.plan is not None:
            try:
                return self._sums.of_all({
                    **self._lists(self.plan), **input_paths(self.plan, folder=self.folder)})
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

    def _lists(self, plan: Plan) -> dict[str, Path]:
        """Files of folders of rule books and materials, which a plan names as a whole."""
        return {
            f"{name}/{one.name}": one for name in (*plan.books, *plan.materials)
            if (self.folder / name).is_dir() for one in (self.folder / name).glob("*.toml")}

    def require(self, on: str) -> None:
        """Raise `PlanError` where the folder is no longer in the state `on`."""
        self.look()
        if on != self.state:
            raise PlanError(
                "the plan or its files changed since this was shown", code="app-moved-on",
                where=str(self.plan_file), hint="look at what is shown now, then do it again")
