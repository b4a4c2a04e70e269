"""The binary of a time log → arrays, record after record as its header lays them out.

Layout as two open-source readers have it (little-endian): milliseconds since midnight, days since
1980-01-01, those position attributes that the header leaves empty, then a count and as many values
of one byte (place in the header) and four bytes (signed).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vrx.errors import InputError
from vrx.intake._time_log_header import Header

MOST_RECORDS = 10_000_000
MOST_CELLS = 50_000_000
"""Records x values of a log, at most: what a log unpacks to (400 MB)."""
_VALUE_BYTES = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Records:
    """`head` (n,) structured as the header says; `raw` (n, values) with NaN before the first one.

    A value that a record leaves out is the last one before (`fresh` says where it stands). `left`
    are the bytes at the end that are no whole record, and `why`.
    """

    head: npt.NDArray[np.void]
    raw: tuple[npt.NDArray[np.float64], ...]
    fresh: tuple[npt.NDArray[np.bool_], ...]
    left: int
    why: str


def decode(data: bytes, header: Header, *, where: str) -> Records:
    """All whole records. Raises `InputError` for a log beyond the limits."""
    layout = np.dtype([*header.head, ("count", "u1")])
    starts, end, why = _starts(data, layout.itemsize, where)
    head = _at(data, layout, starts)
    first = starts + layout.itemsize
    counts = head["count"].astype(np.int64)
    bad = _first_bad(data, first, counts, len(header.values))
    if bad is not None:
        end = int(starts[bad])
        why = (f"record {bad + 1} names value {_worst(data, first[bad], counts[bad]) + 1} of a "
               f"header that has {len(header.values)}")
        starts, head, first, counts = starts[:bad], head[:bad], first[:bad], counts[:bad]
    if len(starts) * len(header.values) > MOST_CELLS:
        raise InputError(
            f"has {len(starts):,} records of {len(header.values)} values; at most {MOST_CELLS:,} "
            "values are unpacked", code="time-log-too-large", where=where,
            hint="is it one field's log? Export the tasks one by one")
    raw, fresh = _values(data, first, counts, len(header.values))
    return Records(head=head, raw=raw, fresh=fresh, left=len(data) - end, why=why)


def _starts(data: bytes, head: int, where: str) -> tuple[npt.NDArray[np.int64], int, str]:
    """Where each whole record begins, where the last one ends, and why no more follow."""
    # One step a record: where the next begins is known only from the count in this one.
    starts: list[int] = []
    at, size, keep = 0, len(data), starts.append
    last = size - head
    while at <= last:
        after = at + head + _VALUE_BYTES * data[at + head - 1]
        if after > size:
            break
        keep(at)
        at = after
        if len(starts) > MOST_RECORDS:
            raise InputError(f"has more than {MOST_RECORDS:,} records", code="time-log-too-large",
                             where=where, hint="is it one field's log? Export the tasks one by one")
    why = "" if at == size else f"record {len(starts) + 1} ends beyond the file"
    return np.array(starts, dtype=np.int64), at, why


def _at(data: bytes, layout: np.dtype[np.void], places: npt.NDArray[np.int64]
        ) -> npt.NDArray[np.void]:
    """Values of one layout at any places of the bytes."""
    room = len(data) - layout.itemsize + 1
    if room <= 0 or not len(places):
        return np.empty(0, dtype=layout)
    view: npt.NDArray[np.void] = np.ndarray((room,), dtype=layout, buffer=data, strides=(1,))
    return view[places]


def _places(first: npt.NDArray[np.int64], counts: npt.NDArray[np.int64]
            ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """(record, byte) of every value."""
    record = np.repeat(np.arange(len(first), dtype=np.int64), counts)
    before = np.cumsum(counts) - counts
    within = np.arange(len(record), dtype=np.int64) - before[record]
    return record, first[record] + _VALUE_BYTES * within


def _first_bad(
    data: bytes, first: npt.NDArray[np.int64], counts: npt.NDArray[np.int64], known: int
) -> int | None:
    record, place = _places(first, counts)
    index = np.frombuffer(data, dtype=np.uint8)[place]
    bad = np.flatnonzero(index >= known)
    return int(record[bad[0]]) if len(bad) else None


def _worst(data: bytes, first: int, count: int) -> int:
    return max(data[int(first) + _VALUE_BYTES * k] for k in range(int(count)))


def _values(
    data: bytes, first: npt.NDArray[np.int64], counts: npt.NDArray[np.int64], known: int
) -> tuple[tuple[npt.NDArray[np.float64], ...], tuple[npt.NDArray[np.bool_], ...]]:
    record, place = _places(first, counts)
    cell = np.dtype([("index", "u1"), ("raw", "<i4")])
    found = _at(data, cell, place)
    raws, freshes = [], []
    rows = np.arange(len(first), dtype=np.int64)
    for k in range(known):
        own = np.flatnonzero(found["index"] == k)
        fresh = np.zeros(len(first), dtype=bool)
        fresh[record[own]] = True
        raw = np.full(len(first), np.nan)
        # Twice in one record: the last one counts.
        raw[record[own]] = found["raw"][own]
        last = np.maximum.accumulate(np.where(fresh, rows, -1))
        raws.append(np.where(last >= 0, raw[last], np.nan))
        freshes.append(fresh)
    return tuple(raws), tuple(freshes)
