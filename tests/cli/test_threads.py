"""One linear-algebra thread per process: what the command line sets before numpy is loaded."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

# Asks the library itself, in the process that ran the command.
ASK = """
import ctypes, sys
sys.argv = ["vrx", *sys.argv[1:]]
if "plain" not in sys.argv:
    from vrx.cli import main
    assert "numpy" not in sys.modules
    try:
        main()
    except SystemExit as end:
        assert not end.code, end.code
import numpy, scipy.linalg
paths = {line.split()[-1] for line in open("/proc/self/maps") if "openblas" in line}
counts = []
for path in sorted(paths):
    library = ctypes.CDLL(path)
    for name in ("scipy_openblas_get_num_threads64_", "scipy_openblas_get_num_threads",
                 "openblas_get_num_threads"):
        if hasattr(library, name):
            counts.append(getattr(library, name)())
            break
print("threads", *counts, file=sys.stderr)
"""


def threads(*arguments: str) -> list[int]:
    environment = {
        name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")
    }
    run = subprocess.run(
        [sys.executable, "-c", ASK, *arguments], check=True, capture_output=True, text=True,
        env=environment,
    )
    return [int(count) for count in run.stderr.split("threads")[-1].split()]


@pytest.mark.skipif(not Path("/proc/self/maps").exists(), reason="reads /proc, which is Linux")
def test_a_command_leaves_one_thread_in_every_linear_algebra_library() -> None:
    plain = threads("plain")
    if not plain:
        pytest.skip("numpy and scipy bring no OpenBLAS here")
    set_by_command = threads("books")
    assert set_by_command == [1] * len(plain)
    # Without the command they take every core, so the line above is no accident of this machine.
    if (os.cpu_count() or 1) > 1:
        assert max(plain) > 1
