"""Signed-off records in a chain: each holds the SHA-256 of the one before, so that edits show.

One line of JSON a record, in one canonical spelling. The chain shows that a record was changed,
taken out, put in or moved; it does not prove who wrote it, and whoever can write the whole file
can write another whole one: the seal of the last record, kept elsewhere, shows that too.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from vrx.errors import InputError
from vrx.model import Finding, Severity, stop
from vrx.model.audit import AuditResult

SCHEMA = 1
FIRST = "0" * 64
ARITHMETIC, TRADE = "arithmetic", "trade"
"""What is accepted in place of a verdict."""
_SEAL = re.compile(r"[0-9a-f]{64}")
Record = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """Who signs, when and in what role. `signed_at` is ISO 8601 with its offset from UTC.

    `accepted` maps a code of a fault, "arithmetic" or "trade" to the reason for accepting it.
    """

    who: str
    role: str
    signed_at: str
    accepted: Mapping[str, str]
    licence: str = ""
    note: str = ""


def canonical(value: object) -> bytes:
    """The one spelling of a value as JSON: sorted keys, no blanks, UTF-8."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False,
                      allow_nan=False)
    return text.encode()


def seal_of(record: Record) -> str:
    """SHA-256 of a record without its own seal."""
    body = {key: value for key, value in record.items() if key != "record_sha256"}
    return hashlib.sha256(canonical(body)).hexdigest()


def needed(result: AuditResult) -> dict[str, str]:
    """What must be accepted before this result can be signed: code → what it is."""
    found: dict[str, str] = {}
    if any(not row.agrees and not row.trade for row in result.rows):
        found[ARITHMETIC] = "figures differ"
    if result.trade is False:
        found[TRADE] = "an amount lies outside the trade tolerance"
    for fault in result.faults:
        if fault.severity is Severity.STOP:
            found.setdefault(fault.code, f"{fault.where}: {fault.what}")
    return found


def make(
    result: AuditResult, signature: Signature, *, paths: Sequence[str], before: Sequence[Record],
    vrx: str,
) -> dict[str, Any]:
    """The next record of the chain `before`, sealed. `paths` are those of `result.files`.

    Raises `InputError` where a name, role or time is missing, and where what differs is not
    accepted with a reason.
    """
    _require(signature, result, before)
    record: dict[str, Any] = {
        "schema": SCHEMA, "number": len(before) + 1,
        "previous_sha256": str(before[-1]["record_sha256"]) if before else FIRST,
        "signed_at": signature.signed_at, "who": signature.who.strip(),
        "role": signature.role.strip(), "licence": signature.licence.strip(),
        "note": signature.note.strip(), "subject": result.subject, "vrx": vrx,
        "arithmetic": result.arithmetic, "trade": result.trade,
        "differs": [row.to_json() for row in result.rows if not row.agrees],
        "faults": sorted({one.code for one in result.faults if one.severity is Severity.STOP}),
        "accepted": [{"code": key, "reason": reason.strip()}
                     for key, reason in sorted(signature.accepted.items())],
        "files": [{"path": path, "sha256": one.sha256, "bytes": one.bytes}
                  for path, one in zip(paths, result.files, strict=True)],
        "audit_sha256": hashlib.sha256(canonical(result.to_json())).hexdigest(),
    }
    return {**record, "record_sha256": seal_of(record)}


def _require(signature: Signature, result: AuditResult, before: Sequence[Record]) -> None:
    for name in ("who", "role"):
        if not getattr(signature, name).strip():
            raise InputError("is empty", code="sign-blank", where=name,
                             hint="say who signs, and as what (grower, adviser, applicator)")
    moment = moment_of(signature.signed_at)
    if moment is None:
        raise InputError(f"{signature.signed_at!r} is no time with its offset from UTC",
                         code="sign-time-form", where="signed_at",
                         hint="write it like 2027-04-15T16:30:00-06:00")
    last = moment_of(str(before[-1]["signed_at"])) if before else None
    if last is not None and moment < last:
        raise InputError(f"{signature.signed_at} is before the record that it follows "
                         f"({before[-1]['signed_at']})", code="sign-time-back", where="signed_at",
                         hint="mend the clock, or give the time of signing")
    wanted = needed(result)
    missing = [key for key in wanted if not signature.accepted.get(key, "").strip()]
    if missing:
        told = "; ".join(f"{key} ({wanted[key]})" for key in missing[:5])
        raise InputError(
            f"{len(missing)} things differ that nobody has accepted: {told}",
            code="sign-not-accepted", where=result.subject,
            hint="mend them, or accept each with a reason: --accept CODE=REASON")
    strange = sorted(set(signature.accepted) - set(wanted))
    if strange:
        raise InputError(
            f"{strange[0]!r} is accepted and does not occur", code="sign-accept-unknown",
            where=result.subject, hint=f"to accept: {', '.join(wanted) or 'nothing'}")


def moment_of(text: str) -> datetime | None:
    """A moment with its offset from UTC; None for anything else."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return None if found.tzinfo is None else found


def line_of(record: Record) -> bytes:
    """A record as its line in the file."""
    return canonical(record) + b"\n"


def parse(data: bytes, name: str) -> tuple[list[Record], list[Finding]]:
    """All records that can be read, and what is wrong with the chain; () where it is whole."""
    records: list[Record] = []
    found: list[Finding] = []
    before, last = FIRST, None
    lines = data.split(b"\n")
    if lines and lines[-1] == b"":
        lines.pop()
    elif lines:
        found.append(stop("sign-line", f"{name}, line {len(lines)}", "is cut short: it does not "
                          "end with a line feed", todo="get a whole copy"))
    for number, line in enumerate(lines, start=1):
        where = f"{name}, line {number}"
        record = _record(line, where, found)
        if record is None:
            before = ""
            continue
        own = str(record.get("record_sha256"))
        if own != seal_of(record):
            found.append(stop("sign-edited", _named(where, record), "was changed after it was "
                              "signed: its seal does not fit", todo="get an unchanged copy"))
        if record.get("previous_sha256") != before:
            found.append(stop(
                "sign-link", _named(where, record), "does not follow the record before it: a "
                "record is missing, was put in, or was moved", todo="get an unchanged copy"))
        if record.get("number") != number:
            found.append(stop("sign-number", _named(where, record),
                              f"has number {record.get('number')!r} in line {number}"))
        moment = moment_of(str(record.get("signed_at")))
        if moment is None or (last is not None and moment < last):
            found.append(stop("sign-time-back", _named(where, record), "was signed before the "
                              "record that it follows, or at no time at all"))
        last = moment or last
        before = own
        records.append(record)
    return records, found


def _named(where: str, record: Record) -> str:
    return f"{where} ({record.get('signed_at')}, {record.get('who')})"


def _record(line: bytes, where: str, found: list[Finding]) -> Record | None:
    try:
        value = json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError) as err:
        found.append(stop("sign-line", where, f"is no record: {err}", todo="get a whole copy"))
        return None
    if not isinstance(value, dict) or value.get("schema") != SCHEMA:
        found.append(stop("sign-line", where, "is no record of this kind"))
        return None
    try:
        same = canonical(value) == line
    except ValueError:  # no number, or half a character
        found.append(stop("sign-line", where, "holds a value that no record has"))
        return None
    if not same:
        found.append(stop("sign-edited", _named(where, value), "is not spelt as it was written: it "
                          "was changed by hand, or by a program that saved it anew"))
    return value


def check_seal(records: Sequence[Record], seal: str, name: str) -> list[Finding]:
    """A fault where the record of a seal that was kept elsewhere is not in the chain."""
    wanted = seal.strip().lower()
    if not _SEAL.fullmatch(wanted):
        raise InputError(f"{seal!r} is no seal", code="sign-seal-form", where="--seal",
                         hint="a seal is 64 hexadecimal digits, as printed when it was signed")
    if any(one.get("record_sha256") == wanted for one in records):
        return []
    return [stop("sign-seal", name, f"no record has the seal {wanted[:12]}...: it was taken out, "
                 "or the chain was written anew", todo="get the chain that held it")]
