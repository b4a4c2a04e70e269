"""Times of the whole job: help, a new process, the work itself, the audit; peak memory.

Run it with the project's Python: `.venv/bin/python scripts/bench/whole_run.py`. Single figures are
noisy; the ratio column (against a bare interpreter of the same run) is what to compare.
"""

from __future__ import annotations

import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def seconds(command: list[str], times: int) -> float:
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def measured(folder: Path) -> list[tuple[str, float]]:
    """(what, median seconds) on a copy of the kettle field."""
    python = sys.executable
    vrx = [python, "-m", "vrx"]
    rows = [
        ("bare interpreter", seconds([python, "-c", "pass"], 7)),
        ("vrx --help", seconds([*vrx, "--help"], 7)),
        ("vrx run kettle, new process", seconds([*vrx, "run", str(folder)], 5)),
        ("vrx audit kettle, new process", seconds([*vrx, "audit", str(folder)], 5)),
    ]
    from vrx.pipeline import run_field

    run_field(folder)
    taken = []
    for _ in range(5):
        start = time.perf_counter()
        run_field(folder)
        taken.append(time.perf_counter() - start)
    return [*rows, ("the work of a run, warm", statistics.median(taken))]


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(shutil.copytree(ROOT / "sample_geo" / "kettle", Path(scratch) / "kettle"))
        rows = measured(folder)
    bare = rows[0][1]
    for name, value in rows:
        print(f"{name:<32}{value:8.3f} s  {value / bare:8.1f} x bare")
    # Linux gives kilobytes, macOS bytes.
    unit = 1e6 if sys.platform == "darwin" else 1e3
    peak_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / unit
    print(f"{'largest process of these':<32}{peak_mb:8.0f} MB")


if __name__ == "__main__":
    main()
