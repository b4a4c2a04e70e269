"""The audit of a prescription of many zones, file by file, against the usual hand check.

    python scripts/bench/audit.py [--zones 200] [--rounds 5] [--edge-vertices 40]

The zones are those of `export.py`. "Bare" is what a person with geopandas would do: read the file,
project it to an equal-area system, add up acres and rates, look whether polygons are valid and
cover no ground twice. Wall and processor milliseconds, medians of the rounds, jobs in turn, in one
process after one round that loads the libraries.
"""

from __future__ import annotations

import argparse
import runpy
import shutil
import statistics
import tempfile
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import shapely

from vrx.audit import audit_files
from vrx.export import FORMATS, write_formats

EXPORT = runpy.run_path(str(Path(__file__).with_name("export.py")))
FILES = {
    "shapefile": "shapefile/prescription.shp", "GeoJSON": "prescription.geojson",
    "GeoPackage": "field.gpkg", "GeoParquet": "prescription.parquet", "task data": "TASKDATA",
}


def bare(path: Path) -> float:
    """Acres x rate by hand, and whether zones lie over one another."""
    data = gpd.read_file(path)
    flat = data.to_crs(data.estimate_utm_crs())
    if not data.is_valid.all():
        raise SystemExit("a polygon is not valid")
    flat.sindex.query(flat.geometry, predicate="overlaps")
    shapely.coverage_is_valid(data.geometry.to_numpy())
    rate = next(one for one in data.columns if str(one).startswith("P1"))
    return float((flat.area / 4046.8564224 * data[rate]).sum())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--zones", type=int, default=200)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--edge-vertices", type=int, default=40)
    told = parser.parse_args()
    EXPORT["wavy_zones"].__globals__["EDGE_VERTICES"] = told.edge_vertices
    meant = EXPORT["MAKE"]["full_set"](EXPORT["wavy_zones"](told.zones), cell_m=5.0)
    vertices = sum(shapely.get_num_coordinates(one) for one in meant.layer.polygons)
    print(f"{len(meant.zones.zones)} zones, {vertices:,} vertices")
    base = Path(tempfile.mkdtemp(prefix="vrx-bench-"))
    try:
        write_formats(meant=meant, formats=list(FORMATS), folder=base)
        jobs: dict[str, Callable[[], object]] = {"bare": lambda: bare(base / FILES["GeoJSON"])}
        for name, path in FILES.items():
            jobs[name] = lambda path=path: audit_files(paths=[base / path])  # type: ignore[misc]
        jobs["all together"] = lambda: audit_files(paths=[base / one for one in FILES.values()])
        found: dict[str, list[tuple[float, float]]] = {name: [] for name in jobs}
        for turn in range(told.rounds + 1):
            for name, work in jobs.items():
                spent = EXPORT["timed"](work)
                if turn:
                    found[name].append(spent)
        hand = statistics.median(cpu for _, cpu in found["bare"])
        for name, spent in found.items():
            wall, cpu = (statistics.median(each) for each in zip(*spent, strict=True))
            print(f"{name:<14} {wall:8.0f} ms wall {cpu:8.0f} ms processor {cpu / hand:6.1f} x")
    finally:
        shutil.rmtree(base, ignore_errors=True)


if __name__ == "__main__":
    main()
