"""The finished runs in a folder's output."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from vrx.pipeline.commit import CURRENT, MANIFEST


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownRun:
    """A run in the folder's output; `is_current` is the one that was made last."""

    name: str
    folder: Path
    is_current: bool


def known_runs(output: Path) -> tuple[KnownRun, ...]:
    """The finished runs in an output folder, the current one first."""
    try:
        current = str(json.loads((output / CURRENT).read_text(encoding="utf-8"))["run"])
    except (OSError, ValueError, KeyError, TypeError):
        current = ""
    try:
        found = sorted(one for one in output.iterdir() if (one / MANIFEST).is_file()
                       and not one.name.startswith("."))
    except OSError:
        return ()
    runs = [KnownRun(name=one.name, folder=one, is_current=one.name == current) for one in found]
    return tuple(sorted(runs, key=lambda one: not one.is_current))
