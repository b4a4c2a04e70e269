"""Time of a whole map with all its scores, and of the fit within it.

60 samples on 163 x 163 = 26,569 cells; kriging itself against other libraries is in `kriging.py`,
variograms in `variograms.py`. Run on an idle machine:

    OPENBLAS_NUM_THREADS=1 python scripts/bench/surfaces.py
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from vrx.model import FloatArray, Grid
from vrx.surfaces import fit_reml, map_analyte

RUNS = 7
GRID = Grid(west_m=0.0, north_m=815.0, cell_m=5.0, rows=163, columns=163)


def samples(n: int = 60) -> tuple[FloatArray, FloatArray]:
    """An exponential field: length scale 150 m, sill 1, nugget 0.3."""
    rng = np.random.default_rng(20)
    places = rng.uniform(0.0, 815.0, (n, 2))
    distance = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    field = np.linalg.cholesky(np.exp(-distance / 150.0) + 0.3 * np.eye(n))
    return places, 150.0 + field @ rng.normal(size=n)


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def compare() -> None:
    places, values = samples()
    fit = statistics.median(
        seconds(lambda: fit_reml(places=places, values=values)) for _ in range(RUNS)
    )
    whole = statistics.median(
        seconds(lambda: map_analyte(
            analyte="potassium", unit="ppm", places=places, values=values, grid=GRID
        ))
        for _ in range(RUNS)
    )
    print(f"REML fit {fit * 1e3:.2f} ms; map_analyte with all scores {whole * 1e3:.2f} ms")


if __name__ == "__main__":
    compare()
