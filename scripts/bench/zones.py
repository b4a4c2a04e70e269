"""Zones of fields of known truth: how often they fail, how far they stray, how long they take.

    python scripts/bench/zones.py [--fields 1000] [--cell-m 5] [--seed 1] [--usual 100]

Part one, one 65 ha field (222 vertices and a hole), 5 m and 2 m cells: `zones_from_classes` from
the mapped values to checked zones, against the usual recipe (raster shapes, each intersected with
the boundary, dissolved by class with geopandas), in turn in one process; milliseconds of wall
and processor, medians.

Part two, random fields (trend and noise, with a hole, an island in a hole, strips, two parts, 2,000
vertices): invalid coverages by `shapely.coverage_is_valid`, greatest relative area error, share of
the area in another class than the merged raster, fallbacks of the tracing. The usual recipe runs on
the first `--usual` of them.

Part three: clusters, crossing against `geopandas.overlay`, cells.
"""

from __future__ import annotations

import argparse
import math
import runpy
import statistics
import time
from collections import Counter
from pathlib import Path
from types import SimpleNamespace

import geopandas
import numpy as np
import shapely
from rasterio.features import shapes
from rasterio.transform import Affine
from shapely import affinity

from vrx.geo import grid_over, trace
from vrx.zones import (
    ClassLayer,
    ClusterLayer,
    MachineRules,
    cross_zones,
    zones_from_cells,
    zones_from_classes,
    zones_from_clusters,
)
from vrx.zones import _cut as cut

BREAKS = (80.0, 110.0, 140.0, 170.0)


def _fields() -> SimpleNamespace:
    path = Path(__file__).resolve().parents[2] / "tests" / "zones" / "fields.py"
    return SimpleNamespace(**runpy.run_path(str(path)))


MADE = _fields()


class Watch:
    """Counts the ways of the tracing and keeps the merged raster of the last zones."""

    def __init__(self) -> None:
        self.ways: Counter[str] = Counter()
        self.raster = None
        for name in ("_by_intersection", "_by_noding"):
            setattr(trace, name, self._counting(name, getattr(trace, name)))
        clean = cut.clean

        def kept(**given):
            cleaned = clean(**given)
            self.raster = cleaned.classes, given["inside"]
            return cleaned

        cut.clean = kept

    def _counting(self, name, way):
        def counted(*given):
            self.ways[name] += 1
            return way(*given)

        return counted


def usual(values, grid, boundary):
    """Raster shapes, intersected one by one, dissolved by class."""
    classes = np.digitize(values, BREAKS).astype(np.int32)
    place = Affine(grid.cell_m, 0, grid.west_m, 0, -grid.cell_m, grid.north_m)
    made, kinds = [], []
    for shape, value in shapes(classes, connectivity=4, transform=place):
        shell, *holes = shape["coordinates"]
        made.append(shapely.Polygon(shell, holes).intersection(boundary))
        kinds.append(value)
    frame = geopandas.GeoDataFrame({"kind": kinds}, geometry=made)
    frame = frame[~frame.geometry.is_empty].dissolve(by="kind").explode(ignore_index=True)
    return [part for part in frame.geometry if part.geom_type == "Polygon" and part.area > 0]


def ours(values, grid, boundary, **more):
    layer = ClassLayer(
        analyte="k", label="K", values=values, breaks=BREAKS, class_labels=tuple("abcde"))
    return zones_from_classes(
        boundary=boundary, crs_centre=MADE.CENTRE, grid=grid, layers=[layer],
        **{"smallest_ac": 2.0, "narrowest_m": 18.3, **more})


def strayed(zones, watch, grid) -> float:
    """Share of the cells inside whose zone has another class than the merged raster."""
    classes, inside = watch.raster
    letters = {name: code for code, name in enumerate(sorted({z.label for z in zones.zones}))}
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    points = shapely.points(east[inside], north[inside])
    found = np.full(len(points), -1)
    tree = shapely.STRtree([zone.polygon for zone in zones.zones])
    point, zone = tree.query(points, predicate="intersects")
    found[point] = np.array([letters[z.label] for z in zones.zones])[zone]
    truth = classes[inside]
    # A class of the raster is the label that most of its cells got.
    wrong = 0
    for kind in np.unique(truth):
        own = found[truth == kind]
        own = own[own >= 0]
        wrong += len(own) - np.bincount(own).max() if len(own) else 0
    return wrong / len(points)


def median_ms(call, repeats: int = 9) -> tuple[float, float]:
    """Wall and processor milliseconds."""
    spent, worked = [], []
    for _ in range(repeats):
        start, busy = time.perf_counter(), time.process_time()
        call()
        spent.append(1000 * (time.perf_counter() - start))
        worked.append(1000 * (time.process_time() - busy))
    return statistics.median(spent), statistics.median(worked)


def field_of_65_ha():
    rng = np.random.default_rng(4)
    shape = MADE._blob(rng, 222, 455.0)
    hole = affinity.translate(MADE._blob(rng, 24, 30.0), 80, 40)
    shape = shape.difference(hole)
    scale = math.sqrt(65e4 / shape.area)
    return shapely.MultiPolygon([affinity.scale(shape, scale, scale, origin=(0, 0))])


def surface(kind, seed, grid):
    return MADE.truth_surface(kind, seed, *np.meshgrid(grid.easting_m, grid.northing_m))


def part_one(watch) -> None:
    boundary = field_of_65_ha()
    print(f"65 ha, {len(shapely.get_coordinates(boundary))} vertices with those of the hole")
    print(f"{'ms':34s}{'wall':>6s}{'CPU':>6s}{'usual':>7s}{'CPU':>6s}{'ratio of CPU':>14s}"
          f"{'zones':>7s}{'strayed %':>11s}")
    for cell_m in (5.0, 2.0):
        grid = grid_over(boundary, cell_m=cell_m)
        values = MADE.smooth(grid.shape, 3)
        for words, more in (
            ("any direction", {}), ("driving 30 degrees", {"driving_deg": 30.0}),
            ("driving 0 degrees", {"driving_deg": 0.0}),
        ):
            ours(values, grid, boundary, **more)
            mine = median_ms(lambda: ours(values, grid, boundary, **more))  # noqa: B023
            theirs = median_ms(lambda: usual(values, grid, boundary), 3)  # noqa: B023
            zones = ours(values, grid, boundary, **more)
            print(f"{cell_m:g} m cells, {words:22s}{mine[0]:6.0f}{mine[1]:6.0f}{theirs[0]:7.0f}"
                  f"{theirs[1]:6.0f}{theirs[1] / mine[1]:14.1f}"
                  f"{len(zones.zones):7d}{100 * strayed(zones, watch, grid):11.2f}")


def part_two(watch, options) -> None:
    kinds = MADE.TRUTHS
    invalid, error, away, spent = Counter(), 0.0, [], []
    usual_error = 0.0
    watch.ways.clear()
    for number in range(options.fields):
        kind = kinds[number % len(kinds)]
        boundary = MADE.known_truth(kind, options.seed * 100_000 + number)
        grid = grid_over(boundary, cell_m=options.cell_m)
        values = surface(kind, number, grid)
        start = time.perf_counter()
        zones = ours(values, grid, boundary)
        spent.append(1000 * (time.perf_counter() - start))
        polygons = [zone.polygon for zone in zones.zones]
        invalid["ours"] += not shapely.coverage_is_valid(np.array(polygons, dtype=object))
        total = sum(polygon.area for polygon in polygons)
        error = max(error, abs(total / boundary.area - 1))
        away.append(strayed(zones, watch, grid))
        if number < options.usual:
            found = usual(values, grid, boundary)
            invalid["usual"] += not shapely.coverage_is_valid(np.array(found, dtype=object))
            usual_error = max(usual_error, abs(sum(p.area for p in found) / boundary.area - 1))
    away.sort()
    print(f"\n{options.fields} fields, {options.cell_m:g} m cells ({', '.join(kinds)})")
    print(f"ours: {invalid['ours']} invalid, area error at most {error:.1e}, strayed median "
          f"{100 * statistics.median(away):.2f} %, 95 % of fields under "
          f"{100 * away[int(0.95 * (len(away) - 1))]:.2f} %, most {100 * away[-1]:.2f} %; median "
          f"{statistics.median(spent):.0f} ms")
    print(f"tracing: {watch.ways['_by_intersection']} tries by intersection, "
          f"{watch.ways['_by_noding']} fallbacks by noding")
    few = min(options.usual, options.fields)
    print(f"usual recipe on {few}: {invalid['usual']} invalid, area error at most "
          f"{usual_error:.1e}")


def part_three() -> None:
    boundary = field_of_65_ha()
    grid = grid_over(boundary, cell_m=5.0)
    layers = [ClusterLayer(name=f"layer {n}", unit="", values=MADE.smooth(grid.shape, n, waves=5))
              for n in range(5)]
    rules = MachineRules(smallest_ac=1.0, most_zones=60)
    place = {"boundary": boundary, "crs_centre": MADE.CENTRE, "rules": rules}
    zones_from_clusters(layers=layers, grid=grid, **place)
    scan = median_ms(lambda: zones_from_clusters(layers=layers, grid=grid, **place), 3)
    print(f"\nclusters of 5 layers, 2 to 7 scored: {scan[0]:.0f} ms, {scan[1]:.0f} ms CPU")
    classes = ours(surface("trend", 2, grid), grid, boundary, smallest_ac=0.5, most_zones=60)
    cells = zones_from_cells(cell_ac=5.0, **place)
    frames = [geopandas.GeoDataFrame(geometry=[z.polygon for z in one.zones])
              for one in (classes, cells)]
    mine = median_ms(lambda: cross_zones(classes, cells, **place), 5)
    theirs = median_ms(lambda: geopandas.overlay(*frames), 5)
    pieces = geopandas.overlay(*frames).geometry.values
    made = [zone.polygon for zone in cross_zones(classes, cells, **place).zones]
    print(f"crossing {len(classes.zones)} with {len(cells.zones)} zones: {mine[1]:.0f} ms CPU, "
          f"valid "
          f"{bool(shapely.coverage_is_valid(np.array(made, dtype=object)))}; geopandas.overlay "
          f"{theirs[1]:.0f} ms CPU, {len(pieces)} pieces, valid "
          f"{bool(shapely.coverage_is_valid(np.array(pieces, dtype=object)))}")
    for acres in (10.0, 2.5, 1.0):
        given = {**place, "rules": MachineRules(
            smallest_ac=acres / 4, narrowest_m=10, most_zones=2000)}
        _, ms = median_ms(
            lambda: zones_from_cells(cell_ac=acres, **given), 5)  # noqa: B023
        count = len(zones_from_cells(cell_ac=acres, **given).zones)
        print(f"cells of {acres:g} ac: {count} zones in {ms:.0f} ms CPU")
    print("\ngrowth, 65 ha: ms CPU by cell size (smallest zone 2 ac) and by zones (5 m cells)")
    for cell_m in (10.0, 5.0, 3.0, 2.0, 1.0):
        fine = grid_over(boundary, cell_m=cell_m)
        values = MADE.smooth(fine.shape, 3)
        ms = median_ms(lambda: ours(values, fine, boundary), 3)[1]  # noqa: B023
        print(f"  {cell_m:g} m, {fine.rows * fine.columns:,} cells: {ms:.0f}")
    values = MADE.smooth(grid.shape, 3)
    for limit, most in ((2.0, 12), (0.5, 40), (0.2, 80), (0.1, 200)):
        given = {"smallest_ac": limit, "most_zones": most, "narrowest_m": 10.0}
        ms = median_ms(lambda: ours(values, grid, boundary, **given), 3)[1]  # noqa: B023
        print(f"  {len(ours(values, grid, boundary, **given).zones)} zones: {ms:.0f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fields", type=int, default=1000)
    parser.add_argument("--cell-m", type=float, default=5.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--usual", type=int, default=100)
    options = parser.parse_args()
    print(f"shapely {shapely.__version__}, GEOS {shapely.geos_version_string}")
    watch = Watch()
    part_one(watch)
    part_two(watch, options)
    part_three()


if __name__ == "__main__":
    main()
