"""What an audit found: rows of figures compared, faults with their places, and two verdicts."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from vrx.model.finding import Finding, Severity

Value = float | str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditRow:
    """One comparison.

    `found` stands in the file, record or delivery under judgement, `expected` is what the audit
    worked out for itself or what the record binds the file to; None where there is nothing to
    compare with. `difference` is found - expected and `tolerance` the greatest difference allowed,
    both in `unit`, both None for texts. `trade` marks rows that the trade verdict rests on; all
    others belong to the arithmetic.
    """

    what: str
    where: str
    unit: str
    found: Value
    expected: Value
    difference: float | None
    tolerance: float | None
    agrees: bool
    trade: bool = False

    def to_json(self) -> dict[str, object]:
        """Plain values with sorted keys; a figure that JSON cannot hold becomes text."""
        return {
            "agrees": self.agrees,
            "difference": _plain(self.difference),
            "expected": _plain(self.expected),
            "found": _plain(self.found),
            "tolerance": _plain(self.tolerance),
            "trade": self.trade,
            "unit": self.unit,
            "what": self.what,
            "where": self.where,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditedFile:
    """A file that was judged: path as shown, SHA-256 (hexadecimal) and size.

    `source` is where it lies on this disk; it is no part of what the audit says.
    """

    path: str
    sha256: str
    bytes: int
    source: str = field(default="", compare=False)

    def to_json(self) -> dict[str, object]:
        """Plain values with sorted keys."""
        return {"bytes": self.bytes, "path": self.path, "sha256": self.sha256}


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditResult:
    """Rows, faults and the verdicts, which are kept apart.

    `arithmetic` is True where every row that is no trade row agrees and no fault is of severity
    stop; None where there is no job record to judge by, or no file of rates that the audit reads.
    `trade` is True where every delivered amount lies within its tolerance of the order; None where
    no delivery was given. `subject` is the name of the run or file.
    """

    subject: str
    rows: tuple[AuditRow, ...]
    faults: tuple[Finding, ...]
    arithmetic: bool | None
    trade: bool | None
    files: tuple[AuditedFile, ...] = ()

    @property
    def agrees(self) -> bool:
        """Neither verdict is "differs" and no fault forbids loading the files."""
        stopped = any(fault.severity is Severity.STOP for fault in self.faults)
        return self.arithmetic is not False and self.trade is not False and not stopped

    def to_json(self) -> dict[str, object]:
        """Plain values with sorted keys, ready for `json.dumps(..., allow_nan=False)`."""
        return {
            "agrees": self.agrees,
            "arithmetic": self.arithmetic,
            "faults": [_finding(fault) for fault in self.faults],
            "files": [one.to_json() for one in self.files],
            "rows": [row.to_json() for row in self.rows],
            "subject": self.subject,
            "trade": self.trade,
        }


def _plain(value: Value) -> Value:
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return value


def _finding(fault: Finding) -> dict[str, object]:
    return {
        "code": fault.code, "done": fault.done, "severity": str(fault.severity),
        "todo": fault.todo, "value": fault.value, "what": fault.what, "where": fault.where,
    }
