"""Text -> numbers: decimal mark, laboratory notations, degrees. Nothing is guessed."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

_NUMBER = re.compile(r"[+-]?(\d+([.,' \u00a0\u202f]\d+)*|[.,]\d+)([eE][+-]?\d+)?")
_DOT = re.compile(r"[+-]?(\d{4,}|0|\d{1,3}(,\d{3})+)?\.\d+|[+-]?\d+\.(\d{1,2}|\d{4,})")
_COMMA = re.compile(r"[+-]?(\d{4,}|0|\d{1,3}(\.\d{3})+)?,\d+|[+-]?\d+,(\d{1,2}|\d{4,})")
_EITHER = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}")

MISSING = frozenset({"", "-", "--", "---", ".", "n/a", "na", "n.a.", "nan", "null", "none", "*",
                     "n/t", "nt", "not tested", "no data", "#n/a"})
NOT_DETECTED = frozenset({"nd", "n.d.", "bdl", "bql", "bld", "trace", "tr", "tr.", "not detected",
                          "<lod", "<dl", "<mdl", "<rl", "<loq", "below detection"})
_READING = re.compile(
    r"(?P<sign>[<>=≤≥~]?=?)\s*(?P<number>[+-]?[\d.,' \u00a0\u202f]*\d(?:[eE][+-]?\d+)?)\s*"
    r"(?P<rest>\D*)")
_RATING = re.compile(r"(?i)(vl|l|ml|m|mh|h|vh|eh|o|d|s|e|a|low|medium|high|very low|very high)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One laboratory result. `kind`: value, missing, below, above, undetected, unreadable."""

    kind: str
    value: float = math.nan
    limit: float = math.nan
    rating: str = ""
    mark: str = ""


def mark_of(cell: str) -> str:
    """The decimal mark that one number proves: ".", ",", "?" (either way), "" (no statement)."""
    text = cell.strip()
    if _EITHER.fullmatch(text):
        return "?"
    if _DOT.fullmatch(text):
        return "."
    return "," if _COMMA.fullmatch(text) else ""


def number_of(text: str, decimal: str) -> float | None:
    """A plain number with the given decimal mark, None if it is none."""
    text = text.strip().replace("\u2212", "-").replace("%", "").strip()
    if not text or not _NUMBER.fullmatch(text):
        return None
    thousands = "," if decimal == "." else "."
    whole, found, fraction = text.partition(decimal)
    if thousands in fraction or decimal in fraction:
        return None
    groups = re.split(rf"[{re.escape(thousands)}' \u00a0\u202f]", whole.lstrip("+-"))
    if len(groups) > 1 and (any(len(g) != 3 for g in groups[1:]) or len(groups[0]) > 3):
        return None
    sign = "-" if whole.startswith("-") else ""
    try:
        value = float(f"{sign}{''.join(groups)}{'.' if found else ''}{fraction}")
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def reading_of(cell: str, decimal: str) -> Reading:
    """What a laboratory wrote: a number, "<2", ">500", "ND", "168VH", "12?", "--" and their kin.

    A result below a stated limit counts as half of it (common practice, no source; compare ITRC
    ISM-1 section 4.2.3 on nondetects), one above a limit as the limit itself.
    """
    text = " ".join(cell.replace("\u00a0", " ").split())
    plain = text.casefold()
    if plain in MISSING:
        return Reading(kind="missing")
    if plain in NOT_DETECTED:
        return Reading(kind="undetected")
    match = _READING.fullmatch(text)
    number = number_of(match["number"], decimal) if match else None
    if match is None or number is None:
        return Reading(kind="unreadable")
    rest = match["rest"].strip()
    rating = _RATING.match(rest)
    mark = (rest[rating.end():] if rating else rest).strip()
    if mark.strip("*?†‡#()") not in {"", "%"} or match["sign"] in {"~", "~="}:
        return Reading(kind="unreadable")
    kind = {"<": "below", "≤": "below", ">": "above", "≥": "above"}.get(match["sign"][:1], "value")
    return Reading(
        kind=kind, value=number / 2.0 if kind == "below" else number,
        limit=math.nan if kind == "value" else number,
        rating=rating[0].upper() if rating else "", mark=mark)


def decide_mark(
    columns: Iterable[tuple[str, Iterable[str]]], *, delimiter: str
) -> tuple[str, str, str]:
    """(mark, proof of ".", proof of ",") over all columns together; mark "" if both or nothing.

    Proofs read "column K: '1.5'". In a file whose cells are parted by commas a dot is a decimal
    point, because a decimal comma would part the cell.
    """
    dot = comma = ""
    for heading, cells in columns:
        for cell in cells:
            mark = mark_of(cell)
            if mark == "?" and delimiter == "," and "." in cell:
                mark = "."
            if mark == "." and not dot:
                dot = f"column {heading}: {cell.strip()!r}"
            elif mark == "," and not comma:
                comma = f"column {heading}: {cell.strip()!r}"
    if dot and not comma:
        return ".", dot, comma
    return ("," if comma and not dot else ""), dot, comma


_LETTER = re.compile(r"[NSEWnsew]")
_PARTS = re.compile(r"\d+(?:[.,]\d+)?")
_SEPARATORS = re.compile(
    r"""[\s°ºd˚:'"′″’”‘“`´*-]*""", re.IGNORECASE)


def degrees_of(cell: str, decimal: str) -> float | None:
    """Decimal degrees of "41.01", "41°00'38.05\\"N", "N41 0.635", "41-00-38.1N"; None if none.

    Minutes and seconds need a hemisphere letter or a degree sign, so that no spaced thousands are
    taken for them.
    """
    text = cell.strip().replace("\u2212", "-")
    value = number_of(text, decimal)
    if value is not None:
        return value
    letters = _LETTER.findall(text)
    bare = _LETTER.sub(" ", text).strip()
    parts = _PARTS.findall(bare)
    if len(letters) > 1 or not 1 <= len(parts) <= 3 or _SEPARATORS.fullmatch(
        _PARTS.sub("", bare)
    ) is None:
        return None
    if not letters and not re.search(r"[°º˚]", text):
        return None
    numbers = [float(part.replace(",", ".")) for part in parts]
    if any(n >= 60 for n in numbers[1:]) or any(n % 1 for n in numbers[:-1]):
        return None
    size = sum(n / 60.0**power for power, n in enumerate(numbers))
    south_or_west = bool(letters) and letters[0].upper() in "SW"
    return -size if south_or_west or bare.startswith("-") else size
