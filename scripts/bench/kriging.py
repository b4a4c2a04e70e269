"""Kriging against PyKrige's compiled backend and GSTools: time, agreement, memory, growth.

Everything is interleaved in one run, with one linear-algebra thread; ratios are of medians of wall
times, with processor times beside them for a machine that is not idle:

    python scripts/bench/kriging.py              # all parts, about 10 minutes
    python scripts/bench/kriging.py points loo   # some: memory points loo cells dense growth
"""

from __future__ import annotations

import ctypes
import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from scipy.linalg import blas

from vrx.model import FloatArray, Variogram
from vrx.surfaces import (
    cell_block_krige,
    dense_krige,
    kriging_leave_one_out,
    kriging_system,
    local_krige,
    point_krige,
)

ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
SIDE_M = 806.0
MODEL = Variogram(model="exponential", nugget=0.3, partial_sill=1.0, range_m=150.0)
NOISY = Variogram(
    model="exponential", nugget=0.3, partial_sill=1.0, range_m=150.0, error_variance=0.3
)
Result = tuple[FloatArray, FloatArray]
Times = dict[str, list[tuple[float, float]]]


def samples(n: int) -> tuple[FloatArray, FloatArray]:
    rng = np.random.default_rng(20)
    places = rng.uniform(0.0, SIDE_M, (n, 2))
    apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    root = np.linalg.cholesky(np.exp(-apart / MODEL.range_m) + 0.3 * np.eye(n))
    return places, 150.0 + root @ rng.normal(size=n)


def axis(per_side: int) -> FloatArray:
    return (np.arange(per_side) + 0.5) * SIDE_M / per_side


def cells(per_side: int) -> FloatArray:
    east, north = np.meshgrid(axis(per_side), axis(per_side))
    return np.column_stack([east.ravel(), north.ravel()])


def own(places: FloatArray, values: FloatArray, per_side: int) -> Result:
    system = kriging_system(places=places, values=values, variogram=MODEL)
    return point_krige(system=system, targets=cells(per_side))


def pykrige_system(places: FloatArray, values: FloatArray) -> Any:
    from pykrige.ok import OrdinaryKriging

    # Its range of the exponential model is the practical one: 3 length scales.
    parameters = {"psill": 1.0, "range": 3.0 * MODEL.range_m, "nugget": MODEL.nugget}
    return OrdinaryKriging(
        *places.T, values, variogram_model="exponential", variogram_parameters=parameters
    )


def pykrige(places: FloatArray, values: FloatArray, per_side: int) -> Result:
    estimate, variance = pykrige_system(places, values).execute(
        "grid", axis(per_side), axis(per_side), backend="C"
    )
    return np.asarray(estimate).ravel(), np.asarray(variance).ravel()


def gstools(places: FloatArray, values: FloatArray, per_side: int) -> Result:
    import gstools as gs

    model = gs.Exponential(dim=2, var=1.0, len_scale=MODEL.range_m, nugget=MODEL.nugget)
    kriging = gs.krige.Ordinary(model, places.T, values, exact=True)
    # Chunks, because whole it takes 5 GB for 200 samples on 650,000 cells.
    estimate, variance = kriging(
        tuple(cells(per_side).T), return_var=True, chunk_size=10_000
    )
    return np.asarray(estimate), np.asarray(variance)


RIVALS: dict[str, Callable[[FloatArray, FloatArray, int], Result]] = {
    "vrx": own, "PyKrige C": pykrige, "GSTools": gstools,
}


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor seconds."""
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


def interleaved(work: Mapping[str, Callable[[], object]], runs: Mapping[str, int]) -> Times:
    times: Times = {name: [] for name in work}
    for turn in range(max(runs.values())):
        for name, one in work.items():
            if turn < runs[name]:
                times[name].append(timed(one))
    return times


def middle(times: list[tuple[float, float]]) -> tuple[float, float]:
    return statistics.median(t[0] for t in times), statistics.median(t[1] for t in times)


def dgemm(size: int = 1200) -> FloatArray:
    """Best rates of a matrix product of 8 tries by wall and by processor time, flops/s; (2,)."""
    square = np.asfortranarray(np.random.default_rng(1).normal(size=(size, size)))
    tries = [timed(lambda: blas.dgemm(1.0, square, square)) for _ in range(8)]
    return 2.0 * size**3 / np.min(tries, axis=0)


def kernels() -> str:
    """The linear-algebra library that scipy calls and the kernels that it picked."""
    maps = Path("/proc/self/maps")
    if not maps.exists():
        return "kernels not known (no /proc)"
    found = {
        line.split()[-1] for line in maps.read_text().splitlines()
        if "openblas" in line and "scipy.libs" in line
    }
    for path in sorted(found):
        library = ctypes.CDLL(path)
        core, config = (
            getattr(library, f"scipy_openblas_get_{what}", None) for what in ("corename", "config")
        )
        if core is not None and config is not None:
            core.restype = config.restype = ctypes.c_char_p
            threads = library.scipy_openblas_get_num_threads()
            return f"{config().decode()}; kernels {core().decode()}; {threads} thread"
    return "kernels not known (no OpenBLAS of scipy's)"


def points() -> None:
    print(f"kriging with variance; {kernels()}")
    # Runs of vrx, PyKrige and GSTools.
    points_case(60, 255, (9, 7, 3))
    points_case(200, 255, (7, 5, 3))
    points_case(500, 255, (5, 3, 1))
    points_case(200, 806, (3, 3, 1))
    points_case(500, 806, (2, 1, 0))


def points_case(n: int, per_side: int, runs: tuple[int, int, int]) -> None:
    places, values = samples(n)
    work = {
        name: partial(krige, places, values, per_side) for name, krige in RIVALS.items()
    }
    used = {name: count for name, count in zip(RIVALS, runs, strict=True) if count}
    results = {name: work[name]() for name in used if used[name] > 1 or name == "vrx"}
    before = dgemm()
    times = interleaved({name: work[name] for name in used}, used)
    peak = np.maximum(before, dgemm())
    base = middle(times["vrx"])
    flops = n * n * per_side**2
    print(f"n = {n}, {per_side**2:,} cells; DGEMM {peak[0] / 1e9:.1f} GF/s, load "
          f"{os.getloadavg()[0]:.1f}; n²m over the whole: {flops / base[0] / peak[0]:.0%} of "
          f"DGEMM by wall, {flops / base[1] / peak[1]:.0%} by processor time")
    for name, series in times.items():
        wall, processor = middle(series)
        line = f"  {name:10} {wall * 1e3:9.1f} ms {wall / base[0]:6.2f} x"
        line += f"   processor {processor * 1e3:9.1f} ms {processor / base[1]:6.2f} x"
        if name in results:
            apart = [np.abs(a - b).max() for a, b in zip(results[name], results["vrx"],
                                                        strict=True)]
            line += f"   differs by {apart[0]:.0e} in value, {apart[1]:.0e} in variance"
        print(line)


def loo() -> None:
    print("leave-one-out, factorising included, against refitting")
    for n in (60, 200, 500):
        loo_case(n)


def loo_case(n: int) -> None:
    places, values = samples(n)

    def fast() -> Result:
        return kriging_leave_one_out(
            system=kriging_system(places=places, values=values, variogram=MODEL)
        )

    def refit() -> Result:
        left = []
        for i in range(n):
            rest = np.arange(n) != i
            system = kriging_system(places=places[rest], values=values[rest], variogram=MODEL)
            left.append(point_krige(system=system, targets=places[i : i + 1]))
        both = np.array(left)[:, :, 0]
        return values - both[:, 0], both[:, 1]

    def pykrige_refit() -> None:
        for i in range(n):
            rest = np.arange(n) != i
            pykrige_system(places[rest], values[rest]).execute(
                "points", *places[i : i + 1].T, backend="C"
            )

    work = {"fast": lambda: [fast() for _ in range(10)], "refit": refit,
            "PyKrige": pykrige_refit}
    few = 1 if n == 500 else 3
    times = interleaved(work, {"fast": 9, "refit": few, "PyKrige": few})
    wall, processor = (t / 10.0 for t in middle(times["fast"]))
    apart = [np.abs(a - b).max() for a, b in zip(fast(), refit(), strict=True)]
    ratios = [
        f"{name} {middle(times[name])[0] / wall:.0f} x ({middle(times[name])[1] / processor:.0f}"
        " x processor)" for name in ("refit", "PyKrige")
    ]
    print(f"  n = {n}: {wall * 1e3:.3f} ms; {'; '.join(ratios)}; differs by {apart[0]:.0e}, "
          f"{apart[1]:.0e}")


def blocks() -> None:
    print("every cell as a block against points, 65,025 cells")
    for n in (60, 200, 500):
        blocks_case(n)


def blocks_case(n: int) -> None:
    places, values = samples(n)
    system = kriging_system(places=places, values=values, variogram=MODEL)
    at, cell_m = cells(255), SIDE_M / 255
    times = interleaved({
        "points": lambda: point_krige(system=system, targets=at),
        "cells": lambda: cell_block_krige(system=system, centres=at, cell_m=cell_m),
    }, {"points": 5, "cells": 5})
    one, other = middle(times["points"]), middle(times["cells"])
    print(f"  n = {n}: points {one[0] * 1e3:.1f} ms, cells {other[0] * 1e3:.1f} ms "
          f"({other[0] / one[0]:.2f} x)")


def known_truth(nodes: int, step_m: float) -> FloatArray:
    """An exponential field, variance 1, 150 m, on nodes x nodes, by circulant embedding."""
    rng = np.random.default_rng(7)
    lag = np.minimum(np.arange(2 * nodes), 2 * nodes - np.arange(2 * nodes)) * step_m
    power = np.fft.rfft2(np.exp(-np.hypot(lag[:, None], lag[None]) / MODEL.range_m)).real
    noise = np.fft.rfft2(rng.normal(size=(2 * nodes, 2 * nodes)))
    return np.fft.irfft2(noise * np.sqrt(np.maximum(power, 0.0)))[:nodes, :nodes]


def dense() -> None:
    nodes, step_m, wide = 2048, 0.4, 256
    truth = known_truth(nodes, step_m)
    rng = np.random.default_rng(8)
    per = nodes // wide
    centre = np.arange(wide) * per + per // 2
    row, column = (part.ravel() for part in np.meshgrid(centre, centre, indexing="ij"))
    targets = np.column_stack([column, row]) * step_m
    print(f"dense points to {len(targets):,} cells of {per * step_m:g} m; error against the truth")
    for count in (10_000, 100_000, 1_000_000):
        node = rng.choice(nodes**2, count, replace=False)
        row_of, column_of = np.divmod(node, nodes)
        places = np.column_stack([column_of, row_of]) * step_m
        values = truth[row_of, column_of] + np.sqrt(0.3) * rng.normal(size=count)
        for name, krige, extra in (
            ("nearest samples", local_krige, {}),
            ("block means first", dense_krige, {"cell_m": per * step_m}),
        ):
            for neighbours in (8, 16, 32):
                given: dict[str, Any] = {
                    "places": places, "values": values, "variogram": NOISY, "targets": targets,
                    "neighbours": neighbours, "filtered": True,
                } | extra
                wall, processor = middle([timed(partial(krige, **given)) for _ in range(3)])
                error = np.sqrt(np.mean((krige(**given)[0] - truth[row, column]) ** 2))
                print(f"  {count:9,} points, {name:17}, k = {neighbours:2}: {wall:6.3f} s, "
                      f"processor {processor:6.3f} s, error {error:.4f}")


def growth() -> None:
    print("growth, processor ms (wall on an idle machine):")
    print("| n | cells | factorise | map | leave-one-out |")
    for n in (25, 50, 100, 200, 400, 800, 1600):
        growth_case(n, 255)
    for per_side in (81, 806):
        growth_case(200, per_side)


def growth_case(n: int, per_side: int) -> None:
    places, values = samples(n)
    at = cells(per_side)

    def factorise() -> Any:
        return kriging_system(places=places, values=values, variogram=MODEL)

    system = factorise()
    times = interleaved({
        "factorise": factorise,
        "map": lambda: point_krige(system=system, targets=at),
        "leave": lambda: kriging_leave_one_out(system=system),
    }, dict.fromkeys(("factorise", "map", "leave"), 5))
    each = [middle(times[name])[1] * 1e3 for name in times]
    print(f"| {n} | {per_side**2:,} | {each[0]:.2f} | {each[1]:.1f} | {each[2]:.2f} |")


def memory() -> None:
    """Peak RSS, each in a process of its own, because a peak never falls."""
    print("peak RSS, MB (imports included)")
    for n, per_side in ((200, 255), (500, 255), (200, 806), (500, 806)):
        peaks = []
        for name in ("nothing", *RIVALS):
            if name == "GSTools" and (n, per_side) == (500, 806):
                continue
            run = subprocess.run(
                [sys.executable, __file__, "peak", name, str(n), str(per_side)], check=True,
                capture_output=True, text=True,
            )
            peaks.append(f"{name} {float(run.stdout):.0f}")
        print(f"  n = {n}, {per_side**2:,} cells: {', '.join(peaks)}")


def peak(name: str, n: int, per_side: int) -> None:
    if name != "nothing":
        RIVALS[name](*samples(n), per_side)
    # Linux gives kilobytes, macOS bytes.
    unit = 1e6 if sys.platform == "darwin" else 1e3
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit)


# Memory first, because on Linux a child starts from the peak that its parent has reached.
PARTS = {
    "memory": memory, "points": points, "loo": loo, "cells": blocks, "dense": dense,
    "growth": growth,
}

if __name__ == "__main__":
    if any(os.environ.get(name) != one for name, one in ONE_THREAD.items()):
        # The library reads its number of threads once, when it is loaded.
        again = [sys.executable, __file__, *sys.argv[1:]]
        sys.exit(subprocess.call(again, env=os.environ | ONE_THREAD))
    if sys.argv[1:2] == ["peak"]:
        peak(sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
    else:
        for _part in sys.argv[1:] or PARTS:
            PARTS[_part]()
