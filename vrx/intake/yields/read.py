"""A yield log -> one harvest's readings in the field's CRS, in short tons per acre."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from vrx.errors import InputError
from vrx.intake._raise import listed
from vrx.intake.yields._columns import LogTable, Progress, Wanted, read_columns
from vrx.intake.yields._units import (
    ISO,
    LENGTH_M,
    SECONDS,
    SPEED_M_PER_S,
    amount_kind,
    factor,
)
from vrx.intake.yields._where import locate, require_pair
from vrx.intake.yields.spec import LogColumn, YieldSpec
from vrx.model import BoolArray, Field, Finding, FloatArray, IntArray, YieldLog, note, warn
from vrx.units import ACRE_M2, SHORT_TON_LB

_OFF = frozenset({"", "0", "0.0", "off", "up", "false", "no", "n", "f", "out"})
BASE_REASONS = ("no-position", "outside-field")
"""What reading alone sets aside; the filters come after these."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Measures:
    """Arrays (n,) or None, in metres and seconds."""

    tons_per_ac: FloatArray
    interval_s: FloatArray | None
    distance_m: FloatArray | None
    speed_m_per_s: FloatArray | None
    swath_m: FloatArray | None
    mass_based: bool
    source: str
    findings: tuple[Finding, ...]


def _require_moisture(spec: YieldSpec, *, file: str) -> None:
    ways = [spec.moisture_pct is not None, spec.moisture_column is not None, spec.moisture_unknown]
    if sum(ways) != 1:
        raise InputError(
            "the moisture of its yields is "
            + ("not stated" if not any(ways) else "stated in two ways"),
            code="yield-moisture-missing", where=file,
            hint="state moisture_pct (0 for dry matter), or moisture_column with to_moisture_pct, "
            "or moisture_unknown = true to use it for relative yields only")
    if (spec.moisture_column is None) != (spec.to_moisture_pct is None):
        raise InputError("moisture_column and to_moisture_pct belong together",
                         code="yield-moisture-missing", where=file,
                         hint="state both: the column, and the moisture that tons are to have")
    for value in (spec.moisture_pct, spec.to_moisture_pct):
        if value is not None and not 0 <= value < 100:
            raise InputError(f"moisture of {value:g} % is not possible", code="yield-moisture",
                             where=file, hint="state a percentage from 0 to below 100")


def _wanted(spec: YieldSpec) -> Wanted:
    iso = spec.time is not None and spec.time.unit == ISO
    numbers = [column.column for column in spec.numeric.values()]
    if spec.moisture_column:
        numbers.append(spec.moisture_column)
    if spec.time is not None and not iso:
        numbers.append(spec.time.column)
    degrees = spec.places.longitude_column is not None
    pair = spec.places.pair
    if not degrees:
        numbers += pair
    labels = [spec.harvest_column, spec.pass_column, spec.working_column]
    return Wanted(
        numbers=tuple(dict.fromkeys(numbers)), degrees=pair if degrees else (),
        labels=tuple(dict.fromkeys(h for h in labels if h)),
        moments=(spec.time.column,) if iso and spec.time else ())


def _scaled(
    table: LogTable, column: LogColumn | None, known: dict[str, float]
) -> FloatArray | None:
    if column is None:
        return None
    return table.numbers[column.column] * factor(column, known, file=table.file)


def _times(table: LogTable, column: LogColumn | None) -> FloatArray | None:
    if column is None:
        return None
    if column.unit == ISO:
        return table.moments[column.column]
    return _scaled(table, column, SECONDS)


def _dry_factor(table: LogTable, spec: YieldSpec) -> tuple[FloatArray | float, list[Finding]]:
    """What each yield is multiplied by to come to the stated moisture, and findings."""
    if spec.moisture_column is None or spec.to_moisture_pct is None:
        said = [] if not spec.moisture_unknown else [warn(
            "yield-moisture-unknown", table.file, "the moisture of its yields is not known",
            done="used for relative yields only")]
        return 1.0, said
    moisture = table.numbers[spec.moisture_column]
    with np.errstate(invalid="ignore"):
        wrong = (moisture < 0) | (moisture >= 100)
    if wrong.any():
        first = int(np.flatnonzero(wrong)[0])
        raise InputError(
            f"moisture of {moisture[first]:g} % ({table.row_word} {table.record[first]}; "
            f"{int(wrong.sum())} in all) is not possible", code="yield-moisture",
            where=f"{table.file}, column {spec.moisture_column}",
            hint="mend the column, or state another")
    missing = int(np.isnan(moisture).sum())
    said = [note("yield-moisture-converted", f"{table.file}, column {spec.moisture_column}",
                 f"yields at {np.nanmin(moisture):g} to {np.nanmax(moisture):g} % moisture"
                 + (f", {missing} without a moisture (no yield there)" if missing else ""),
                 done=f"converted to {spec.to_moisture_pct:g} %")]
    return (100.0 - moisture) / (100.0 - spec.to_moisture_pct), said


def _measures(table: LogTable, spec: YieldSpec) -> _Measures:
    kind, scale = amount_kind(spec, file=table.file)
    amount = table.numbers[spec.amount.column] * scale
    interval = _scaled(table, spec.interval, {"s": 1.0})
    distance = _scaled(table, spec.distance, LENGTH_M)
    speed = _scaled(table, spec.speed, SPEED_M_PER_S)
    swath = _scaled(table, spec.swath, LENGTH_M)
    if swath is None and spec.swath_m is not None:
        swath = np.full(len(amount), spec.swath_m)
    dry, findings = _dry_factor(table, spec)
    if kind != "areal":
        if kind == "flow":
            amount = amount * _needed(interval, "a mass flow needs the interval", table.file)
        if distance is None:
            moving = _needed(speed, "a mass needs a distance, or speed and interval", table.file)
            distance = moving * _needed(
                interval, "a mass needs a distance, or speed and interval", table.file)
        ground = distance * _needed(swath, "a mass needs the swath", table.file)
        with np.errstate(divide="ignore", invalid="ignore"):
            amount = np.where(ground > 0, amount / SHORT_TON_LB / (ground / ACRE_M2), np.nan)
        still = int((~(ground > 0)).sum())
        findings.append(note("yield-from-mass", table.file,
                             f"yields from {spec.amount.column} ({spec.amount.unit}), distance and "
                             f"swath; {still} readings cover no ground", done="computed"))
    return _Measures(
        tons_per_ac=amount * dry, interval_s=interval, distance_m=distance, speed_m_per_s=speed,
        swath_m=swath, mass_based=kind != "areal",
        source=f"{spec.amount.column}, {spec.amount.unit}", findings=tuple(findings))


def _needed(values: FloatArray | None, why: str, file: str) -> FloatArray:
    if values is None:
        raise InputError(why, code="yield-measure-missing", where=file,
                         hint="state its column and unit (interval, distance or speed, swath)")
    return values


def _passes(table: LogTable, heading: str | None) -> IntArray | None:
    """Numbers that rise by one wherever the file's own pass changes."""
    if heading is None:
        return None
    codes, _ = table.labels[heading]
    return np.concatenate([[0], np.cumsum(codes[1:] != codes[:-1])]).astype(np.int64)


def _working(table: LogTable, heading: str | None) -> BoolArray | None:
    if heading is None:
        return None
    codes, words = table.labels[heading]
    on = np.array([word.casefold() not in _OFF for word in words], dtype=bool)
    return np.asarray(on[codes])


def _whole_log(
    table: LogTable, field: Field, spec: YieldSpec
) -> tuple[YieldLog, IntArray | None, tuple[str, ...]]:
    east, north, inside, said = locate(table, spec.places, field)
    measures = _measures(table, spec)
    reason = np.where(np.isnan(east), 1, np.where(inside, 0, 2)).astype(np.int64)
    codes, words = (
        table.labels[spec.harvest_column] if spec.harvest_column else (None, ()))
    moisture = spec.moisture_pct if spec.moisture_column is None else spec.to_moisture_pct
    log = YieldLog(
        file=table.file, harvest=spec.harvest or "", source=measures.source,
        moisture_pct=moisture, record=table.record, easting_m=east, northing_m=north,
        tons_per_ac=measures.tons_per_ac, reason=reason, reasons=BASE_REASONS,
        time_s=_times(table, spec.time), interval_s=measures.interval_s,
        distance_m=measures.distance_m, speed_m_per_s=measures.speed_m_per_s,
        swath_m=measures.swath_m, pass_number=_passes(table, spec.pass_column),
        working=_working(table, spec.working_column), mass_based=measures.mass_based,
        findings=(*table.findings, *said, *measures.findings))
    return log, codes, words


def part_of(log: YieldLog, own: BoolArray, harvest: str) -> YieldLog:
    """The readings `own` (n,) of a log as a log of their own."""
    arrays = ("record", "easting_m", "northing_m", "tons_per_ac", "reason", "time_s", "interval_s",
              "distance_m", "speed_m_per_s", "swath_m", "pass_number", "working")
    cut: dict[str, Any] = {
        name: None if (values := getattr(log, name)) is None else values[own] for name in arrays
    }
    return replace(log, harvest=harvest, **cut)


def _read(
    path: Path, field: Field, spec: YieldSpec, progress: Progress | None
) -> tuple[YieldLog, IntArray | None, tuple[str, ...]]:
    path = Path(path)
    require_pair(spec.places, where=path.name)
    _require_moisture(spec, file=path.name)
    amount_kind(spec, file=path.name)
    table = read_columns(path, wanted=_wanted(spec), places=spec.places, progress=progress)
    return _whole_log(table, field, spec)


def read_yield_log(
    *, path: Path, field: Field, spec: YieldSpec, progress: Progress | None = None
) -> YieldLog:
    """One harvest's readings of a CSV, TSV, workbook or vector file of points.

    Every row stays in the log; rows without position or outside the field are set aside with a
    reason. With `harvest_column` in `spec`, `harvest` names the one to read. `progress(step,
    share)` is called while a text file is read.

    Raises:
        InputError: units, moisture or coordinates not stated, a unit not known, cells that are no
            numbers, no reading in the field, an unknown harvest, several harvests and none named,
            or more than 5 million rows.
    """
    log, codes, words = _read(path, field, spec, progress)
    if codes is None:
        return log
    where = f"{log.file}, column {spec.harvest_column}"
    present = [word for k, word in enumerate(words) if (codes == k).any()]
    if spec.harvest is None:
        if len(present) == 1:
            return replace(log, harvest=present[0])
        raise InputError(f"holds {len(present)} harvests: {listed(present)}",
                         code="yield-harvests-several", where=where,
                         hint="name one as harvest, or read them all (read_yield_logs)")
    if spec.harvest not in present:
        raise InputError(f"has no harvest {spec.harvest!r}", code="yield-harvest-unknown",
                         where=where, hint=f"harvests: {listed(present)}")
    own = np.asarray(codes == words.index(spec.harvest))
    rest = int((~own).sum())
    said = [note("yield-other-harvests", where, f"{rest} readings of other harvests",
                 done="not read")] if rest else []
    part = part_of(log, own, spec.harvest)
    _require_inside(part, where)
    return replace(part, findings=(*part.findings, *said))


def read_yield_logs(
    *, path: Path, field: Field, spec: YieldSpec, progress: Progress | None = None
) -> tuple[YieldLog, ...]:
    """Every harvest of a file by its `harvest_column`, in the order in which they occur.

    Findings that concern the whole file stand in the first log only. Raises as `read_yield_log`.
    """
    log, codes, words = _read(path, field, spec, progress)
    if codes is None:
        return (log,)
    logs: list[YieldLog] = []
    for k, word in enumerate(words):
        own = np.asarray(codes == k)
        if own.any():
            logs.append(part_of(log, own, word))
            _require_inside(logs[-1], f"{log.file}, harvest {word}")
    return (logs[0], *(replace(one, findings=()) for one in logs[1:]))


def _require_inside(log: YieldLog, where: str) -> None:
    if not log.kept.any():
        raise InputError(f"no reading of harvest {log.harvest!r} lies in the field",
                         code="layer-outside-field", where=where,
                         hint="check that this harvest belongs to the field")
