"""What the user must know: left out, changed, clamped, censored, assumed or doubted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How much a finding weighs: `stop` ends the run, `warn` changes pounds or safety, `note`."""

    STOP = "stop"
    WARN = "warn"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that the user must be told.

    `code` is stable (kebab case, `room-subject`), `where` names file, column, record, zone or pass,
    `what` the fact with its figures, `value` the value concerned, `done` what vrx did about it and
    `todo` what the user may do.
    """

    severity: Severity
    code: str
    where: str
    what: str
    value: str = ""
    done: str = ""
    todo: str = ""

    def line(self) -> str:
        """The finding in one line of plain text."""
        parts = [f"{self.where}: {self.what}" if self.where else self.what]
        if self.done:
            parts.append(f"Done: {self.done}")
        if self.todo:
            parts.append(f"To do: {self.todo}")
        ends = [part if part.endswith(("?", "!")) else part.rstrip(".") + "." for part in parts]
        return " ".join(ends)


def note(code: str, where: str, what: str, **more: str) -> Finding:
    """A finding that informs."""
    return Finding(severity=Severity.NOTE, code=code, where=where, what=what, **more)


def warn(code: str, where: str, what: str, **more: str) -> Finding:
    """A finding that changes pounds or safety."""
    return Finding(severity=Severity.WARN, code=code, where=where, what=what, **more)


def stop(code: str, where: str, what: str, **more: str) -> Finding:
    """A finding with which no prescription can be written."""
    return Finding(severity=Severity.STOP, code=code, where=where, what=what, **more)


def stops(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Those findings that stop the run."""
    return tuple(f for f in findings if f.severity is Severity.STOP)
