"""Rows that belong to the headings: units below them, and headings said again at a page break."""

from __future__ import annotations

import re
from collections.abc import Sequence

from vrx.errors import InputError
from vrx.formats.soil_methods import STRANGE_UNITS, unit_spelled

_NO_UNITS = frozenset({
    "deg", "degrees", "degree", "°", "dd", "decimal degrees", "m", "ft", "feet", "metres", "meters",
    "in", "inches", "cm", "-", "text", "units", "unit", "date", "wgs84", "wgs 84", "no.", "no", "#",
    "id", "name", "yyyy-mm-dd", "mm/dd/yyyy", "dd.mm.yyyy", "lat", "lon", "long"})
_STRANGE = frozenset(STRANGE_UNITS)
_RULER = re.compile(r"[\s:=_+|-]*")
_WITHIN = 3
"""Names of methods may stand between the headings and the units, in so many rows."""


def unit_said(cell: str) -> str | None:
    """The unit that a cell of a units row gives: "ppm" of "(ppm)", "kg/ha" as it stands, else None.

    Units that nothing converts are kept as they are, so that they contradict the plan.
    """
    text = cell.strip().strip("()[]{}").strip()
    known = unit_spelled(text)
    if known is None and text.casefold() in _STRANGE:
        return text
    return known


def is_units(cells: Sequence[str], before: Sequence[Sequence[str]]) -> bool:
    """True for a row of units; `before` are the rows between it and the headings."""
    filled = [cell for cell in cells if cell]
    if len(before) >= _WITHIN or any(_has_number(row) for row in before):
        return False
    known = [unit_said(c) is not None or c.strip("()[] ").casefold() in _NO_UNITS for c in filled]
    return bool(filled) and all(known) and any(unit_said(c) is not None for c in filled)


def _has_number(cells: Sequence[str]) -> bool:
    return any(re.fullmatch(r"[+-]?\d+([.,]\d+)?", cell) for cell in cells)


def is_ruler(cells: Sequence[str]) -> bool:
    """True for a line of dashes below the headings."""
    filled = [cell for cell in cells if cell]
    return len(filled) > 1 and all(_RULER.fullmatch(c) and len(c) > 1 for c in filled)


def headings_again(cells: Sequence[str], headings: Sequence[str], *, where: str) -> bool:
    """True for a row that repeats the headings. Raises `InputError` if their order has changed."""
    here = [" ".join(cell.split()).casefold() for cell in cells]
    there = [" ".join(heading.split()).casefold() for heading in headings]
    if here == there:
        return True
    if len(set(there)) > 2 and sorted(here) == sorted(there):
        raise InputError("repeats the headings in another order", code="table-headings-change",
                         where=where, hint="make one table of it, with one order of columns")
    return False
