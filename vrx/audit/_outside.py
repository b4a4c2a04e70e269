"""Rates outside the field and for a lost position, in each format that says them, as recorded.

Task data also say a default, for where no zone applies.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import struct
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from vrx.audit import _geopackage, _record, _sources
from vrx.audit._layers import Layer
from vrx.audit._ledger import Ledger
from vrx.audit._task import FALLBACKS
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


def check_plan(run: Path, record: _record.RunRecord, ledger: Ledger) -> None:
    """The job record's rates without a map are those of the plan two folders above the run.

    Nothing is compared where no plan of the recorded SHA-256 lies there.
    """
    name = record.plan.get("path")
    path = run.resolve().parent.parent / str(name)
    if not isinstance(name, str) or Path(name).name != name or not os.path.isfile(path):
        return
    data = _sources.sized_bytes(path)
    if hashlib.sha256(data).hexdigest() != record.plan.get("sha256"):
        return
    try:
        told: Any = tomllib.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return
    for key in ("export", "task_data", "rates"):
        told = told.get(key) if isinstance(told, dict) else None
    for line in record.passes:
        own = told.get(line.pass_id) if isinstance(told, dict) else None
        asked = own if isinstance(own, dict) else {}
        for what, found in (("outside", line.rate_outside), ("default", line.rate_default),
                            ("position_lost", line.rate_position_lost)):
            meant = asked.get(f"{what}_{line.quantity_unit}_per_ac") or 0.0
            where = f"{_record.NAME}, {line.place}"
            if found is not None and not ledger.figure(
                    f"rate, {what}, as in the plan", where, line.unit, found=found,
                    expected=meant, within=1e-9):
                ledger.fault("outside-rate", where, f"{what} is {found:g}, the plan has "
                             f"{meant} {line.unit}", todo="run again; do not load these files")


def check_task(
    layer: Layer, column: str, line: _record.PassLine, ledger: Ledger
) -> None:
    """One product of a task: the rates of the zones that it names for ground without a map.

    They are those of the job record to half a raw value; one that is not named is told elsewhere,
    and is a fault where the record has a rate above 0 for it.
    """
    if layer.without_map is None:
        return
    within = layer.half_steps.get(column, 0.0) * (1.0 + 1e-9)
    for key, (name, what) in FALLBACKS.items():
        expected = {"default": line.rate_default, "position_lost": line.rate_position_lost,
                    "outside": line.rate_outside}[name]
        if expected is None:  # a record of an earlier version
            continue
        where = f"{layer.name}, attribute {key}, {line.place}"
        told = layer.without_map.get(name)
        if told is None:
            if expected:
                ledger.fault("outside-rate", where, f"names no zone for the {what}, the job record "
                             f"has {expected:g} {line.unit}", todo="run again; do not load it")
        elif not ledger.figure(what, where, line.unit, found=told.get(column), expected=expected,
                               within=within):
            ledger.fault("outside-rate", where, f"the {what} is {_said(told.get(column))}, the job "
                         f"record has {expected:g} {line.unit}",
                         todo="run again; do not load this folder")


def _said(rate: object) -> str:
    return f"{rate:.6g}" if isinstance(rate, float) else "no number"


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
