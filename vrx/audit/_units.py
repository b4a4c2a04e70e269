"""What a column of somebody else's file says of itself: unit by its name, numbers in its texts."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import pairwise

from vrx.audit import _rates
from vrx.audit._ledger import number

_AMOUNTS = {
    "LB": "lb", "LBS": "lb", "POUND": "lb", "POUNDS": "lb", "GAL": "gal", "GALS": "gal",
    "GALLON": "gal", "GALLONS": "gal", "GA": "gal", "KG": "kg", "KGS": "kg", "L": "L",
    "LITER": "L", "LITERS": "L", "LITRE": "L", "LITRES": "L",
}
_GROUND = {"AC": "ac", "ACRE": "ac", "ACRES": "ac", "HA": "ha", "HECTARE": "ha", "HECTARES": "ha"}
_JOINED = re.compile(r"^(LBS?|GALS?|KGS?|L)(AC|HA)$")
_SCALED = re.compile(r"^(X?10+|PCT|PERCENT|TOTAL|TOT|SUM)$")
KNOWN = ("lb/ac", "gal/ac", "kg/ac", "kg/ha", "L/ha")
_RATE = re.compile(r"RATE|DOSE|TARGET|PRESCR")
_NUMBER = re.compile(r"\s*[+-]?[0-9][0-9.,' \u00a0]*([eE][+-]?[0-9]+)?\s*([A-Za-z/%].*)?")


def unit_of(column: str) -> str | None:
    """The unit that a column's name states: amount and ground, "RATE_LB_AC", "kg/ha", "GPA".

    An amount alone is a rate only in a column that says so ("RATE_GAL"): "TOTAL_LB" and "LB_MIN"
    are none. Two units, a scale or a total in one name state nothing that can be relied on.
    """
    upper = column.upper()
    exact = _rates.unit_of(upper)
    if exact is not None:
        return exact
    words = [word for word in re.split(r"[^A-Z0-9]+", upper) if word and word != "PER"]
    if any(_SCALED.match(word) for word in words):
        return None
    found = {"gal/ac" for word in words if word == "GPA"}
    for word in words:
        joined = _JOINED.match(word)
        if joined:
            found.add(f"{_AMOUNTS[joined[1]]}/{_GROUND[joined[2]]}")
    for one, two in pairwise(words):
        if one in _AMOUNTS and two in _GROUND:
            found.add(f"{_AMOUNTS[one]}/{_GROUND[two]}")
    if not found and words and "RATE" in words and words[-1] in {"LB", "LBS", "GAL", "GA"}:
        found.add(f"{_AMOUNTS[words[-1]]}/ac")
    unit = found.pop() if len(found) == 1 else None
    return unit if unit in KNOWN else None


def is_rate_name(column: str) -> bool:
    """Whether the name calls the column a rate."""
    return _RATE.search(column.upper()) is not None or unit_of(column) is not None


def numbers_in(values: Iterable[object]) -> bool:
    """Whether half or more of the values are numbers, or texts that begin with one."""
    known = [one for one in values if one is not None and str(one).strip()]
    numeric = [one for one in known if not isinstance(one, bool) and (
        number(one) == number(one) or (isinstance(one, str) and _NUMBER.fullmatch(one)))]
    return bool(known) and 2 * len(numeric) >= len(known)
