"""Loads the room's fixture writer under a name of its own, and builds one clean run a session."""

from __future__ import annotations

import importlib.util
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest

_SPEC = importlib.util.spec_from_file_location(
    "audit_builders", Path(__file__).with_name("builders.py")
)
assert _SPEC is not None
assert _SPEC.loader is not None
audit_builders = importlib.util.module_from_spec(_SPEC)
sys.modules["audit_builders"] = audit_builders
_SPEC.loader.exec_module(audit_builders)
_RASTERS = importlib.util.spec_from_file_location(
    "audit_rasters", Path(__file__).with_name("rasters.py")
)
assert _RASTERS is not None
assert _RASTERS.loader is not None
audit_rasters = importlib.util.module_from_spec(_RASTERS)
sys.modules["audit_rasters"] = audit_rasters
_RASTERS.loader.exec_module(audit_rasters)


@pytest.fixture(scope="session")
def clean_output(tmp_path_factory: pytest.TempPathFactory) -> Path:
    output: Path = tmp_path_factory.mktemp("clean") / "output"
    audit_builders.build(output)
    return output


@pytest.fixture
def run(clean_output: Path, tmp_path: Path) -> Any:
    shutil.copytree(clean_output, tmp_path / "output")
    return audit_builders.Run(tmp_path / "output")
