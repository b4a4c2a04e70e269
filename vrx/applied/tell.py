"""Findings of a comparison: what moves product or safety first."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vrx.applied.compare import Compared
from vrx.model import AppliedGround, BoolArray, Finding, FloatArray, note, warn

_MUCH = 0.02
"""Shares of the field beyond this are warned of (own rule)."""
_DELAY_OFF_S = 1.0


def compare_findings(
    *, compared: Compared, ground: AppliedGround, where: str, label_most: float | None
) -> tuple[Finding, ...]:
    """What the comparison says in words; `label_most` is the label's maximum a pass, if stated."""
    zones, unit = compared.zones, ground.unit.removesuffix("/ac")
    area = float(zones.area_ac.sum())
    found: list[Finding] = []
    for what, acres, todo in (
        ("skipped", zones.missed_ac,
         "what is left stands in the second pass below"),
        ("repeated", zones.repeated_ac, "look at overlap and at section or spinner control"),
    ):
        total = float(acres.sum())
        if total > 0:
            tell = warn if total > _MUCH * area else note
            found.append(tell(
                f"applied-{what}", where, f"{total:.2f} ac {what} "
                f"({100 * total / area:.1f} % of the field): zones "
                f"{_listed(zones.letters, acres)}", value=f"{total:.6g} ac", todo=todo))
    if compared.outside > 0:
        tell = warn if compared.outside_ac > _MUCH * area else note
        found.append(tell(
            "applied-outside", where, f"{compared.outside:,.1f} {unit} on "
            f"{compared.outside_ac:.2f} ac beyond all zones",
            value=f"{compared.outside:.6g} {unit}",
            todo="keep label set-backs from water and wells; shut off at the boundary"))
    found += _told_label(compared, ground, where=where, label_most=label_most)
    if ground.delay_found_s is not None and (
            abs(ground.delay_found_s - ground.delay_s) >= _DELAY_OFF_S):
        found.append(warn(
            "applied-delay-other", where, f"neighbouring trips agree best on a delay of "
            f"{ground.delay_found_s:g} s, taken is {ground.delay_s:g} s",
            done="places as stated; totals hardly move", todo="state delay_s if that is right"))
    return tuple(found)


def _told_label(
    compared: Compared, ground: AppliedGround, *, where: str, label_most: float | None
) -> list[Finding]:
    if label_most is None:
        return []
    above: BoolArray = np.asarray(ground.rate > label_most)
    rates: FloatArray = ground.rate[above]
    if not above.any():
        return []
    return [warn(
        "applied-above-label", where, f"{int(above.sum())} logged rates, up to {rates.max():g} "
        f"{ground.unit}, are above the label's {label_most:g}", value=f"{rates.max():g}",
        todo="tell the adviser; the label is the law")]


def _listed(letters: Sequence[str], acres: FloatArray) -> str:
    order = np.argsort(-acres, kind="stable")
    shown = [f"{letters[k]} ({acres[k]:.2f})" for k in order[:6] if acres[k] >= 0.005]
    more = int((acres >= 0.005).sum()) - len(shown)
    return (", ".join(shown) or "each below 0.01") + (f" and {more} more" if more > 0 else "")
