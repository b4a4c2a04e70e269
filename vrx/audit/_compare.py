"""Layers of one run held against each other: same zones, same values, same vertices."""

from __future__ import annotations

import math

from vrx.audit._layers import DEGREE_TOLERANCE, Layer, record_difference, same_value
from vrx.audit._ledger import Ledger


def compare(first: Layer, second: Layer, ledger: Ledger) -> None:
    """Two layers of one run: the same zones, values and vertices."""
    both = f"{first.name} against {second.name}"
    left, right = first.by_zone(), second.by_zone()
    ledger.figure(
        "records", both, "", found=len(first.records), expected=len(second.records), within=0
    )
    for zone_id in sorted(set(left) ^ set(right)):
        lost = second.name if zone_id in left else first.name
        ledger.fault("zone-missing", f"{lost}, zone {zone_id}", f"is missing ({both})")
    columns = sorted(set(first.columns) | set(second.columns))
    worst = unequal = 0.0
    for zone_id in sorted(set(left) & set(right)):
        one, two = left[zone_id], right[zone_id]
        for column in columns:
            if same_value(one.values.get(column), two.values.get(column)):
                continue
            unequal += 1
            ledger.fault(
                "layers-differ", f"{both}, {one.name}, column {column}",
                f"{one.values.get(column)!r} and {two.values.get(column)!r}",
            )
        gap = record_difference(one, two)
        if gap > DEGREE_TOLERANCE:
            told = f"by up to {gap:.9f} deg" if math.isfinite(gap) else "in number of vertices"
            ledger.fault("layers-differ", f"{both}, {one.name}", f"polygons differ {told}")
        worst = max(worst, gap)
    ledger.figure("values that differ", both, "", found=unequal, expected=0.0, within=0)
    ledger.figure(
        "largest vertex difference", both, "deg", found=worst, expected=0.0,
        within=DEGREE_TOLERANCE,
    )
