"""Findings as a person reads them: gravest first, what is alike in one line, the rest counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from vrx.formats.catalogue import gravest_first
from vrx.model.finding import Finding, Severity

_PLACES = 4
_LIKE = 3
"""From so many findings of one code on, the first is told and the others are named."""
_CODES = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One line: its severity and code, how many findings it stands for, its text."""

    severity: Severity
    code: str
    count: int
    text: str


def single(findings: Iterable[Finding]) -> list[Told]:
    """One line for each finding, gravest first."""
    return [Told(severity=one.severity, code=one.code, count=1, text=one.line())
            for one in gravest_first(findings)]


def grouped(findings: Iterable[Finding]) -> list[Told]:
    """Gravest first; findings that say the same of several places share a line.

    So do three or more of one code, where the first is told and the others are named by place;
    stops never do, because each has to be mended.
    """
    same: dict[tuple[object, ...], list[Finding]] = {}
    for one in gravest_first(findings):
        same.setdefault((one.severity, one.code, one.what, one.done, one.todo), []).append(one)
    alike: dict[tuple[object, ...], list[list[Finding]]] = {}
    for number, ones in enumerate(same.values()):
        own = number if ones[0].severity is Severity.STOP else -1
        alike.setdefault((ones[0].severity, ones[0].code, own), []).append(ones)
    lines = []
    for sets in alike.values():
        if sum(map(len, sets)) < _LIKE:
            lines += [_line(ones, ()) for ones in sets]
        else:
            lines.append(_line(sets[0], [one for ones in sets[1:] for one in ones]))
    return lines


def _line(ones: Sequence[Finding], others: Sequence[Finding]) -> Told:
    first = ones[0]
    text = replace(first, where=places(one.where for one in ones)).line()
    if others:
        named = places(one.where for one in others if one.where != first.where)
        text += f" And {len(others)} more like it" + (f": {named}." if named else ".")
    return Told(severity=first.severity, code=first.code, count=len(ones) + len(others), text=text)


def places(names: Iterable[str]) -> str:
    """The first places in one line, the rest as a number."""
    every = [name for name in dict.fromkeys(names) if name]
    if len(every) <= _PLACES:
        return ", ".join(every)
    return ", ".join(every[: _PLACES - 1]) + f" and {len(every) - _PLACES + 1} more"


def counted(told: Sequence[Told], words: dict[Severity, str]) -> str:
    """What is not shown: "3 warn (rules-region 2, soil-test-old), 9 note (…)"."""
    parts = []
    for severity in Severity:
        codes = Counter[str]()
        for one in told:
            if one.severity is severity:
                codes[one.code] += one.count
        if codes:
            named = [code + (f" {n}" if n > 1 else "") for code, n in list(codes.items())[:_CODES]]
            more = ["…"] if len(codes) > _CODES else []
            parts.append(f"{codes.total()} {words[severity]} ({', '.join(named + more)})")
    return ", ".join(parts)
