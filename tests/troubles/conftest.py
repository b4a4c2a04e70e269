"""Loads the builders of small files under a name of their own."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

_SPEC = importlib.util.spec_from_file_location(
    "trouble_builders", Path(__file__).with_name("builders.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
trouble_builders = importlib.util.module_from_spec(_SPEC)
sys.modules["trouble_builders"] = trouble_builders
_SPEC.loader.exec_module(trouble_builders)


@pytest.fixture(scope="session")
def field(tmp_path_factory: pytest.TempPathFactory) -> object:
    """The square field of 158.264 ac."""
    return trouble_builders.square_field(tmp_path_factory.mktemp("field"))
