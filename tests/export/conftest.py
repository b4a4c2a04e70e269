"""Loads the builders of export sets under a name of their own."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

_SPEC = importlib.util.spec_from_file_location(
    "export_builders", Path(__file__).with_name("builders.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
export_builders = importlib.util.module_from_spec(_SPEC)
sys.modules["export_builders"] = export_builders
_SPEC.loader.exec_module(export_builders)
