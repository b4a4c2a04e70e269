"""What a machine says that it applied, and how that compares with what was planned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vrx.model.arrays import FloatArray, IntArray, array_value
from vrx.model.field import Grid
from vrx.model.finding import Finding


@array_value
class AppliedGround:
    """The ground of one or more as-applied logs, (n,): polygons in the field's CRS, metres.

    `rate` is what each polygon got, in `unit` ("lb/ac" or "gal/ac"); `record` the row or record of
    its log, `log` the position in `files`. `left_out` counts rows without ground, by reason.
    `delay_s` is what rates were moved by along the way; `delay_found_s` what neighbouring passes
    agree on, None where that is not clear.
    """

    files: tuple[str, ...]
    unit: str
    polygons: npt.NDArray[np.object_]
    rate: FloatArray
    record: IntArray
    log: IntArray
    left_out: dict[str, int]
    delay_s: float = 0.0
    delay_found_s: float | None = None
    findings: tuple[Finding, ...] = ()


@array_value
class AppliedZones:
    """Zone by zone, (zones,), acres and amounts in lb or gal.

    Ground is `once_ac`, `repeated_ac` (two times or more) or `skipped_ac`; they add up to
    `area_ac`. What got product is `within_ac`, `over_ac` or `under_ac` of the target and the
    tolerance, where it went twice by the sum of its rates. `applied` fell on the zone; `skipped_ac`
    is no part of `under_ac`. Rates are in the pass's unit per acre of the whole zone.
    """

    zone_ids: tuple[int, ...]
    letters: tuple[str, ...]
    area_ac: FloatArray
    target_rate: FloatArray
    applied: FloatArray
    once_ac: FloatArray
    repeated_ac: FloatArray
    skipped_ac: FloatArray
    within_ac: FloatArray
    over_ac: FloatArray
    under_ac: FloatArray

    @property
    def missed_ac(self) -> FloatArray:
        """Ground without product where some was planned."""
        return np.where(self.target_rate > 0, self.skipped_ac, 0.0)

    @property
    def as_planned_ac(self) -> FloatArray:
        """Ground within the tolerance, with what was to get nothing and got nothing."""
        return np.where(self.target_rate > 0, self.within_ac, self.within_ac + self.skipped_ac)

    @property
    def planned(self) -> FloatArray:
        """Target rate x acres."""
        return np.asarray(self.target_rate * self.area_ac)

    @property
    def applied_rate(self) -> FloatArray:
        """Applied by acre of the zone."""
        return np.asarray(self.applied / self.area_ac)

    @property
    def difference(self) -> FloatArray:
        """Applied less planned, lb or gal."""
        return np.asarray(self.applied - self.planned)


@array_value
class AppliedCells:
    """Applied rate in square cells for the map, (rows, columns): NaN outside the zones."""

    grid: Grid
    applied_rate: FloatArray
    target_rate: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """One line of the table of amounts: what somebody says was used, lb or gal."""

    what: str
    amount: float
    unit: str
    source: str


@array_value
class Reconciliation:
    """A pass as planned against what was applied.

    `outside_ac` and `outside` are ground and product of the log beyond all zones.
    `tolerance_pct` is the user's. `left_rate` (zones,) is what a second pass would give, in machine
    steps, all 0 where nothing is left.
    """

    pass_id: str
    material: str
    unit: str
    tolerance_pct: float
    zones: AppliedZones
    logged: float
    outside: float
    outside_ac: float
    left_out: dict[str, int]
    amounts: tuple[Amount, ...]
    left_rate: FloatArray
    cells: AppliedCells
    findings: tuple[Finding, ...] = ()
