"""Writes a conforming run folder for an invented field, and plants faults in it.

Acres come from GeographicLib's own Python port, not from the library that the audit uses. Both
layers are written by GDAL through pyogrio. Densities, analyses, need and rates are invented
for the arithmetic.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from geographiclib.geodesic import Geodesic

RUN = "run-0123456789ab"
PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
CENTRE = (-98.3, 41.07)
K, A, T = "P1_KCL_LB", "P2_AMS_LB", "P3_PTH_GA"
POTASH = "muriate of potash 0-0-60"
SULFATE = "ammonium sulfate 21-0-0-24S"
THIO = "potassium thiosulfate 0-0-25-17S"
ACRE_M2 = 4046.8564224
TREATED_AC = 131.75
LETTERS = "ABCDEF"
K_STEPS = (8, 12, 20, 0, 33, 16)
# Which of the 4 x 3 cells (row from the north, column from the west) make up each zone; zone 6 has
# two parts.
CELLS = (
    ((0, 0), (0, 1)), ((0, 2), (1, 2)), ((1, 0), (1, 1)), ((2, 0),), ((2, 1), (2, 2)),
    ((0, 3), (2, 3)),
)
LEFT_OUT = (1, 3)
YARD_IN = 4


def nodes() -> np.ndarray:
    """Corners of the cells, (4, 5, 2) degrees; uneven, so that no three lie on a line."""
    grid = np.empty((4, 5, 2))
    for row in range(4):
        for column in range(5):
            wobble = 0.00012 * math.sin(3.1 * row + 1.7 * column + 0.5)
            sway = 0.00010 * math.cos(2.3 * row - 1.1 * column)
            grid[row, column] = (
                CENTRE[0] - 0.0052 + 0.0026 * column + wobble,
                CENTRE[1] + 0.0030 - 0.0020 * row + sway,
            )
    return np.round(grid, 9)


def polygons() -> list[shapely.Geometry]:
    """Six zones, a valid coverage in degrees; one has two parts, one a yard cut out.

    The cell at the east side between both parts of zone 6 is no part of the field.
    """
    at = nodes()

    def cell(row: int, column: int) -> shapely.Polygon:
        return shapely.Polygon([
            at[row, column], at[row, column + 1], at[row + 1, column + 1], at[row + 1, column]
        ])

    zones = [shapely.union_all([cell(*place) for place in cells]) for cells in CELLS]
    middle = zones[YARD_IN].representative_point()
    yard = shapely.Polygon([
        (round(middle.x + dx, 9), round(middle.y + dy, 9))
        for dx, dy in ((0, 0), (0.0003, 0.00002), (0.00028, 0.00025), (-0.00002, 0.0002))
    ])
    zones[YARD_IN] = shapely.difference(zones[YARD_IN], yard)
    return zones


def acres(shape: shapely.Geometry) -> float:
    """International acres by GeographicLib (Karney 2013)."""
    total = 0.0
    for part in shapely.get_parts(shape):
        for index, ring in enumerate([part.exterior, *part.interiors]):
            polygon = Geodesic.WGS84.Polygon()
            for longitude, latitude in list(ring.coords)[:-1]:
                polygon.AddPoint(latitude, longitude)
            area = abs(polygon.Compute(False, True)[2])
            total += area if index == 0 else -area
    return total / ACRE_M2


def frame() -> gpd.GeoDataFrame:
    """The layer as it should be exported."""
    shapes = polygons()
    return gpd.GeoDataFrame(
        {
            "ZONE_ID": np.arange(1, 7, dtype=np.int32),
            "ZONE": list(LETTERS),
            "AREA_AC": [acres(shape) for shape in shapes],
            K: [steps * 10.0 for steps in K_STEPS],
            A: [75.0] * 6,
            T: [5.0] * 6,
        },
        geometry=shapes, crs="EPSG:4326",
    )


def write_shapefile(data: gpd.GeoDataFrame, path: Path) -> None:
    pyogrio.write_dataframe(
        data, path, driver="ESRI Shapefile",
        layer_options={"DBF_DATE_LAST_UPDATE": "2000-01-01", "ENCODING": "UTF-8"},
    )


def write_geojson(data: gpd.GeoDataFrame, path: Path) -> None:
    pyogrio.write_dataframe(
        data, path, driver="GeoJSON",
        layer_options={"RFC7946": "YES", "WRITE_NAME": "NO", "COORDINATE_PRECISION": "9"},
    )


def _twelve(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _twelve(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_twelve(inner) for inner in value]
    return float(f"{value:.12g}") if isinstance(value, float) else value


def _pass(
    *, number: int, column: str, material: str, unit: str, step: float, steps: tuple[int, ...],
    density: float, pct: tuple[float, float, float], areas: list[float], kind: str,
    treated: float | None = None,
) -> dict[str, Any]:
    total = sum(count * step * area for count, area in zip(steps, areas, strict=True))
    nitrogen, potash, sulfur = pct
    return {
        "pass_id": f"pass-{number}", "number": number, "column": column, "material": material,
        "unit": unit, "step": step, "method": "broadcast", "timing": "stubble", "kind": kind,
        "treated_ac": treated, "lb_per_unit": density,
        "k2o_lb_per_unit": density * potash / 100, "s_lb_per_unit": density * sulfur / 100,
        "n_lb_per_unit": density * nitrogen / 100,
        "steps": [{"zone_id": i, "steps": s} for i, s in enumerate(steps, start=1)],
        "wanted_total": total, "planned_total": total, "prescription_total": total,
        "order_total": total if treated is None else steps[0] * step * treated,
    }


def _order(one: dict[str, Any], usd_per_ton: float | None) -> dict[str, Any]:
    quantity = one["order_total"]
    pounds = quantity * one["lb_per_unit"]
    return {
        "material": one["material"], "unit": one["unit"].removesuffix("/ac"),
        "quantity": quantity, "lb": pounds, "short_tons": pounds / 2000.0,
        "k2o_lb": quantity * one["k2o_lb_per_unit"], "s_lb": quantity * one["s_lb_per_unit"],
        "n_lb": quantity * one["n_lb_per_unit"],
        "usd": None if usd_per_ton is None else pounds / 2000.0 * usd_per_ton,
        "price_note": (
            "no price given" if usd_per_ton is None
            else f"{usd_per_ton:,.2f} usd per short ton, as of 2026-11-01"
        ),
    }


def manifest(data: gpd.GeoDataFrame) -> dict[str, Any]:
    areas = [float(area) for area in data["AREA_AC"]]
    passes = [
        _pass(
            number=1, column=K, material=POTASH, unit="lb/ac", step=10.0, steps=K_STEPS,
            density=1.0, pct=(0, 60, 0), areas=areas, kind="variable",
        ),
        _pass(
            number=2, column=A, material=SULFATE, unit="lb/ac", step=5.0, steps=(15,) * 6,
            density=1.0, pct=(21, 0, 24), areas=areas, kind="flat",
        ),
        _pass(
            number=3, column=T, material=THIO, unit="gal/ac", step=0.5, steps=(10,) * 6,
            density=12.2, pct=(0, 25, 17), areas=areas, kind="flat", treated=TREATED_AC,
        ),
    ]
    brought = {
        nutrient: [
            sum(p["steps"][zone]["steps"] * p["step"] * p[key] for p in passes)
            for zone in range(6)
        ]
        for nutrient, key in (("K2O", "k2o_lb_per_unit"), ("S", "s_lb_per_unit"))
    }
    return {
        "schema": 1, "vrx": "0.1.0", "versions": {}, "run": RUN,
        "plan": {"path": "plan.toml", "sha256": "0" * 64}, "inputs": [], "books": [],
        "materials_sha256": "0" * 64,
        "field": {
            "name": "Invented field", "crop": "alfalfa", "season": 2027, "area_ac": sum(areas),
            "crs_centre": list(CENTRE),
            "bounds_deg": [float(edge) for edge in data.total_bounds],
        },
        "zones": [
            {"zone_id": i + 1, "letter": LETTERS[i], "area_ac": areas[i], "label": ""}
            for i in range(6)
        ],
        "passes": passes,
        "order": [_order(passes[0], 480.0), _order(passes[1], None), _order(passes[2], None)],
        "nutrients": [
            {
                "nutrient": nutrient,
                "zones": [
                    {"zone_id": i + 1, "need_lb_per_ac": 100.0, "brought_lb_per_ac": values[i]}
                    for i in range(6)
                ],
            }
            for nutrient, values in brought.items()
        ],
        "files": [], "findings": [],
    }


def order_csv(order: list[dict[str, Any]]) -> str:
    heads = [
        "material", "unit", "quantity", "lb", "short_tons", "k2o_lb", "s_lb", "n_lb", "usd",
        "price_note",
    ]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(heads)
    for line in order:
        writer.writerow(["" if line[head] is None else line[head] for head in heads])
    return text.getvalue()


def build(output: Path) -> Run:
    """A clean output folder with one run in it."""
    folder = output / RUN
    (folder / "shapefile").mkdir(parents=True)
    run = Run(output)
    data = frame()
    write_shapefile(data, run.shp)
    write_geojson(data, run.geojson)
    run.pack()
    record = _twelve(manifest(data))
    (folder / "order.csv").write_text(order_csv(record["order"]), encoding="utf-8", newline="")
    (folder / "page.html").write_text("<!doctype html><title>page</title>", encoding="utf-8")
    (folder / "prescription_columns.txt").write_text("columns\n", encoding="utf-8")
    run.save(record)
    run.seal()
    return run


class Run:
    """A run folder whose files can be altered and sealed again."""

    def __init__(self, output: Path) -> None:
        self.output = output
        self.folder = output / RUN
        self.shp = self.folder / "shapefile" / "prescription.shp"
        self.geojson = self.folder / "prescription.geojson"
        self.zip = self.folder / "prescription_shapefile.zip"

    def part(self, suffix: str) -> Path:
        return self.shp.with_suffix(suffix)

    def pack(self) -> None:
        """Zip the loose parts that are there."""
        with zipfile.ZipFile(self.zip, "w", zipfile.ZIP_DEFLATED) as archive:
            for suffix in PARTS:
                if self.part(suffix).exists():
                    info = zipfile.ZipInfo(self.part(suffix).name, (1980, 1, 1, 0, 0, 0))
                    archive.writestr(info, self.part(suffix).read_bytes())

    def record(self) -> dict[str, Any]:
        loaded: dict[str, Any] = json.loads(
            (self.folder / "manifest.json").read_text(encoding="utf-8")
        )
        return loaded

    def save(self, record: dict[str, Any]) -> None:
        text = json.dumps(record, sort_keys=True, indent=1, ensure_ascii=False) + "\n"
        (self.folder / "manifest.json").write_text(text, encoding="utf-8")

    def seal(self) -> None:
        """Record every file of the folder as it is now, and point current.json at the record."""
        record = self.record()
        record["files"] = [
            {
                "path": path.relative_to(self.folder).as_posix(), "format": path.suffix[1:],
                "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
                "bytes": path.stat().st_size,
            }
            for path in sorted(self.folder.rglob("*"))
            if path.is_file() and path.name != "manifest.json"
        ]
        self.save(record)
        self.point()

    def point(self) -> None:
        digest = hashlib.sha256((self.folder / "manifest.json").read_bytes()).hexdigest()
        (self.output / "current.json").write_text(
            json.dumps({"run": RUN, "manifest_sha256": digest}), encoding="utf-8"
        )

    def edit_record(self, change: Callable[[dict[str, Any]], None]) -> None:
        record = self.record()
        change(record)
        self.save(record)

    def edit_shapefile(
        self, change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame | None], *, pack: bool = True
    ) -> None:
        data = pyogrio.read_dataframe(self.shp)
        changed = change(data)
        shutil.rmtree(self.shp.parent)
        self.shp.parent.mkdir()
        write_shapefile(data if changed is None else changed, self.shp)
        if pack:
            self.pack()

    def edit_geojson(self, change: Callable[[dict[str, Any]], None]) -> None:
        document = json.loads(self.geojson.read_text(encoding="utf-8"))
        change(document)
        self.geojson.write_text(json.dumps(document), encoding="utf-8")

    def edit_both(
        self, change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame | None]
    ) -> None:
        """The same change in all three layers."""
        self.edit_shapefile(change)
        self.geojson.unlink()
        write_geojson(pyogrio.read_dataframe(self.shp), self.geojson)
