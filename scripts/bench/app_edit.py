"""Milliseconds from an edit of zones by hand to new live totals, at 9, 40 and 400 zones.

    python scripts/bench/app_edit.py [--runs 15] [--seed 1] [--profile]

The invented Kettle field with its own zones (9), and with square cells (40, 400), each edited
through the workbench as the app does it: the state is asked for, the edit is made, proven, written
and synced, and needs, rates, order and cost are worked out. Printed for each operation: median,
95th percentile and greatest time, processor time, and what of it the totals took. The first totals
of a size are told apart. With --profile the costliest functions of one edit are listed.
"""

from __future__ import annotations

import argparse
import cProfile
import os
import pstats
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrx import geo
from vrx.errors import VrxError
from vrx.model import FloatArray
from vrx.pipeline.workbench import Workbench
from vrx.plan import answer_plan

SAMPLE = Path(__file__).resolve().parents[2] / "sample_geo" / "kettle"


def bench_of(folder: Path, count: int) -> Workbench:
    """The field with about so many zones, its maps drawn."""
    field = Path(shutil.copytree(SAMPLE, folder / str(count)))
    if count > 9:
        acres = Workbench(field).base().area_ac
        answer_plan(field / "plan.toml", [
            ("zones.from", "grid cells"), ("zones.cell_ac", f"{acres / count:.3f}"),
            ("zones.smallest_ac", "0.02"), ("zones.narrowest_ft", "0"),
            ("zones.most_zones", "600")], drop=["zones.nutrients", "zones.breaks"])
    return Workbench(field)


def edits_of(bench: Workbench, rng: np.random.Generator) -> dict[str, Callable[[], object]]:
    """One edit of each kind at a random place."""
    made = bench.zones().zones
    polygons = [zone.polygon for zone in made]
    pairs, lengths = geo.shared_edges(polygons)
    one, two = (int(k) for k in pairs[rng.choice(len(pairs), p=lengths / lengths.sum())])
    border = max(shapely.get_parts(shapely.line_merge(shapely.intersection(
        polygons[one].boundary, polygons[two].boundary))), key=lambda part: part.length)
    middle = np.array(polygons[one].representative_point().coords[0])
    step = 2000 * np.array([np.cos(a := rng.uniform(0, np.pi)), np.sin(a)])
    corner = shapely.get_coordinates(border)[0]
    on = bench.state

    def edit(op: str, **told: Any) -> Callable[[], object]:
        return lambda: bench.edit(op, on=on, **told)

    return {
        "split": edit("split", zone_id=made[one].zone_id,
                      line=[tuple(middle - step), tuple(middle + step)]),
        "merge": edit("merge", zone_ids=[made[one].zone_id, made[two].zone_id]),
        "move corner": edit("move_corner", corner=tuple(corner),
                            to=tuple(corner + rng.normal(0, 0.5, 2))),
        "set a rate": edit("set_rate", zone_id=made[one].zone_id, pass_id="after-first",
                           rate=100.0, reason="trial strip"),
        "undo": edit("undo"),
    }


def timed(make: Callable[[], object]) -> FloatArray:
    """(wall, processor) milliseconds."""
    begun = np.array([time.perf_counter(), time.process_time()])
    make()
    spent: FloatArray = 1e3 * (np.array([time.perf_counter(), time.process_time()]) - begun)
    return spent


def measure(bench: Workbench, runs: int, rng: np.random.Generator) -> None:
    made = bench.live().zones.zones
    corners = sum(shapely.get_num_coordinates(zone.polygon) for zone in made)
    print(f"{len(made)} zones, {corners} vertices")
    times: dict[str, list[FloatArray]] = {}
    refused: dict[str, int] = {}
    for _ in range(runs):
        for name in ("split", "merge", "move corner", "set a rate", "undo"):
            make = edits_of(bench, rng)[name]
            try:
                edit = timed(make)
            except VrxError:
                refused[name] = refused.get(name, 0) + 1
                continue
            live = timed(bench.live)
            times.setdefault(name, []).append(np.array([*(edit + live), *live]))
        while bench.edits is not None and bench.edits.undo_to is not None:
            bench.edit("undo", on=bench.state)
        bench.live()
    for name, taken in times.items():
        wall, busy, totals, totals_busy = np.array(taken).T
        print(f"  {name:12s} wall median {np.median(wall):6.1f} ms, 95 % "
              f"{np.quantile(wall, 0.95):6.1f}, greatest {wall.max():6.1f}; processor "
              f"{np.median(busy):6.1f}; of it totals {np.median(totals):5.1f}, processor "
              f"{np.median(totals_busy):5.1f}; {refused.get(name, 0)} of {runs} refused")


def profile(bench: Workbench, rng: np.random.Generator) -> None:
    bench.live()
    make = edits_of(bench, rng)["split"]
    watch = cProfile.Profile()
    watch.enable()
    make()
    bench.live()
    watch.disable()
    pstats.Stats(watch).sort_stats("cumulative").print_stats(45)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=15)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--zones", type=int, nargs="*", default=[9, 40, 400])
    asked = parser.parse_args()
    print(f"load {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as scratch:
        for count in asked.zones:
            bench = bench_of(Path(scratch), count)
            first = timed(bench.live)
            again = timed(Workbench(bench.folder).zones)
            print(f"first totals {first[0]:,.0f} ms, opened again and cut {again[0]:,.0f} ms")
            measure(bench, asked.runs, np.random.default_rng(asked.seed))
            if asked.profile:
                profile(bench, np.random.default_rng(asked.seed))


if __name__ == "__main__":
    main()
