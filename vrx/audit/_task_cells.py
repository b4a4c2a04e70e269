"""Grids of a task: acres of each rate by cells, each cell measured on the ellipsoid."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from xml.etree.ElementTree import Element

import numpy as np
import numpy.typing as npt
import shapely

from vrx.audit._layers import Part, Record, make_record
from vrx.audit._ledger import Ledger
from vrx.errors import InputError
from vrx.formats import task_data as facts
from vrx.formats.iso11783 import rate_from_raw
from vrx.formats.task_read import read_cells
from vrx.model import FloatArray
from vrx.units import ACRE_M2

MOST_ZONES = 500
_EDGE_DEG = 1e-7
_A_M, _E2 = 6378137.0, 0.00669437999014
Codes = npt.NDArray[np.int64]


def cell_acres(south_deg: float, high_deg: float, wide_deg: float, rows: int) -> FloatArray:
    """International acres of one cell in each row (rows,), between parallels and meridians.

    Closed form of the area of a zone on the ellipsoid (Snyder 1987, USGS Professional Paper 1395,
    equation 3-12, from memory; the tests hold it against GeographicLib).
    """
    north: FloatArray = south_deg + high_deg * np.arange(rows + 1, dtype=np.float64)
    area = math.radians(wide_deg) * np.diff(authalic_m2(north))
    return np.asarray(area / ACRE_M2, dtype=np.float64)


def authalic_m2(latitude_deg: FloatArray) -> FloatArray:
    """Area between the equator and a latitude for each radian of longitude, m2 (see `cell_acres`).
    """
    sine = np.sin(np.radians(latitude_deg))
    e = math.sqrt(_E2)
    q = (1.0 - _E2) * (sine / (1.0 - _E2 * sine**2)
                       - np.log((1.0 - e * sine) / (1.0 + e * sine)) / (2.0 * e))
    return np.asarray(_A_M**2 / 2.0 * q, dtype=np.float64)


def records(
    folder: Path, grid: Element, *, outside: str | None, label: str, ledger: Ledger,
    boundary: Sequence[Part], rates: Mapping[str, Mapping[str, object]],
    names: Mapping[str, str], scales: Sequence[tuple[str, str]],
) -> tuple[list[Record], float]:
    """One record for each zone code (type 1) or each set of rates (type 2), with its acres.

    Beside them the acres of cells outside the boundary whose rates are not those of the `outside`
    code. Counted are cells whose centre lies in the part field's boundary; without one, cells of
    another code than the task's out-of-field one. [] where the grid cannot be read, which the judge
    of task folders has told.
    """
    try:
        rows, columns = int(grid.get("F") or 0), int(grid.get("E") or 0)
        south, west = float(grid.get("A") or "nan"), float(grid.get("B") or "nan")
        high, wide = float(grid.get("C") or "nan"), float(grid.get("D") or "nan")
        if not (rows > 0 and columns > 0 and 0 < high <= 1 and 0 < wide <= 1
                and -90 <= south <= 90 and south + rows * high <= 90 and -180 <= west <= 180):
            return [], 0.0
        cells = read_cells(folder, grid.get("G") or "", rows=rows, columns=columns,
                           values=len(scales) if grid.get("I") == facts.GRID_VALUES else 0)
    except (InputError, ValueError):
        return [], 0.0
    acres = np.repeat(cell_acres(south, high, wide, rows), columns)
    east: FloatArray = west + (np.arange(columns, dtype=np.float64) + 0.5) * wide
    north: FloatArray = south + (np.arange(rows, dtype=np.float64) + 0.5) * high
    inside = _inside(boundary, east, north)
    if grid.get("I") == facts.GRID_CODES:
        found = _by_code(cells.reshape(-1), acres, inside, outside=outside, rates=rates,
                         names=names, heads=list(next(iter(rates.values()), {})))
    else:
        heads = list(next(iter(rates.values()), {}))
        found = _by_value(cells.reshape(-1, len(scales)), acres, inside, heads=heads,
                          scales=scales, label=label, ledger=ledger)
    _against_field(found, boundary, label, ledger)
    if inside is None and grid.get("I") == facts.GRID_VALUES:
        ledger.doubt("grid-field", label, "the part field has no boundary: cells of rate 0 may lie "
                     "in it or outside, and count as acres of rate 0")
    wanted = rates.get(outside or "")
    if inside is None or wanted is None:
        return found, 0.0
    odd = ~inside & ~_as_outside(cells, wanted, rates=rates, scales=scales,
                                 by_code=grid.get("I") == facts.GRID_CODES)
    # A centre that lies on the edge but for rounding may be taken for either side.
    odd[odd] = ~_on_edge(boundary, east, north, odd)
    return found, float(acres[odd].sum())


def _as_outside(
    cells: npt.NDArray[np.generic], wanted: Mapping[str, object], *,
    rates: Mapping[str, Mapping[str, object]], scales: Sequence[tuple[str, str]], by_code: bool,
) -> npt.NDArray[np.bool_]:
    """Whether cells hold the rates `wanted` outside the field, to half a raw value."""
    if by_code:
        same = [int(code) for code, own in rates.items() if own == wanted and code.isdigit()]
        return np.asarray(np.isin(cells.reshape(-1), same), dtype=bool)
    meant = [rate if isinstance(rate, float) else math.nan for rate in wanted.values()]
    per_raw = [rate_from_raw(1, unit, ddi) if unit else 1.0 for ddi, unit in scales]
    held = cells.reshape(-1, len(scales))
    fits = np.ones(len(held), dtype=bool)
    for k, (rate, raw) in enumerate(zip(meant, per_raw, strict=True)):
        fits &= np.abs(held[:, k].astype(np.float64) * raw - rate) <= 0.5 * raw
    return fits


def _on_edge(
    boundary: Sequence[Part], east: FloatArray, north: FloatArray, those: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    if not those.any():
        return np.zeros(0, dtype=bool)
    row, column = np.divmod(np.flatnonzero(those), len(east))
    lines = shapely.union_all([
        shapely.LinearRing(ring) for part in boundary for ring in part if len(ring) >= 4])
    shapely.prepare(lines)
    places = shapely.points(east[column], north[row])
    return np.asarray(shapely.dwithin(lines, places, _EDGE_DEG), dtype=bool)


def _inside(
    boundary: Sequence[Part], east: FloatArray, north: FloatArray
) -> npt.NDArray[np.bool_] | None:
    shapes = [shapely.Polygon(part[0], list(part[1:])) for part in boundary if len(part[0]) >= 4]
    whole = shapely.union_all(shapely.make_valid(np.array(shapes))) if shapes else None
    if whole is None or whole.is_empty:
        return None
    shapely.prepare(whole)
    mesh = np.meshgrid(east, north)
    return np.asarray(shapely.contains_xy(whole, mesh[0].ravel(), mesh[1].ravel()), dtype=bool)


def _by_code(
    codes: npt.NDArray[np.generic], acres: FloatArray, inside: npt.NDArray[np.bool_] | None, *,
    outside: str | None, rates: Mapping[str, Mapping[str, object]], names: Mapping[str, str],
    heads: Sequence[str],
) -> list[Record]:
    flat = codes.astype(np.int64)
    counted = acres if inside is None else np.where(inside, acres, 0.0)
    sums = np.bincount(flat, weights=counted, minlength=256)
    made: list[Record] = []
    for code in np.unique(flat).tolist():
        key = str(code)
        if (inside is None and key == outside) or sums[code] == 0.0:
            continue
        own = rates.get(key) or dict.fromkeys(heads)
        made.append(_record(len(made) + 1, float(sums[code]),
                            {"ZONE": names.get(key, f"{key}, not defined"), **own}))
    return made


def _by_value(
    cells: npt.NDArray[np.generic], acres: FloatArray, inside: npt.NDArray[np.bool_] | None, *,
    heads: Sequence[str], scales: Sequence[tuple[str, str]], label: str, ledger: Ledger,
) -> list[Record]:
    held = cells if inside is None else cells[inside]
    counted = acres if inside is None else acres[inside]
    keys: Codes = np.zeros(len(held), dtype=np.int64)
    for column in range(held.shape[1]):
        _, index = np.unique(held[:, column], return_inverse=True)
        # Numbered anew after each column, so that the product stays far below 2^63.
        _, keys = np.unique(keys * (int(index.max(initial=0)) + 1) + index, return_inverse=True)
    _, first = np.unique(keys, return_index=True)
    sums = np.bincount(keys, weights=counted, minlength=len(first))
    per_raw = [rate_from_raw(1, unit, ddi) if unit else 1.0 for ddi, unit in scales]
    if len(first) > MOST_ZONES:
        ledger.remark("grid-many", label, f"{len(first):,} sets of rates: shown as one, by acres")
        total = math.fsum(counted.tolist())
        means = [float(np.dot(held[:, k].astype(np.float64), counted)) * factor / total
                 for k, factor in enumerate(per_raw)]
        return [_record(1, total, {"ZONE": "all cells, mean",
                                   **dict(zip(heads, means, strict=True))})]
    return [
        _record(place, float(sums[place - 1]), {
            "ZONE": f"rates {place}",
            **{head: float(held[at, k].item()) * per_raw[k] for k, head in enumerate(heads)}})
        for place, at in enumerate(first.tolist(), start=1)
    ]


def _record(place: int, acres: float, values: Mapping[str, object]) -> Record:
    return Record(number=place, values=dict(values), parts=(), shape=None, area_ac=acres)


def _against_field(
    found: Sequence[Record], boundary: Sequence[Part], label: str, ledger: Ledger
) -> None:
    """By how much the cells miss the part field: a figure to know, no fault of the file."""
    meant = math.fsum(make_record(place=1, values={}, parts=[part]).area_ac for part in boundary)
    got = math.fsum(one.area_ac for one in found)
    if meant and got:
        ledger.shown("acres of the part field's boundary", label, "ac", meant)
        if abs(got / meant - 1.0) > 0.02:
            ledger.doubt("grid-field", label, f"cells in the part field cover {got:,.2f} ac of "
                         f"{meant:,.2f} ac", todo="ground without a cell gets the default rate")
