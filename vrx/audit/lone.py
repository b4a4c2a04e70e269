"""Judge one exported file without a job record, whoever wrote it."""

from __future__ import annotations

import math
import re
from pathlib import Path

from vrx.audit import _coverage, _crs, _geojson, _rates, _shapefile, _sources, _units
from vrx.audit._layers import Layer, Record
from vrx.audit._ledger import Ledger, number
from vrx.audit.result import AuditResult
from vrx.errors import InputError
from vrx.units import ACRE_M2

_HECTARE_AC = 10_000.0 / ACRE_M2
_ID = re.compile(r"^(FID|OID|GID|ID|ZONE|ZONE_?NO|ZONE_?NR|OBJECT_?ID|RECORD|.*_ID|ID_.*)$")
_AREA = {
    "AREA_AC": 1.0, "ACRES": 1.0, "ACRE": 1.0, "AC": 1.0, "AREA_ACRES": 1.0,
    "AREA_HA": _HECTARE_AC, "HECTARES": _HECTARE_AC, "HA": _HECTARE_AC,
    "AREA_M2": 1.0 / ACRE_M2, "AREA_SQM": 1.0 / ACRE_M2,
}
_AREA_PCT = 0.02
_MOST_AC = 100_000.0
"""More is no zone of a field (common practice, no source)."""


def audit_file(*, path: Path, boundary: Path | None = None) -> AuditResult:
    """Acres, totals and faults of a lone shapefile, zip or GeoJSON; no verdict on arithmetic.

    Totals are rate x geodesic acres of each numeric column; the unit is read off the column's name
    and never guessed. Damaged files become faults. Raises `InputError` for a path that does not
    exist, a kind of file that is none of the three, and a zip with several layers.
    """
    ledger = Ledger()
    layer = _read(path, ledger)
    edge = read_boundary(boundary, ledger) if boundary is not None else None
    if layer is not None:
        _judge(layer, edge, ledger)
    return ledger.result(path.name, record=False)


def read_boundary(path: Path, ledger: Ledger) -> Layer | None:
    """The boundary's polygons in degrees. Raises `InputError` as `audit_file` does."""
    return _read(path, ledger)


def _read(path: Path, ledger: Ledger) -> Layer | None:
    try:
        there = path.is_file()
    except OSError as err:  # a folder that is closed, a name longer than the system takes
        raise InputError(
            f"cannot be read: {err.strerror or err}", code="audit-unreadable", where=str(path),
            hint="give yourself the right to read it, or mend its name",
        ) from err
    if not there:
        raise InputError(
            "is no file", code="audit-no-file", where=str(path),
            hint="name a .shp, a .zip or a .geojson; a run folder is audited as a whole",
        )
    kind = path.suffix.lower()
    if kind == ".shp":
        layer = _sources.read_shapefile(path, path.name, ledger)
        return _placed(layer, _sources.loose_parts(path).get(".prj"), ledger)
    if kind == ".zip":
        return _read_zip(path, ledger)
    if kind in {".geojson", ".json"}:
        layer = _geojson.read(_sources.sized_bytes(path), path.name, ledger, strict=False)
        return _degrees_only(layer, ledger)
    raise InputError(
        f"{kind or 'no ending'} is no kind of file that can be audited", code="audit-file-kind",
        where=str(path), hint="give a shapefile (.shp), a zip of one, or GeoJSON",
    )


def _read_zip(path: Path, ledger: Ledger) -> Layer | None:
    held = _sources.packed(_sources.sized_bytes(path), path.name, ledger)
    if held is None:
        return None
    stems = held.stems(".shp")
    others = held.named(".geojson")
    if not stems and not others:
        # Beside a layer a .json is some other program's note.
        others = held.named(".json")
    if len(stems) + len(others) > 1:
        raise InputError(
            f"holds several layers: {', '.join([*stems, *others])}", code="audit-several-layers",
            where=str(path), hint="unpack it and name one of them",
        )
    if others:
        name, data = f"{path.name}/{others[0]}", held.members[others[0]]
        return _degrees_only(_geojson.read(data, name, ledger, strict=False), ledger)
    if not stems:
        ledger.fault("empty", path.name, "holds neither a shapefile nor GeoJSON")
        return None
    parts = held.parts(stems[0])
    name = f"{path.name}/{stems[0]}.shp"
    layer = _shapefile.read(parts, name, ledger)
    if layer is not None:
        _sources.second_look(parts, name, layer, ledger)
    return _placed(layer, parts.get(".prj"), ledger)


def _placed(layer: Layer | None, prj: bytes | None, ledger: Ledger) -> Layer | None:
    """The layer in degrees on WGS 84; None with a fault where its CRS is not known."""
    if layer is None:
        return None
    where = layer.name.removesuffix(".shp") + ".prj"
    if prj is None:
        ledger.fault(
            "crs-missing", where, "is missing: where the polygons lie and their acres are not "
            "known", todo="get the .prj from whoever made the file",
        )
        return None
    reference = _crs.judge(prj.decode("utf-8", errors="replace"))
    if reference.kind == "wgs84":
        return _degrees_only(layer, ledger)
    if reference.kind == "unknown":
        ledger.fault("crs-wrong", where, "names no coordinate system that is known")
        return None
    try:
        moved = _crs.to_degrees(layer, reference)
    except ValueError as err:
        ledger.fault("crs-wrong", where, f"{reference.name}: cannot be transformed: {err}")
        return None
    ledger.doubt(
        "crs-not-wgs84", where, f"is in {reference.name}; transformed to WGS 84 for the audit",
        todo="simple rate controllers take WGS 84 longitude and latitude only",
    )
    return _degrees_only(moved, ledger)


def _degrees_only(layer: Layer | None, ledger: Ledger) -> Layer | None:
    if layer is None:
        return None
    for record in layer.records:
        for ring in record.rings:
            if (abs(ring[:, 0]) > 180).any() or (abs(ring[:, 1]) > 90).any():
                ledger.fault(
                    "place", f"{layer.name}, {record.name}",
                    f"{ring[0, 0]:g}, {ring[0, 1]:g} is no longitude and latitude",
                    todo="projected coordinates, or longitude and latitude swapped",
                )
                return None
    return layer


def _judge(layer: Layer, edge: Layer | None, ledger: Ledger) -> None:
    for record in layer.records:
        ledger.shown("acres", f"{layer.name}, {record.name}", "ac", record.area_ac)
        if record.area_ac > _MOST_AC:
            ledger.fault(
                "place", f"{layer.name}, {record.name}",
                f"covers {record.area_ac:,.0f} ac: no field is that large, so a corner is wrong",
                todo="copy or export it again",
            )
    ledger.shown("acres in all", layer.name, "ac", layer.area_ac)
    _coverage.check(layer, ledger, boundary=edge, strict=False)
    _ids(layer, ledger)
    rates = 0
    names = [column.upper() for column in layer.columns]
    for twice in sorted({one for one in names if names.count(one) > 1}):
        ledger.doubt("column-twice", f"{layer.name}, column {twice}",
                     "two columns differ in case only; a machine may take either for the other")
    for column, kind in layer.columns.items():
        upper = column.upper()
        if upper in _AREA:
            _area(layer, column, _AREA[upper], ledger)
        elif kind in {"int", "float"} and not _ID.match(upper):
            _rate_column(layer, column, ledger)
            rates += 1
        elif kind in {"text", "other"} and not _ID.match(upper):
            rates += _text_column(layer, column, ledger)
    if not rates:
        ledger.doubt("no-rate", layer.name, "no column holds rates",
                     todo="a machine would apply nothing, or its default: is it the right file?")


def _text_column(layer: Layer, column: str, ledger: Ledger) -> bool:
    """Whether a column of texts or of several kinds was meant to hold rates, with a fault."""
    values = [record.values.get(column) for record in layer.records]
    numeric = _units.numbers_in(values)
    where = f"{layer.name}, column {column}"
    if _units.unit_of(column) is not None or (numeric and _units.is_rate_name(column)):
        shown = ", ".join(repr(one)[:20] for one in values[:3])
        ledger.fault("column-kind", where, f"rates are not written as numbers: {shown}",
                     todo="export again with a column of numbers; a machine may read them as 0")
        return True
    if numeric and any(isinstance(one, str) for one in values):
        ledger.doubt("column-kind", where, "numbers are written as text, which is no rate to a "
                     "machine")
    return False


def _ids(layer: Layer, ledger: Ledger) -> None:
    ids = [record.zone_id for record in layer.records]
    for zone_id in sorted({one for one in ids if one is not None and ids.count(one) > 1}):
        ledger.fault("zone-twice", f"{layer.name}, zone {zone_id}", "stands twice")


def _area(layer: Layer, column: str, unit_ac: float, ledger: Ledger) -> None:
    for record in layer.records:
        found = number(record.values.get(column)) * unit_ac
        where = f"{layer.name}, {record.name}, column {column}"
        if math.isnan(found):
            ledger.doubt("area-odd", where, "no number")
            continue
        ledger.figure(
            "acres in the file against its polygon", where, "ac", found=found,
            expected=record.area_ac, pct=_AREA_PCT,
        )


def _rate_column(layer: Layer, column: str, ledger: Ledger) -> None:
    unit = _units.unit_of(column)
    where = f"{layer.name}, column {column}"
    if unit is None:
        ledger.doubt(
            "unit-unknown", where, "its name states no unit; the total is in units x acres",
            todo="ask whoever made the file; vrx guesses no unit",
        )
    good: list[tuple[Record, float]] = []
    lost = 0.0
    for record in layer.records:
        place = f"{layer.name}, {record.name}, column {column}"
        wrong = _rates.odd(record.values.get(column))
        if wrong:
            ledger.fault("rate-odd", place, f"{wrong} ({record.area_ac:.3f} ac)")
            lost += record.area_ac
            continue
        rate = number(record.values[column])
        _rates.plausible(rate, unit, place, ledger)
        good.append((record, rate))
    if lost:
        ledger.shown("acres without a usable rate", where, "ac", lost)
    # kg/ha and L/ha count hectares.
    per_ac = 1.0 / _HECTARE_AC if unit is not None and unit.endswith("/ha") else 1.0
    total = math.fsum(rate * record.area_ac * per_ac for record, rate in good)
    ledger.shown("total", where, (unit or "unknown").split("/")[0], total)
    acres = math.fsum(record.area_ac for record, _ in good)
    if acres:
        mean = math.fsum(rate * record.area_ac for record, rate in good) / acres
        ledger.shown("mean rate by acres", where, unit or "unknown", mean)
