"""As-applied logs of any kind -> the ground they went over and the rate it got."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely

from vrx.errors import InputError
from vrx.formats import iso11783
from vrx.formats import task_data as task_facts
from vrx.geo import WGS84, field_crs, from_lonlat, swath_polygons, transform_points
from vrx.intake._raise import listed
from vrx.intake._rings import assemble, polygons_of
from vrx.intake._vector import candidates, choose_layer, is_vector
from vrx.intake.applied_log import (
    UNITS,
    AppliedSpec,
    WorkedLog,
    in_driving_order,
    told_far,
    told_starts,
    worked_log,
)
from vrx.intake.boundary import lonlat_layer
from vrx.intake.time_log import TimeLog, read_time_logs
from vrx.intake.yields._delay import before, estimated_delay
from vrx.model import AppliedGround, Field, Finding, YieldLog, note, stops, warn

_SEARCH_S = (-10.0, 30.0)
_NEAR_M = 10.0
_OF_POLYGONS = ("no area", "no rate", "negative rate", "outside the field")


@dataclass(frozen=True, slots=True, kw_only=True)
class LogElements:
    """Device elements of a time log whose values are meant, where several log the same."""

    rate: str | None = None
    width: str | None = None
    state: str | None = None


def read_applied(
    *, path: Path, field: Field, unit: str, spec: AppliedSpec | None = None,
    width_m: float | None = None, delay_s: float = 0.0, elements: LogElements | None = None,
) -> AppliedGround:
    """Ground and rates of a table, a vector file of points or polygons, or task data.

    `unit` ("lb/ac" or "gal/ac") is that of the pass; `spec` states the columns of anything but
    task data, whose rates state their own unit. `width_m` serves a time log without widths.
    `delay_s` are the seconds after which the log tells what fell: rates are taken that much later
    along the way; below 0 where product falls after it is logged. Polygons are ground as they are.
    Raises `InputError` for what cannot be read, units of another kind than the pass's, columns or
    widths not stated, and logs without any ground.
    """
    path = Path(path)
    if _is_task_data(path):
        made = [_of_time_log(log, field=field, unit=unit, width_m=width_m, delay_s=delay_s,
                             elements=elements or LogElements())
                for log in read_time_logs(path=path)]
        return joined(made)
    if spec is None:
        raise InputError("states no units of its own, and no column of rates is named",
                         code="applied-columns", where=path.name,
                         hint="name the column of the rate and its unit: rate_column, rate_unit")
    _require_kind(spec, unit, path.name)
    if _holds_polygons(path, spec):
        return _of_polygons(path, field=field, unit=unit, spec=spec)
    worked = worked_log(path=path, field=field, spec=spec)
    return _of_way(worked, unit=unit, delay_s=delay_s)


def joined(parts: list[AppliedGround]) -> AppliedGround:
    """Several logs of one pass and unit as one. Raises `InputError` where there is none."""
    if not parts:
        raise InputError("no log holds ground", code="applied-empty", where="the logs",
                         hint="name the files of the machine")
    left_out: Counter[str] = Counter()
    for one in parts:
        left_out.update(one.left_out)
    first = np.cumsum([0, *(len(one.files) for one in parts)])
    found = {one.delay_found_s for one in parts}
    return AppliedGround(
        files=tuple(name for one in parts for name in one.files), unit=parts[0].unit,
        polygons=np.concatenate([one.polygons for one in parts]),
        rate=np.concatenate([one.rate for one in parts]),
        record=np.concatenate([one.record for one in parts]),
        log=np.concatenate([one.log + begin for one, begin in zip(parts, first, strict=False)]),
        left_out=dict(left_out), delay_s=parts[0].delay_s,
        delay_found_s=found.pop() if len(found) == 1 else None,
        findings=tuple(f for one in parts for f in one.findings))


def _is_task_data(path: Path) -> bool:
    if path.suffix.lower() == ".xml":
        return bool(task_facts.LOG_NAME.fullmatch(path.stem.upper()))
    # os.path says no where a path cannot be looked at; whoever reads it then tells why.
    return os.path.isdir(path) and (
        os.path.isdir(path / task_facts.FOLDER) or path.name.upper() == task_facts.FOLDER)


def _require_kind(spec: AppliedSpec, unit: str, file: str) -> None:
    """Raise `InputError` for a unit that is none, or is of volume where the pass is of mass."""
    known = spec.applied.unit
    base = {"lb/ac": "mg/m2", "gal/ac": "mm3/m2"}[unit]
    if known not in UNITS or iso11783.UNITS[known][0] != base:
        fitting = [one for one in UNITS if iso11783.UNITS[one][0] == base]
        raise InputError(f"unit {known!r} is no rate of a pass in {unit}", code="applied-unit",
                         where=f"{file}, column {spec.applied.column}",
                         hint=f"its units here: {', '.join(fitting)}")


def _holds_polygons(path: Path, spec: AppliedSpec) -> bool:
    if not (spec.places.by_geometry and is_vector(path)):
        return False
    layer = spec.places.layer
    kinds = {one.kind for one in candidates(path) if layer is None or layer in (one.name, one.file)}
    return "polygon" in kinds and "point" not in kinds


def _of_way(worked: WorkedLog, *, unit: str, delay_s: float) -> AppliedGround:
    """Swaths from reading to reading."""
    log, track, rows = worked.log, worked.track, worked.rows
    rate, findings = worked.rate, [*log.findings, *worked.findings]
    if delay_s:
        if track.clock_s is None:
            raise InputError("has no times, so that no delay can be taken off",
                             code="applied-delay-time", where=log.file,
                             hint="name the column of time and its unit, or leave the delay out")
        rate = before(rate, track, -delay_s)
        later, side, taken = (
            ("later", "end", "last") if delay_s > 0 else ("earlier", "start", "first"))
        findings.append(note(
            "applied-delay-moved", log.file,
            f"rates taken {abs(delay_s):g} s {later} along each trip; none is logged for the "
            f"{abs(delay_s):g} s at its {side}",
            done=f"moved; that ground has the {taken} rate of the trip"))
    use = np.zeros(len(rate), dtype=bool)
    use[rows] = True
    findings += [*told_starts(log, track, use), *told_far(log, rate, use, track, worked.unit)]
    found, words = None, ""
    try:
        found, words = estimated_delay(log, track, kept=use, search_s=_SEARCH_S)
    except InputError as err:
        words = str(err).partition("\n")[0]
    findings.append(note("applied-delay", log.file, words,
                         done=f"taken: {delay_s:g} s, as stated"))
    own = np.flatnonzero(np.isfinite(log.easting_m) & (track.passes >= 0)).astype(np.int64)
    assert log.swath_m is not None  # noqa: S101 - worked logs have a width
    polygons, end = swath_polygons(
        at_m=np.column_stack([log.easting_m, log.northing_m])[own], width_m=log.swath_m[own],
        run=track.passes[own])
    row = own[end]
    good = use[row]
    if not good.any():
        raise InputError("no row with product has ground", code="applied-empty", where=log.file,
                         hint="are the columns of rate, master and width right?")
    findings += _told_rows(log.file, worked.left_out, len(rate))
    return AppliedGround(
        files=(log.file,), unit=unit, polygons=polygons[good], rate=rate[row[good]],
        record=log.record[row[good]], log=np.zeros(int(good.sum()), dtype=np.int64),
        left_out=worked.left_out, delay_s=delay_s, delay_found_s=found,
        findings=tuple(dict.fromkeys(findings)))


def _told_rows(file: str, left_out: dict[str, int], rows: int) -> list[Finding]:
    out = {reason: count for reason, count in left_out.items() if count}
    if not out:
        return []
    words = ", ".join(f"{count} {reason}" for reason, count in out.items())
    return [warn("applied-rows-left-out", file, f"{words}, of {rows} rows",
                 value=str(sum(out.values())), done="left out of the totals")]


def _of_time_log(
    log: TimeLog, *, field: Field, unit: str, width_m: float | None, delay_s: float,
    elements: LogElements,
) -> AppliedGround:
    points = log.applied(unit, element=elements.rate, width_element=elements.width,
                         state_element=elements.state)
    width = points.width_m
    if not np.isfinite(width).any():
        if width_m is None:
            raise InputError("logs no width (DDI 0043)", code="applied-width", where=log.file,
                             hint="state the width that product went over")
        width = np.full(len(width), width_m)
    east, north = (np.full(len(width), np.nan) for _ in range(2))
    known = np.isfinite(points.longitude_deg)
    east[known], north[known] = transform_points(
        points.longitude_deg[known], points.latitude_deg[known], source=WGS84,
        target=field_crs(field.crs_centre))
    near = shapely.buffer(field.boundary, _NEAR_M)
    shapely.prepare(near)
    inside = known.copy()
    inside[known] = shapely.contains_xy(near, east[known], north[known])
    if not inside.any():
        raise InputError(f"no position lies in the field {field.name!r}", code="applied-elsewhere",
                         where=log.file, hint="is it this field's log?")
    record = np.arange(1, len(width) + 1)
    as_log = YieldLog(
        file=log.file, harvest="", source="ISO 11783-10 time log", moisture_pct=0.0, record=record,
        easting_m=east, northing_m=north, tons_per_ac=points.rate,
        reason=np.where(inside, 0, np.where(known, 2, 1)).astype(np.int64),
        reasons=("no-position", "outside-field"), time_s=points.time_s, swath_m=width,
        working=points.working, findings=log.findings)
    worked = in_driving_order(as_log, points.rate, unit=unit.partition("/")[0])
    return _of_way(worked, unit=unit, delay_s=delay_s)


def _of_polygons(path: Path, *, field: Field, unit: str, spec: AppliedSpec) -> AppliedGround:
    """Polygons as they are, each with its rate."""
    layer = choose_layer(path, layer=spec.places.layer, kinds=("polygon",))
    column = spec.applied.column
    if column not in layer.columns:
        raise InputError(f"has no column {column!r}", code="applied-column-unknown",
                         where=layer.file, hint=f"columns: {listed(list(layer.columns))}")
    moved, findings = lonlat_layer(layer, crs=spec.places.crs)
    into = _into_ours(spec.applied.unit, unit)
    kept: list[shapely.Geometry] = []
    rates: list[float] = []
    records: list[int] = []
    out: Counter[str] = Counter()
    for feature in moved.features:
        where = f"{layer.file} polygon {feature.record}"
        rate = _number(feature.properties.get(column), where=f"{where}, column {column}")
        area, said = assemble(feature.shape.polygons, where=where, crossing=None)
        if area.is_empty or stops(said):
            out["no area"] += 1
            continue
        findings += said
        polygon = polygons_of(from_lonlat(area, field.crs_centre))
        if rate is None or rate < 0 or not polygon.intersects(field.boundary):
            out["no rate" if rate is None else "negative rate" if rate < 0
                else "outside the field"] += 1
            continue
        kept.append(polygon)
        rates.append(into(rate))
        records.append(feature.record)
    if not kept:
        raise InputError(f"no polygon with a rate touches the field {field.name!r}",
                         code="applied-empty", where=layer.file,
                         hint="is it this field's file, and the right column?")
    left_out = {reason: out[reason] for reason in _OF_POLYGONS}
    findings += _told_rows(layer.file, left_out, len(moved.features))
    polygons: npt.NDArray[np.object_] = np.empty(len(kept), dtype=object)
    polygons[:] = kept
    return AppliedGround(
        files=(layer.file,), unit=unit, polygons=polygons, rate=np.array(rates),
        record=np.array(records, dtype=np.int64), log=np.zeros(len(kept), dtype=np.int64),
        left_out=left_out, findings=tuple(dict.fromkeys(findings)))


def _into_ours(stated: str, unit: str) -> Callable[[float], float]:
    factor = iso11783.UNITS[stated][1] / iso11783.UNITS[unit][1]
    return lambda rate: rate * factor


def _number(value: object, *, where: str) -> float | None:
    """A rate, None where there is none. Raises `InputError` for text and infinities."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(f"{str(value)[:40]!r} is no number", code="applied-rate-text", where=where,
                         hint="export the column again as numbers")
    if not np.isfinite(value):
        raise InputError(f"{value} is no rate", code="applied-rate-text", where=where,
                         hint="export the file again, or take the record out")
    return float(value)


