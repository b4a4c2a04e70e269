"""Milliseconds of one edit of zones by hand, at 40 and 400 zones of a 65 ha field.

    python scripts/bench/edit.py [--runs 30] [--seed 1]

Zones are classes of a seeded surface on 2 m cells, traced; every edit starts from the same zones.
Each takes whatever it takes in use: noding, the proof that the result is a coverage, acres of the
changed zones. Printed: vertices, median, 95th percentile and greatest time of each operation, and
how many were refused (a corner of the field, neighbours that a random move would turn over).
"""

from __future__ import annotations

import argparse
import runpy
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import shapely

from vrx import geo, zones
from vrx.errors import InputError
from vrx.model import Field, Grid, Zones

FIELDS = runpy.run_path(
    str(Path(__file__).resolve().parents[2] / "tests" / "zones" / "fields.py"))


def start(count: int, seed: int) -> tuple[Field, Grid, Zones]:
    angle = np.linspace(0, 2 * np.pi, 222, endpoint=False)
    reach = 440 * (1 + 0.08 * np.cos(3 * angle) + 0.05 * np.sin(5 * angle))
    shell = np.column_stack([reach * np.cos(angle), reach * np.sin(angle)])
    boundary = shapely.MultiPolygon([shapely.Polygon(shell)])
    scale = np.sqrt(650_000 / boundary.area)
    boundary = shapely.affinity.scale(boundary, scale, scale)
    centre = FIELDS["CENTRE"]
    field = Field(name="bench", crs_centre=centre, boundary=boundary,
                  area_ac=geo.area_ac(boundary, centre))
    grid = geo.grid_over(boundary, cell_m=2.0)
    values = FIELDS["smooth"](grid.shape, seed, waves=9 if count < 100 else 40, rough=0.6)
    made = zones.zones_from_classes(
        boundary=boundary, crs_centre=centre, grid=grid, narrowest_m=0.0,
        smallest_ac=0.05 if count < 100 else 0.02,
        most_zones=count, layers=[zones.ClassLayer(
            analyte="k", label="K", values=values, breaks=(100.0, 120.0, 140.0, 160.0),
            class_labels=("a", "b", "c", "d", "e"))],
    )
    return field, grid, made


def edits(
    field: Field, grid: Grid, made: Zones, rng: np.random.Generator
) -> dict[str, Callable[[], Zones]]:
    polygons = [zone.polygon for zone in made.zones]
    pairs, lengths = geo.shared_edges(polygons)
    one, two = pairs[rng.choice(len(pairs), p=lengths / lengths.sum())]
    ids = [zone.zone_id for zone in made.zones]
    border = shapely.get_parts(shapely.line_merge(shapely.intersection(
        polygons[one].boundary, polygons[two].boundary)))
    arc = max(border, key=lambda part: part.length)
    ends = [np.array(arc.interpolate(x, normalized=True).coords[0]) for x in (0.3, 0.7)]
    line = shapely.LineString([ends[0], (ends[0] + ends[1]) / 2 + rng.normal(0, 4, 2), ends[1]])
    split = polygons[one]
    middle = np.array(split.representative_point().coords[0])
    step = 2000 * np.array([np.cos(a := rng.uniform(0, np.pi)), np.sin(a)])
    corners = shapely.get_coordinates(arc)
    corner = corners[len(corners) // 2]
    disc = shapely.Point(middle).buffer(30, quad_segs=8)
    cells = np.zeros(grid.shape, dtype=bool)
    row, column = geo.cell_at(grid, easting_m=middle[0], northing_m=middle[1])
    cells[row:row + 8, column:column + 8] = True
    return {
        "split": lambda: zones.split_zone(
            made, field=field, zone_id=ids[one],
            line=shapely.LineString([middle - step, middle + step])),
        "merge": lambda: zones.merge_zones(made, field=field, zone_ids=[ids[one], ids[two]]),
        "move corner": lambda: zones.move_corner(
            made, field=field, corner=tuple(corner), to=tuple(corner + rng.normal(0, 0.3, 2))),
        "redraw border": lambda: zones.redraw_border(
            made, field=field, between=(ids[one], ids[two]), line=line),
        "assign area": lambda: zones.assign_area(
            made, field=field, zone_id=ids[two], area=disc),
        "assign 64 cells": lambda: zones.assign_cells(
            made, field=field, zone_id=ids[two], grid=grid, cells=cells),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    for count in (40, 400):
        field, grid, made = start(count, asked.seed)
        vertices = sum(shapely.get_num_coordinates(zone.polygon) for zone in made.zones)
        print(f"{len(made.zones)} zones, {vertices} vertices")
        times: dict[str, list[float]] = {}
        refused: dict[str, int] = {}
        rng = np.random.default_rng(asked.seed)
        for _ in range(asked.runs):
            for name, edit in edits(field, grid, made, rng).items():
                begun = time.perf_counter()
                try:
                    edit()
                except InputError:
                    refused[name] = refused.get(name, 0) + 1
                    continue
                times.setdefault(name, []).append(1e3 * (time.perf_counter() - begun))
        for name, taken in times.items():
            print(f"  {name:16s} median {np.median(taken):6.1f} ms, 95 % "
                  f"{np.quantile(taken, 0.95):6.1f}, greatest {max(taken):6.1f}; "
                  f"{refused.get(name, 0)} of {asked.runs} refused")


if __name__ == "__main__":
    main()
