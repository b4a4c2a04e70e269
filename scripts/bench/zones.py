"""How often zone polygons fail to be a coverage: the usual recipe against ours, on random fields.

    python scripts/bench/zones.py [--fields 120] [--cell-m 5] [--seed 1]

For each seeded field (wavy outlines, holes, two parts, strips, rectangles, pivots) a rough class
raster is traced three ways in the same process:

* usual: raster shapes, each intersected with the boundary;
* ours: `vrx.geo.trace_coverage`, checked at run time;
* noding: the way that `trace_coverage` falls back to, forced.

A fourth row times `vrx.zones.zones_from_classes` (clean-up, trace, final merge, checks). Printed:
invalid coverages (`shapely.coverage_is_valid`), greatest relative area error, and milliseconds.
"""

from __future__ import annotations

import argparse
import runpy
import statistics
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import shapely
from rasterio.features import shapes
from rasterio.transform import Affine

from vrx.geo import grid_over, trace_coverage
from vrx.geo.trace import SIMPLIFY_CELLS, _by_noding, _simplified
from vrx.zones import ClassLayer, zones_from_classes

BREAKS = (80.0, 110.0, 140.0, 170.0)


def _fields() -> SimpleNamespace:
    path = Path(__file__).resolve().parents[2] / "tests" / "zones" / "fields.py"
    return SimpleNamespace(**runpy.run_path(str(path)))


def usual(classes, grid, boundary):
    place = Affine(grid.cell_m, 0, grid.west_m, 0, -grid.cell_m, grid.north_m)
    made = []
    for shape, _ in shapes(classes.astype(np.int32), connectivity=4, transform=place):
        shell, *holes = shape["coordinates"]
        made.append(shapely.Polygon(shell, holes).intersection(boundary))
    parts = shapely.get_parts(np.array(made, dtype=object))
    return [part for part in parts if part.geom_type == "Polygon" and part.area > 0]


def ours(classes, grid, boundary):
    return list(trace_coverage(classes=classes, grid=grid, boundary=boundary)[1])


def noding(classes, grid, boundary):
    return _by_noding(*_simplified(classes, grid, SIMPLIFY_CELLS), boundary)[1]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fields", type=int, default=120)
    parser.add_argument("--cell-m", type=float, default=5.0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    made = _fields()
    kinds = [kind for kind in made.KINDS if kind != "tiny"]
    ways: dict[str, Callable] = {"usual recipe": usual, "ours": ours, "noding, forced": noding}
    invalid = dict.fromkeys([*ways, "zones_from_classes"], 0)
    error = dict.fromkeys(invalid, 0.0)
    spent: dict[str, list[float]] = {way: [] for way in [*ways, "zones_from_classes"]}
    for number in range(options.fields):
        boundary = made.random_field(kinds[number % len(kinds)], options.seed * 1000 + number)
        grid = grid_over(boundary, cell_m=options.cell_m)
        values = made.smooth(grid.shape, number)
        classes = np.digitize(values, BREAKS).astype(np.int64)
        for name, way in ways.items():
            start = time.perf_counter()
            polygons = way(classes, grid, boundary)
            spent[name].append(time.perf_counter() - start)
            invalid[name] += not shapely.coverage_is_valid(np.array(polygons, dtype=object))
            total = sum(polygon.area for polygon in polygons)
            error[name] = max(error[name], abs(total / boundary.area - 1))
        layer = ClassLayer(
            analyte="k", label="K", values=values, breaks=BREAKS, class_labels=tuple("abcde")
        )
        start = time.perf_counter()
        zones = zones_from_classes(
            boundary=boundary, crs_centre=made.CENTRE, grid=grid, layers=[layer],
            smallest_ac=2.0, narrowest_m=18.3,
        )
        name = "zones_from_classes"
        spent[name].append(time.perf_counter() - start)
        polygons = [zone.polygon for zone in zones.zones]
        invalid[name] += not shapely.coverage_is_valid(np.array(polygons, dtype=object))
        total = sum(polygon.area for polygon in polygons)
        error[name] = max(error[name], abs(total / boundary.area - 1))
    print(f"{options.fields} fields, {options.cell_m:g} m cells, shapely {shapely.__version__}, "
          f"GEOS {shapely.geos_version_string}")
    print(f"{'way':20s} {'invalid':>8s} {'area error':>11s} {'median ms':>10s} {'p95 ms':>8s}")
    for name, times in spent.items():
        ms = sorted(1000 * t for t in times)
        print(f"{name:20s} {invalid[name]:8d} {error[name]:11.1e} {statistics.median(ms):10.1f} "
              f"{ms[int(0.95 * (len(ms) - 1))]:8.1f}")


if __name__ == "__main__":
    main()
