"""The three invented fields, each run once."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from vrx.pipeline import RunResult, run_field

SAMPLE_GEO = Path(__file__).resolve().parents[2] / "sample_geo"


@pytest.fixture
def copy_of(tmp_path: Path) -> Callable[[str], Path]:
    """A fresh copy of a sample field's folder."""

    def copy(name: str) -> Path:
        return Path(shutil.copytree(SAMPLE_GEO / name, tmp_path / name))

    return copy


@pytest.fixture(scope="session")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, RunResult]:
    """Results of all three fields."""
    folder = tmp_path_factory.mktemp("fields")
    return {
        name: run_field(Path(shutil.copytree(SAMPLE_GEO / name, folder / name)))
        for name in ("kettle", "long-eighty", "bench")
    }
