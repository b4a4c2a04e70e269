"""Faults planted on a known yield surface: cleaning catches them and mends the map."""

from __future__ import annotations

import runpy
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vrx.geo import grid_over

BENCH = Path(__file__).resolve().parents[2] / "scripts" / "bench" / "yield_truth.py"


@pytest.fixture(scope="module")
def bench() -> dict[str, Any]:
    return runpy.run_path(str(BENCH))


def test_planted_faults_go_and_good_readings_stay(bench: dict[str, Any]) -> None:
    made = bench["planted"](11)
    gone = ~bench["ways"](made.log)["all filters"].kept
    for place, kind in enumerate(bench["FAULTS"]):
        own = made.fault == place
        assert own.sum() >= 10, kind
        assert gone[own].mean() > 0.95, kind
    assert gone[made.fault < 0].mean() < 0.04


def test_cleaning_brings_the_map_nearer_to_the_truth_than_simple_ways(
    bench: dict[str, Any],
) -> None:
    field = bench["field"]()
    grid = grid_over(field.boundary, cell_m=10.0)
    ways = bench["ways"](bench["planted"](12).log)
    absolute, pattern = np.array([
        bench["error_of"](log, grid, field) for log in ways.values()]).T
    none, sd_only, full = absolute
    assert full < 0.5 * sd_only < 0.5 * none
    assert pattern[2] < 0.5 * pattern[1] < 0.5 * pattern[0]
    # 6 % of noise on about 8 readings a cell leaves 2 to 3 %.
    assert pattern[2] < 3.5
