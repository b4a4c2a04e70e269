"""Time, agreement and memory of kriging against PyKrige and GSTools, interleaved in one run.

60 samples on 163 x 163 = 26,569 cells, the same variogram for all. Run on an idle machine:

    OPENBLAS_NUM_THREADS=1 python scripts/bench/surfaces.py
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np

from vrx.model import FloatArray, Grid, Variogram
from vrx.surfaces import fit_reml, kriging_system, map_analyte, point_krige

RUNS = 7
GRID = Grid(west_m=0.0, north_m=815.0, cell_m=5.0, rows=163, columns=163)
MODEL = Variogram(model="exponential", nugget=0.3, partial_sill=1.0, range_m=150.0)
Result = tuple[FloatArray, FloatArray]


def samples() -> tuple[FloatArray, FloatArray]:
    rng = np.random.default_rng(20)
    places = rng.uniform(0.0, 815.0, (60, 2))
    distance = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    field = np.linalg.cholesky(np.exp(-distance / MODEL.range_m) + 0.3 * np.eye(60))
    return places, 150.0 + field @ rng.normal(size=60)


def own(places: FloatArray, values: FloatArray) -> Result:
    east, north = np.meshgrid(GRID.easting_m, GRID.northing_m)
    system = kriging_system(places=places, values=values, variogram=MODEL)
    return point_krige(system=system, targets=np.column_stack([east.ravel(), north.ravel()]))


def pykrige(places: FloatArray, values: FloatArray) -> Result:
    from pykrige.ok import OrdinaryKriging

    parameters = {"psill": MODEL.partial_sill, "range": 3.0 * MODEL.range_m, "nugget": MODEL.nugget}
    kriging = OrdinaryKriging(
        *places.T, values, variogram_model="exponential", variogram_parameters=parameters
    )
    estimate, variance = kriging.execute("grid", GRID.easting_m, GRID.northing_m)
    return np.asarray(estimate).ravel(), np.asarray(variance).ravel()


def gstools(places: FloatArray, values: FloatArray) -> Result:
    import gstools as gs

    model = gs.Exponential(
        dim=2, var=MODEL.partial_sill, len_scale=MODEL.range_m, nugget=MODEL.nugget
    )
    kriging = gs.krige.Ordinary(model, places.T, values, exact=True)
    east, north = np.meshgrid(GRID.easting_m, GRID.northing_m)
    estimate, variance = kriging((east.ravel(), north.ravel()), return_var=True)
    return np.asarray(estimate), np.asarray(variance)


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def compare() -> None:
    places, values = samples()
    rivals = {"vrx": own, "PyKrige": pykrige, "GSTools": gstools}
    results = {name: krige(places, values) for name, krige in rivals.items()}
    times: dict[str, list[float]] = {name: [] for name in rivals}
    for _ in range(RUNS):
        for name, krige in rivals.items():
            times[name].append(seconds(lambda krige=krige: krige(places, values)))
    base = statistics.median(times["vrx"])
    for name, (estimate, variance) in results.items():
        middle = statistics.median(times[name])
        print(
            f"{name:8} {middle * 1e3:8.2f} ms  {middle / base:6.1f} x vrx   max difference "
            f"{np.abs(estimate - results['vrx'][0]).max():.1e} in value, "
            f"{np.abs(variance - results['vrx'][1]).max():.1e} in variance"
        )
    fit = statistics.median(
        seconds(lambda: fit_reml(places=places, values=values)) for _ in range(RUNS)
    )
    whole = statistics.median(seconds(lambda: map_own(places, values)) for _ in range(RUNS))
    print(f"REML fit {fit * 1e3:.2f} ms; map_analyte with all scores {whole * 1e3:.2f} ms")


def map_own(places: FloatArray, values: FloatArray) -> object:
    return map_analyte(
        analyte="potassium", unit="ppm", places=places, values=values, grid=GRID
    )


WORK = {
    "nothing": lambda places, values: None,
    "vrx": map_own,
    "PyKrige": pykrige,
    "GSTools": gstools,
}


def memory() -> None:
    """Peak RSS, each in a process of its own, because a peak never falls."""
    for name in WORK:
        run = subprocess.run(
            [sys.executable, __file__, name], check=True, capture_output=True, text=True
        )
        print(f"peak RSS {name:8} {float(run.stdout):8.1f} MB")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        WORK[sys.argv[1]](*samples())
        # Linux gives kilobytes, macOS bytes.
        unit = 1e6 if sys.platform == "darwin" else 1e3
        print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit)
    else:
        # First, because on Linux a child starts from the peak that its parent has reached.
        memory()
        compare()
