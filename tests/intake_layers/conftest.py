"""An invented field in its own CRS, small logs and rasters, and the folders of open data."""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely

from vrx.geo import area_ac, centre_of, field_crs, from_lonlat, grid_over, to_lonlat
from vrx.intake.yields import LogColumn, PlaceColumns, YieldSpec
from vrx.model import Field, Grid, YieldLog

CENTRE = (-93.6, 41.04)
SHARED = Path(__file__).resolve().parents[2].parent / "shared"


def field_of(lonlat: shapely.Geometry, name: str = "field") -> Field:
    centre = centre_of(lonlat)
    moved = from_lonlat(lonlat, centre)
    boundary = moved if moved.geom_type == "MultiPolygon" else shapely.MultiPolygon([moved])
    return Field(name=name, crs_centre=centre, boundary=boundary,
                 area_ac=area_ac(boundary, centre))


def around(lon: Sequence[float], lat: Sequence[float], pad: float = 0.0005) -> Field:
    """A field around points that were logged in it."""
    points = shapely.multipoints(np.column_stack([lon, lat]))
    return field_of(points.convex_hull.buffer(pad))


def lonlat(east: Any, north: Any) -> np.ndarray:
    points = shapely.multipoints(np.column_stack([np.ravel(east), np.ravel(north)]))
    return shapely.get_coordinates(to_lonlat(points, CENTRE))


def write(path: Path, columns: dict[str, Any], *, delimiter: str = ",", encoding: str = "utf-8",
          mark: str = ".") -> Path:
    with path.open("w", newline="", encoding=encoding) as stream:
        writer = csv.writer(stream, delimiter=delimiter)
        writer.writerow(columns)
        for row in zip(*columns.values(), strict=True):
            writer.writerow([str(cell).replace(".", mark) for cell in row])
    return path


def places(**changes: Any) -> PlaceColumns:
    return PlaceColumns(**{"longitude_column": "lon", "latitude_column": "lat", **changes})


def spec(**changes: Any) -> YieldSpec:
    given: dict[str, Any] = {"amount": LogColumn(column="yield", unit="t/ha"), "places": places(),
                             "moisture_pct": 12.0, **changes}
    return YieldSpec(**given)


def swaths(lanes: int = 20, per_lane: int = 60, *, swath: float = 6.0, step: float = 3.0,
           seed: int = 3) -> dict[str, np.ndarray]:
    """Passes north and south, one reading a second, yields with a smooth pattern and noise."""
    rng = np.random.default_rng(seed)
    lane, along = np.divmod(np.arange(lanes * per_lane), per_lane)
    north = np.where(lane % 2 == 0, along, per_lane - 1 - along) * step - per_lane * step / 2
    east = lane * swath - lanes * swath / 2
    tons = 3.0 + np.sin(north / 25.0) + 0.3 * np.cos(east / 40.0) + rng.normal(0, 0.1, len(lane))
    return {"east": east.astype(float), "north": north, "tons": tons,
            "time": np.arange(len(lane)) + lane * 20.0, "lane": lane}


def log_of(track: dict[str, np.ndarray], **changes: Any) -> YieldLog:
    n = len(track["east"])
    given: dict[str, Any] = {
        "file": "log.csv", "harvest": "", "source": "yield, t/ha", "moisture_pct": 12.0,
        "record": np.arange(2, n + 2), "easting_m": track["east"], "northing_m": track["north"],
        "tons_per_ac": track["tons"], "reason": np.zeros(n, dtype=np.int64),
        "reasons": ("no-position", "outside-field"), "time_s": track["time"],
        "swath_m": np.full(n, 6.0), **changes,
    }
    return YieldLog(**given)


@pytest.fixture(scope="session")
def field() -> Field:
    box = shapely.box(-200.0, -200.0, 200.0, 200.0)
    made = field_of(to_lonlat(box, CENTRE))
    assert made.crs_centre == CENTRE
    return made


@pytest.fixture(scope="session")
def grid(field: Field) -> Grid:
    return grid_over(field.boundary, cell_m=10.0)


@pytest.fixture(scope="session")
def make() -> SimpleNamespace:
    return SimpleNamespace(
        around=around, crs=field_crs(CENTRE), field_of=field_of, log_of=log_of, lonlat=lonlat,
        places=places, spec=spec, swaths=swaths, write=write)


@pytest.fixture
def shared() -> Callable[[str], Path]:
    """A file of the open data; skips where the folder is absent."""

    def find(name: str) -> Path:
        if not SHARED.is_dir():
            pytest.skip("open data folder absent: shared")
        return SHARED / name

    return find
