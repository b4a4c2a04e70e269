"""Columns of depth, year or layer that nobody stated, although rows of one place hang on them."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Sequence

from vrx.intake._merge import place_of_each
from vrx.intake._table import Table
from vrx.intake.spec import SoilSpec
from vrx.model import Finding, FloatArray, stop

_WORDS = re.compile(
    r"(?i)layer|horizon|\btop\b|\bbottom\b|year|date|season|sampl(ed|ing)|tiefe|jahr|datum")
_ENDS = re.compile(r"(?i)\btop\b|\bbottom\b")
_OF_THE_LABORATORY = re.compile(r"(?i)analy|report|receiv|print|extract|file|finish|complet")
_DEPTH_IN_NAME = re.compile(r"\d+\s*[-–]\s*\d+\s*(in|inches|\"|cm)?\s*\)?$")
_LEAST = 3
"""Fewer places with several rows are reruns, not a second layer or campaign."""
_MOST_LABELS = 8


def tells_time_or_layer(heading: str) -> bool:
    """True for a heading of a layer, year or date of sampling, not of a day in the laboratory."""
    return _WORDS.search(heading) is not None and _OF_THE_LABORATORY.search(heading) is None


def unstated_columns(
    table: Table, rows: Sequence[int], spec: SoilSpec, *, east: FloatArray, north: FloatArray
) -> list[Finding]:
    """A stop where most places have several rows that a column of time or depth tells apart.

    Such rows would be merged to their mean, which is of no depth and of no year.
    """
    group = place_of_each(east, north, within_m=spec.merge_within_m)
    several = {int(k) for k, count in Counter(group.tolist()).items() if count > 1}
    if len(several) < _LEAST or 2 * len(several) < len(set(group.tolist())):
        return []
    stated = {table.index(heading) for heading in spec.needed}
    names = table.index(spec.id_column) if spec.id_column else None
    for index, heading in enumerate(table.headings):
        if index != names and (index in stated or not tells_time_or_layer(heading)):
            continue
        if spec.depth_column and _ENDS.search(heading):
            continue  # the two columns of a depth that is stated
        at_place: dict[int, list[str]] = defaultdict(list)
        for k, row in zip(group.tolist(), rows, strict=True):
            cell = table.rows[row].cells[index]
            if index == names:
                depth = _DEPTH_IN_NAME.search(cell)
                cell = depth[0].strip(" )") if depth else ""
            at_place[k].append(cell)
        told = sum(len(set(at_place[k])) == len(at_place[k]) for k in several)
        counts = Counter(text for texts in at_place.values() for text in texts if text)
        if told < 0.8 * len(several) or not 2 <= len(counts) <= _MOST_LABELS:
            continue
        said = ", ".join(f"{text}: {count} rows" for text, count in counts.items())
        return [stop(
            "soil-unstated-column", f"{table.file}, column {heading}",
            f"{len(several)} places have several rows that differ in it ({said})",
            todo="put the depth into a column of its own" if index == names else "state it as "
            "depth_column (with depth), as year_column or as date_column (with use_year)")]
    return []
