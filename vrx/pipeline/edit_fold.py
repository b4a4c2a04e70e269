"""The state that edits lead to, from the plan's zones and the records on the way; and its hash."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, replace
from functools import lru_cache
from typing import Any

import numpy as np
import shapely

from vrx import geo, zones
from vrx.errors import ComputeError, PlanError, PlanInfeasible
from vrx.model import Field, Finding, Severity, Zone, Zones, stop
from vrx.model.by_hand import RateOverride
from vrx.plan.edit_records import ZONE_EDITS, ClearRate, Rate, Rename, Result, ZoneLine
from vrx.plan.edits import EditLog

Rates = Mapping[tuple[int, str], RateOverride]
_LENGTH = 24
_ASIDE = "vrx edits FOLDER --set-aside (the file is kept under another name)"


def wkb(polygon: shapely.Geometry) -> bytes:
    """A polygon's bytes: 2-D, little endian, double precision."""
    return bytes(shapely.to_wkb(polygon, output_dimension=2, byte_order=1, include_srid=False))


def wkb_hex(polygon: shapely.Geometry) -> str:
    """A polygon's bytes, hexadecimal."""
    return wkb(polygon).hex()


def geometry_hash(polygon: shapely.Geometry) -> str:
    """What a rate by hand knows its zone's polygon by."""
    return hashlib.sha256(wkb(polygon)).hexdigest()[:_LENGTH]


@lru_cache(maxsize=16)
def zones_hash(held: Zones) -> str:
    """Ids, letters, labels and polygons in their order, and the highest id ever given.

    Kept by the object: zones never change.
    """
    found = hashlib.sha256(f"zones 1\n{held.next_id}\n".encode())
    for zone in held.zones:
        raw = wkb(zone.polygon)
        head = json.dumps([zone.zone_id, zone.letter, zone.label, len(raw)])
        found.update(head.encode() + b"\n" + raw)
    return found.hexdigest()[:_LENGTH]


def rates_hash(held: Rates) -> str:
    """All rates by hand, whatever order they were set in."""
    rows = [asdict(held[key]) for key in sorted(held)]
    text = json.dumps(["rates 1", rows], sort_keys=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()[:_LENGTH]


NO_RATES = rates_hash({})


def state(log: EditLog, base: Zones | None, *, to: int | None = None) -> str:
    """The hash of the state at a record, the cursor unless told.

    Without `base` that of a state without edits of zones is as the records have it.
    """
    at = log.cursor if to is None else to
    told = log.records[at - 1].state if at else ""
    if at and log.shaped[at - 1]:
        return told
    rates = told.split("-")[1] if at else NO_RATES
    if base is not None:
        return f"{zones_hash(base)}-{rates}"
    known = log.records[at - 1] if at else (log.records[0] if log.records else None)
    return f"{known.on.split('-')[0] if known else '0' * _LENGTH}-{rates}"


def effective_rates(log: EditLog) -> dict[tuple[int, str], RateOverride]:
    """Rates by hand in force by (zone id, pass id), whether their zones are still there or not."""
    found: dict[tuple[int, str], RateOverride] = {}
    for one in log.path():
        if isinstance(one, Rate):
            found[one.zone_id, one.pass_id] = RateOverride(
                **one.model_dump(include=set(RateOverride.__dataclass_fields__)))
        elif isinstance(one, ClearRate):
            found.pop((one.zone_id, one.pass_id), None)
    last = log.records[log.cursor - 1] if log.cursor else None
    if last is not None and last.state.split("-")[1] != rates_hash(found):
        raise _broken("the rates that lead to it are not those of its state",
                      log=log, seq=last.seq)
    return dict(sorted(found.items()))


def stale_overrides(log: EditLog, held: Zones) -> tuple[RateOverride, ...]:
    """Rates by hand whose zone is gone or has another polygon now."""
    now = {zone.zone_id: zone for zone in held.zones}
    return tuple(
        one for one in effective_rates(log).values()
        if one.zone_id not in now or geometry_hash(now[one.zone_id].polygon) != one.geometry)


def overrides(log: EditLog, held: Zones) -> tuple[RateOverride, ...]:
    """Rates by hand in force, by zone id and pass id.

    Raises `PlanInfeasible` (`edits-rate-stale`), with a stop finding for each whose zone is gone or
    has another polygon than when the rate was set: none is ever dropped.
    """
    rates = tuple(effective_rates(log).values())
    stale = stale_overrides(log, held) if rates else ()
    if stale:
        letters = {zone.zone_id: zone.letter for zone in held.zones}
        found = [stop(
            "edits-rate-stale",
            (f"zone {letters[one.zone_id]}" if one.zone_id in letters
             else f"zone with id {one.zone_id}") + f", pass {one.pass_id}",
            f"{one.rate:g} {one.unit} was set by hand ({one.because}), and the zone "
            + ("has another outline now" if one.zone_id in letters else "is not there any more"),
            value=f"{one.rate:g} {one.unit}",
            todo=f"vrx edits FOLDER --clear {one.zone_id}:{one.pass_id}, and set the rate of the "
                 "zones there now if it still holds") for one in stale]
        raise PlanInfeasible(
            "; ".join(f"{one.where}: {one.what}" for one in found), code="edits-rate-stale",
            where=str(log.file), findings=found,
            hint="; ".join(dict.fromkeys(one.todo for one in found)))
    return rates


def require_base(base: Zones, log: EditLog, *, to: int | None = None) -> None:
    """Raise `PlanError` (`edits-stale`) where the plan makes other zones than were edited."""
    first = next((one for one in log.path(to) if isinstance(one, ZONE_EDITS)), None)
    if first is None or first.on.split("-")[0] == zones_hash(base):
        return
    raise PlanError(
        f"the zones that were edited by hand are not those that the plan makes now: since edit "
        f"{first.seq} the plan, a file that it names, or vrx itself was changed",
        code="edits-stale", where=str(log.file),
        hint="put back what was changed; or go on without the edits, and make them anew on the new "
        f"zones: {_ASIDE}")


def folded(base: Zones, log: EditLog, field: Field, *, prove: bool = False) -> Zones:
    """The zones at the cursor. With `prove` they are also checked to cover the field.

    Zones that no edit changed are the very objects of `base`.
    """
    edits = [one for one in log.path() if isinstance(one, ZONE_EDITS)]
    if not edits:
        return base
    require_base(base, log)
    order = [zone.zone_id for zone in base.zones]
    lines: dict[int, tuple[int, ZoneLine]] = {}
    findings: list[Finding] = list(base.findings)
    for one in edits:
        order = _ordered(order, one.result, log=log, seq=one.seq)
        lines |= {line.zone_id: (one.seq, line) for line in one.result.zones}
        findings += [Finding(**{**each.model_dump(), "severity": Severity(each.severity)})
                     for each in one.result.findings]
    own = {zone.zone_id: zone for zone in base.zones}
    made = tuple(
        _zone(*lines[zone_id], log=log, centre=field.crs_centre) if zone_id in lines
        else own[zone_id] for zone_id in order)
    cut = any(not isinstance(one, Rename) for one in edits)
    after = replace(
        base, zones=made, highest_id=edits[-1].result.highest_id,
        basis=zones.edited_basis(base.basis) if cut else base.basis,
        findings=tuple(dict.fromkeys(findings)))
    last = edits[-1]
    if last.state.split("-")[0] != zones_hash(after):
        raise _broken("the zones that lead to it are not those of its state",
                      log=log, seq=last.seq)
    if prove:
        try:
            geo.require_coverage([zone.polygon for zone in made], field.boundary, where="zones")
        except ComputeError as err:
            raise _broken(err.message, log=log, seq=last.seq) from err
    return after


def _ordered(order: list[int], result: Result, *, log: EditLog, seq: int) -> list[int]:
    """Ids in their order after an edit."""
    gone, given = set(result.removed), {line.zone_id for line in result.zones}
    if not gone <= set(order) or gone & given or len(given) != len(result.zones):
        raise _broken("takes out zones that are not there, or names one twice", log=log, seq=seq)
    kept = [zone_id for zone_id in order if zone_id not in gone and zone_id not in given]
    for line in sorted(result.zones, key=lambda one: one.position):
        if line.position > len(kept):
            raise _broken(f"puts zone {line.zone_id} behind all others", log=log, seq=seq)
        kept.insert(line.position, line.zone_id)
    return kept


def _zone(seq: int, line: ZoneLine, *, log: EditLog, centre: tuple[float, float]) -> Zone:
    try:
        polygon, acres = _polygon(line.polygon, centre)
    except (ValueError, shapely.errors.GEOSException) as err:
        raise _broken(f"the polygon of zone {line.zone_id}: {err}", log=log, seq=seq) from err
    return Zone(zone_id=line.zone_id, letter=line.letter, label=line.label, polygon=polygon,
                area_ac=acres)


@lru_cache(maxsize=4096)
def _polygon(text: str, centre: tuple[float, float]) -> tuple[shapely.Geometry, float]:
    """A recorded polygon and its geodesic acres."""
    polygon = shapely.from_wkb(bytes.fromhex(text))
    if polygon is None or polygon.geom_type not in ("Polygon", "MultiPolygon") or polygon.is_empty:
        raise ValueError("is none")
    if polygon.has_z or not np.isfinite(shapely.get_coordinates(polygon)).all():
        raise ValueError("has corners that are no finite places in two dimensions")
    if not polygon.is_valid:
        raise ValueError(shapely.is_valid_reason(polygon))
    return polygon, geo.area_ac(polygon, centre)


def _broken(what: str, *, log: EditLog, seq: int) -> PlanError:
    return PlanError(
        what, code="edits-line", where=f"{log.file} line {seq}",
        hint="put the file back as it was written; or keep it aside and begin anew: " + _ASIDE)


def zones_line(before: Zones, after: Zones) -> dict[str, Any]:
    """What an edit made of zones, as its record holds it."""
    held = {zone.zone_id: zone for zone in before.zones}
    now = {zone.zone_id for zone in after.zones}
    fresh = []
    for position, zone in enumerate(after.zones):
        old = held.get(zone.zone_id)
        if old is zone:
            continue
        raw = wkb_hex(zone.polygon)
        if (old is not None and (old.letter, old.label) == (zone.letter, zone.label)
                and wkb_hex(old.polygon) == raw):
            continue
        fresh.append({"zone_id": zone.zone_id, "letter": zone.letter, "label": zone.label,
                      "position": position, "polygon": raw})
    said = [one for one in after.findings if one not in before.findings]
    return {
        "removed": [zone.zone_id for zone in before.zones if zone.zone_id not in now],
        "made": [zone.zone_id for zone in after.zones if zone.zone_id not in held],
        "zones": fresh, "highest_id": after.next_id - 1,
        "findings": [{**asdict(one), "severity": one.severity.value} for one in said],
    }
