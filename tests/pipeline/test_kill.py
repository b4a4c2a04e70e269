"""Runs are killed at random moments (the soak of scripts/soak_kill.py, cut short)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

SOAK = Path(__file__).resolve().parents[2] / "scripts" / "soak_kill.py"
KILLS = 30


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork and no SIGKILL here")
def test_the_current_run_is_whole_whenever_a_run_is_killed(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(SOAK), "--kills", str(KILLS), "--formats", "small", "--seed", "7",
         "--folder", str(tmp_path)],
        capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr[-2000:]
    told = json.loads(done.stdout)
    assert told["kills"] == KILLS
    assert sum(told["by way"].values()) == KILLS
    # Kills just before the pointer is replaced leave the old run, those after it the new one.
    assert told["became current by way"].get("late file operation", 0) > 0
    # It is told what the killed runs were at; the last way always kills while things are renamed.
    assert sum(told["killed while"].values()) == KILLS
    assert told["killed while"]["renaming"] >= told["by way"]["late file operation"] > 0
    assert told["whole after every kill"]
