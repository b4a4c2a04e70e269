"""Small invented files, and the folder of shared cases where it is present."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyproj
import pytest
import shapefile

from vrx.intake import ColumnSpec, SoilSpec, read_boundary
from vrx.model import Field

UTM = pyproj.CRS.from_epsg(32615)
_TO_LONLAT = pyproj.Transformer.from_crs(UTM, 4326, always_xy=True)
WEST, SOUTH, SIDE = 450_000.0, 4_540_000.0, 800.0


def lonlat(easting: float, northing: float) -> list[float]:
    lon, lat = _TO_LONLAT.transform(easting, northing)
    return [round(lon, 9), round(lat, 9)]


def square(west: float = WEST, south: float = SOUTH, side: float = SIDE) -> list[list[float]]:
    corners = [(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)]
    return [lonlat(west + a * side, south + b * side) for a, b in corners]


def geojson(path: Path, *geometries: dict[str, Any], names: Sequence[str] = (), **top: Any) -> Path:
    features = [
        {"type": "Feature", "properties": {"name": names[k] if k < len(names) else f"P{k + 1}"},
         "geometry": geometry}
        for k, geometry in enumerate(geometries)
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", **top, "features": features}))
    return path


def polygon(*rings: list[list[float]]) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": list(rings)}


def utm_rings(*squares: tuple[float, float, float], clockwise: bool = True) -> list[list[Any]]:
    corners = [(0, 0), (0, 1), (1, 1), (1, 0), (0, 0)]
    if not clockwise:
        corners = corners[::-1]
    return [[[w + a * side, s + b * side] for a, b in corners] for w, s, side in squares]


def write_shapefile(
    path: Path, records: Sequence[tuple[str, list[list[Any]]]], *, prj: bool = True
) -> Path:
    """A polygon shapefile by pyshp, which writes rings as given."""
    with shapefile.Writer(str(path), shapeType=shapefile.POLYGON, encoding="utf-8") as writer:
        writer.field("NAME", "C", 40)
        for name, rings in records:
            writer.poly(rings)
            writer.record(name)
    if prj:
        path.with_suffix(".prj").write_text(UTM.to_wkt("WKT1_ESRI"))
    return path.with_suffix(".shp")


K = (134, 233, 171, 217, 232, 144, 123, 120, 173, 174, 177, 235, 224, 143, 148, 226)


def sample_places() -> list[list[float]]:
    return [lonlat(WEST + 100 + 200 * c, SOUTH + 100 + 200 * r) for r in range(4) for c in range(4)]


def sample_rows() -> list[list[str]]:
    return [
        [f"S{n:02d}", f"{lat:.7f}", f"{lon:.7f}", str(k)]
        for n, ((lon, lat), k) in enumerate(zip(sample_places(), K, strict=True), 1)
    ]


HEAD = ["sample_id", "lat", "lon", "K_ppm"]


def write_csv(path: Path, rows: Sequence[Sequence[str]], *, head: Sequence[str] = HEAD,
              delimiter: str = ",", encoding: str = "utf-8") -> Path:
    with path.open("w", newline="", encoding=encoding) as stream:
        writer = csv.writer(stream, delimiter=delimiter)
        writer.writerow(head)
        writer.writerows(rows)
    return path


def k_column(column: str = "K_ppm", **changes: Any) -> ColumnSpec:
    given: dict[str, Any] = {"column": column, "unit": "ppm", "form": "K",
                             "extractant": "mehlich-3", "depth_in": (0.0, 6.0), **changes}
    return ColumnSpec(**given)


def soil_spec(columns: dict[str, ColumnSpec] | None = None, **changes: Any) -> SoilSpec:
    given: dict[str, Any] = {
        "columns": columns if columns is not None else {"potassium": k_column()},
        "id_column": "sample_id", "longitude_column": "lon", "latitude_column": "lat",
        "sampled_on": date(2026, 10, 1), **changes,
    }
    return SoilSpec(**given)


@pytest.fixture(scope="session")
def field(tmp_path_factory: pytest.TempPathFactory) -> Field:
    path = geojson(tmp_path_factory.mktemp("field") / "field.geojson", polygon(square()))
    return read_boundary(path=path, name="Field 1")


def codes(findings: Sequence[Any]) -> list[str]:
    return [finding.code for finding in findings]


def total(values: Any) -> float:
    return float(np.nansum(values))


@pytest.fixture(scope="session")
def make() -> SimpleNamespace:
    """All the helpers above, so that test files need no import of this one."""
    return SimpleNamespace(
        codes=codes, geojson=geojson, k_column=k_column, k=K, head=HEAD, lonlat=lonlat,
        polygon=polygon, sample_places=sample_places, sample_rows=sample_rows, side=SIDE,
        soil_spec=soil_spec, south=SOUTH, square=square, total=total, utm=UTM,
        utm_rings=utm_rings, west=WEST, write_csv=write_csv, write_shapefile=write_shapefile)


SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "troubles"


@pytest.fixture
def case() -> Callable[[str], Path]:
    """The path of a shared case; skips where the folder is absent."""

    def find(name: str) -> Path:
        if not SHARED.is_dir():
            pytest.skip("open data folder absent: shared/troubles")
        return SHARED / name

    return find
