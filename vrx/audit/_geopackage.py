"""GeoPackage read with sqlite3 and GEOS, never with GDAL, which wrote it.

The file is opened as one that nobody changes (`immutable`): no lock is taken or lost, no journal
replayed, and no view, trigger or virtual table of a stranger is run.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path

from vrx.audit._layers import Layer, Record, columns_of, make_record
from vrx.audit._ledger import Ledger
from vrx.audit._wkb import parts_of
from vrx.errors import InputError
from vrx.formats import geopackage as facts

_MAGIC = b"SQLite format 3\x00"
_WAL = 2
_ENVELOPE_BYTES = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}
_MOST_TEXT_BYTES = 64 << 20
_MOST_RECORDS = 100_000
_STEPS, _PATIENCE = 1_000_000, 5_000
"""The query is given up after this many times a million steps of SQLite's machine."""
_KINDS = {"POLYGON", "MULTIPOLYGON", "GEOMETRY", "SURFACE", "MULTISURFACE", "CURVEPOLYGON",
          "GEOMETRYCOLLECTION"}


def read(
    path: Path, name: str, ledger: Ledger, *, table: str | None = None,
    prefer: str = facts.PRESCRIPTION,
) -> tuple[Layer | None, str | None]:
    """A table of polygons and the text of its coordinate system (WKT), None where none is stated.

    `table` names it; without, the one called `prefer` is taken, or the only one there is. Raises
    `InputError` where several would do, and where it cannot be opened. A broken file is a fault.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(20)
    except OSError as err:
        raise InputError(
            f"cannot be read: {err.strerror or err}", code="audit-unreadable", where=str(path),
            hint="give yourself the right to read it, or copy it again") from err
    if not head.startswith(_MAGIC):
        ledger.fault("unreadable", name, "is no SQLite file, so no GeoPackage",
                     todo="copy or export it again")
        return None, None
    if _WAL in head[18:20]:
        ledger.doubt(
            "wal", name, "was left in the mode in which the newest rows lie in a second file "
            "(-wal); only this one was read", todo="close the program that wrote it, then copy it")
    try:
        with opened(path) as base:
            chosen = _choose(base, name, path, ledger, table=table, prefer=prefer)
            if chosen is None:
                return None, None
            return _layer(base, *chosen, name=name, ledger=ledger)
    except (sqlite3.Error, OverflowError, struct.error, UnicodeDecodeError) as err:
        ledger.fault("unreadable", name, f"is no whole GeoPackage: {err}",
                     todo="copy or export it again")
        return None, None


@contextmanager
def opened(path: Path) -> Iterator[sqlite3.Connection]:
    """The base, read only, its own code switched off."""
    address = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
    with closing(sqlite3.connect(address, uri=True)) as base:
        base.execute("PRAGMA trusted_schema = OFF")
        base.execute("PRAGMA cell_size_check = ON")
        base.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _MOST_TEXT_BYTES)
        base.text_factory = lambda data: data.decode("utf-8", errors="replace")
        steps = iter(range(_PATIENCE))
        base.set_progress_handler(lambda: next(steps, None) is None, _STEPS)
        yield base


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _choose(
    base: sqlite3.Connection, name: str, path: Path, ledger: Ledger, *, table: str | None,
    prefer: str,
) -> tuple[str, str, int] | None:
    """(table, geometry column, id of the coordinate system) of the layer that is meant."""
    plain = {str(one).lower() for (one,) in base.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND sql NOT LIKE 'CREATE VIRTUAL%'")}
    found = {
        str(one): (str(one), str(column), system if isinstance(system, int) else -1)
        for one, column, kind, system in base.execute(
            "SELECT table_name, column_name, geometry_type_name, srs_id FROM gpkg_geometry_columns "
            "ORDER BY table_name")
        if str(kind).upper() in _KINDS and str(one).lower() in plain
    }
    wanted = table or (prefer if prefer in found else None)
    if wanted is None and len(found) == 1:
        wanted = next(iter(found))
    if wanted in found:
        return found[wanted]
    if not found:
        ledger.fault("empty", name, "holds no table of polygons")
        return None
    raise InputError(
        f"has no layer {wanted!r}" if wanted else "holds several layers of polygons",
        code="audit-several-layers", where=str(path),
        hint=f"name one with --layer: {', '.join(found)}")


def _layer(
    base: sqlite3.Connection, table: str, column: str, system: int, *, name: str, ledger: Ledger
) -> tuple[Layer | None, str | None]:
    label = f"{name}/{table}"
    # Names come out of the file itself and are quoted as identifiers.
    cursor = base.execute(f"SELECT * FROM {_quoted(table)}")  # noqa: S608
    heads = [one[0] for one in cursor.description]
    keys = {str(one[1]) for one in base.execute(f"PRAGMA table_info({_quoted(table)})") if one[5]}
    at = heads.index(column) if column in heads else -1
    records: list[Record] = []
    for number, row in enumerate(cursor, start=1):
        if number > _MOST_RECORDS:
            ledger.fault("unreadable", label, f"holds more than {_MOST_RECORDS:,} records")
            return None, None
        values = {head: cell for head, cell in zip(heads, row, strict=True)
                  if head != column and head not in keys}
        where = f"{label}, record {number}"
        parts = parts_of(_wkb(row[at] if at >= 0 else None, where, system, ledger), where, ledger)
        records.append(make_record(place=number, values=values, parts=parts))
    if not records:
        ledger.fault("empty", label, "no records")
        return None, None
    return Layer(
        name=label, columns=columns_of(records), records=tuple(records),
        products=_products(base), units=_units(base),
    ), _system(base, system)


def _wkb(blob: object, where: str, system: int, ledger: Ledger) -> bytes | None:
    """The WKB within a GeoPackage's binary (OGC 12-128r19, clause 2.1.3)."""
    if blob is None:
        return None
    if not isinstance(blob, bytes) or len(blob) < 8 or blob[:2] != b"GP":
        ledger.fault("ring", where, "its geometry is no GeoPackage binary", todo="export it again")
        return None
    flags = blob[3]
    (own,) = struct.unpack("<i" if flags & 1 else ">i", blob[4:8])
    if own != system:
        ledger.fault("crs-wrong", where, f"says coordinate system {own}, its layer {system}")
    if flags & 0b10000:
        return None
    return blob[8 + _ENVELOPE_BYTES.get(flags >> 1 & 7, 0):]


def _system(base: sqlite3.Connection, system: int) -> str | None:
    found = base.execute(
        "SELECT definition FROM gpkg_spatial_ref_sys WHERE srs_id = ?", (system,)).fetchone()
    text = str(found[0]) if found else ""
    return None if text in {"", "undefined"} else text


def _passes(base: sqlite3.Connection) -> list[tuple[str, str, str]]:
    """(column, material, unit) of the passes, where the file says so as ours do."""
    try:
        rows = base.execute(f'SELECT "column", material, unit FROM {_quoted(facts.PASSES)}')  # noqa: S608
        return [(str(a), str(b), str(c)) for a, b, c in rows]
    except sqlite3.Error:
        return []


def _products(base: sqlite3.Connection) -> Mapping[str, str]:
    return {column: material for column, material, _ in _passes(base)}


def _units(base: sqlite3.Connection) -> Mapping[str, str]:
    return {column: unit for column, _, unit in _passes(base)}
