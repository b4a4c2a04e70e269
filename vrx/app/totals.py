"""The bar that stays at the bottom: acres, products, cost, stops and warnings."""

from __future__ import annotations

from collections.abc import Sequence

from vrx.app.session import Session
from vrx.model import Finding, Severity
from vrx.pipeline._live import Live
from vrx.report import numbers


def counted(findings: Sequence[Finding]) -> tuple[int, int]:
    """How many findings stop, and how many warn."""
    kinds = [one.severity for one in findings]
    return kinds.count(Severity.STOP), kinds.count(Severity.WARN)


def bar_view(session: Session) -> dict[str, object] | None:
    """Texts of the bar; None before there is anything to total.

    `current` is False where the figures are those before the last change; `stops` is None where
    the findings of this state were not gathered yet.
    """
    if session.totals is None:
        return None
    state, live = session.totals
    told = session.findings
    same = told is not None and told[0] == session.bench.state
    stops, warnings = counted(told[1]) if told is not None and same else (None, None)
    return {**live_view(live), "current": state == session.bench.state, "stops": stops,
            "warnings": warnings}


def live_view(live: Live) -> dict[str, object]:
    """The bar's texts from live totals."""
    return {
        "acres": f"{numbers.acres(float(live.area_ac.sum()))} ac",
        "products": [(line.material, numbers.amount(line.quantity, line.unit))
                     for line in live.prescription.order],
        "cost": "" if live.usd is None else numbers.usd(live.usd),
    }
