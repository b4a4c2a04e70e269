"""Totals of an as-applied log: product, ground worked and covered, and the rows left out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vrx.errors import InputError
from vrx.intake.yields._delay import estimated_delay
from vrx.intake.yields._overlap import overlap_of
from vrx.intake.yields._track import track_of
from vrx.intake.yields.read import read_yield_log
from vrx.intake.yields.spec import LogColumn, PlaceColumns, YieldSpec
from vrx.model import Field, Finding, note, warn
from vrx.units import ACRE_M2, SHORT_TON_LB

UNITS = ("lb/ac", "gal/ac")
STANDING_M_PER_S = 0.1
"""Below this speed a machine stands (own rule: receivers tell some hundredths while standing)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliedSpec:
    """The columns of an as-applied log, and their units, which are always stated.

    `applied` is the rate that went out, "lb/ac" or "gal/ac" of material. The master is off where
    `master_column` is 0 or empty. Times are for the delay only.
    """

    applied: LogColumn
    places: PlaceColumns
    width: LogColumn
    speed: LogColumn
    master_column: str
    pass_column: str | None = None
    time: LogColumn | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliedTotals:
    """What a log says: `product` in lb or gal, acres, and rows left out by reason.

    `worked_ac` is the ground counted as often as it was passed, `covered_ac` once.
    `delay_s` is the delay that neighbouring passes agree on; None where it is not clear. It would
    move places and never changes a total.
    """

    product: float
    unit: str
    worked_ac: float
    covered_ac: float
    left_out: dict[str, int]
    delay_s: float | None
    findings: tuple[Finding, ...] = ()

    @property
    def overlap_ac(self) -> float:
        """Ground that was passed again, acres."""
        return self.worked_ac - self.covered_ac

    @property
    def rate_per_covered_ac(self) -> float:
        """Product for each acre of ground."""
        return self.product / self.covered_ac


def applied_totals(*, path: Path, field: Field, spec: AppliedSpec) -> AppliedTotals:
    """Totals of a log of points: distance between readings × width × rate, master on, moving.

    The first reading of a pass has no distance. Rows without position, outside the field, with the
    master off, standing or without a rate are left out and counted. Raises `InputError` for what
    cannot be read, another unit, and a log without a single working row.
    """
    if spec.applied.unit not in UNITS:
        raise InputError(f"unit {spec.applied.unit!r} is no rate of an as-applied log here",
                         code="applied-unit", where=f"{path.name}, column {spec.applied.column}",
                         hint=f"known: {', '.join(UNITS)}")
    # An amount per acre is read the same way whatever it is of; moisture has no part in it.
    log = read_yield_log(path=path, field=field, spec=YieldSpec(
        amount=LogColumn(column=spec.applied.column, unit="lb/ac"), places=spec.places,
        moisture_pct=0.0, part_by_time=False, time=spec.time, speed=spec.speed, swath=spec.width,
        pass_column=spec.pass_column, working_column=spec.master_column))
    assert log.working is not None  # noqa: S101 - the spec asks for both columns
    assert log.speed_m_per_s is not None  # noqa: S101
    assert log.swath_m is not None  # noqa: S101
    rate = log.tons_per_ac * SHORT_TON_LB
    reasons = {
        "no position": log.reason == 1, "outside the field": log.reason == 2,
        "master off": ~log.working,
        "standing": np.nan_to_num(log.speed_m_per_s) < STANDING_M_PER_S,
        "no rate": ~np.isfinite(rate), "no width": ~(np.nan_to_num(log.swath_m) > 0),
    }
    use = np.ones(len(rate), dtype=bool)
    left_out: dict[str, int] = {}
    for reason, which in reasons.items():
        left_out[reason] = int((use & which).sum())
        use &= ~which
    track = track_of(log)
    rows = np.flatnonzero(use).astype(np.int64)
    ground = overlap_of(log, track, rows)
    if ground is None:
        raise InputError("no row has the master on and moves", code="applied-empty",
                         where=path.name, hint="are the columns of master, speed and width right?")
    acres = np.nan_to_num(track.step_m[rows]) * log.swath_m[rows] / ACRE_M2
    starts = int((~np.isfinite(track.step_m[rows])).sum())
    delay, words = estimated_delay(log, track, kept=use, search_s=(-10.0, 30.0))
    return AppliedTotals(
        product=float((rate[rows] * acres).sum()), unit=spec.applied.unit.partition("/")[0],
        worked_ac=float(acres.sum()), covered_ac=ground.covered_ac, left_out=left_out,
        delay_s=delay, findings=(*_told(path.name, left_out, len(rate), ground.cell_m),
                                 note("applied-starts", path.name,
                                      f"{starts} rows begin a pass, or come after a gap or a "
                                      "turn, and have no distance",
                                      value=str(starts), done="counted as no ground"),
                                 note("applied-delay", path.name, words,
                                      done="places left as logged; totals do not depend on it")))


def _told(file: str, left_out: dict[str, int], rows: int, cell_m: float) -> list[Finding]:
    found = [note("applied-covered", file, f"ground covered is counted in cells of {cell_m:g} m")]
    out = {reason: count for reason, count in left_out.items() if count}
    if out:
        listed = ", ".join(f"{count} {reason}" for reason, count in out.items())
        found.append(warn("applied-rows-left-out", file, f"{listed}, of {rows} rows",
                          value=str(sum(out.values())), done="left out of the totals"))
    return found
