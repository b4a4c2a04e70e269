"""As-applied ground over zones against geopandas.overlay on the same work, in one run.

100,000 points (as swaths) and 10,000 polygons against 40 zones of about 12,000 corners in all.
Prints processor seconds (best of 3, other work on the machine counts little), the ratio, and the
largest relative difference of the areas by zone; fails where areas differ by more than 1e-12 or
the overlay is less than 2.5 times as fast.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import geopandas
import numpy as np
import shapely

from vrx.applied import compare_applied
from vrx.geo import area_ac, repeated_ground, shared_areas, swath_polygons
from vrx.model import AppliedGround, Zone, Zones

CENTRE = (-93.6, 41.02)
LEAST_RATIO, MOST_DIFFERENCE = 2.5, 1e-12
SIDE_M = 1000.0


def zones() -> np.ndarray:
    """40 cells around random places, corners every 2 m."""
    rng = np.random.default_rng(1)
    places = shapely.multipoints(rng.uniform(0, SIDE_M, (40, 2)))
    cells = shapely.get_parts(shapely.voronoi_polygons(places))
    return shapely.segmentize(
        shapely.intersection(cells, shapely.box(0, 0, SIDE_M - 10, SIDE_M)), 2.0)


def swaths(points: int) -> np.ndarray:
    """Swaths of 100 winding trips, 10.5 m wide and 10 m apart, from places a few cm off."""
    rng = np.random.default_rng(2)
    each = points // 100
    along = np.linspace(0, SIDE_M, each)
    at, run = [], []
    for k in range(100):
        across = k * 10.0 + 6 * np.sin(along / 80) + rng.normal(0, 0.03, each)
        way = np.column_stack([across, along])
        at.append(way if k % 2 == 0 else way[::-1])
        run.append(np.full(each, k))
    made, _ = swath_polygons(at_m=np.vstack(at), width_m=np.full(100 * each, 10.5),
                             run=np.concatenate(run))
    return made


def best(work: Callable[[], object], times: int = 3) -> tuple[float, object]:
    """Least seconds of some rounds, and what came out."""
    spent, out = [], None
    for _ in range(times):
        begin = time.process_time()
        out = work()
        spent.append(time.process_time() - begin)
    return min(spent), out


def row(name: str, small: np.ndarray, large: np.ndarray) -> bool:
    """Prints one line; whether it is good enough."""
    ours, found = best(lambda: shared_areas(small, large))
    one = geopandas.GeoDataFrame({"i": range(len(small))}, geometry=small, crs=32615)
    two = geopandas.GeoDataFrame({"k": range(len(large))}, geometry=large, crs=32615)
    theirs, cut = best(lambda: geopandas.overlay(one, two, keep_geom_type=True), times=2)
    by_them = np.bincount(cut["k"], weights=cut.area, minlength=len(large))
    by_us = np.bincount(found.large, weights=found.area, minlength=len(large))
    off = float(np.abs(by_us / by_them - 1).max())
    print(f"{name:<28} {ours:8.2f} s {theirs:8.2f} s  {theirs / ours:6.1f} times  {off:.1e}")
    return theirs / ours >= LEAST_RATIO and off <= MOST_DIFFERENCE


def main() -> int:
    """Prints the table; 1 where a figure is missed."""
    large = zones()
    ground = swaths(100_000)
    few = swaths(10_100)[:10_000]
    print(f"zones {len(large)}, corners {int(shapely.get_num_coordinates(large).sum())}")
    print(f"{'':<28} {'vrx':>10} {'overlay':>10}")
    good = [row(f"{len(ground)} swaths", ground, large), row(f"{len(few)} polygons", few, large)]
    again, faces = best(lambda: repeated_ground(ground), times=1)
    print(f"ground passed again: {again:.1f} s, {len(faces.polygons)} faces")
    made = Zones(basis="bench", zones=tuple(
        Zone(zone_id=k, letter=str(k), polygon=one, area_ac=area_ac(one, CENTRE), label="")
        for k, one in enumerate(large, 1)))
    log = AppliedGround(
        files=("bench",), unit="lb/ac", polygons=ground, rate=np.full(len(ground), 150.0),
        record=np.arange(len(ground)), log=np.zeros(len(ground), dtype=np.int64), left_out={})
    whole, _ = best(lambda: compare_applied(
        ground=log, zones=made, target_rate=np.full(len(large), 150.0), tolerance_pct=5), times=1)
    print(f"whole comparison: {whole:.1f} s")
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
