"""Text -> numbers: decimal mark, laboratory notations, degrees. Nothing is guessed."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from vrx.formats.soil_methods import STRANGE_UNITS, unit_spelled

_NUMBER = re.compile(r"[+-]?(\d+\.|\d+([.,' \u00a0\u202f]\d+)*|[.,]\d+)([eE][+-]?\d+)?")
_DOT = re.compile(r"[+-]?(\d{4,}|0|\d{1,3}(,\d{3})+)?\.\d+|[+-]?\d+\.(\d{1,2}|\d{4,})")
_COMMA = re.compile(r"[+-]?(\d{4,}|0|\d{1,3}(\.\d{3})+)?,\d+|[+-]?\d+,(\d{1,2}|\d{4,})")
_EITHER = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}")

MISSING = frozenset({"", "-", "--", "---", "\u2013", "\u2014", "\u2212", ".", "n/a", "na",
                     "n.a.", "nan", "null", "none", "*",
                     "n/t", "nt", "not tested", "not analyzed", "not analysed", "not sampled",
                     "no data", "no sample", "#n/a"})
NOT_DETECTED = frozenset({"nd", "n.d.", "bdl", "bql", "bld", "trace", "tr", "tr.", "not detected",
                          "<lod", "<dl", "<mdl", "<rl", "<loq", "below detection"})
_READING = re.compile(
    r"(?P<sign>[<>=≤≥~]?=?)\s*(?P<number>[+-]?[\d.,' \u00a0\u202f]*\d(?:[eE][+-]?\d+)?)\s*"
    r"(?P<rest>\D*)")
_RATING = re.compile(r"(?i)(vl|l|ml|m|mh|h|vh|eh|o|d|s|e|a|low|medium|high|very low|very high)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One laboratory result. `kind`: value, missing, below, above, undetected, unreadable.

    `unit` is what stands behind the number in its own cell, "" where nothing does.
    """

    kind: str
    value: float = math.nan
    limit: float = math.nan
    rating: str = ""
    mark: str = ""
    unit: str = ""


class Number(str):
    """The text of a number that the file holds as a number: its decimal mark is a point."""

    __slots__ = ()


def mark_of(cell: str) -> str:
    """The decimal mark that one number proves: ".", ",", "?" (either way), "" (no statement)."""
    text = cell.strip()
    if isinstance(cell, Number):
        return ""
    if _EITHER.fullmatch(text):
        return "?"
    if _DOT.fullmatch(text):
        return "."
    return "," if _COMMA.fullmatch(text) else ""


def number_of(text: str, decimal: str) -> float | None:
    """A plain number with the given decimal mark, None if it is none."""
    decimal = "." if isinstance(text, Number) else decimal
    text = text.strip().replace("\u2212", "-").replace("%", "").strip()
    if not text or not _NUMBER.fullmatch(text):
        return None
    thousands = "," if decimal == "." else "."
    whole, found, fraction = text.partition(decimal)
    if thousands in fraction or decimal in fraction:
        return None
    fraction = fraction if fraction or not found else "0"
    groups = re.split(rf"[{re.escape(thousands)}' \u00a0\u202f]", whole.lstrip("+-"))
    if len(groups) > 1 and (any(len(g) != 3 for g in groups[1:]) or len(groups[0]) > 3):
        return None
    sign = "-" if whole.startswith("-") else ""
    try:
        value = float(f"{sign}{''.join(groups)}{'.' if found else ''}{fraction}")
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _without_unit(text: str) -> tuple[str, str]:
    """("134", "ppm") of "134 ppm"; a text without a unit behind its number stays as it is."""
    text = re.sub(r"(?<=\d)\.(?=\s|$)", "", text) if text.count(".") == 1 else text
    match = re.fullmatch(r"([^A-Za-z%µ#]*\d(?:[eE][+-]?\d+)?)\s*([A-Za-z%µ#].*)", text)
    if match is None:
        return text, ""
    said = match[2].strip()
    known = unit_spelled(said)
    if known is None and said.casefold() in {*STRANGE_UNITS, "lb", "lbs", "kg"}:
        known = said
    return (match[1], known) if known is not None else (text, "")


def reading_of(cell: str, decimal: str) -> Reading:
    """What a laboratory wrote: a number, "<2", ">500", "ND", "168VH", "12?", "--" and their kin.

    A result below a stated limit counts as half of it (common practice, no source; compare ITRC
    ISM-1 section 4.2.3 on nondetects), one above a limit as the limit itself.
    """
    decimal = "." if isinstance(cell, Number) else decimal
    text = " ".join(cell.replace("\u00a0", " ").split())
    plain = text.casefold()
    if plain in MISSING:
        return Reading(kind="missing")
    if plain in NOT_DETECTED:
        return Reading(kind="undetected")
    text = re.sub(r"^'(?=[\d<>])", "", text)  # the spreadsheet's mark of a number kept as text
    text, unit = _without_unit(text)
    match = _READING.fullmatch(text)
    number = number_of(match["number"], decimal) if match else None
    if match is None or number is None:
        return Reading(kind="unreadable")
    rest = match["rest"].strip()
    rating = _RATING.match(rest)
    mark = (rest[rating.end():] if rating else rest).strip()
    if mark.strip("*?†‡#()") or match["sign"] in {"~", "~="}:
        return Reading(kind="unreadable")
    kind = {"<": "below", "≤": "below", ">": "above", "≥": "above"}.get(match["sign"][:1], "value")
    return Reading(
        kind=kind, value=number / 2.0 if kind == "below" else number,
        limit=math.nan if kind == "value" else number,
        rating=rating[0].upper() if rating else "", mark=mark, unit=unit)


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
_SPELLED = (
    (re.compile(r"(?i)^(lat|lon|long|latitude|longitude)\.?\s*[:=]?\s+(?=[\d+nsew-])"), ""),
    (re.compile(r"(?i)(?<=\d)\s*d(?:eg(?:rees?)?)?\.?\s*(?=[\d.]+\s*m)"), "°"),
    (re.compile(r"(?i)(?<=\d)\s*m(?:in(?:utes?)?)?\.?\s*(?=[\d.]+\s*s)"), "'"),
    (re.compile(r"(?i)(?<='\d)([\d.]*)\s*s(?:ec(?:onds?)?)?\.?(?=\s|$)"), r'\1"'),
    (re.compile(r"(?i)\bdeg(?:rees?)?\b\.?"), "°"),
    (re.compile(r"(?i)\bnorth\b"), "N"), (re.compile(r"(?i)\bsouth\b"), "S"),
    (re.compile(r"(?i)\beast\b"), "E"), (re.compile(r"(?i)\bwest\b"), "W"),
)
_SEXAGESIMAL = re.compile(r"[+-]?\d{1,3}:[0-5]?\d:[0-5]?\d(?:[.,]\d+)?")


def _one_spelling(cell: str) -> str:
    """Words, prefixes and the several minus signs of a coordinate in one spelling."""
    text = " ".join(cell.replace("\u2212", "-").split())
    text = re.sub(r"^[\u2013\u2014-]\s*(?=\d)", "-", text)
    for pattern, written in _SPELLED:
        text = pattern.sub(written, text)
    return text


def degrees_of(cell: str, decimal: str) -> float | None:
    """Decimal degrees of "41.01", "41°00'38.05\\"N", "N41 0.635", "-93:35:36.3"; None if none.

    Minutes and seconds need a hemisphere letter, a degree sign or colons, so that no spaced
    thousands are taken for them. A minus that contradicts the letter is no answer.
    """
    text = _one_spelling(cell)
    value = number_of(text, "." if isinstance(cell, Number) else decimal)
    if value is not None:
        return value
    letters = _LETTER.findall(text)
    bare = _LETTER.sub(" ", text).strip()
    parts = _PARTS.findall(bare)
    if len(letters) > 1 or not 1 <= len(parts) <= 3 or _SEPARATORS.fullmatch(
        _PARTS.sub("", bare)
    ) is None:
        return None
    if not letters and not re.search(r"[°º˚]", text) and not _SEXAGESIMAL.fullmatch(text):
        return None
    numbers = [float(part.replace(",", ".")) for part in parts]
    if any(n >= 60 for n in numbers[1:]) or any(n % 1 for n in numbers[:-1]):
        return None
    size = sum(n / 60.0**power for power, n in enumerate(numbers))
    minus = bare.startswith("-")
    if letters and letters[0].upper() in "NE" and minus:
        return None
    south_or_west = bool(letters) and letters[0].upper() in "SW"
    return -size if south_or_west or minus else size
