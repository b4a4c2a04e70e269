"""The field, its own coordinate system and its grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from vrx.model.arrays import FloatArray
from vrx.model.finding import Finding


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Field:
    """A field: its boundary in its own equal-area CRS, metres (see `vrx.geo.crs`).

    `crs_centre` is (longitude, latitude) in degrees. `boundary` is a valid 2-D MultiPolygon with
    holes kept. `area_ac` are geodesic international acres on WGS 84.
    """

    name: str
    crs_centre: tuple[float, float]
    boundary: shapely.MultiPolygon
    area_ac: float
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Square cells in the field's CRS; row 0 lies north, column 0 west."""

    west_m: float
    north_m: float
    cell_m: float
    rows: int
    columns: int

    @property
    def east_m(self) -> float:
        """Easting of the grid's east edge."""
        return self.west_m + self.columns * self.cell_m

    @property
    def south_m(self) -> float:
        """Northing of the grid's south edge."""
        return self.north_m - self.rows * self.cell_m

    @property
    def easting_m(self) -> FloatArray:
        """Cell-centre eastings, shape (columns,)."""
        return self.west_m + (np.arange(self.columns, dtype=np.float64) + 0.5) * self.cell_m

    @property
    def northing_m(self) -> FloatArray:
        """Cell-centre northings, shape (rows,), falling."""
        return self.north_m - (np.arange(self.rows, dtype=np.float64) + 0.5) * self.cell_m

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.rows, self.columns
