"""How often structure, trend and anisotropy are found where they are and where they are not.

    OPENBLAS_NUM_THREADS=1 nice python scripts/bench/variograms.py [--fields 200]

Simulated fields of 65 ha, at random places and on a grid. Beside the structure test stands the
likelihood ratio that knows the true range and nugget share, at the same level and from the same
exchanges: no test of this level can find more (Neyman and Pearson 1933), so what it misses is
not in the samples. The last table times the automatic fit in units of a numpy workload in the same
run.
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

from vrx.model import FloatArray
from vrx.surfaces import fit_reml, fit_variogram, structure_test, trend_test
from vrx.surfaces.fitting import ANISOTROPY_GAIN
from vrx.surfaces.structure import CHANCE, SHUFFLES

LAYOUTS = ("random", "grid")
NOTHING = 1.0


def _fields() -> SimpleNamespace:
    path = Path(__file__).resolve().parents[2] / "tests" / "surfaces" / "simulated_fields.py"
    return SimpleNamespace(**runpy.run_path(str(path)))


FIELDS = _fields()


def knowing_test(
    places: FloatArray, values: FloatArray, truth: str, range_m: float, share: float
) -> bool:
    """Whether the likelihood ratio of the true covariance shows structure, written out plainly."""
    n = len(values)
    distance = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    cov = (1.0 - share) * FIELDS.shape(truth, distance, range_m) + share * np.eye(n)
    inverse = np.linalg.inv(cov)
    unit = inverse.sum(axis=0)
    projector = inverse - np.outer(unit, unit) / unit.sum()
    rng = np.random.default_rng(1)
    each = np.column_stack([values, *(rng.permutation(values) for _ in range(SHUFFLES))])
    # A constant mean and exchanges: all else in the ratio is the same for every column.
    left = np.einsum("ij,ik,kj->j", each, projector, each, optimize=True)
    return bool((1 + np.count_nonzero(left[1:] <= left[0])) / (SHUFFLES + 1) <= CHANCE)


def structure(count: int) -> None:
    print(f"Structure shown, % of {count} fields (level {100 * CHANCE:.0f} %)")
    print("layout  n    truth        range   nugget  ours   knowing the truth  ratio > 3.84")
    cases = [(n, "exponential", 150.0, NOTHING) for n in (10, 30, 60, 150)]
    cases += [(30, "exponential", 150.0, 0.5)]
    cases += [(60, "exponential", r, 0.5) for r in (100.0, 150.0, 200.0, 250.0)]
    cases += [(60, "spherical", 400.0, 0.5), (60, "gaussian", 230.0, 0.5)]
    cases += [(150, "exponential", 150.0, 0.5)]
    for kind in LAYOUTS:
        for n, truth, range_m, share in cases:
            rng = np.random.default_rng([n, int(range_m), int(10 * share), kind == "grid"])
            ours, known, ratio = 0, 0, 0
            for _ in range(count):
                places, values, _, _ = FIELDS.field(
                    truth=truth, kind=kind, n=n, nugget_share=share, rng=rng, range_m=range_m
                )
                ours += structure_test(places=places, values=values).shown
                known += knowing_test(places, values, truth, range_m, min(share, 0.5))
                ratio += fit_reml(places=places, values=values).likelihood_ratio > 3.84
            what = "none" if share == NOTHING else f"{truth:12} {range_m:3.0f} m"
            print(
                f"{kind:7} {n:<4} {what:20} {share:<6}  {100 * ours / count:5.1f}  "
                f"{100 * known / count:5.1f}              {100 * ratio / count:5.1f}", flush=True,
            )


def trend(count: int) -> None:
    print(f"\nLinear trend shown, % of {count} fields")
    print("layout  n    truth")
    cases = [
        ("pure nugget", 1.0, 150.0, 0.0), ("stationary, 150 m", 0.3, 150.0, 0.0),
        ("stationary, 300 m", 0.3, 300.0, 0.0), ("0.25 sd per 100 m, nugget", 1.0, 150.0, 0.25),
        ("0.5 sd per 100 m, nugget", 1.0, 150.0, 0.5),
        ("0.5 sd per 100 m and 80 m", 0.5, 80.0, 0.5),
    ]
    for kind in LAYOUTS:
        for n in (30, 60):
            for name, share, range_m, slope in cases:
                rng = np.random.default_rng([n, int(range_m), int(10 * share), int(100 * slope)])
                shown = 0
                for _ in range(count):
                    places, values, _, _ = FIELDS.field(
                        truth="exponential", kind=kind, n=n, nugget_share=share, rng=rng,
                        range_m=range_m, slope_per_100m=slope,
                    )
                    shown += trend_test(places=places, values=values).shown
                print(f"{kind:7} {n:<4} {name:28} {100 * shown / count:5.1f}", flush=True)


def anisotropy(count: int) -> None:
    print(f"\nTwo ranges taken (gate {ANISOTROPY_GAIN}), % of {count} fields; median ratio fitted")
    for n in (100, 150):
        for ratio in (1.0, 3.0):
            rng = np.random.default_rng([n, int(ratio)])
            taken, fitted = 0, []
            for _ in range(count):
                places = rng.uniform(0.0, FIELDS.SIDE_M, (n, 2))
                flat = places * [1.0, ratio]
                distance = np.hypot(*(flat[:, None] - flat[None]).transpose(2, 0, 1))
                cov = 0.7 * np.exp(-distance / (150.0 * ratio**0.5)) + 0.3 * np.eye(n)
                values = np.linalg.cholesky(cov) @ rng.normal(size=n)
                one = fit_reml(places=places, values=values)
                both = fit_reml(places=places, values=values, anisotropic=True)
                taken += both.likelihood_ratio > one.likelihood_ratio + ANISOTROPY_GAIN
                fitted.append(both.variogram.anisotropy_ratio)
            print(f"n {n}, truth {ratio:g} : 1   {100 * taken / count:5.1f}   "
                  f"{statistics.median(fitted):.1f}", flush=True)


def seconds(work: Callable[[], object], runs: int) -> float:
    """Median of processor time, which other programs on the machine lengthen least."""
    times = []
    for _ in range(runs):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return statistics.median(times)


def speed() -> None:
    print("\nProcessor time, median: automatic choice of three, one REML fit, structure test")
    print("unit: 100 Cholesky factors and exponentials of 60 x 60 by numpy, in the same run")
    rng = np.random.default_rng(7)
    for n in (30, 60, 100, 200, 400):
        places, values, _, _ = FIELDS.field(
            truth="exponential", kind="random", n=n, nugget_share=0.3, rng=rng
        )
        matrix = np.exp(-np.abs(np.subtract.outer(np.arange(60.0), np.arange(60.0))) / 9.0)

        def unit(matrix: FloatArray = matrix) -> None:
            for _ in range(100):
                np.linalg.cholesky(np.exp(matrix) + 9.0 * np.eye(60))

        works = (
            unit, lambda: fit_variogram(places=places, values=values),  # noqa: B023
            lambda: fit_reml(places=places, values=values),  # noqa: B023
            lambda: structure_test(places=places, values=values),  # noqa: B023
        )
        base, *taken = (seconds(work, 7 if n <= 100 else 3) for work in works)
        print(
            f"n {n:<4} " + "   ".join(f"{1e3 * t:7.1f} ms = {t / base:5.1f} units" for t in taken)
            + f"   (unit {1e3 * base:.2f} ms)", flush=True,
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fields", type=int, default=200)
    asked = parser.parse_args()
    speed()
    structure(asked.fields)
    trend(max(asked.fields // 2, 1))
    anisotropy(max(asked.fields // 2, 1))
