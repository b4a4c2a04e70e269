"""Puts `task_sets` where the tests of this room can import it."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

_SPEC = importlib.util.spec_from_file_location(
    "task_sets", Path(__file__).with_name("task_sets.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
task_sets = importlib.util.module_from_spec(_SPEC)
sys.modules["task_sets"] = task_sets
_SPEC.loader.exec_module(task_sets)
