"""One log under cleaning, and which filters can judge it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from vrx.intake.yields._clock import in_order
from vrx.intake.yields._columns import Progress
from vrx.intake.yields._defaults import defaults
from vrx.intake.yields._track import Track, tangled, track_of
from vrx.intake.yields.spec import CleanSpec
from vrx.model import BoolArray, FloatArray, YieldLog, warn

_TRACKED = frozenset({"flow-delay", "start-of-pass", "end-of-pass", "short-pass", "overlap"})
_STEPPED = frozenset({"standing", "speed", "speed-change"})
_NO_BALE = frozenset({"distance", "narrow-swath", "local-outlier"})


class Cleaning:
    """One log under cleaning: what is set aside so far, the track, and the settings."""

    def __init__(self, log: YieldLog, spec: CleanSpec, progress: Progress | None) -> None:
        self.log, self.order, self.findings = in_order(log)
        self.as_logged = self.log
        self.time_s = log.time_s
        self.spec = spec
        self.progress = progress
        self.track: Track = track_of(self.log)
        self.reason = np.array(self.log.reason)
        self.loose = self._no_track()

    def _no_track(self) -> str:
        """Why the machine's way cannot be followed, empty if it can."""
        if self.log.bale_area_ac is not None:
            return "one reading per bale"
        if self.log.coarse_m:
            return "coordinates are rounded"
        if tangled(self.log, self.track, int(self.setting("least_readings"))):
            self.findings.append(warn(
                "yield-order-unclear", self.log.file,
                "most readings lie in passes of very few: rows stand in no order of driving, or "
                "several machines are mixed",
                done="filters that follow the machine's way do not run",
                todo="state time_column, and machine_column where several machines are logged"))
            return "rows in no order of driving"
        return ""

    @property
    def kept(self) -> BoolArray:
        return np.asarray(self.reason == 0)

    def setting(self, name: str) -> float:
        stated = getattr(self.spec, name)
        return float(defaults()[name] if stated is None else stated)

    def all_of(self, values: FloatArray, test: Callable[[FloatArray], BoolArray]) -> BoolArray:
        with np.errstate(invalid="ignore"):
            return np.asarray(test(values))


def blind(c: Cleaning, name: str) -> bool:
    """Whether a filter needs the machine's way where that cannot be followed."""
    if not c.loose:
        return False
    if name in _STEPPED:
        return c.log.speed_m_per_s is None and (
            c.log.distance_m is None or c.log.interval_s is None)
    if name == "distance":
        return c.log.distance_m is None
    return name in _TRACKED or (name in _NO_BALE and c.log.bale_area_ac is not None)


def where_of(log: YieldLog) -> str:
    return f"{log.file}, harvest {log.harvest}" if log.harvest else log.file
