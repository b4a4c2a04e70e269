"""Loads the room's builders under a name of their own."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

_SPEC = importlib.util.spec_from_file_location(
    "money_builders", Path(__file__).with_name("money_builders.py")
)
assert _SPEC is not None
assert _SPEC.loader is not None
money_builders = importlib.util.module_from_spec(_SPEC)
sys.modules["money_builders"] = money_builders
_SPEC.loader.exec_module(money_builders)
