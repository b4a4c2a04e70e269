"""Rates outside the field and for a lost position, in each format that says them, as recorded."""

from __future__ import annotations

import json
import os
import sqlite3
import struct
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from vrx.audit import _geopackage, _record, _sources
from vrx.audit._ledger import Ledger
from vrx.formats import layer as facts

Told = Mapping[str, Mapping[str, Any]]


def check(run: Path, record: _record.RunRecord, ledger: Ledger) -> None:
    """GeoJSON, GeoParquet and GeoPackage say for each pass what the job record says.

    A file that cannot be read says nothing, which is a fault; of records of earlier versions, which
    say nothing themselves, nothing is compared.
    """
    if all(line.rate_outside is None for line in record.passes):
        return
    for path, node in sorted(record.files.items()):
        kind = node.get("format")
        if kind not in _READERS or not os.path.isfile(run / path):
            continue
        told = _READERS[kind](run / path)
        if told is not None:
            _compare(told, path, record, ledger)


def _compare(told: Told, path: str, record: _record.RunRecord, ledger: Ledger) -> None:
    for line in record.passes:
        where = f"{path}, {line.place}"
        own = told.get(line.column)
        if not isinstance(own, Mapping):
            ledger.fault("outside-rate", where, "says not what to apply outside the field",
                         todo="the file was written anew by another program, or by another run")
            continue
        for key, expected in (("outside", line.rate_outside),
                              ("position_lost", line.rate_position_lost)):
            if expected is not None and not ledger.figure(
                    f"rate, {key}", where, line.unit, found=own.get(key), expected=expected,
                    within=1e-9):
                ledger.fault("outside-rate", where, f"{key} is {own.get(key)!r}, the job record "
                             f"has {expected:g} {line.unit}", todo="run again; do not load it")
        ledger.text("unit of the rate outside", where, found=str(own.get("unit")),
                    expected=line.unit)


def _geojson(path: Path) -> Told:
    try:
        root = json.loads(_sources.sized_bytes(path).decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return {}
    return _mapping(root.get(facts.OUTSIDE)) if isinstance(root, dict) else {}


def _mapping(value: object) -> Told:
    return value if isinstance(value, Mapping) else {}


def _parquet(path: Path) -> Told | None:
    """None where pyarrow is not installed, which the layer's own reader has told."""
    try:
        import pyarrow as pa
        from pyarrow.parquet import read_schema
    except ImportError:
        return None
    try:
        words = read_schema(pa.BufferReader(_sources.sized_bytes(path))).metadata or {}
        return _mapping(json.loads(words.get(facts.OUTSIDE.encode(), b"{}")))
    except (pa.ArrowException, OSError, ValueError, RecursionError):
        return {}


def _package(path: Path) -> Told:
    try:
        with _geopackage.opened(path) as base:
            rows = base.execute(
                'SELECT "column", unit, rate_outside, rate_position_lost FROM passes LIMIT 1000'
            ).fetchall()
    except (sqlite3.Error, OverflowError, struct.error):
        return {}
    return {str(column): {"unit": unit, "outside": outside, "position_lost": lost}
            for column, unit, outside, lost in rows}


_READERS = {"geojson": _geojson, "geoparquet": _parquet, "geopackage": _package}
