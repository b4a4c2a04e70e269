"""Stops are gathered and raised as one error that lists all."""

from __future__ import annotations

from collections.abc import Iterable

from vrx.errors import InputError
from vrx.model import Finding, Severity, stops


def raise_stops(findings: Iterable[Finding]) -> None:
    """Raise one `InputError` for all findings that stop; its code is that of the first."""
    found = stops(findings)
    if not found:
        return
    first = found[0]
    message = first.what
    if len(found) > 1:
        rest = "".join(f"\n  {number}. {f.line()}" for number, f in enumerate(found, 1))
        message = f"{len(found)} things stop the reading:{rest}"
    raise InputError(
        message, code=first.code, where=first.where, hint=first.todo, findings=found
    )


def stop_of(error: InputError) -> Finding:
    """An error as a finding, so that it can be gathered with others."""
    return Finding(
        severity=Severity.STOP, code=error.code, where=error.where, what=error.message,
        todo=error.hint,
    )


def listed(names: Iterable[str], *, most: int = 12) -> str:
    """Names in one line, cut after `most` with the count of the rest."""
    every = list(names)
    if len(every) <= most:
        return ", ".join(every)
    return ", ".join(every[:most]) + f" and {len(every) - most} more"
