"""Both coordinates in one cell ("41.01, -93.59", "POINT (-93.59 41.01)") -> two columns of degrees.

The order is the plan's; letters of the hemisphere, the words lat and lon, and texts whose standard
fixes it (well-known text: OGC 06-103r4; GeoJSON: RFC 7946; geo addresses: RFC 5870) say it alone.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vrx.formats.answers import command
from vrx.geo import WGS84
from vrx.intake._inside import inside_count
from vrx.intake._numbers import MISSING, Number, degrees_of, number_of
from vrx.intake._odd_degrees import Reader, codes_of_places, reader_of
from vrx.intake._raise import listed, raise_stops
from vrx.intake._rows import no_place, not_a_sample
from vrx.intake._table import Row, Table
from vrx.intake.spec import SoilSpec
from vrx.model import Field, Finding, note, stop

ORDERS = ("longitude latitude", "latitude longitude")
_N = r"([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)"
_STANDARD = (
    (re.compile(rf"(?i)(?:srid=4326;\s*)?point\s*(?:zm|z|m)?\s*\(\s*{_N}\s+{_N}(\s+{_N})*\s*\)"),
     ORDERS[0]),
    (re.compile(rf'(?i)\{{.*"coordinates"\s*:\s*\[\s*{_N}\s*,\s*{_N}\s*(,\s*{_N})?\s*\].*\}}'),
     ORDERS[0]),
    (re.compile(rf"(?i)geo:{_N},{_N}(,{_N})?(;.*)?"), ORDERS[1]),
)
_LAT = r"lat(?:itude)?\.?\s*[:=]?\s*"
_LON = r"(?:longitude|long|lon|lng)\.?\s*[:=]?\s*"
_WORDS = ((re.compile(rf"(?i){_LAT}(.+?)[\s,;|]+{_LON}(.+)"), ORDERS[1]),
          (re.compile(rf"(?i){_LON}(.+?)[\s,;|]+{_LAT}(.+)"), ORDERS[0]))
_AT = re.compile(r"[,;|/\s]+")
_HEMISPHERE = re.compile(r"(?i)[nsew]")
_LEAST_SHARE = 0.8
_MOST_LETTERS = 300
"""No position is longer; a remark of a page must not be parted in every way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two coordinates in degrees as they stand; `order` is "" where the cell does not say it."""

    first: float
    second: float
    order: str = ""
    height: bool = False


def pair_of(cell: str, decimal: str, read: Reader = degrees_of) -> Pair | None:
    """Both coordinates of a cell; None if it holds none, or could be parted in several ways."""
    text = " ".join(cell.replace("\u00a0", " ").split())
    if len(text) > _MOST_LETTERS:
        return None
    for pattern, order in _STANDARD:
        if match := pattern.fullmatch(text):
            first, second = float(match[1]), float(match[2])
            return Pair(first=first, second=second, order=order, height=any(match.groups()[2:3])
                        ) if math.isfinite(first + second) else None
    text = text.strip("()[]{} ")
    for pattern, order in _WORDS:
        if match := pattern.fullmatch(text):
            halves = (read(match[1].strip(" ,;"), decimal), read(match[2].strip(" ,;"), decimal))
            if halves[0] is not None and halves[1] is not None:
                return Pair(first=halves[0], second=halves[1], order=order)
    found = _parted(text, decimal, read)
    if found is None and (tail := re.fullmatch(r"(.+?)[,;]\s*([^,;]+?)\s*m?", text)) and (
            number_of(tail[2], decimal) is not None):
        found = _parted(tail[1], decimal, read)
        return None if found is None else replace(found, height=True)
    return found


def _parted(text: str, decimal: str, read: Reader) -> Pair | None:
    """The only way to part a text into two coordinates."""
    ways: set[tuple[float, float, str]] = set()
    for gap in _AT.finditer(text):
        left, right = text[:gap.start()].strip(" ,;|/"), text[gap.end():].strip(" ,;|/")
        first, second = read(left, decimal), read(right, decimal)
        if first is not None and second is not None:
            ways.add((first, second, _order(left, right, decimal)))
    if len(ways) != 1:
        return None
    first, second, order = ways.pop()
    return None if order == "?" else Pair(first=first, second=second, order=order)


def _order(left: str, right: str, decimal: str) -> str:
    """The order that letters of the hemisphere tell, "?" if they contradict each other."""
    kinds = ["" if number_of(half, decimal) is not None else
             "".join(_HEMISPHERE.findall(half)).upper()[-1:] for half in (left, right)]
    axes = ["" if not kind else "lat" if kind in "NS" else "lon" for kind in kinds]
    if axes[0] and axes[0] == axes[1]:
        return "?"
    if "lat" not in axes and "lon" not in axes:
        return ""
    return ORDERS[1] if axes[0] == "lat" or axes[1] == "lon" else ORDERS[0]


def holds_positions(cells: Sequence[str], decimal: str) -> bool:
    """Whether nearly all filled cells hold both coordinates, precise enough to be places."""
    filled = [cell for cell in cells if cell.casefold() not in MISSING][:200]
    good = sum((pair := pair_of(cell, decimal)) is not None and (
        pair.order != "" or len(re.findall(r"\d[.,]\d{3,}", cell)) == 2)
        and max(abs(pair.first), abs(pair.second)) <= 360 for cell in filled)
    return good >= 2 and good >= _LEAST_SHARE * len(filled)


def split_positions(
    table: Table, spec: SoilSpec, field: Field, decimal: str, *, section: str = "soil"
) -> tuple[Table, SoilSpec, list[Finding]]:
    """Table and statement with two columns of decimal degrees in the place of `position_column`.

    Raises `InputError` for cells that hold no two coordinates, and where nothing says their order:
    its message counts the samples inside either way.
    """
    heading = spec.position_column
    if heading is None:
        return table, spec, []
    index, read = table.index(heading), reader_of(spec.degrees_as)
    where = f"{table.file}, column {heading}"
    pairs = [pair_of(row.cells[index], decimal, read) for row in table.rows]
    empty = [no_place(row.cells[index]) or (pair is None and _no_sample(row, index))
             for row, pair in zip(table.rows, pairs, strict=True)]
    bad = [f"{row.cells[index][:40]!r} ({table.row_word} {row.number})"
           for row, pair, bare in zip(table.rows, pairs, empty, strict=True)
           if pair is None and not bare]
    if bad:
        raise_stops([stop("soil-coordinate-unreadable", where,
                          f"no two coordinates: {listed(bad, most=5)}" + _kind(table, index),
                          todo="write them as 41.010568, -93.588925 in every row, or in two "
                          "columns of decimal degrees; with decimal commas state decimal_mark")])
    found = [pair for pair in pairs if pair is not None]
    told = {pair.order for pair in found if pair.order}
    if spec.point_order is not None and told - {spec.point_order}:
        raise_stops([stop("soil-point-order", where, f"its cells say {' and '.join(sorted(told))}, "
                          f"the plan says {spec.point_order}",
                          todo=command(drop=(f"{section}.point_order",)))])
    if spec.point_order is None and any(not pair.order for pair in found):
        raise_stops([_which_order(found, spec, field, where=where, section=section)])
    names = f"{heading} (longitude)", f"{heading} (latitude)"
    rows = tuple(
        Row(number=row.number, cells=(*row.cells, *_cells(pair, spec.point_order or "")))
        for row, pair in zip(table.rows, pairs, strict=True))
    order = spec.point_order or (told.pop() if len(told) == 1 else "that of each cell")
    heights = sum(pair.height for pair in found)
    first = next((row.cells[index] for row, pair in zip(table.rows, pairs, strict=True) if pair),
                 "")
    said = note("soil-position-column", where,
                f"both coordinates in one cell, {order}; such as {first[:60]!r}"
                + (f"; {heights} with a height, which is not used" if heights else ""),
                done="read as longitude and latitude")
    return (replace(table, headings=(*table.headings, *names), rows=rows,
                    units=(*table.units, "", "") if table.units else (), position_order=order),
            replace(spec, position_column=None, degrees_as=None, longitude_column=names[0],
                    latitude_column=names[1]), [said])


def _no_sample(row: Row, index: int) -> bool:
    """A summary row, or one whose position is all that it has: told where rows are judged."""
    filled = [cell for cell in row.cells if cell]
    return len(filled) <= 1 or not_a_sample(filled[0]) or not re.search(r"\d", row.cells[index])


def _cells(pair: Pair | None, stated: str) -> tuple[str, str]:
    if pair is None:
        return "", ""
    both = Number(repr(pair.first)), Number(repr(pair.second))
    return both if (pair.order or stated) == ORDERS[0] else both[::-1]


def _kind(table: Table, index: int) -> str:
    words = codes_of_places([row.cells[index] for row in table.rows])
    return f"; they look like {words}, which vrx does not read" if words else ""


def _which_order(
    pairs: Sequence[Pair], spec: SoilSpec, field: Field, *, where: str, section: str
) -> Finding:
    """A stop with the samples inside for each order, and the signs that would bring more."""
    both = np.array([(pair.first, pair.second) for pair in pairs])
    counts: list[tuple[int, str, str]] = []
    for k, order in enumerate(ORDERS):
        east, north = both[:, k], both[:, 1 - k]
        for words, lon, lat, more in (
            ("", east, north, ()),
            (" with longitudes made negative", -np.abs(east), north,
             ((f"{section}.longitudes_are_west", "true"),)),
            (" with latitudes made negative", east, -np.abs(north),
             ((f"{section}.latitudes_are_south", "true"),)),
        ):
            inside = inside_count(lon, lat, WGS84, field, within_m=spec.keep_outside_m)
            counts.append((inside, f"{order}{words}",
                           command((f"{section}.point_order", order), *more)))
    plain = [one for one in counts if "made" not in one[1]]
    best = max(counts, key=lambda one: (one[0], one in plain))
    shown = plain if best in plain else [*plain, best]
    said = "; ".join(f"as {words}: {n} of {len(pairs)} inside" for n, words, _ in shown)
    return stop("soil-point-order", where, f"both coordinates in one cell, and nothing says which "
                f"is the longitude. {said}", value=str(best[0]),
                todo=f"if that is so: {best[2]}" if best[0] else
                f"state point_order in [{section}]: {' or '.join(map(repr, ORDERS))}")
