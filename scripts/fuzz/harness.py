"""What all targets share: a scratch folder, a field, and the judge that lets only VrxError pass."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from readers import the_field

from vrx.errors import VrxError
from vrx.model import Field


@dataclass(frozen=True, slots=True)
class Target:
    """A reader under test, the whole files it starts from, and the longest input tried."""

    run: Callable[[bytes], None]
    seeds: Callable[[], list[bytes]]
    most_bytes: int = 4096


@cache
def scratch() -> Path:
    """One private folder for the life of the process."""
    folder = tempfile.TemporaryDirectory(prefix="vrx-fuzz-")
    _KEPT.append(folder)
    return Path(folder.name)


_KEPT: list[tempfile.TemporaryDirectory[str]] = []


def _put(name: str, data: bytes) -> Path:
    path = scratch() / name
    path.write_bytes(data)
    return path


def _field() -> Field:
    return the_field(scratch())


def _refused(read: Callable[[], object]) -> bool:
    """True if the reader refused; whatever is no `VrxError` passes on: it is a fault of ours."""
    try:
        read()
    except VrxError as err:
        if not err.code:
            raise AssertionError("a refusal without a code") from err
        return True
    return False
