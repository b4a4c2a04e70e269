"""Loads builders under names of their own: logs, and the export sets of the exports' tests."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

_HERE = Path(__file__).parent
for _name, _file in (("applied_builders", _HERE / "builders.py"),
                     ("applied_export_sets", _HERE.parent / "export" / "builders.py")):
    _SPEC = importlib.util.spec_from_file_location(_name, _file)
    assert _SPEC is not None
    assert _SPEC.loader is not None
    _module = importlib.util.module_from_spec(_SPEC)
    sys.modules[_name] = _module
    _SPEC.loader.exec_module(_module)
