"""Every file of a run folder exchanged for awkward contents: a fault is told, nothing crashes."""

from __future__ import annotations

import os
import random
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from vrx.audit import audit_run
from vrx.errors import VrxError

LIMIT_S = 20  # no hang; a loaded machine is several times slower than an idle one
CONTENTS: dict[str, Callable[[bytes], bytes]] = {
    "empty": lambda whole: b"",
    "one byte": lambda whole: b"x",
    "byte order mark": lambda whole: b"\xef\xbb\xbf",
    "newlines": lambda whole: b"\n" * 100,
    "NUL": lambda whole: bytes(1000),
    "random": lambda whole: random.Random(5).randbytes(2000),
    "a list": lambda whole: b"[]",
    "null": lambda whole: b"null",
    "nested": lambda whole: b"[" * 100_000,
    "keys without end": lambda whole: b'{"a":' * 100_000,
    "a number": lambda whole: b"9" * 5000,
    "not a number": lambda whole: whole.replace(b"1", b"NaN", 3),
    "infinite": lambda whole: whole.replace(b".", b"e999", 3),
    "half a character": lambda whole: whole.replace(b'": "', b'": "\\ud800', 9),
    "texts for numbers": lambda whole: whole.replace(b": 1", b': "1"').replace(b"0.", b'"0".'),
    "lists for texts": lambda whole: whole.replace(b': "', b': ["').replace(b'",', b'"],'),
    "nulls": lambda whole: whole.replace(b": 0", b": null").replace(b': "', b': null, "'),
    "half": lambda whole: whole[: len(whole) // 2],
    "most": lambda whole: whole[:-10],
    "twice": lambda whole: whole * 2,
    "not UTF-8": lambda whole: whole.replace(b"a", b"\xff", 2),
    "an image": lambda whole: b"\x89PNG\r\n\x1a\n" + bytes(50),
}
FILES = ("manifest.json", "order.csv", "prescription.geojson", "prescription_shapefile.zip",
         "shapefile/prescription.shp", "shapefile/prescription.dbf", "shapefile/prescription.shx",
         "shapefile/prescription.prj", "../current.json")


class TooLong(BaseException):
    """No reader can catch it."""


def judged(folder: Path) -> Any:
    """Faults, or the error that is raised; within the time."""

    def late(*_: object) -> None:
        raise TooLong(folder)

    old = signal.signal(signal.SIGALRM, late)
    signal.setitimer(signal.ITIMER_REAL, LIMIT_S)
    try:
        return audit_run(folder=folder).faults
    except VrxError as err:
        helpful = bool(err.code and err.where and err.hint)
        return (err,) if helpful else ()
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, old)


@pytest.mark.parametrize("name", FILES)
def test_contents(name: str, run: Any) -> None:
    path = run.folder / name
    entry = run.output if name.startswith("..") else run.folder
    whole = path.read_bytes()
    assert not judged(entry)
    bad = []
    for row, make in CONTENTS.items():
        content = make(whole)
        if content == whole:
            continue
        path.write_bytes(content)
        try:
            if not judged(entry):
                bad.append(f"{row}: no fault")
        except (Exception, TooLong) as err:  # noqa: BLE001 - every kind is a fault to be told
            bad.append(f"{row}: {err!r}")
    assert not bad


@pytest.mark.parametrize("name", FILES)
def test_what_is_no_file(name: str, run: Any) -> None:
    path = run.folder / name
    entry = run.output if name.startswith("..") else run.folder
    bad = []
    for what in ("gone", "folder", "dangling", "loop", "pipe", "device", "closed"):
        if path.is_dir() and not path.is_symlink():
            path.rmdir()
        else:
            path.unlink(missing_ok=True)
        if what == "folder":
            path.mkdir()
        elif what == "pipe":
            os.mkfifo(path)
        elif what != "gone":
            path.symlink_to({"dangling": "nobody", "loop": path, "device": "/dev/full",
                             "closed": "/proc/1/mem"}[what])
        try:
            if not judged(entry):
                bad.append(f"{what}: no fault")
        except (Exception, TooLong) as err:  # noqa: BLE001 - as above
            bad.append(f"{what}: {err!r}")
    assert not bad
