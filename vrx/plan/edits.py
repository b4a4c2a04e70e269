"""`edits.jsonl` beside a plan: zones and rates changed by hand, line after line, never rewritten.

A line is on the disk before the call that writes it ends. What was undone stays in the file: the
state is what lies on the way from the cursor back to 0, and a `go` record moves the cursor.
"""

from __future__ import annotations

import json
import os
import stat
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from vrx.errors import PlanError
from vrx.model import Finding, warn
from vrx.plan.edit_records import OPS, RECORD, ZONE_EDITS, Go, RateEdit, Record, ZoneEdit
from vrx.plan.lock import not_written, plan_lock

EDITS_NAME = "edits.jsonl"
MOST_BYTES = 512 << 20
MOST_LINE_BYTES = 64 << 20
_SHOWN = 120
_AGAIN = ("put the line back as it was written; or keep the edits aside and begin anew: "
          "vrx edits FOLDER --set-aside")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EditLog:
    """The records of a field, as the file holds them.

    `shaped` says of each record whether edits of zones lead to it.
    `cursor` is the record whose state holds (0: as the plan made it), `tip` the one that redo goes
    towards. `raw` are the file's whole lines, `torn` the bytes of a last line that was not written
    to its end.
    """

    file: Path
    records: tuple[Record, ...] = ()
    shaped: tuple[bool, ...] = ()
    cursor: int = 0
    tip: int = 0
    raw: bytes = b""
    torn: int = 0

    def path(self, to: int | None = None) -> tuple[ZoneEdit | RateEdit, ...]:
        """The edits that lead from the plan to a record, the cursor unless told, first to last."""
        at = self.cursor if to is None else to
        found: list[ZoneEdit | RateEdit] = []
        while at:
            one = self.records[at - 1]
            if isinstance(one, Go):
                raise ValueError(f"record {at} moves the cursor, it is no edit")
            found.append(one)
            at = one.after
        return tuple(reversed(found))

    @property
    def undo_to(self) -> int | None:
        """The record whose state undo brings back; None where nothing is left to undo."""
        return self.records[self.cursor - 1].after if self.cursor else None

    @property
    def redo_to(self) -> int | None:
        """The record that redo brings back; None where nothing was undone."""
        at = self.tip
        if at == self.cursor:
            return None
        while self.records[at - 1].after != self.cursor:
            at = self.records[at - 1].after
        return at

    @property
    def zones_changed(self) -> bool:
        """Whether edits of zones are in force."""
        return self.cursor > 0 and self.shaped[self.cursor - 1]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """A warning for a torn last line."""
        if not self.torn:
            return ()
        return (warn(
            "edits-torn", f"{self.file.name} line {len(self.records) + 1}",
            f"the last line was not written to its end ({self.torn} bytes of it are there): vrx "
            "was ended while it wrote", value=f"{self.torn} bytes",
            done="passed over, and cut away when the next edit is written",
            todo="make that edit again if it is missing"),)


def edits_path(folder: Path) -> Path:
    """Where the edits of a field's folder (or of a plan file's) are kept."""
    return (folder.parent if folder.is_file() else folder) / EDITS_NAME


def read_edits(folder: Path, *, known: EditLog | None = None) -> EditLog:
    """The edits of a field's folder; an empty log where there is no file.

    With `known`, an earlier reading, only the lines behind it are read. Raises `PlanError`
    (`edits-read`, `edits-size`, `edits-line` with the number of the line).
    """
    file = edits_path(folder)
    if not os.path.lexists(file):  # in a folder that cannot be entered no plan is read either
        return EditLog(file=file)
    return read_edit_file(file, known=known)


def read_edit_file(file: Path, *, known: EditLog | None = None) -> EditLog:
    """The edits of a file that is there, whatever its name; raises as `read_edits`."""
    raw = _bytes(file)
    log = EditLog(file=file)
    if (known is not None and known.file == file and known.raw.endswith(b"\n")
            and raw.startswith(known.raw)):
        log = known
    return _extended(log, raw)


def _bytes(file: Path) -> bytes:
    try:
        told = file.stat()
    except (OSError, ValueError) as err:  # ValueError: NUL in the name
        raise _unread(file, getattr(err, "strerror", None) or str(err)) from err
    if not stat.S_ISREG(told.st_mode):
        raise _unread(file, "is a folder, a device or a pipe, not a file")
    if told.st_size > MOST_BYTES:
        raise PlanError(f"has more than {MOST_BYTES >> 20} MiB", code="edits-size", where=str(file),
                        hint="keep it aside and begin anew: vrx edits FOLDER --set-aside")
    try:
        return file.read_bytes()
    except OSError as err:
        raise _unread(file, err.strerror or str(err)) from err


def _unread(file: Path, why: str) -> PlanError:
    return PlanError(f"cannot be read: {why}", code="edits-read", where=str(file),
                     hint="check the file and its rights")


def _extended(log: EditLog, raw: bytes) -> EditLog:
    """The log with the lines of the file that it does not hold yet."""
    records, shaped = list(log.records), list(log.shaped)
    cursor, trail = log.cursor, [one.seq for one in log.path(log.tip)]
    at = len(log.raw)
    while at < len(raw):
        end = raw.find(b"\n", at)
        line = raw[at:] if end < 0 else raw[at:end]
        where = f"{log.file} line {len(records) + 1}"
        if end < 0 and not _is_json(line):
            break
        one = _record(line, where=where)
        _require_order(one, records, shaped, cursor=cursor, where=where)
        records.append(one)
        if isinstance(one, Go):
            cursor = one.to
            if cursor and not _holds(trail, cursor):
                trail = _trail(records, cursor)
            shaped.append(False)
        else:
            del trail[bisect_right(trail, cursor):]
            trail.append(one.seq)
            shaped.append(isinstance(one, ZONE_EDITS) or (one.after > 0 and shaped[one.after - 1]))
            cursor = one.seq
        at = len(raw) if end < 0 else end + 1
    return EditLog(file=log.file, records=tuple(records), shaped=tuple(shaped), cursor=cursor,
                   tip=trail[-1] if trail else 0, raw=raw[:at], torn=len(raw) - at)


def _holds(trail: list[int], seq: int) -> bool:
    at = bisect_right(trail, seq)
    return at > 0 and trail[at - 1] == seq


def _trail(records: Sequence[Record], to: int) -> list[int]:
    found = []
    while to:
        found.append(to)
        to = records[to - 1].after
    return found[::-1]


def _is_json(line: bytes) -> bool:
    try:
        json.loads(line)
    except (ValueError, RecursionError):
        return False
    return True


def _record(line: bytes, *, where: str) -> Record:
    """One line, checked for itself. Raises `PlanError` (`edits-line`)."""
    if len(line) > MOST_LINE_BYTES:
        raise _bad(where, f"has more than {MOST_LINE_BYTES >> 20} MiB")
    try:
        found = json.loads(line, object_pairs_hook=_once, parse_constant=_no_constant)
    except RecursionError as err:
        raise _bad(where, "has lists in each other without end") from err
    except ValueError as err:
        raise _bad(where, f"is no record: {str(err)[:_SHOWN]}") from err
    if not isinstance(found, dict):
        raise _bad(where, "is no record: it holds no keys")
    if found.get("op") not in OPS:
        raise _bad(where, f"op is {str(found.get('op'))[:_SHOWN]!r}, none of {', '.join(OPS)}")
    try:
        return RECORD.validate_json(line)
    except ValidationError as err:
        first = err.errors(include_url=False, include_context=False)[0]
        key = ".".join(str(step) for step in first["loc"][1:])
        raise _bad(where, f"{key}: {first['msg']}"[:2 * _SHOWN]) from err


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice")
    return found


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _bad(where: str, what: str) -> PlanError:
    return PlanError(what, code="edits-line", where=where, hint=_AGAIN)


def _require_order(
    one: Record, records: Sequence[Record], shaped: Sequence[bool], *, cursor: int, where: str
) -> None:
    """Raise `PlanError` for a record that does not follow from those before it."""
    if one.seq != len(records) + 1:
        raise _bad(where, f"seq is {one.seq}, it should be {len(records) + 1}: lines were moved, "
                          "taken out, or written by two programs")
    if one.after != cursor:
        raise _bad(where, f"after is {one.after}, but the state then was that of record {cursor}")
    on, state = one.on.split("-"), one.state.split("-")
    if one.after:
        before = records[one.after - 1].state.split("-")
        if on[1] != before[1] or (shaped[one.after - 1] and on[0] != before[0]):
            raise _bad(where, f"was made on another state than that of record {one.after}")
    if isinstance(one, Go):
        if one.to and (one.to > len(records) or isinstance(records[one.to - 1], Go)):
            raise _bad(where, f"goes to record {one.to}, which is no edit before it")
        there = records[one.to - 1].state.split("-") if one.to else state
        if state[1] != there[1] or (one.to and shaped[one.to - 1] and state[0] != there[0]):
            raise _bad(where, f"gives another state than that of record {one.to}")
        return
    kept = 1 if isinstance(one, ZONE_EDITS) else 0
    if state[kept] != on[kept]:
        raise _bad(where, "changes " + ("rates by an edit of zones" if kept else
                                        "zones by an edit of a rate"))


def append_record(log: EditLog, fields: Mapping[str, Any]) -> EditLog:
    """Write one more record (without `seq` and `after`, which are the log's) and give the new log.

    The caller holds `plan_lock(log.file)` and has read `log` under it. What is torn is cut away
    first. Raises `PlanError`: `edits-line` for a record that could not be read back, `edits-size`,
    `answer-write`; then the file is as it was but for what was torn.
    """
    told = {"seq": len(log.records) + 1, "after": log.cursor,
            **{key: value for key, value in fields.items() if value is not None or key in _NULLS}}
    try:
        text = json.dumps(told, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
        line = text.encode() + b"\n"
    except ValueError as err:
        raise _bad(f"{log.file} line {told['seq']}", f"cannot be written: {err}") from err
    start = b"" if not log.raw or log.raw.endswith(b"\n") else b"\n"
    after = _extended(replace(log, raw=log.raw + start, torn=0), log.raw + start + line)
    if len(after.raw) > MOST_BYTES:
        raise PlanError(f"would have more than {MOST_BYTES >> 20} MiB", code="edits-size",
                        where=str(log.file),
                        hint="keep it aside and begin anew: vrx edits FOLDER --set-aside")
    try:
        _write(log.file, size=len(log.raw), more=start + line)
    except OSError as err:
        raise not_written(log.file, err) from err
    return after


_NULLS = ("letter", "label")


def _write(file: Path, *, size: int, more: bytes) -> None:
    fresh = not file.exists()
    with file.open("ab") as stream:
        stream.truncate(size)
        try:
            stream.write(more)
            stream.flush()
            os.fsync(stream.fileno())
        except OSError:
            with suppress(OSError):
                os.truncate(file, size)
            raise
    if fresh:
        _sync_folder(file.parent)


def _sync_folder(folder: Path) -> None:
    with suppress(OSError):  # not every system can do that
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def set_aside(folder: Path) -> Path:
    """Rename the edits of a folder to a name that is free, and give it; nothing is lost.

    Raises `PlanError`: `edits-none` where there are none.
    """
    file = edits_path(folder)
    with plan_lock(file):
        if not file.exists():
            raise PlanError("there are no edits to set aside", code="edits-none", where=str(file),
                            hint="zones and rates are as the plan makes them")
        number = 1
        while (target := file.with_name(f"edits-set-aside-{number}.jsonl")).exists():
            number += 1
        try:
            os.rename(file, target)
        except OSError as err:
            raise not_written(file, err) from err
        _sync_folder(file.parent)
    return target
