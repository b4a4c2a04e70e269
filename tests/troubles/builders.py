"""Small invented files: a square of 800 m in UTM zone 15N with 16 samples, zones, machines.

The square is 640,473.5 m2 = 158.264 ac on the WGS 84 ellipsoid (GeographicLib), 158.147 ac of
planar UTM. Numbers of samples and rates are invented for the arithmetic.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapefile
import shapely
from geographiclib.geodesic import Geodesic

from vrx.geo import area_ac
from vrx.intake import ColumnSpec, SoilSpec, read_boundary, read_soil
from vrx.model import Field, Material, PassPlan, Prescription, SoilTable, Zones
from vrx.prescription import prescribe
from vrx.zones import zones_from_polygons

WEST, SOUTH, SIDE = 450_000.0, 4_540_000.0, 800.0
BASE_AC = 158.264
ACRE_M2 = 4046.8564224
K = (141, 229, 176, 212, 238, 139, 128, 117, 181, 166, 184, 231, 219, 150, 144, 221)
P = (18, 26, 21, 30, 33, 24, 17, 16, 27, 25, 38, 31, 29, 19, 22, 37)
HEAD = ("sample_id", "lat", "lon", "P_ppm", "K_ppm")
_UTM = pyproj.CRS.from_epsg(32615)
_TO_DEGREES = pyproj.Transformer.from_crs(_UTM, 4326, always_xy=True)


def at(east: float, north: float) -> list[float]:
    """Longitude and latitude of metres from the square's south-west corner."""
    lon, lat = _TO_DEGREES.transform(WEST + east, SOUTH + north)
    return [round(lon, 9), round(lat, 9)]


def ring(*corners: tuple[float, float]) -> list[list[float]]:
    return [at(*corner) for corner in (*corners, corners[0])]


def box(west: float = 0, south: float = 0, east: float = SIDE, north: float = SIDE
        ) -> list[list[float]]:
    return ring((west, south), (east, south), (east, north), (west, north))


def utm_box(west: float, south: float, east: float, north: float) -> list[list[float]]:
    """Clockwise, in metres, as a shapefile's outer ring."""
    corners = [(west, south), (west, north), (east, north), (east, south), (west, south)]
    return [[WEST + e, SOUTH + n] for e, n in corners]


def polygon(*rings: list[list[float]]) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": list(rings)}


def line(points: list[list[float]]) -> dict[str, Any]:
    return {"type": "LineString", "coordinates": points}


def geojson(path: Path, *geometries: dict[str, Any] | None, properties: Sequence[Any] = ()) -> Path:
    features = [
        {"type": "Feature", "properties": properties[k] if properties else {"name": f"F{k + 1}"},
         "geometry": geometry}
        for k, geometry in enumerate(geometries)]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


def shp(path: Path, *records: tuple[str, float | None, list[list[list[float]]]], prj: bool = True
        ) -> Path:
    """A polygon shapefile by pyshp with a name and a rate."""
    with shapefile.Writer(str(path), shapeType=shapefile.POLYGON, encoding="utf-8") as writer:
        writer.field("NAME", "C", 40)
        writer.field("RATE_LB_AC", "N", 12, 2)
        for name, rate, rings in records:
            writer.poly(rings)
            writer.record(name, rate)
    if prj:
        path.with_suffix(".prj").write_text(_UTM.to_wkt("WKT1_ESRI"))
    return path.with_suffix(".shp")


def five_strips(folder: Path) -> Path:
    """Five zones, 160 m wide each, rates 60 to 140 lb/ac."""
    folder.mkdir()
    return shp(folder / "strips", *(
        (f"Strip {k}", 60.0 + 20 * k, [utm_box(160 * k, 0, 160 * (k + 1), 800)])
        for k in range(5)))


def square_field(folder: Path) -> Field:
    return read_boundary(path=geojson(folder / "square.geojson", polygon(box())), name="Field 1")


def places() -> list[tuple[float, float]]:
    return [(100 + 200 * c, 100 + 200 * r) for r in range(4) for c in range(4)]


def rows() -> list[list[str]]:
    return [
        [f"S{n:02d}", f"{at(*place)[1]:.7f}", f"{at(*place)[0]:.7f}", str(p), str(k)]
        for n, (place, p, k) in enumerate(zip(places(), P, K, strict=True), 1)]


def table(path: Path, body: Sequence[Sequence[str]], *, head: Sequence[str] = HEAD,
          delimiter: str = ",", encoding: str = "utf-8") -> Path:
    with path.open("w", newline="", encoding=encoding) as stream:
        writer = csv.writer(stream, delimiter=delimiter)
        writer.writerow(head)
        writer.writerows(body)
    return path


def column(heading: str = "K_ppm", **changes: Any) -> ColumnSpec:
    given: dict[str, Any] = {"column": heading, "unit": "ppm", "form": "K",
                             "extractant": "mehlich-3", "depth_in": (0.0, 6.0), **changes}
    return ColumnSpec(**given)


def spec(columns: dict[str, ColumnSpec] | None = None, **changes: Any) -> SoilSpec:
    both = {"phosphorus": column("P_ppm", form="P"), "potassium": column()}
    given: dict[str, Any] = {
        "columns": both if columns is None else columns, "id_column": "sample_id",
        "longitude_column": "lon", "latitude_column": "lat", "sampled_on": date(2026, 10, 1),
        **changes}
    return SoilSpec(**given)


def read(path: Path, field: Field, columns: dict[str, ColumnSpec] | None = None, **changes: Any
         ) -> SoilTable:
    return read_soil(path=path, field=field, spec=spec(columns, **changes))


def sums(soil: SoilTable) -> dict[str, float]:
    return {key: float(np.nansum(one.values)) for key, one in soil.columns.items()}


def told(found: Any) -> dict[str, str]:
    """What each code says: of a value with findings."""
    return {f.code: f"{f.where} | {f.what} | {f.done}" for f in found.findings}


def karney_ac(geometry: shapely.Geometry) -> float:
    """Geodesic acres of a geometry in degrees by GeographicLib's own Python port."""
    def ring_m2(one: shapely.LinearRing) -> float:
        made = Geodesic.WGS84.Polygon()
        for longitude, latitude in list(one.coords)[:-1]:
            made.AddPoint(latitude, longitude)
        return abs(float(made.Compute(False, True)[2]))

    return sum(
        ring_m2(part.exterior) - sum(ring_m2(hole) for hole in part.interiors)
        for part in shapely.get_parts(geometry)) / ACRE_M2


KCL = Material(
    id="muriate of potash 0-0-60", code="KCL", form="dry", n_pct=0, p2o5_pct=0, k2o_pct=60, s_pct=0,
    mg_pct=0, cl_pct=45, density_lb_per_gal=None, s_form="", cautions=(), evidence="", source="")


def strips_of(field: Field, count: int) -> Zones:
    """The field cut into `count` strips from west to east."""
    west, south, east, north = field.boundary.bounds
    wide = (east - west) / count
    drawn = [field.boundary.intersection(
        shapely.box(west + k * wide - (50 if k == 0 else 0), south - 50,
                    west + (k + 1) * wide + (50 if k == count - 1 else 0), north + 50))
             for k in range(count)]
    return zones_from_polygons(boundary=field.boundary, crs_centre=field.crs_centre, polygons=drawn,
                               labels=[f"strip {k + 1}" for k in range(count)])


def dry_pass(rates: Sequence[float], step: float = 1.0) -> PassPlan:
    given = np.array(rates, dtype=float)
    return PassPlan(pass_id="potash", number=1, timing="stubble of cutting 1", method="broadcast",
                    material=KCL, serves="K2O", kind="variable", wanted=given, planned=given,
                    step=step, most=None, treated_ac=None)


def prescribed(zones: Zones | None, rates: Sequence[float], *, step: float = 1.0,
               acres: Sequence[float] = ()) -> Prescription:
    area = [zone.area_ac for zone in zones.zones] if zones is not None else list(acres)
    return prescribe(zone_ids=range(1, len(area) + 1), zone_area_ac=np.array(area),
                     plans=(dry_pass(rates, step),), needs={}, prices=(), s_most_lb_per_ac=None)


def check_area(field: Field) -> float:
    """Acres of the boundary by the project's own geodesic area."""
    return area_ac(field.boundary, field.crs_centre)
