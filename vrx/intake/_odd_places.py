"""Coordinates that cannot be read as they stand: what they look like, and what would read them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vrx.formats.answers import command
from vrx.geo import WGS84
from vrx.intake._inside import inside_count
from vrx.intake._odd_degrees import PARTED, WAYS, WORDS, codes_of_places, reader_of
from vrx.intake._one_cell import holds_positions
from vrx.intake._rows import no_place
from vrx.intake._table import Table
from vrx.intake.spec import SoilSpec
from vrx.model import Field, Finding, FloatArray


def unreadable(
    table: Table, rows: Sequence[int], names: tuple[str, str], spec: SoilSpec, *, field: Field,
    decimal: str, stops: Sequence[Finding], section: str,
) -> list[Finding]:
    """The stops, the first of each column completed by what its cells look like and the remedy."""
    cells = {name: [table.rows[r].cells[table.index(name)] for r in rows] for name in names}
    said = todo = ""
    for name in dict.fromkeys(names):
        filled = [cell for cell in cells[name] if not no_place(cell)]
        words = codes_of_places(filled)
        if holds_positions(filled, decimal):
            said = f"{name} holds both coordinates in one cell"
            todo = "if that is so: " + command(
                (f"{section}.position_column", name),
                drop=tuple(f"{section}.{key}" for key in _KEYS if getattr(spec, key)))
        elif words and not said:
            said = f"{name} looks like {words}, which vrx does not read"
            todo = "write decimal degrees in a column of longitudes and one of latitudes"
    if not said and spec.longitude_column and spec.degrees_as is None:
        said, todo = _otherwise(cells[names[0]], cells[names[1]], spec, field=field,
                                decimal=decimal, section=section)
    return [replace(one, what=f"{one.what}; {said}", todo=todo) if said else one for one in stops]


_KEYS = ("longitude_column", "latitude_column", "easting_column", "northing_column")


def _otherwise(
    east_cells: Sequence[str], north_cells: Sequence[str], spec: SoilSpec, *, field: Field,
    decimal: str, section: str,
) -> tuple[str, str]:
    """Words and command for the way of writing degrees that puts most samples inside.

    Degrees parted by blanks are named for what they are even where none lies inside.
    """
    counts: list[tuple[int, bool, str, str]] = []
    for way in WAYS:
        read = reader_of(way)
        east, north = (_values([read(cell, decimal) for cell in cells])
                       for cells in (east_cells, north_cells))
        good = int((np.isfinite(east) & np.isfinite(north)).sum())
        if 5 * good < 4 * len(east):
            continue
        for words, lon, lat, more in (
            ("", east, north, ()),
            (" and the longitudes are negative", -np.abs(east), north,
             ((f"{section}.longitudes_are_west", "true"),)),
            (" and the latitudes are negative", east, -np.abs(north),
             ((f"{section}.latitudes_are_south", "true"),)),
        ):
            inside = inside_count(lon, lat, WGS84, field, within_m=spec.keep_outside_m)
            counts.append((inside, way == PARTED and not words,
                           f"{inside} of {good} inside if they are {WORDS[way]}{words}",
                           command((f"{section}.degrees_as", way), *more)))
    best = max(counts, default=(0, False, "", ""), key=lambda one: one[:2])
    return (best[2], f"if that is so: {best[3]}") if best[0] or best[1] else ("", "")


def _values(found: Sequence[float | None]) -> FloatArray:
    return np.array([np.nan if value is None else value for value in found])
