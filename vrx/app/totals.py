"""The bar that stays at the bottom: acres, products, cost, stops and warnings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from vrx.app.session import Session
from vrx.model import Finding, Severity
from vrx.report import numbers


def counted(findings: Sequence[Finding]) -> tuple[int, int]:
    """How many findings stop, and how many warn."""
    kinds = [one.severity for one in findings]
    return kinds.count(Severity.STOP), kinds.count(Severity.WARN)


def bar_view(session: Session) -> dict[str, object] | None:
    """Texts of the bar; None before there is anything to total.

    `current` is False where the figures are those before the last change.
    """
    if session.totals is None:
        return None
    state, live = session.totals
    return {**live_view(live), "current": state == session.bench.state}


def live_view(live: Any) -> dict[str, object]:
    """The bar's texts from live totals."""
    order = live.prescription.order
    usd = [line.usd for line in order]
    stops, warnings = counted(live.findings)
    return {
        "acres": f"{numbers.acres(sum(live.prescription.zone_area_ac))} ac",
        "products": [(line.material, numbers.amount(line.quantity, line.unit)) for line in order],
        "cost": numbers.usd(sum(one for one in usd if one is not None))
        if usd and None not in usd else "",
        "no_price": None in usd,
        "stops": stops, "warnings": warnings,
    }
