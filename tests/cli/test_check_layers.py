"""`vrx check` prints what the file of an unfinished layer holds."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

BENCH = Path(__file__).resolve().parents[2] / "sample_geo" / "bench"


def test_columns_of_an_unfinished_layer_are_shown_as_proposals(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(BENCH, tmp_path / "bench"))
    plan = folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace('value_column = "ECa mS/m"', 'value_column = "?"'),
                    encoding="utf-8")
    done = subprocess.run([sys.executable, "-m", "vrx", "check", str(folder)],
                          capture_output=True, text=True, check=False)
    assert done.returncode == 2, done.stderr
    assert "layer conductivity: conductivity.csv" in done.stdout
    assert "ECa mS/m" in done.stdout
    assert "nothing is used until the plan says so" in done.stdout
    assert "longitude_column" in done.stdout
    assert "still to be" in done.stdout
