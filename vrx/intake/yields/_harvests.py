"""Cuttings in one file without a column of harvests: weeks without a reading part them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vrx.intake._raise import listed
from vrx.model import IntArray, YieldLog, note

GAP_DAYS = 10.0
"""A cutting is done in days, the next follows after three weeks or more (common practice, no
source)."""
_DAY_S = 86_400.0


def by_time(
    log: YieldLog, *, dated: bool
) -> tuple[YieldLog, IntArray | None, tuple[str, ...]]:
    """The log, and codes (n,) and names of its harvests; None where one harvest is in it.

    Names are the first day of each part where times are dates, else "part 1" and so on. Readings
    without time belong to the part of the reading before.
    """
    if log.time_s is None or not np.isfinite(log.time_s).any():
        return log, None, ()
    times = np.asarray(log.time_s)
    known = np.sort(times[np.isfinite(times)])
    wide = np.flatnonzero(np.diff(known) > GAP_DAYS * _DAY_S)
    if not len(wide):
        return log, None, ()
    begins = known[np.concatenate([[0], wide + 1])]
    have = np.isfinite(times)
    last = np.maximum.accumulate(np.where(have, np.arange(len(times)), -1))
    filled = times[np.where(last < 0, int(np.argmax(have)), last)]
    codes = np.searchsorted(begins, filled, side="right").astype(np.int64) - 1
    names = tuple(
        str(np.datetime64(int(t), "s").astype("datetime64[D]")) if dated else f"part {k}"
        for k, t in enumerate(begins, 1))
    said = note("yield-harvests-by-time", log.file,
                f"times have {len(wide)} gap{'s' if len(wide) > 1 else ''} of more than "
                f"{GAP_DAYS:g} days", done=f"read as {len(names)} harvests: {listed(names)}")
    return replace(log, findings=(*log.findings, said)), codes, names
