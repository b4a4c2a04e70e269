"""A yield log -> one harvest's readings in the field's CRS, in short tons per acre."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from vrx.errors import InputError
from vrx.intake._raise import listed
from vrx.intake.yields._cells import CLOCK
from vrx.intake.yields._columns import LogTable, Progress, Wanted, read_columns
from vrx.intake.yields._cut import part_of
from vrx.intake.yields._harvests import by_time
from vrx.intake.yields._state import switched
from vrx.intake.yields._units import (
    LENGTH_M,
    SECONDS,
    SPEED_M_PER_S,
    amount_kind,
    factor,
    is_written,
)
from vrx.intake.yields._where import coarse_step, locate, require_pair
from vrx.intake.yields.bales import with_areas
from vrx.intake.yields.spec import LogColumn, YieldSpec
from vrx.model import BoolArray, Field, Finding, FloatArray, IntArray, YieldLog, note, warn
from vrx.units import ACRE_M2, SHORT_TON_LB

BASE_REASONS = ("no-position", "outside-field")
"""What reading alone sets aside; the filters come after these."""
_DAMP_PCT = 3.0
_RISING_SHARE = 0.98
_FEWEST_RISING = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Measures:
    """Arrays (n,) or None, in metres and seconds."""

    tons_per_ac: FloatArray
    interval_s: FloatArray | None
    distance_m: FloatArray | None
    speed_m_per_s: FloatArray | None
    swath_m: FloatArray | None
    kind: str
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
    written = spec.time is not None and is_written(spec.time.unit)
    numbers = [column.column for column in spec.numeric.values()]
    if spec.moisture_column:
        numbers.append(spec.moisture_column)
    if spec.time is not None and not written:
        numbers.append(spec.time.column)
    degrees = spec.places.longitude_column is not None
    pair = spec.places.pair
    if not degrees:
        numbers += pair
    labels = [spec.harvest_column, spec.pass_column, spec.working_column, spec.machine_column]
    return Wanted(
        numbers=tuple(dict.fromkeys(numbers)), degrees=pair if degrees else (),
        labels=tuple(dict.fromkeys(h for h in labels if h)),
        moments=(spec.time.column,) if written and spec.time else (),
        moment_unit=spec.time.unit if written and spec.time else "")


def _scaled(
    table: LogTable, column: LogColumn | None, known: dict[str, float]
) -> FloatArray | None:
    if column is None:
        return None
    return table.numbers[column.column] * factor(column, known, file=table.file)


def _times(table: LogTable, column: LogColumn | None) -> FloatArray | None:
    if column is None:
        return None
    if is_written(column.unit):
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
    if np.isnan(moisture).all():
        raise InputError("holds no moisture at all", code="yield-moisture-missing",
                         where=f"{table.file}, column {spec.moisture_column}",
                         hint="state moisture_pct instead, or moisture_unknown = true")
    failed = _failed(moisture)
    moisture = np.where(failed, np.nan, moisture)
    missing = int(np.isnan(moisture).sum())
    said = [note("yield-moisture-converted", f"{table.file}, column {spec.moisture_column}",
                 f"yields at {np.nanmin(moisture):g} to {np.nanmax(moisture):g} % moisture"
                 + (f", {missing} without a moisture (no yield there)" if missing else ""),
                 done=f"converted to {spec.to_moisture_pct:g} %")]
    if failed.any():
        said.insert(0, warn(
            "yield-moisture-zero", f"{table.file}, column {spec.moisture_column}",
            f"{int(failed.sum())} readings of 0 % among others of {np.nanmedian(moisture):g} %",
            done="taken as no moisture, so no yield there",
            todo="state moisture_pct if the sensor failed often"))
    return (100.0 - moisture) / (100.0 - spec.to_moisture_pct), said


def _failed(moisture: FloatArray) -> BoolArray:
    """Zeros (n,) of a sensor that else reads several percent; all zeros are dry matter."""
    others = moisture[np.isfinite(moisture) & (moisture > 0)]
    if not len(others) or float(np.median(others)) < _DAMP_PCT:
        return np.zeros(len(moisture), dtype=bool)
    return np.asarray(moisture == 0)


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
    if kind in {"mass", "bale"}:
        _require_no_total(amount, spec, table.file)
    if kind in {"flow", "mass"}:
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
        swath_m=swath, kind=kind,
        source=f"{spec.amount.column}, {spec.amount.unit}", findings=tuple(findings))


def _require_no_total(mass: FloatArray, spec: YieldSpec, file: str) -> None:
    known = mass[np.isfinite(mass)]
    step = np.diff(known)
    if len(known) < _FEWEST_RISING or not (step > 0).any():
        return
    if (step >= 0).mean() >= _RISING_SHARE and known[-1] > 5 * np.median(np.abs(step)):
        raise InputError(
            f"masses rise from row to row ({known[0]:g} to {known[-1]:g} lb): a running total",
            code="yield-running-total", where=f"{file}, column {spec.amount.column}",
            hint="name the column with the mass of each reading alone")


def _needed(values: FloatArray | None, why: str, file: str) -> FloatArray:
    if values is None:
        raise InputError(why, code="yield-measure-missing", where=file,
                         hint="state its column and unit (interval, distance or speed, swath); if "
                         'each row is one bale, state the unit as "lb/bale" or "kg/bale"')
    return values


def _passes(table: LogTable, heading: str | None) -> IntArray | None:
    """Numbers that rise by one wherever the file's own pass changes."""
    if heading is None:
        return None
    codes, _ = table.labels[heading]
    return np.concatenate([[0], np.cumsum(codes[1:] != codes[:-1])]).astype(np.int64)


def _whole_log(
    table: LogTable, field: Field, spec: YieldSpec
) -> tuple[YieldLog, IntArray | None, tuple[str, ...]]:
    east, north, inside, said = locate(table, spec.places, field)
    coarse, rounded = coarse_step(table, spec.places)
    said += rounded
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
        working=switched(table, spec.working_column),
        machine=table.labels[spec.machine_column][0] if spec.machine_column else None,
        mass_based=measures.kind in {"flow", "mass"}, coarse_m=coarse,
        bale_area_ac=np.full(len(east), np.nan) if measures.kind == "bale" else None,
        findings=(*table.findings, *said, *measures.findings))
    if codes is None and spec.part_by_time:
        log, codes, words = by_time(log, dated=spec.time is not None and spec.time.unit != CLOCK
                                    and is_written(spec.time.unit))
    return log, codes, words


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
        return with_areas(log, field)
    where = f"{log.file}, column {spec.harvest_column}" if spec.harvest_column else log.file
    present = [word for k, word in enumerate(words) if (codes == k).any()]
    if spec.harvest is None:
        if len(present) == 1:
            return with_areas(replace(log, harvest=present[0]), field)
        raise InputError(f"holds {len(present)} harvests: {listed(present)}",
                         code="yield-harvests-several", where=where,
                         hint="name one as harvest, or read them all (read_yield_logs)")
    return _one(log, codes, words, field=field, harvest=spec.harvest, where=where)


def _one(
    log: YieldLog, codes: IntArray, words: tuple[str, ...], *, field: Field, harvest: str,
    where: str,
) -> YieldLog:
    present = [word for k, word in enumerate(words) if (codes == k).any()]
    if harvest not in present:
        raise InputError(f"has no harvest {harvest!r}", code="yield-harvest-unknown",
                         where=where, hint=f"harvests: {listed(present)}")
    own = np.asarray(codes == words.index(harvest))
    rest = int((~own).sum())
    said = [note("yield-other-harvests", where, f"{rest} readings of other harvests",
                 done="not read")] if rest else []
    part = part_of(log, own, harvest)
    _require_inside(part, where)
    return with_areas(replace(part, findings=(*part.findings, *said)), field)


def read_yield_logs(
    *, path: Path, field: Field, spec: YieldSpec, progress: Progress | None = None
) -> tuple[YieldLog, ...]:
    """Every harvest of a file by its `harvest_column`, in the order in which they occur.

    Without that column a gap of more than ten days parts the file. Where `harvest` names one, only
    that is read. Findings that concern the whole file stand in the first log only. Raises as
    `read_yield_log`.
    """
    log, codes, words = _read(path, field, spec, progress)
    if codes is None:
        return (with_areas(log, field),)
    where = f"{log.file}, column {spec.harvest_column}" if spec.harvest_column else log.file
    if spec.harvest is not None:
        return (_one(log, codes, words, field=field, harvest=spec.harvest, where=where),)
    logs: list[YieldLog] = []
    for k, word in enumerate(words):
        own = np.asarray(codes == k)
        if own.any():
            part = part_of(log, own, word)
            _require_inside(part, f"{log.file}, harvest {word}")
            logs.append(with_areas(part if not logs else replace(part, findings=()), field))
    return tuple(logs)


def _require_inside(log: YieldLog, where: str) -> None:
    if not log.kept.any():
        raise InputError(f"no reading of harvest {log.harvest!r} lies in the field",
                         code="layer-outside-field", where=where,
                         hint="check that this harvest belongs to the field")
