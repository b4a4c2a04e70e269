from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def root() -> Path:
    return ROOT


@pytest.fixture
def script(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], ModuleType]:
    """Loads a file of scripts/ afresh, the way `python scripts/NAME.py` finds its neighbours."""
    monkeypatch.syspath_prepend(str(ROOT / "scripts"))

    def load(name: str) -> ModuleType:
        spec = importlib.util.spec_from_file_location(f"script_{name}", ROOT / f"scripts/{name}.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        return module

    monkeypatch.delitem(sys.modules, "setup_env", raising=False)
    return load
