"""The right to write a field's plan and what is kept beside it: one writer per folder."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from vrx.errors import PlanError

LOCK_NAME = ".plan.lock"
_WAIT_S = 5.0


@contextmanager
def plan_lock(file: Path) -> Iterator[None]:
    """The right to write the plan, or the edits beside it; another writer is waited for 5 seconds.

    The lock file is taken away while it is still held, so that none stays beside the plan. Raises
    `PlanError`: `plan-locked`, or `answer-write` where no lock can be made.
    """
    path = file.with_name(LOCK_NAME)
    lock = FileLock(path)
    try:
        _acquire(lock, path)
    except Timeout as err:
        raise PlanError("another vrx is writing this plan", code="plan-locked", where=str(file),
                        hint="wait until it has ended, then try again") from err
    except OSError as err:
        raise not_written(file, err) from err
    try:
        yield
    finally:
        # Where an open file cannot be taken away (Windows), the lock's own release does it.
        with suppress(OSError):
            path.unlink(missing_ok=True)
        lock.release()


def _acquire(lock: FileLock, path: Path) -> None:
    """Hold the lock of the file that has the name now.

    One who waited may get the lock of a file that the writer before took away; the next would then
    make another and hold that. Such a lock is given back.
    """
    until = time.monotonic() + _WAIT_S
    while True:
        lock.acquire(timeout=max(0.0, until - time.monotonic()))
        held = lock._context.lock_file_fd
        with suppress(OSError):
            if held is not None and os.path.samestat(os.fstat(held), path.stat()):
                return
        lock.release()
        if time.monotonic() >= until:
            raise Timeout(str(path))


def not_written(file: Path, err: OSError) -> PlanError:
    """The error of a plan, or of edits, that cannot be written."""
    return PlanError(f"could not be written: {err.strerror or err}", code="answer-write",
                     where=str(file), hint="is the folder writable? The file is unchanged")
