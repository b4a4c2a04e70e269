"""Where the open data lies."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

SHARED = Path(__file__).resolve().parents[3] / "shared"


@pytest.fixture
def shared() -> Callable[[str], Path]:
    """A file of the open data; skips where the folder is absent."""

    def find(name: str) -> Path:
        if not SHARED.is_dir():
            pytest.skip("open data folder absent: shared")
        return SHARED / name

    return find
