"""The ledger of one audit: every comparison goes through here, so that none is lost."""

from __future__ import annotations

import math

from vrx.model import Finding, Severity, note, stop, warn
from vrx.model.audit import AuditResult, AuditRow, Value

LEAST_TOLERANCE = 1e-9


class Ledger:
    """Collects rows and faults of one audit in the order in which they were found."""

    def __init__(self, *, pct: float = 0.01) -> None:
        self.rows: list[AuditRow] = []
        self.faults: list[Finding] = []
        self.pct = pct

    def figure(
        self,
        what: str,
        where: str,
        unit: str,
        *,
        found: object,
        expected: object,
        within: float | None = None,
        pct: float | None = None,
        trade: bool = False,
    ) -> bool:
        """Compare two figures, within an amount or a percentage of `expected`.

        Anything that is no finite number (missing, text, NaN) does not agree.
        """
        share = self.pct if pct is None else pct
        want = number(expected)
        have = number(found)
        tolerance = within
        if tolerance is None:
            tolerance = max(abs(want) * share / 100.0, LEAST_TOLERANCE)
        difference = have - want
        known = math.isfinite(difference) and math.isfinite(tolerance)
        # The last bits of the subtraction must not turn an exact hit on the limit into a miss.
        slack = 4e-16 * max(abs(have), abs(want)) if known else 0.0
        agrees = known and abs(difference) <= tolerance + slack
        self.rows.append(AuditRow(
            what=what, where=where, unit=unit, found=shown(found), expected=shown(expected),
            difference=difference if known else None,
            tolerance=tolerance if math.isfinite(tolerance) else None,
            agrees=agrees, trade=trade,
        ))
        return agrees

    def text(self, what: str, where: str, *, found: str, expected: str) -> bool:
        """Compare two texts, exactly."""
        agrees = found == expected
        self.rows.append(AuditRow(
            what=what, where=where, unit="", found=found, expected=expected, difference=None,
            tolerance=None, agrees=agrees,
        ))
        return agrees

    def shown(self, what: str, where: str, unit: str, found: float) -> None:
        """A figure that nothing can be compared with."""
        self.rows.append(AuditRow(
            what=what, where=where, unit=unit, found=found, expected=None, difference=None,
            tolerance=None, agrees=True,
        ))

    def fault(self, code: str, where: str, what: str, *, value: str = "", todo: str = "") -> None:
        """A fault: the files must not be used as they are."""
        self.faults.append(stop(f"audit-{code}", where, what, value=value, todo=todo))

    def doubt(self, code: str, where: str, what: str, *, value: str = "", todo: str = "") -> None:
        """Something to look at that leaves the verdict alone."""
        self.faults.append(warn(f"audit-{code}", where, what, value=value, todo=todo))

    def remark(self, code: str, where: str, what: str, *, value: str = "", todo: str = "") -> None:
        """Something worth knowing."""
        self.faults.append(note(f"audit-{code}", where, what, value=value, todo=todo))

    def result(self, subject: str, *, record: bool) -> AuditResult:
        """The verdicts. Without a job record (`record` False) the arithmetic has none."""
        sums = all(row.agrees for row in self.rows if not row.trade)
        clean = not any(fault.severity is Severity.STOP for fault in self.faults)
        trade = [row.agrees for row in self.rows if row.trade]
        return AuditResult(
            subject=subject, rows=tuple(self.rows), faults=tuple(self.faults),
            arithmetic=(sums and clean) if record else None,
            trade=all(trade) if trade else None,
        )


def number(value: object) -> float:
    """A figure as float; NaN for everything that is none (a truth value is none)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return math.nan
    try:
        return float(value)
    except OverflowError:  # an integer of more than 308 digits
        return math.inf if value > 0 else -math.inf


def shown(value: object) -> Value:
    """A value as it stands in a row: figures as float, the rest as text."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return number(value)
    return "missing" if value is None else str(value)
