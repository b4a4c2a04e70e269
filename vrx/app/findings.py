"""Findings made ready for a page: what is alike in one line, gravest first."""

from __future__ import annotations

from collections.abc import Iterable

from vrx.formats.catalogue import gravest_first
from vrx.model import Finding

_ALIKE = 3


def finding_views(findings: Iterable[Finding]) -> list[dict[str, object]]:
    """(severity, code, line) of each finding; from three alike on the rest are counted."""
    shown: list[dict[str, object]] = []
    counts: dict[tuple[str, str], int] = {}
    for one in gravest_first(findings):
        key = (str(one.severity), one.code)
        counts[key] = counts.get(key, 0) + 1
        if counts[key] <= _ALIKE or key[0] == "stop":
            shown.append({"severity": key[0], "code": one.code, "line": one.line(), "more": 0})
    for line in shown:
        key = (str(line["severity"]), str(line["code"]))
        if counts[key] > _ALIKE and key[0] != "stop":
            line["more"] = counts[key] - _ALIKE
            counts[key] = 0
    return shown
