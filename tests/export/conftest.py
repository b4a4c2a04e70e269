"""Loads the builders of export sets under names of their own."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

for _name, _file in (("export_builders", "builders.py"), ("task_sets", "task_sets.py")):
    _SPEC = importlib.util.spec_from_file_location(_name, Path(__file__).with_name(_file))
    assert _SPEC is not None
    assert _SPEC.loader is not None
    _module = importlib.util.module_from_spec(_SPEC)
    sys.modules[_name] = _module
    _SPEC.loader.exec_module(_module)
