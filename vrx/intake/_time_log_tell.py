"""What must be told about a time log that was read."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vrx.intake._time_log_bytes import Records
from vrx.intake._time_log_header import Header
from vrx.model import BoolArray, Finding, IntArray, note, warn

# 1990 to 2100 in days since 1980-01-01: before there was no such log, after it is a broken clock.
_FIRST_DAY, _LAST_DAY = 3_653, 43_830
_NO_PLACE = (0, 14)


def findings(
    *, file: str, header: Header, records: Records, nowhere: BoolArray, astray: BoolArray,
    odd_time: BoolArray, status: IntArray, time: npt.NDArray[np.datetime64], has_utc: bool,
) -> tuple[Finding, ...]:
    """Records lost, places and moments that are none, whose clock it is."""
    count = len(records.head)
    found: list[Finding] = []
    if records.left:
        found.append(warn(
            "time-log-cut", file, f"{records.left:,} bytes after {count:,} records are no record "
            f"of this header: {records.why}", value=str(records.left), done="left out",
            todo="copy the log from the machine again; if it stays so, the log ended badly"))
    if not count:
        found.append(warn("time-log-empty", file, "holds no record"))
        return tuple(found)
    if not {"north", "east"} <= {*header.fixed, *(name for name, _ in header.head)}:
        found.append(warn("time-log-no-place", file, "logs no positions",
                          todo="nothing can be compared on a map"))
    for which, words in ((nowhere, "stand at latitude 0, longitude 0: no position"),
                         (astray, "lie off the earth")):
        if which.any():
            found.append(warn(
                "time-log-place", file, f"{int(which.sum()):,} of {count:,} records {words}",
                value=str(int(which.sum())), done="kept without a position"))
    lost = int(np.isin(status, _NO_PLACE).sum())
    if lost:
        found.append(warn(
            "time-log-status", file, f"{lost:,} of {count:,} records say that the receiver had no "
            "position or an error", value=str(lost),
            done="kept; their places may be the last known"))
    days = records.head["days"]
    strange = odd_time | (days < _FIRST_DAY) | (days > _LAST_DAY)
    if strange.any():
        found.append(warn(
            "time-log-date", file, f"{int(strange.sum()):,} of {count:,} records have a moment "
            "beyond midnight or a year outside 1990 to 2099", value=str(int(strange.sum())),
            done="moments beyond midnight are taken for unknown, years kept",
            todo="check the machine's clock before times are compared"))
    known = time[~np.isnat(time)]
    back = int((np.diff(known) < np.timedelta64(0, "ms")).sum())
    if back:
        found.append(warn(
            "time-log-backwards", file, f"the clock goes back {back:,} times", value=str(back),
            done="kept in the order of the file"))
    found.append(note(
        "time-log-clock", file, "moments are the machine's own clock, whose time zone the log does "
        "not say" + ("; the receiver's UTC is logged beside it" if has_utc else "")))
    return tuple(found)
