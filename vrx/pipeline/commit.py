"""The output folder: one folder a run, and a small file, replaced last, that says which is current.

A killed run leaves the earlier run current and intact: everything is written into a scratch folder,
synced, renamed as a whole, and only then is `current.json` replaced. One writer per folder.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from shutil import rmtree
from typing import Any

from filelock import FileLock, Timeout

from vrx.errors import ExportError

MANIFEST = "manifest.json"
CURRENT = "current.json"
_SCRATCH = ".writing-"


def sha256(path: Path) -> str:
    """SHA-256 of a file, hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def json_bytes(value: Any) -> bytes:
    """JSON as vrx writes it: sorted keys, UTF-8, one blank of indent, a closing line feed."""
    text = json.dumps(value, sort_keys=True, indent=1, ensure_ascii=False, allow_nan=False)
    return text.encode() + b"\n"


def _plain(err: OSError, where: Path) -> ExportError:
    return ExportError(
        f"could not be written: {err.strerror or err}", code="export-write",
        where=str(err.filename or where),
        hint=f"{_why(err)} Earlier runs are intact",
    )


def _why(err: OSError) -> str:
    if isinstance(err, PermissionError):
        return "may you write here, and is no file of this folder open in another program?"
    if err.errno == errno.ENAMETOOLONG:
        return "the path is too long for this system: move the field to a shorter one."
    return "is the folder writable, and is there room on the disk?"


@contextmanager
def scratch_folder(output: Path) -> Iterator[Path]:
    """A fresh folder inside `output` to write a run into; removed unless `commit` took it.

    Holds the folder's lock. Raises `ExportError` when it cannot be written or another run has it.
    """
    try:
        output.mkdir(parents=True, exist_ok=True)
        lock = FileLock(output / ".lock")
        lock.acquire(timeout=0)
    except Timeout as err:
        raise ExportError(
            "another vrx is writing into this folder", code="export-locked", where=str(output),
            hint="wait until it has ended, then run again",
        ) from err
    except OSError as err:
        raise _plain(err, output) from err
    try:
        # Whoever left these was killed: we hold the lock.
        for stale in output.glob(f"{_SCRATCH}*"):
            rmtree(stale, ignore_errors=True)
        scratch = output / f"{_SCRATCH}{os.getpid()}"
        try:
            scratch.mkdir()
            yield scratch
        except OSError as err:
            if isinstance(err, ExportError):
                raise
            raise _plain(err, output) from err
        finally:
            rmtree(scratch, ignore_errors=True)
    finally:
        lock.release()


def commit(scratch: Path, *, output: Path, run: str) -> Path:
    """Make the run in `scratch` (with its manifest) the current one; gives its folder.

    The same run again keeps the folder it has. If a folder of that name holds other files (somebody
    changed them), it stays as it is and the run gets the next free name.
    """
    _sync(scratch)
    target, number = output / run, 1
    while target.exists() and not _same_files(scratch, target):
        number += 1
        target = output / f"{run}-{number}"
    if not target.exists():
        os.replace(scratch, target)
        _sync_folder(output)
    pointer = output / f".{CURRENT}.new"
    pointer.write_bytes(
        json_bytes({"manifest_sha256": sha256(target / MANIFEST), "run": target.name})
    )
    _sync_file(pointer)
    os.replace(pointer, output / CURRENT)
    _sync_folder(output)
    return target


def _files(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): sha256(path)
        for path in sorted(folder.rglob("*")) if path.is_file()
    }


def _same_files(one: Path, other: Path) -> bool:
    return _files(one) == _files(other)


def _sync(folder: Path) -> None:
    for path in folder.rglob("*"):
        if path.is_file():
            _sync_file(path)
        else:
            _sync_folder(path)
    _sync_folder(folder)


def _sync_folder(folder: Path) -> None:
    """Names too must be on the disk before the pointer is; not every system can do that."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _sync_file(path: Path) -> None:
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())
