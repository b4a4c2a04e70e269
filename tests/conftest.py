"""One linear-algebra thread per test process, as the command line sets it (see `vrx.cli.main`).

Workbooks go through the standard library's XML as for users: lxml is here for the tests alone, and
openpyxl would take it where it finds it.
"""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path

import pytest

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
os.environ.setdefault("OPENPYXL_LXML", "False")


def _beside(name: str):
    path = Path(__file__).with_name(f"{name}.py")
    spec = importlib.util.spec_from_file_location(f"vrx_{name}", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def injections():
    """Invented schedules of injection (`injections.py` beside this file)."""
    return _beside("injections")


@pytest.fixture(scope="session")
def svg_laws():
    """What every drawing must keep (`svg_laws.py` beside this file)."""
    return _beside("svg_laws")
