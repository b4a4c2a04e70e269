"""Cells of a raster on the ellipsoid: where they lie, their acres, their rates, their borders."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vrx.audit import _crs
from vrx.audit._geotiff import Cells
from vrx.audit._task_cells import authalic_m2
from vrx.model import FloatArray
from vrx.units import ACRE_M2

_NODE_M, _NODE_DEG, _MOST_STEP, _MOST_NODES = 100.0, 0.001, 256, 2_000_000
_ROWS_AT_ONCE = 500
Codes = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """Where the cells of a raster lie on the Earth; `name` and `kind` of the system they were in.

    Corners between the places that were transformed lie on straight lines: at most 100 m apart,
    which moves a corner by less than a millimetre.
    """

    longitude: FloatArray
    latitude: FloatArray
    at_row: FloatArray
    at_column: FloatArray
    shape: tuple[int, int]
    kind: str
    name: str

    def places(self, row: FloatArray, column: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Longitude and latitude (rows, columns) at fractions of a row and column."""
        return tuple(  # type: ignore[return-value]
            _between(_between(nodes, self.at_row, row).T, self.at_column, column).T
            for nodes in (self.longitude, self.latitude))

    def centres(self) -> tuple[FloatArray, FloatArray]:
        """Longitude and latitude (rows, columns) of all centres."""
        rows, columns = self.shape
        return self.places(np.arange(rows, dtype=np.float64) + 0.5,
                           np.arange(columns, dtype=np.float64) + 0.5)

    def acres(self) -> FloatArray:
        """International acres of each cell (rows, columns), measured on the ellipsoid of WGS 84."""
        rows, columns = self.shape
        out = np.empty((rows, columns))
        for first in range(0, rows, _ROWS_AT_ONCE):
            last = min(first + _ROWS_AT_ONCE, rows)
            east, north = self.places(
                np.arange(first, last + 1, dtype=np.float64),
                np.arange(columns + 1, dtype=np.float64))
            out[first:last] = _areas(np.radians(east - east[0, 0]), authalic_m2(north)) / ACRE_M2
        return out


def _areas(east: FloatArray, north: FloatArray) -> FloatArray:
    """Areas of quadrangles between corners of an equal-area plane, by the shoelace formula."""
    north = north - north[0, 0]
    across = (east[1:, 1:] - east[:-1, :-1]) * (north[:-1, 1:] - north[1:, :-1])
    down = (east[:-1, 1:] - east[1:, :-1]) * (north[1:, 1:] - north[:-1, :-1])
    return np.asarray(np.abs(across - down) / 2.0)


def _between(nodes: FloatArray, at: FloatArray, where: FloatArray) -> FloatArray:
    """Values (len(where), n) on straight lines between nodes (len(at), n)."""
    low = np.clip(np.searchsorted(at, where, side="right") - 1, 0, len(at) - 2)
    share = ((where - at[low]) / (at[low + 1] - at[low]))[:, None]
    return np.asarray(nodes[low] * (1.0 - share) + nodes[low + 1] * share)


def ground_of(cells: Cells) -> Ground:
    """The ground of a raster. Raises `ValueError` for a system or place that cannot be followed."""
    reference = _crs.judge(cells.wkt)
    if reference.kind == "unknown":
        raise ValueError(f"{reference.name} is no coordinate system that is known")
    p = cells.place
    side = max(abs(p[1]) + abs(p[2]), abs(p[4]) + abs(p[5]))
    span = _NODE_M if reference.kind == "projected" else _NODE_DEG
    step = max(1, min(_MOST_STEP, math.floor(span / side)))
    rows, columns = cells.shape
    at_row, at_column = (_nodes(count, step) for count in (rows, columns))
    if len(at_row) * len(at_column) > _MOST_NODES:
        raise ValueError(f"its cells are {side:g} wide, and reach further than a field")
    mesh_column, mesh_row = np.meshgrid(at_column, at_row)
    east = p[0] + p[1] * mesh_column + p[2] * mesh_row
    north = p[3] + p[4] * mesh_column + p[5] * mesh_row
    if reference.kind != "wgs84":
        east, north = _degrees(reference.wkt, east, north)
    if not (np.isfinite(east).all() and np.isfinite(north).all()
            and np.abs(east).max() <= 360.0 and np.abs(north).max() <= 90.0):
        raise ValueError(f"{east.flat[0]:g}, {north.flat[0]:g} is no longitude and latitude")
    return Ground(longitude=east, latitude=north, at_row=at_row, at_column=at_column,
                  shape=cells.shape, kind=reference.kind, name=reference.name)


def _nodes(count: int, step: int) -> FloatArray:
    return np.unique(np.append(np.arange(0, count, step), count)).astype(np.float64)


def _degrees(wkt: str, east: FloatArray, north: FloatArray) -> tuple[FloatArray, FloatArray]:
    from fiona.errors import FionaError
    from fiona.transform import transform

    try:
        found = transform(wkt, "EPSG:4326", east.ravel().tolist(), north.ravel().tolist())
    except (FionaError, RuntimeError) as err:
        raise ValueError(f"its places cannot be transformed: {err}") from err
    longitude, latitude = (np.array(one).reshape(east.shape) for one in found)
    if np.ptp(longitude) > 180.0:  # a field across longitude 180
        longitude = np.mod(longitude, 360.0)
    return longitude, latitude


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Levels:
    """Cells sorted by what they hold. `codes` (rows, columns) count rows of `rates`, -1 no data.

    `rates` (levels, bands), NaN where a band has none; `acres` (levels,). A cell on a border counts
    whole for the rate at its centre: half of it at most is wrong, so `slack_ac` (levels,) is half a
    cell for every side of a cell along the level's border, and `slack_total` (bands,) the same
    times the difference of the two rates.
    """

    codes: Codes
    rates: FloatArray
    acres: FloatArray
    slack_ac: FloatArray
    slack_total: FloatArray


def levels_of(cells: Cells, acres: FloatArray) -> Levels:
    """The levels of a raster, its cells measured in `acres` (rows, columns)."""
    held = cells.held
    keys = np.zeros(int(held.sum()), dtype=np.int64)
    for band in cells.values:
        _, index = np.unique(band[held], return_inverse=True)
        # Numbered anew after each band, so that the product stays far below 2^63.
        _, keys = np.unique(keys * (int(index.max(initial=0)) + 1) + index, return_inverse=True)
    _, first = np.unique(keys, return_index=True)
    rates = np.stack([_plain(band[held][first]) for band in cells.values], axis=1)
    codes = np.full(cells.shape, -1, dtype=np.int64)
    codes[held] = keys
    slack_ac, slack_total = _slack(codes, rates, float(acres.mean()))
    return Levels(
        codes=codes, rates=rates, slack_ac=slack_ac, slack_total=slack_total,
        acres=np.bincount(keys, weights=acres[held], minlength=len(first)).astype(np.float64))


def _plain(values: npt.NDArray[np.generic]) -> FloatArray:
    """Numbers as they were meant: the shortest that a single-precision cell stands for."""
    if values.dtype == np.float32:
        return np.array([float(f"{one:.7g}") for one in values.tolist()], dtype=np.float64)
    return values.astype(np.float64)


def _slack(codes: Codes, rates: FloatArray, cell_ac: float) -> tuple[FloatArray, FloatArray]:
    framed = np.pad(codes, 1, constant_values=-1)
    count = len(rates) + 1
    sides: dict[tuple[int, int], int] = {}
    for one, two in ((framed[:-1], framed[1:]), (framed[:, :-1], framed[:, 1:])):
        border = one != two
        pairs = (np.minimum(one, two)[border] + 1) * count + np.maximum(one, two)[border] + 1
        for pair, number in zip(*np.unique(pairs, return_counts=True), strict=True):
            low, high = divmod(int(pair), count)
            sides[low - 1, high - 1] = sides.get((low - 1, high - 1), 0) + int(number)
    by_level, total = np.zeros(len(rates)), np.zeros(rates.shape[1])
    known = np.nan_to_num(rates, posinf=0.0, neginf=0.0)
    for (low, high), number in sides.items():
        half = number * cell_ac / 2.0
        by_level[high] += half
        if low >= 0:
            by_level[low] += half
        total += half * np.abs(known[high] - (known[low] if low >= 0 else 0.0))
    return by_level, total
