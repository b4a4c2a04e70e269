"""What the words of a pass's timing mean."""

from __future__ import annotations

import re
from dataclasses import dataclass

DORMANT = "dormant"
GREEN_UP = "green-up"
STUBBLE = "stubble"
AFTER_LAST = "after the last cutting"
BEFORE_FROST = "before killing frost"
BEFORE_SEEDING = "before seeding"
OTHER = "other"

KNOWN = ('"dormant"', '"green-up"', '"stubble of cutting 2"', '"after the last cutting"',
         '"4 to 6 weeks before killing frost"', '"before seeding"')

_ORDINALS = {"first": 1, "second": 2, "third": 3, "fourth": 4, "fifth": 5, "sixth": 6,
             "seventh": 7, "eighth": 8, "ninth": 9, "tenth": 10}
_ORDINAL = "|".join(_ORDINALS)
_CUTTING = re.compile(
    rf"cut(?:ting)?s?\s*(?:no\.?\s*|number\s*|#\s*)?(?P<after>\d{{1,2}})\b"
    rf"|(?P<before>\d{{1,2}})(?:st|nd|rd|th)\s+cut|(?P<word>{_ORDINAL})\s+cut")
_WEEKS = re.compile(
    r"(?P<least>\d+(?:\.\d+)?)\s*(?:to|-|–)\s*(?P<most>\d+(?:\.\d+)?)\s*weeks?\s+before"
    r".*frost|(?P<only>\d+(?:\.\d+)?)\s*weeks?\s+before.*frost")


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """`cutting` is the number of the cutting on whose stubble a pass goes; `weeks` before frost."""

    kind: str
    cutting: int | None = None
    weeks: tuple[float, float] | None = None


def parse_timing(text: str) -> Timing:
    """The timing that a text names; "other" for words that are none of the known ones.

    "stubble of cutting n" and "after cutting n" are the same place in the season. Where a text
    names several, the order is: weeks before frost, last cutting, a numbered cutting, dormant,
    green-up, seeding.
    """
    said = " ".join(text.casefold().split())
    frost = _WEEKS.search(said)
    if frost:
        ends = sorted(float(frost[name]) for name in ("least", "most", "only") if frost[name])
        return Timing(kind=BEFORE_FROST, weeks=(ends[0], ends[-1]))
    if re.search(r"\b(last|final) cut", said):
        return Timing(kind=AFTER_LAST)
    cutting = _CUTTING.search(said)
    if cutting:
        number = cutting["after"] or cutting["before"] or str(_ORDINALS[cutting["word"]])
        return Timing(kind=STUBBLE, cutting=int(number))
    for kind, words in ((DORMANT, r"\bdormant|late fall|late autumn|\bwinter"),
                        (GREEN_UP, r"green-?\s?up|early spring"),
                        (BEFORE_SEEDING, r"pre-?plant|before (seeding|planting)|establishment")):
        if re.search(words, said):
            return Timing(kind=kind)
    return Timing(kind=OTHER)
