"""Zones in degrees → cells of a grid that is regular in degrees, from its south-west corner."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from vrx.errors import ExportError
from vrx.formats.task_data import DECIMALS, metres_per_degree

MOST_CELLS = 20_000_000
OUTSIDE = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class GridPlace:
    """Where a grid lies: south-west corner and cell size in degrees of at most 9 decimals."""

    south_deg: float
    west_deg: float
    north_deg_per_cell: float
    east_deg_per_cell: float
    rows: int
    columns: int

    def cell_m2(self) -> npt.NDArray[np.float64]:
        """Square metres of a cell in each row (rows,), south to north."""
        middle = self.south_deg + (np.arange(self.rows) + 0.5) * self.north_deg_per_cell
        sides = np.array([metres_per_degree(float(latitude)) for latitude in middle])
        areas = sides[:, 0] * sides[:, 1] * self.north_deg_per_cell * self.east_deg_per_cell
        return np.asarray(areas, dtype=np.float64)

    def cell_m(self) -> tuple[float, float]:
        """(north, east) metres of the cell in the middle of the grid."""
        north, east = metres_per_degree(
            self.south_deg + 0.5 * self.rows * self.north_deg_per_cell)
        return north * self.north_deg_per_cell, east * self.east_deg_per_cell

    def centres_deg(
        self, rows: npt.NDArray[np.int64], columns: npt.NDArray[np.int64]
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """(longitudes, latitudes) of the centres of cells; rows count from the south."""
        longitude = self.west_deg + (columns + 0.5) * self.east_deg_per_cell
        latitude = self.south_deg + (rows + 0.5) * self.north_deg_per_cell
        return np.asarray(longitude, dtype=np.float64), np.asarray(latitude, dtype=np.float64)


def onward(polygons: Sequence[shapely.Geometry]) -> list[shapely.Geometry]:
    """Polygons cut at longitude 180 with what lies beyond moved by 360 degrees; others as given.

    No field is half the Earth wide.
    """
    west, _, east, _ = shapely.total_bounds(np.array(polygons, dtype=object))
    if east - west < 180.0:
        return list(polygons)
    moved = [shapely.transform(one, lambda at: np.column_stack([np.mod(at[:, 0], 360.0), at[:, 1]]))
             for one in polygons]
    return [shapely.union_all(shapely.get_parts(one)) for one in moved]


def place_grid(polygons: Sequence[shapely.Geometry], *, cell_m: float) -> GridPlace:
    """The grid over `polygons` (degrees, not across 180), cells about `cell_m` metres wide.

    Raises `ExportError` where it would have more than 20 million cells.
    """
    west, south, east, north = (float(v) for v in shapely.total_bounds(
        np.array(polygons, dtype=object)))
    metres_north, metres_east = metres_per_degree(0.5 * (south + north))
    high = max(round(cell_m / metres_north, DECIMALS), 10.0**-DECIMALS)
    wide = max(round(cell_m / metres_east, DECIMALS), 10.0**-DECIMALS)
    ten = 10.0**DECIMALS
    corner = math.floor(south * ten) / ten, math.floor(west * ten) / ten
    rows = max(math.ceil((north - corner[0]) / high), 1)
    columns = max(math.ceil((east - corner[1]) / wide), 1)
    if rows * columns > MOST_CELLS:
        raise ExportError(
            f"a grid of {cell_m:g} m would have {rows} rows and {columns} columns; at most "
            f"{MOST_CELLS:,} cells are written", code="task-grid-too-large",
            where="[export.task_data] cell_m", hint="take larger cells, or form = \"polygons\"")
    return GridPlace(south_deg=corner[0], west_deg=corner[1], north_deg_per_cell=high,
                     east_deg_per_cell=wide, rows=rows, columns=columns)


def burn(polygons: Sequence[shapely.Geometry], place: GridPlace) -> npt.NDArray[np.int32]:
    """The polygon that holds each cell's centre, -1 for none; row 0 in the SOUTH."""
    from rasterio.features import rasterize
    from rasterio.transform import Affine

    north = place.south_deg + place.rows * place.north_deg_per_cell
    down = Affine(place.east_deg_per_cell, 0.0, place.west_deg,
                  0.0, -place.north_deg_per_cell, north)
    shapes = [(one, k) for k, one in enumerate(polygons)]
    cells = rasterize(shapes, out_shape=(place.rows, place.columns), transform=down, fill=OUTSIDE,
                      dtype="int32")
    return np.ascontiguousarray(cells[::-1])
