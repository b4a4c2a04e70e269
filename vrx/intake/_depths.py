"""Depths of samples: read, chosen, never averaged."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from vrx.intake.spec import ColumnSpec, Depth, SoilSpec
from vrx.model import Finding, stop

_LENGTH = r"(in|inch|inches|\"|″|”|''|mm|cm|m|ft|feet|')?\.?"
_DEPTH = re.compile(
    rf"(?i)(\d+(?:[.,]\d+)?|\.\d+)\s*{_LENGTH}\s*(?:-|–|—|to|/|_)\s*"
    rf"(\d+(?:[.,]\d+)?|\.\d+)\s*{_LENGTH}")
_BOTTOM = re.compile(rf"(?i)(\d+(?:[.,]\d+)?)\s*{_LENGTH}")
_INCHES = {"in": 1.0, "inch": 1.0, "inches": 1.0, '"': 1.0, "″": 1.0, "”": 1.0, "''": 1.0,
           "mm": 1 / 25.4, "cm": 1 / 2.54, "m": 100 / 2.54, "ft": 12.0, "feet": 12.0, "'": 12.0}


def depth_of(text: str, *, heading: str = "") -> Depth | None:
    """(top, bottom) in inches of "0-6 in", "0 to 15 cm"; None if it is no depth.

    A bare "0-6" is in centimetres only if the heading says so, else in inches; the caller checks it
    against the depth that the user states.
    """
    match = _DEPTH.fullmatch(text.strip())
    if match is None:
        return None
    words = re.split(r"[^a-z]+", heading.casefold())
    own = next((name for name in ("mm", "cm", "ft") if name in words), "in")
    unit = (match[4] or match[2] or own).lower()
    over = (match[2] or match[4] or own).lower()
    top = float(match[1].replace(",", ".")) * _INCHES[over]
    bottom = float(match[3].replace(",", ".")) * _INCHES[unit]
    return (round(top, 2), round(bottom, 2)) if bottom > top else None


def same_depth(one: Depth, other: Depth) -> bool:
    """True if two depths agree within 0.15 in (15 cm counts as 6 in)."""
    return abs(one[0] - other[0]) <= 0.15 and abs(one[1] - other[1]) <= 0.15


def is_sampling_depth(heading: str) -> bool:
    """True for a heading of a depth that is not the depth of something else in the field."""
    text = heading.casefold()
    return "depth" in text and re.search(
        r"water|root|rock|pan|plow|plough|till|effective|rill|drip", text) is None


def words(depth: Depth) -> str:
    """ "0-6 in"."""
    return f"{depth[0]:g}-{depth[1]:g} in"


def _plain(text: str) -> str:
    return re.sub(r"\s+", "", text).casefold()


def chosen_label(choice: str, labels: Sequence[str], heading: str) -> str | None:
    """The label of the table that a choice names, by text or by the inches it means."""
    for label in labels:
        if _plain(label) == _plain(choice):
            return label
    wanted = depth_of(choice)
    for label in labels:
        found = depth_of(label, heading=heading)
        if wanted is not None and found is not None and same_depth(wanted, found):
            return label
    return None


def _layered(texts: Sequence[str], places: Sequence[str]) -> bool:
    """True if one place has rows of different depths."""
    at_place: dict[str, set[str]] = {}
    for place, text in zip(places, texts, strict=True):
        at_place.setdefault(place, set()).add(text)
    return any(len(found) > 1 for found in at_place.values())


def unstated_depths(
    heading: str, texts: Sequence[str], places: Sequence[str], spec: SoilSpec, *, where: str
) -> list[Finding]:
    """A stop for a column of depths that the user did not state but that the rows hang on."""
    counts = Counter(text for text in texts if text)
    read = {text: depth_of(text, heading=heading) for text in counts}
    tops = {found[0] for found in read.values() if found is not None}
    if len(counts) > 1 and (_layered(texts, places) or len(tops) > 1):
        said = ", ".join(f"{label}: {count} rows" for label, count in counts.items())
        return [stop("soil-several-depths", f"{where}, column {heading}",
                     f"{'two' if len(counts) == 2 else len(counts)} depths ({said}); choose one",
                     todo="state depth_column, and the depth as it is written there")]
    found: list[Finding] = []
    for analyte, column in spec.columns.items():
        found += conflict(analyte, column, list(counts), heading=heading, where=where)
    return found


def use_of_depths(
    texts: Sequence[str], places: Sequence[str], spec: SoilSpec, *, where: str
) -> tuple[dict[str, list[bool]], list[Finding]]:
    """For each analyte, which rows are of its depth; stops for an unmade or impossible choice.

    `texts` are the depths of the rows, `places` their places as text. Rows of different places may
    differ in depth only if all begin at the same top.
    """
    every = [True] * len(texts)
    use = dict.fromkeys(spec.columns, every)
    if not any(texts) or spec.depth_column is None:
        return use, []
    counts = Counter(text for text in texts if text)
    said = ", ".join(f"{label}: {count} rows" for label, count in counts.items())
    layered = _layered(texts, places)
    read = [depth_of(label, heading=spec.depth_column) for label in counts]
    tops = {found[0] for found in read if found is not None}
    needs_choice = len(counts) > 1 and (layered or len(tops) > 1 or None in read)
    findings: list[Finding] = []
    for analyte, column in spec.columns.items():
        choice = column.depth or spec.depth
        if choice is None:
            if needs_choice and not findings:
                findings.append(stop(
                    "soil-several-depths", f"{where}, column {spec.depth_column}",
                    f"{'two' if len(counts) == 2 else len(counts)} depths ({said}); choose one",
                    todo="state the depth, as it is written in the column"))
            continue
        label = chosen_label(choice, list(counts), spec.depth_column)
        if label is None:
            findings.append(stop("soil-depth-unknown", f"{where}, column {spec.depth_column}",
                                 f"no row has the depth {choice!r} of {analyte} ({said})",
                                 todo="state the depth as it is written in the column"))
            continue
        use[analyte] = [text == label for text in texts]
    return use, findings


def conflict(
    analyte: str, column: ColumnSpec, texts: Sequence[str], *, heading: str, where: str,
    choice: str | None = None,
) -> list[Finding]:
    """A stop if the depths of the rows used are none the depth that the user states."""
    found = {text: depth_of(text, heading=heading) for text in texts if text}
    if column.depth_in is None or not found:
        return []
    for text in [text for text, depth in found.items() if depth is None]:
        match = _BOTTOM.fullmatch(text.strip())
        if match and column.depth_in[0] == 0:
            # "6 in" names the bottom of a layer that begins at the surface.
            found[text] = depth_of(f"0-{text.strip()}", heading=heading)
    chosen = column.depth or choice or ""
    strange = [text for text, depth in found.items()
               if depth is None and re.search(r"\d", text) and _plain(text) != _plain(chosen)]
    if strange:
        return [stop("soil-depth-unreadable", f"{where}, column {heading}",
                     "no depth: " + ", ".join(map(repr, strange[:5])),
                     todo='write depths as "0-6 in"; a spreadsheet turns 6-12 into a date')]
    if not any(found.values()):
        return []
    if any(same_depth(column.depth_in, depth) for depth in found.values() if depth):
        return []
    return [stop("soil-depth-conflict", f"{where}, column {heading}",
                 f"{analyte} is stated for {words(column.depth_in)}, the rows say "
                 + ", ".join(found), todo="correct depth_in, or choose the depth")]
