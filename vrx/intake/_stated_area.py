"""Acres that a boundary file writes beside its polygons, against what the polygons hold."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from vrx.intake._outline import Outline
from vrx.intake._rings import acres
from vrx.model import Finding, note, warn
from vrx.units import ACRE_M2

_ACRES = re.compile(r"(gis|calc|total|field|area|legal|fsa|farm)?(ac|acre|acres|acreage)"
                    r"(area|total|gis|calc)?")
_HECTARES = re.compile(r"(gis|calc|total|field|area)?(ha|hectare|hectares)(area)?")
_SAME, _TOLD = 0.001, 0.02
"""Shares of the geodesic area: below the first nothing is told, above the second it is a warning"""


def _unit_of(heading: str) -> str:
    """ "ac", "ha" or "" for a heading that does not say so."""
    letters = re.sub(r"[^a-z]", "", heading.casefold())
    if _ACRES.fullmatch(letters):
        return "ac"
    return "ha" if _HECTARES.fullmatch(letters) else ""


def stated_areas(outlines: Sequence[Outline], where: str) -> list[Finding]:
    """What the columns of acres or hectares say where the polygon's geodesic acres differ."""
    findings = []
    for one in outlines:
        for heading, value in one.properties.items():
            unit = _unit_of(heading)
            try:
                said = float(str(value).strip()) if unit and not isinstance(value, bool) else 0.0
            except ValueError:
                continue
            if not math.isfinite(said) or said <= 0:
                continue
            said_ac = said * (10_000.0 / ACRE_M2 if unit == "ha" else 1.0)
            real = acres(one.area)
            apart = said_ac - real
            if abs(apart) <= _SAME * real:
                continue
            what = (f"polygon {one.label}: column {heading} says {said:g} {unit}"
                    + (f" ({said_ac:.3f} ac)" if unit == "ha" else "")
                    + f", its outline holds {real:.3f} geodesic ac ({apart:+.3f} ac, "
                    f"{100 * apart / real:+.1f} %)")
            done = "the outline counts"
            findings.append(
                note("boundary-stated-area", where, what, done=done) if abs(apart) <= _TOLD * real
                else warn("boundary-stated-area", where, what, done=done,
                          todo="find out whether the column is old or the outline another field's"))
    return findings
