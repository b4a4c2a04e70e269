"""Some readings of a log, or all in another order, as a log of their own."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from vrx.model import BoolArray, IntArray, YieldLog

ARRAYS = (
    "record", "easting_m", "northing_m", "tons_per_ac", "reason", "time_s", "interval_s",
    "distance_m", "speed_m_per_s", "swath_m", "pass_number", "working", "machine", "bale_area_ac",
)


def taken(log: YieldLog, which: BoolArray | IntArray) -> YieldLog:
    """The readings `which` (a mask or positions) of all arrays of a log."""
    cut: dict[str, Any] = {
        name: None if (values := getattr(log, name)) is None else values[which] for name in ARRAYS
    }
    return replace(log, **cut)


def part_of(log: YieldLog, own: BoolArray, harvest: str) -> YieldLog:
    """The readings `own` (n,) of a log as the log of one harvest."""
    return replace(taken(log, own), harvest=harvest)
