"""One folder that is open: its workbench, one lock, and at most one long work at a time."""

from __future__ import annotations

import secrets
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from filelock import FileLock, Timeout

from vrx.errors import ExportError, PlanError, VrxError
from vrx.model import Finding
from vrx.pipeline._live import Live
from vrx.pipeline.check import Checked, check_field
from vrx.pipeline.workbench import Workbench
from vrx.plan import read_document

LOCK_NAME = ".app.lock"
STAGES = ("", "read", "plan", "drawn", "zoned", "live", "job")
"""What a step may need; "read" is the files as far as the plan says how, with all it still asks."""
WORDS = {
    "read": "reading the files",
    "plan": "reading the plan", "drawn": "drawing soil-test maps", "zoned": "cutting zones",
    "live": "working out rates", "job": "working out needs, passes and costs",
    "run": "writing the files", "audit": "reading the files back and adding up",
}
_WRITES = "writing"


class Cancelled(Exception):  # noqa: N818 - a wish of the user, no fault
    """The user called a long work off."""


@dataclass(slots=True, kw_only=True)
class Task:
    """A long work. `state` is "running", "done", "cancelled" or "failed".

    `step` is the id of the step that it was asked for in, "" for what a page needs itself.
    """

    name: str
    words: str
    number: int
    began: float = field(default_factory=time.monotonic)
    state: str = "running"
    asked_to_stop: bool = False
    writing: bool = False
    trouble: VrxError | None = None
    fault: str = ""
    value: Any = None
    step: str = ""
    ended: threading.Event = field(default_factory=threading.Event)
    mutex: threading.Lock = field(default_factory=threading.Lock)

    @property
    def running(self) -> bool:
        """Whether it goes on and nobody called it off."""
        return self.state == "running" and not self.asked_to_stop

    def progress(self, words: str) -> None:
        """What the stages call: words for the page; raises `Cancelled` once it is called off."""
        with self.mutex:
            if self.asked_to_stop:
                raise Cancelled
            self.words = words
            self.writing = self.writing or words.startswith(_WRITES)

    def call_off(self) -> bool:
        """Stop at the next step; False where files are being written, which ends by itself."""
        with self.mutex:
            if self.state != "running" or self.writing:
                return False
            self.asked_to_stop = True
            return True


def tell_fault(err: BaseException) -> str:
    """A fault of ours: its traceback to stderr under a short name, which the page shows."""
    name = secrets.token_hex(3)
    print(f"fault {name} of vrx app:", file=sys.stderr)  # noqa: T201 - the terminal is its place
    traceback.print_exception(err, file=sys.stderr)
    return name


class Session:
    """The folder's workbench under one lock. A context manager: it holds the folder's app lock.

    Raises `PlanError` where another app has the folder, `ExportError` where it is closed to us.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.lock = threading.RLock()
        self.task: Task | None = None
        self.asked: Task | None = None
        self.kept: dict[str, Any] = {}
        self.totals: tuple[str, Live] | None = None
        self.findings: tuple[str, tuple[Finding, ...]] | None = None
        self.halted = False
        self._number = 0
        self._file_lock = FileLock(folder / LOCK_NAME)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._file_lock.acquire(timeout=0)
        except Timeout:
            raise PlanError(
                "this folder is open in another vrx app", code="app-folder-open",
                where=str(folder), hint="use its window, or close it first (Ctrl+C where it was "
                "started)") from None
        except OSError as err:
            raise ExportError(
                f"the folder cannot be opened: {err.strerror or err}", code="app-folder-closed",
                where=str(folder), hint="name a folder that you may write into") from err
        self.bench = Workbench(folder)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Call off what runs, wait for what is being written, and give the folder back."""
        task = self.task
        if task is not None and task.state == "running" and not task.call_off():
            task.ended.wait(60)
        self._file_lock.release()

    @property
    def busy(self) -> bool:
        """Whether a long work goes on; the bench must then be left alone."""
        return self.task is not None and self.task.running

    @contextmanager
    def held(self) -> Iterator[Workbench]:
        """The workbench, to oneself. (Who waited while a work was called off gets the new one.)"""
        while True:
            lock = self.lock
            with lock:
                if lock is self.lock:
                    yield self.bench
                    return

    def idle(self, patience_s: float) -> bool:
        """Whether no long work goes on; one that the user did not ask for is waited for."""
        task = self.task
        if task is not None and task.running and task is not self.asked:
            task.ended.wait(patience_s)
        return not self.busy

    def look(self) -> bool:
        """Read again what changed on disk; True if anything moved."""
        with self.held() as bench:
            return bench.look()

    def ensure(self, stage: str, *, patience_s: float = 0.25, anew: bool = True) -> bool:
        """Whether a stage is ready; what is not begins in the worker.

        True as well where the stage cannot be made: its task then says why. What the user called
        off begins again only `anew`, with a page that is asked for.
        """
        if self.busy or (self.halted and not anew):
            return False
        self.halted = False
        if stage in {"", "plan"}:
            self.look()
            return True
        task = self._begin(stage, None)
        task.ended.wait(patience_s)
        return task.ended.is_set()

    def start(self, name: str, work: Callable[[Task], Any] | None = None) -> Task:
        """Begin a long work that the user asked for; what runs already is given back.

        `name` is a stage, "run", or a name of your own with its `work`. The task is kept
        as `asked` until the next one, so that its trouble can be told.
        """
        if self.task is not None and self.task.running:
            return self.task
        self.asked = self._begin(name, work)
        return self.asked

    def _begin(self, name: str, work: Callable[[Task], Any] | None) -> Task:
        self._number += 1
        task = Task(name=name, words=WORDS.get(name, name), number=self._number)
        bench, lock = self.bench, self.lock
        todo = work or self._stage_work(name, bench)
        self.task = task
        threading.Thread(target=self._work, args=(task, lock, todo), daemon=True,
                         name=f"vrx-{name}").start()
        return task

    def _stage_work(self, name: str, bench: Workbench) -> Callable[[Task], Any]:
        def work(task: Task) -> Any:
            bench.look()
            if name == "read":
                return self._read(bench)
            if name in {"run", "drawn", "zoned"}:
                make = {"run": bench.run, "drawn": bench.drawn, "zoned": bench.zones}[name]
                return make(task.progress)
            bench.zones(task.progress)
            live = bench.live()
            self.totals = (bench.state, live)
            if name != "job":
                return live
            job = bench.job(task.progress)
            self.findings = (bench.state, job.findings)
            return job

        return work

    def _read(self, bench: Workbench) -> Checked | None:
        """What the files hold; kept for as long as the folder is as it is."""
        kept: tuple[str, Checked] | None = self.kept.get("read")
        if kept is not None and kept[0] == bench.state:
            return kept[1]
        if not bench.has_plan or (bench.plan is None and not bench.open_keys):
            return None
        checked = check_field(self.folder, columns=True, whole=False)
        self.kept["read"] = (bench.state, checked)
        return checked

    @property
    def field_name(self) -> str:
        """The field's name as far as the plan says it, else the folder's."""
        kept: tuple[str, str] | None = self.kept.get("name")
        if kept is None or kept[0] != self.bench.state:
            try:
                told = read_document(self.bench.plan_file).get("field")
            except VrxError:
                told = None
            name = told.get("name") if isinstance(told, dict) else None
            kept = self.kept["name"] = (self.bench.state, (
                name if isinstance(name, str) and name.strip() else self.folder.resolve().name))
        return kept[1]

    @property
    def checked(self) -> Checked | None:
        """What the files hold, where they were read as they now are."""
        kept: tuple[str, Checked] | None = self.kept.get("read")
        return kept[1] if kept is not None and kept[0] == self.bench.state else None

    def _work(self, task: Task, lock: threading.RLock, todo: Callable[[Task], Any]) -> None:
        with lock:
            try:
                task.value = todo(task)
                task.state = "cancelled" if task.asked_to_stop else "done"
            except Cancelled:
                task.state = "cancelled"
            except VrxError as err:
                task.trouble, task.state = err, "failed"
            except Exception as err:  # noqa: BLE001 - a fault of ours must reach the page and stderr
                task.fault, task.state = tell_fault(err), "failed"
            finally:
                task.ended.set()

    def cancel(self) -> str:
        """Call the long work off; gives words for the page.

        The screen is free at once: what still computes is left to end by itself, with its own
        workbench, and writes nothing.
        """
        task = self.task
        if task is None or not task.running:
            return "Nothing is running."
        if not task.call_off():
            return "The files are being written and are ready in a moment; this cannot be stopped."
        self.halted = task is not self.asked
        if not task.ended.wait(0.05):
            self.lock = threading.RLock()
            self.bench = Workbench(self.folder)
        return "Stopped. Nothing was changed."

    def progress_json(self) -> dict[str, object]:
        """What the page asks for while it waits."""
        task = self.task
        if task is None:
            return {"running": False, "number": 0, "words": "", "seconds": 0, "state": "none"}
        return {
            "running": task.running, "number": task.number, "name": task.name,
            "words": task.words, "seconds": int(time.monotonic() - task.began),
            "state": "cancelled" if task.asked_to_stop else task.state, "writing": task.writing,
        }
