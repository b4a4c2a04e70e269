"""A prescription of many zones in every format, each written, read back and compared.

    python scripts/bench/export.py [--zones 200] [--rounds 5] [--cell-m 5]

A square field of 65 ha cut into zones with 40 vertices an edge, two passes, two soil-test maps with
their standard errors, 60 samples. Wall and processor milliseconds of each format, medians of the
rounds, formats in turn, in one process after one round that loads the libraries; the ratio is
against the bare writing of the same zones and rates as GeoPackage by geopandas, without styles,
maps, or any look at what was written.
"""

from __future__ import annotations

import argparse
import runpy
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import shapely

from vrx.export import FORMATS, ExportSet, frames, write_formats

MAKE = runpy.run_path(
    str(Path(__file__).resolve().parents[2] / "tests" / "export" / "builders.py"))
SIDE_M = 806.0
EDGE_VERTICES = 40


def wavy_zones(count: int) -> list[shapely.Geometry]:
    """About `count` rectangles that tile the square, with the inner edges bent and shared."""
    rows = max(1, round(count**0.5 * 0.7))
    columns = -(-count // rows)

    def bend(at: np.ndarray) -> np.ndarray:
        at = np.round(at, 6)  # an edge that two zones share, walked either way
        inner = np.sin(np.pi * at / SIDE_M).prod(axis=1)[:, None]
        return at + 6.0 * inner * np.sin(at[:, ::-1] / 17.0)

    squares = [
        shapely.box(c * SIDE_M / columns, r * SIDE_M / rows, (c + 1) * SIDE_M / columns,
                    (r + 1) * SIDE_M / rows)
        for r in reversed(range(rows)) for c in range(columns)]
    edge_m = SIDE_M / max(rows, columns) / EDGE_VERTICES
    return [shapely.transform(shapely.segmentize(one, edge_m), bend) for one in squares]


def bare(meant: ExportSet, folder: Path) -> None:
    """The usual way, with nothing beside the zones and no check."""
    folder.mkdir(parents=True)
    frames.frame(meant.layer).to_file(folder / "bare.gpkg", driver="GPKG")


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Milliseconds of wall and processor."""
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return (time.perf_counter() - wall) * 1e3, (time.process_time() - cpu) * 1e3


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--zones", type=int, default=200)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--cell-m", type=float, default=5.0)
    told = parser.parse_args()
    meant = MAKE["full_set"](wavy_zones(told.zones), cell_m=told.cell_m)
    vertices = sum(shapely.get_num_coordinates(one) for one in meant.layer.polygons)
    grid = meant.surfaces[0].grid
    print(f"{len(meant.zones.zones)} zones, {vertices:,} vertices, {len(meant.surfaces)} maps of "
          f"{grid.rows} x {grid.columns} cells")
    base = Path(tempfile.mkdtemp(prefix="vrx-bench-"))
    jobs: dict[str, Callable[[Path], object]] = {
        "bare GeoPackage": lambda folder: bare(meant, folder)}
    for name in FORMATS:
        jobs[name] = lambda folder, name=name: write_formats(  # type: ignore[misc]
            meant=meant, formats=[name], folder=folder)
    jobs["all formats"] = lambda folder: write_formats(
        meant=meant, formats=list(FORMATS), folder=folder)
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in jobs}
    try:
        for turn in range(told.rounds + 1):
            for name, work in jobs.items():
                folder = base / f"{name}-{turn}"
                spent = timed(lambda work=work, folder=folder: work(folder))  # type: ignore[misc]
                if turn:
                    found[name].append(spent)
                sizes = sum(p.stat().st_size for p in folder.rglob("*") if p.is_file())
                if turn == told.rounds:
                    wall, cpu = (statistics.median(each) for each in zip(*found[name], strict=True))
                    ratio = cpu / statistics.median(c for _, c in found["bare GeoPackage"])
                    print(f"{name:<16} {wall:8.0f} ms wall {cpu:8.0f} ms processor"
                          f" {ratio:6.1f} x bare {sizes / 1024:8.0f} KiB")
                shutil.rmtree(folder)
    finally:
        shutil.rmtree(base, ignore_errors=True)


if __name__ == "__main__":
    main()
