"""Totals of an as-applied log: product, ground worked and covered, and the rows left out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from vrx.errors import InputError
from vrx.formats import iso11783
from vrx.intake._applied_track import driven, without_strays
from vrx.intake._raise import listed
from vrx.intake.yields._delay import estimated_delay
from vrx.intake.yields._overlap import overlap_of
from vrx.intake.yields._track import Track
from vrx.intake.yields.read import read_yield_log
from vrx.intake.yields.spec import LogColumn, PlaceColumns, YieldSpec
from vrx.model import BoolArray, Field, Finding, FloatArray, IntArray, YieldLog, note, warn
from vrx.units import ACRE_M2, SHORT_TON_LB

_OURS = {"mg/m2": "lb/ac", "mm3/m2": "gal/ac"}
UNITS = tuple(unit for unit, (base, _) in iso11783.UNITS.items() if base in _OURS)
STANDING_M_PER_S = 0.1
"""Below this speed a machine stands (own rule: receivers tell some hundredths while standing)."""
_FAR_TIMES = 10.0
_MUCH_GROUND = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliedSpec:
    """The columns of an as-applied log, and their units, which are always stated.

    `applied` is the rate that went out, of material: "lb/ac", "short ton/ac", "kg/ha" and "t/ha"
    count in lb, "gal/ac" and "L/ha" in gal. The master is off where `master_column` is 0 or empty.
    Times put rows in order and serve the delay. The width is a column, or `width_m` for all rows;
    without a column of speed the places tell where the machine stood; without a master it is on.
    """

    applied: LogColumn
    places: PlaceColumns
    width: LogColumn | None = None
    speed: LogColumn | None = None
    master_column: str | None = None
    width_m: float | None = None
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

    The first reading of a pass has no distance. Rows are taken in the order of time; places that
    the machine jumped to and back from are left out, a jump that stays begins a new pass. Rows
    without position, outside the field, with the master off, standing, without a rate or with a
    negative one are left out and counted. Raises `InputError` for what cannot be read, another
    unit, rows in no order of driving, and a log without a single working row.
    """
    worked = worked_log(path=path, field=field, spec=spec)
    log, track, rate, rows = worked.log, worked.track, worked.rate, worked.rows
    found, unit, left_out = list(worked.findings), worked.unit, worked.left_out
    use = np.zeros(len(rate), dtype=bool)
    use[rows] = True
    ground = overlap_of(log, track, rows)
    if ground is None:
        raise InputError("no row has the master on and moves", code="applied-empty",
                         where=path.name, hint="are the columns of master, speed and width right?")
    assert log.swath_m is not None  # noqa: S101 - asked for by worked_log
    acres = np.nan_to_num(track.step_m[rows]) * log.swath_m[rows] / ACRE_M2
    found += _told(path.name, left_out, len(rate), ground.cell_m)
    found += told_starts(log, track, use)
    found += told_far(log, rate, use, track, unit)
    try:
        delay, words = estimated_delay(log, track, kept=use, search_s=(-10.0, 30.0))
    except InputError as err:
        # Totals need no delay, so what keeps it from being found must not keep them.
        delay, words = None, str(err).partition("\n")[0]
    return AppliedTotals(
        product=float((rate[rows] * acres).sum()), unit=unit,
        worked_ac=float(acres.sum()), covered_ac=ground.covered_ac, left_out=left_out,
        delay_s=delay, findings=(*found, note(
            "applied-delay", path.name, words,
            done="places left as logged; totals do not depend on it")))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WorkedLog:
    """A log in the order of driving: `rate` (n,) in `unit` of an acre, and the rows that count."""

    log: YieldLog
    track: Track
    rate: FloatArray
    rows: IntArray
    unit: str
    left_out: dict[str, int]
    findings: tuple[Finding, ...]


def worked_log(*, path: Path, field: Field, spec: AppliedSpec) -> WorkedLog:
    """The log in order, and its working rows. Raises `InputError` as `applied_totals` does."""
    if spec.applied.unit not in UNITS:
        raise InputError(f"unit {spec.applied.unit!r} is no rate of an as-applied log here",
                         code="applied-unit", where=f"{path.name}, column {spec.applied.column}",
                         hint=f"known: {', '.join(UNITS)}")
    if (spec.width is None) == (spec.width_m is None):
        raise InputError("the width that product went over is "
                         + ("not stated" if spec.width is None else "stated in two ways"),
                         code="applied-width", where=path.name,
                         hint="name the column of the width with its unit, or give one width")
    base, size = iso11783.UNITS[spec.applied.unit]
    ours = _OURS[base]
    # An amount per acre is read the same way whatever it is of; moisture has no part in it.
    log = read_yield_log(path=path, field=field, spec=YieldSpec(
        amount=LogColumn(column=spec.applied.column, unit="lb/ac"), places=spec.places,
        moisture_pct=0.0, part_by_time=False, time=spec.time, speed=spec.speed, swath=spec.width,
        swath_m=spec.width_m, pass_column=spec.pass_column, working_column=spec.master_column))
    rate = log.tons_per_ac * SHORT_TON_LB * (size / iso11783.UNITS[ours][1])
    return in_driving_order(log, rate, unit=ours.partition("/")[0])


def in_driving_order(log: YieldLog, rate: FloatArray, *, unit: str) -> WorkedLog:
    """The log with its rates (n,) in lb/ac or gal/ac, in order, strays and idle rows told."""
    # The order of time is found on the log, so rates go there and come back as its amounts.
    log, track, found = driven(replace(log, tons_per_ac=rate))
    log, track, stray = without_strays(log, track)
    use, left_out = _usable(log, track, log.tons_per_ac, stray)
    rows = np.flatnonzero(use).astype(np.int64)
    if not len(rows):
        raise InputError("no row has the master on and moves", code="applied-empty",
                         where=log.file, hint="are the columns of master, speed and width right?")
    return WorkedLog(log=log, track=track, rate=log.tons_per_ac, rows=rows, unit=unit,
                     left_out=left_out, findings=tuple(found))


def _usable(
    log: YieldLog, track: Track, rate: FloatArray, stray: BoolArray
) -> tuple[BoolArray, dict[str, int]]:
    """The rows that count (n,), and the others by reason, each once."""
    assert log.swath_m is not None  # noqa: S101 - asked for by worked_log
    # Where the speed is missing the places tell; the first reading of a pass has no ground anyway.
    speed = np.nan_to_num(track.step_m, nan=STANDING_M_PER_S)
    if log.speed_m_per_s is not None:
        speed = np.where(np.isfinite(log.speed_m_per_s), log.speed_m_per_s, speed)
    working = np.ones(len(rate), dtype=bool) if log.working is None else log.working
    reasons = {
        "stray place": stray, "no position": log.reason == 1, "outside the field": log.reason == 2,
        "master off": ~working, "standing": speed < STANDING_M_PER_S,
        "no rate": ~np.isfinite(rate), "negative rate": rate < 0,
        "no width": ~(np.nan_to_num(log.swath_m) > 0),
    }
    use = np.ones(len(rate), dtype=bool)
    left_out: dict[str, int] = {}
    for reason, which in reasons.items():
        left_out[reason] = int((use & which).sum())
        use &= ~which
    return use, left_out


def told_starts(log: YieldLog, track: Track, use: BoolArray) -> list[Finding]:
    """Rows without a distance, and how much ground that leaves out at the usual step."""
    assert log.swath_m is not None  # noqa: S101
    start = use & ~np.isfinite(track.step_m)
    steps = track.step_m[use & (np.nan_to_num(track.step_m) > 0)]
    usual = float(np.median(steps)) if len(steps) else 0.0
    lost = usual * float(log.swath_m[start].sum()) / ACRE_M2
    worked = float((np.nan_to_num(track.step_m[use]) * log.swath_m[use]).sum()) / ACRE_M2
    tell = warn if lost > _MUCH_GROUND * worked else note
    return [tell("applied-starts", log.file,
                 f"{int(start.sum())} rows begin a pass, or come after a gap or a turn, and have "
                 f"no distance: at the usual step {lost:.3f} ac", value=str(int(start.sum())),
                 done="counted as no ground")]


def told_far(
    log: YieldLog, rate: FloatArray, use: BoolArray, track: Track, unit: str
) -> list[Finding]:
    """Rates of more than ten times the median: a meter's slip or a wrong unit (own rule)."""
    assert log.swath_m is not None  # noqa: S101
    usual = float(np.median(rate[use & (rate > 0)])) if (use & (rate > 0)).any() else np.inf
    far = use & (rate > _FAR_TIMES * usual)
    if not far.any():
        return []
    product = float((rate * np.nan_to_num(track.step_m) * log.swath_m)[far].sum()) / ACRE_M2
    return [warn("applied-rate-far", log.file,
                 f"{int(far.sum())} rates are more than {_FAR_TIMES:g} times the usual {usual:g}: "
                 f"rows {listed([str(n) for n in log.record[far].tolist()])}, {product:,.1f} "
                 f"{unit} in all", value=f"{product:.6g} {unit}", done="kept in the total",
                 todo="look at these rows; take wrong ones out of the file")]


def _told(file: str, left_out: dict[str, int], rows: int, cell_m: float) -> list[Finding]:
    found = [note("applied-covered", file, f"ground covered is counted in cells of {cell_m:g} m")]
    out = {reason: count for reason, count in left_out.items() if count}
    if out:
        listed = ", ".join(f"{count} {reason}" for reason, count in out.items())
        found.append(warn("applied-rows-left-out", file, f"{listed}, of {rows} rows",
                          value=str(sum(out.values())), done="left out of the totals"))
    return found
