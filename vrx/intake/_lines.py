"""Lines that were meant as a boundary: joined where their ends meet, closed where they close."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vrx.intake._rings import distance_m, drawn_ac, place
from vrx.model import Finding, FloatArray, note, stop

MEETS_M = 0.5
"""Ends of lines nearer than this are one point."""


def _nearest_end(tail: FloatArray, lines: Sequence[FloatArray]) -> tuple[float, int, bool]:
    ends = [
        (distance_m(tail, line[end]), index, end == -1)
        for index, line in enumerate(lines) for end in (0, -1)
    ]
    return min(ends)


def rings_of_lines(
    lines: Sequence[FloatArray], *, where: str, close_gap: bool
) -> tuple[list[FloatArray], list[Finding]]:
    """Closed rings (n, 2) of longitude-latitude lines; an open one is closed only when told."""
    left = [line for line in lines if len(line) >= 2]
    rings: list[FloatArray] = []
    findings: list[Finding] = []
    while left:
        chain, joined, turned = left.pop(0), 1, False
        while left and distance_m(chain[0], chain[-1]) > MEETS_M:
            gap, index, reverse = _nearest_end(chain[-1], left)
            if gap > MEETS_M and turned:
                break
            if gap > MEETS_M:
                # The line may begin in the middle of the way: go on from its other end.
                chain, turned = chain[::-1], True
                continue
            more = left.pop(index)
            chain = np.vstack([chain, (more[::-1] if reverse else more)[1:]])
            joined += 1
        gap = distance_m(chain[0], chain[-1])
        ends = f"{place(*chain[-1])} to {place(*chain[0])}"
        if gap > MEETS_M and not close_gap:
            findings.append(stop(
                "boundary-line-open", where, f"open line, gap {gap:.1f} m at {ends}; close it?",
                todo="close the line in the file, or ask for the gap to be closed "
                "(close_gap = true)"))
            continue
        if gap > MEETS_M:
            findings.append(note("boundary-gap-closed", where, f"open line, gap {gap:.1f} m",
                                 done=f"closed with a straight line, {ends}, as you chose"))
        chain = np.vstack([chain[:-1], chain[:1]]) if gap <= MEETS_M else (
            np.vstack([chain, chain[:1]]))
        what = "a closed line, not a polygon" if joined == 1 else f"{joined} lines whose ends meet"
        findings.append(note("boundary-from-lines", where, what,
                             done=f"taken as a polygon of {drawn_ac(chain):.3f} ac"))
        rings.append(chain)
    return rings, findings
