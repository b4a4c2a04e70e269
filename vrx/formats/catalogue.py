"""The catalogue of findings and errors: what each code means and what to do about it.

The data are `findings.toml` beside this file. `scripts/make_findings_table.py` keeps its facts
(room, severities) and the README's table true; a test compares both with the sources.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from vrx.model.finding import Finding, Severity

SEVERITIES = ("stop", "warn", "note", "error")
"""The three severities of findings, and "error" for what is raised as a `VrxError`."""

WEIGHTS = ("safety", "pounds", "data", "note")
"""What a code touches, the weightiest first; within one severity findings are shown so."""

_ROOMS_FIRST = ("products", "prescription", "plan", "pipeline", "rules")
"""Within one weight: what changes rates and order before what the need rests on, then the rest."""

_KEYS = {"room", "severity", "weight", "meaning", "remedy"}


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeEntry:
    """A code: the room that tells it, how, what it touches, its meaning and the remedy."""

    code: str
    room: str
    severity: tuple[str, ...]
    weight: str
    meaning: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """All codes, and in one line each what families (first words of codes) and rooms are about."""

    families: Mapping[str, str]
    rooms: Mapping[str, str]
    codes: Mapping[str, CodeEntry]


def _entry(code: str, told: Any) -> CodeEntry:
    if not isinstance(told, dict) or set(told) != _KEYS:
        raise ValueError(f"findings.toml, codes.{code}: needs exactly {', '.join(sorted(_KEYS))}")
    severity, weight = told["severity"], told["weight"]
    if not isinstance(severity, list) or not severity or not set(severity) <= set(SEVERITIES):
        raise ValueError(f"findings.toml, codes.{code}: severity lists some of {SEVERITIES}")
    if weight not in WEIGHTS:
        raise ValueError(f"findings.toml, codes.{code}: weight is one of {', '.join(WEIGHTS)}")
    texts = {key: told[key] for key in ("room", "meaning", "remedy")}
    if not all(isinstance(text, str) for text in texts.values()):
        raise ValueError(f"findings.toml, codes.{code}: room, meaning and remedy are text")
    return CodeEntry(code=code, severity=tuple(severity), weight=weight, **texts)


@cache
def catalogue() -> Catalogue:
    """The catalogue as it stands in the package. Raises `ValueError` where the file is wrong."""
    told = tomllib.loads(files("vrx.formats").joinpath("findings.toml").read_text("utf-8"))
    if set(told) != {"families", "rooms", "codes"}:
        raise ValueError("findings.toml: needs exactly the tables families, rooms and codes")
    return Catalogue(
        families=MappingProxyType(dict(told["families"])),
        rooms=MappingProxyType(dict(told["rooms"])),
        codes=MappingProxyType({code: _entry(code, one) for code, one in told["codes"].items()}),
    )


def find_codes(text: str) -> tuple[CodeEntry, ...]:
    """The entry of a code, or all that begin with a text, or all of a room; empty if none."""
    codes = catalogue().codes
    if text in codes:
        return (codes[text],)
    for fits in (
        [one for code, one in codes.items() if code.startswith(text.rstrip("-") + "-")],
        [one for code, one in codes.items() if code.startswith(text)],
        [one for one in codes.values() if one.room == text],
    ):
        if fits:
            return tuple(fits)
    return ()


def nearest_codes(text: str, *, most: int = 3) -> tuple[str, ...]:
    """The known codes that read most like a text, nearest first."""
    return tuple(difflib.get_close_matches(text.casefold(), catalogue().codes, most, 0.4))


def gravest_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Each finding once: by severity, by the weight of its code, by room, then as they came.

    A code that is not in the catalogue ranks with data.
    """
    codes, order = catalogue().codes, list(Severity)

    def rank(one: Finding) -> tuple[int, int, int]:
        entry = codes.get(one.code)
        weight, room = (entry.weight, entry.room) if entry else ("data", "")
        near = _ROOMS_FIRST.index(room) if room in _ROOMS_FIRST else len(_ROOMS_FIRST)
        return order.index(one.severity), WEIGHTS.index(weight), near

    return tuple(sorted(dict.fromkeys(findings), key=rank))
