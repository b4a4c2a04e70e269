"""Names of samples in two files: matched letter by letter, else only in a way that is stated."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from itertools import combinations

_UNSEEN = re.compile("[\u200b\u200c\u200d\u2060\ufeff]")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH = rf"({'|'.join(_MONTHS)})[a-z]*"
_DAY_MONTH = re.compile(rf"(?i)(\d{{1,2}})[-/. ]{_MONTH}(?:[-/. ]\d{{2,4}})?")
_MONTH_NUMBER = re.compile(rf"(?i){_MONTH}[-/. ](\d{{1,4}})")
_ISO = re.compile(r"(\d{4})-(\d{2})-(\d{2})(?:[T ]0?0:00(?::00)?)?")


def trimmed(text: str) -> str:
    """A name without what no reader sees: spare blanks, unseen letters, composed accents."""
    return " ".join(unicodedata.normalize("NFKC", _UNSEEN.sub("", text)).split())


def date_parts(text: str) -> tuple[int, int] | None:
    """(month, number behind it) of a date that a spreadsheet made out of "1-2", else None.

    "2-Jan" and 2026-01-02 were "1-2"; "Jan-40" was "1-40".
    """
    match = _ISO.fullmatch(text)
    if match:
        return int(match[2]), int(match[3])
    match = _DAY_MONTH.fullmatch(text)
    if match:
        return _MONTHS.index(match[2][:3].casefold()) + 1, int(match[1])
    match = _MONTH_NUMBER.fullmatch(text)
    return (_MONTHS.index(match[1][:3].casefold()) + 1, int(match[2])) if match else None


def _month_day(text: str) -> str:
    parts = date_parts(text)
    return text if parts is None else f"{parts[0]}-{parts[1]}"


def _day_month(text: str) -> str:
    parts = date_parts(text)
    return text if parts is None else f"{parts[1]}-{parts[0]}"


def _without_marks(text: str) -> str:
    # A mark between two digits parts them: 1-12 and 11-2 must not become one name.
    return re.sub(r"(?<=\d)([\W_]+)(?=\d)|[\W_]+", lambda m: "-" if m[1] else "", text)


WAYS: dict[str, Callable[[str], str]] = {
    "dates as month-day": _month_day,
    "dates as day-month": _day_month,
    "as numbers": lambda text: re.sub(r"^(\d+)[.,]0+$", r"\1", text),
    "ignore case": str.casefold,
    "ignore marks": _without_marks,
    "ignore leading zeros": lambda text: re.sub(r"(?<![\d.,])0+(?=\d)", "", text),
}
"""What `id_match` may say, in the order in which it is done."""
_MOST_AT_ONCE = 3


def key_of(text: str, ways: Iterable[str]) -> str:
    """A name as it is compared under the stated ways; "exact" and none change nothing more."""
    chosen = set(ways)
    text = trimmed(text)
    for name, way in WAYS.items():
        if name in chosen:
            text = way(text)
    return text


def melted(names: Iterable[str], ways: Sequence[str]) -> list[str]:
    """Different names of one file that a way of matching would make one, as "S1 and s1"."""
    by_key: dict[str, list[str]] = {}
    for name in dict.fromkeys(trimmed(one) for one in names):
        by_key.setdefault(key_of(name, ways), []).append(name)
    return [" and ".join(group) for group in by_key.values() if len(group) > 1]


def matches(results: Sequence[str], points: Sequence[str], ways: Sequence[str]) -> int:
    """How many different names of results have a point."""
    known = {key_of(name, ways) for name in points}
    return sum(1 for name in dict.fromkeys(map(trimmed, results)) if key_of(name, ways) in known)


def better(results: Sequence[str], points: Sequence[str]) -> tuple[tuple[str, ...], int]:
    """The fewest ways that match most names more than letter by letter, and how many; else ()."""
    best: tuple[tuple[str, ...], int] = ((), matches(results, points, ()))
    for count in range(1, _MOST_AT_ONCE + 1):
        for ways in combinations(WAYS, count):
            if {"dates as month-day", "dates as day-month"} <= set(ways):
                continue
            found = matches(results, points, ways)
            if found > best[1] and not melted(results, ways) and not melted(points, ways):
                best = ways, found
    return best


def twice(names: Iterable[str], ways: Sequence[str]) -> list[str]:
    """Names that stand several times, in order."""
    count = Counter(key_of(name, ways) for name in names)
    return [name for name, number in count.items() if number > 1]
