"""Degrees that are not written as decimals: run-together, scaled, parted by blanks; applied only
where the plan states it.

ddmm.mmmm is the layout of positions in NMEA 0183 sentences (from memory); degrees, minutes and
seconds by blanks, and whole millionths or ten-millionths of a degree, are common practice, no
source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence

from vrx.intake._numbers import Number, degrees_of, number_of

Reader = Callable[[str, str], float | None]


def _minutes_run_together(value: float) -> float:
    """41.0105667 of 4100.634 (ddmm.mmmm); NaN where the minutes are 60 or more."""
    whole, minutes = divmod(abs(value), 100.0)
    return math.copysign(whole + minutes / 60.0, value) if minutes < 60.0 else math.nan


def _seconds_run_together(value: float) -> float:
    """41.0105667 of 410038.04 (ddmmss.s); NaN where minutes or seconds are 60 or more."""
    rest, seconds = divmod(abs(value), 100.0)
    whole, minutes = divmod(rest, 100.0)
    if minutes >= 60.0 or seconds >= 60.0:
        return math.nan
    return math.copysign(whole + minutes / 60.0 + seconds / 3600.0, value)


SCALED: dict[str, tuple[str, Callable[[float], float]]] = {
    "ddmm.mmmm": ("degrees and minutes run together (ddmm.mmmm)", _minutes_run_together),
    "ddmmss.s": ("degrees, minutes and seconds run together (ddmmss.s)", _seconds_run_together),
    "microdegrees": ("whole millionths of a degree", lambda value: value / 1e6),
    "1e-7 degrees": ("whole ten-millionths of a degree", lambda value: value / 1e7),
}
PARTED = "d m s"
WAYS = (*SCALED, PARTED)
WORDS = {**{way: words for way, (words, _) in SCALED.items()},
         PARTED: "degrees, minutes and seconds parted by blanks"}

_LETTER = re.compile(r"^([NSEW])[\s,]*(?=[\d.])|(?<=[\d.])[\s,]*([NSEW])$", re.IGNORECASE)


def _parted(cell: str, decimal: str) -> float | None:
    """Degrees of "41 00 38.04", "-93 35.605", "41-00-38.04 N"; None if it is no such thing."""
    text = " ".join(cell.replace("\u2212", "-").split())
    match = re.fullmatch(r"([+-]?)\s*(.+)", text)
    letter = _LETTER.search(text)
    if letter is not None:
        bare = (text[:letter.start()] + text[letter.end():]).strip(" ,")
        match = re.fullmatch(r"([+-]?)\s*(.+)", bare)
    if match is None:
        return None
    parts = re.split(r"(?<=\d)[\s-]+(?=\d)", match[2])
    numbers = [number_of(part, decimal) for part in parts]
    if not 2 <= len(parts) <= 3 or any(n is None or n < 0 for n in numbers):
        return None
    found = [n for n in numbers if n is not None]
    if any(n >= 60 for n in found[1:]) or any(n % 1 for n in found[:-1]):
        return None
    named = (letter[1] or letter[2]).upper() if letter else ""
    if match[1] == "-" and named in {"N", "E"}:
        return None
    size = sum(n / 60.0**power for power, n in enumerate(found))
    return -size if match[1] == "-" or named in {"S", "W"} else size


def _scaled(cell: str, decimal: str, turn: Callable[[float], float]) -> float | None:
    """A number of a run-together or scaled kind, with or without its hemisphere."""
    text = " ".join(cell.split())
    letter = _LETTER.search(text)
    bare = (text[:letter.start()] + text[letter.end():]).strip(" ,") if letter else text
    value = number_of(bare, "." if isinstance(cell, Number) else decimal)
    if value is None:
        return None
    named = (letter[1] or letter[2]).upper() if letter else ""
    if value < 0 and named in {"N", "E"}:
        return None
    degrees = turn(value)
    if not math.isfinite(degrees):
        return None
    return -abs(degrees) if named in {"S", "W"} else degrees


def reader_of(way: str | None) -> Reader:
    """The reader of coordinates in degrees that a plan states, decimals and letters without one."""
    if way is None:
        return degrees_of
    if way == PARTED:
        return lambda cell, decimal: _parted(cell, decimal)
    turn = SCALED[way][1]
    return lambda cell, decimal: _scaled(cell, decimal, turn)


_CODES = (
    ("plus codes", re.compile(r"(?i)[23456789cfghjmpqrvwx]{2,8}\+[23456789cfghjmpqrvwx]{0,7}"
                              r"(\s.*)?")),
    ("grid references (MGRS)", re.compile(
        r"(?i)\d{1,2}\s?[c-hj-np-x]\s?[a-hj-np-z]{2}\s?\d{2,5}\s?\d{2,5}")),
    ("zone, easting and northing in one cell", re.compile(
        r"(?i)(utm\s*)?\d{1,2}\s?[c-hj-np-x]?[\s,;]+\d{6}(\.\d+)?\s*m?\s*e?[\s,;]+\d{6,7}(\.\d+)?"
        r"\s*m?\s*n?")),
    ("geohashes", re.compile(r"(?=.*\d)(?=.*[a-z])[0-9b-hjkmnp-z]{6,12}")),
)


def codes_of_places(cells: Sequence[str]) -> str:
    """What kind of code nearly all cells hold in the place of coordinates, "" if of none."""
    filled = [" ".join(cell.split()) for cell in cells if cell.strip()]
    return next((words for words, pattern in _CODES if filled and 5 * sum(
        pattern.fullmatch(cell) is not None for cell in filled) >= 4 * len(filled)), "")
