"""One linear-algebra thread per test process, as the command line sets it (see `vrx.cli.main`).

Workbooks go through the standard library's XML as for users: lxml is here for the tests alone, and
openpyxl would take it where it finds it.
"""

from __future__ import annotations

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
os.environ.setdefault("OPENPYXL_LXML", "False")
