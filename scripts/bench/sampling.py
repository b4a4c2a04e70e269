"""Ranking of sampling places: against kriging anew for every candidate, and how time grows.

    python scripts/bench/sampling.py
"""

from __future__ import annotations

import os
import resource
import statistics
import time

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402

from vrx.model import FloatArray, Variogram  # noqa: E402
from vrx.sampling import Ranking, expected_misapplied, rank_samples, walk, walk_length  # noqa: E402
from vrx.surfaces import (  # noqa: E402
    KrigingSystem,
    kriging_area_variance,
    kriging_covariance,
    kriging_system,
)

SIDE_M = 806.0
MODEL = Variogram(model="exponential", nugget=300.0, partial_sill=1000.0, range_m=150.0)


def rates(tests: FloatArray) -> FloatArray:
    """An invented guide with a slope and a step."""
    return np.clip((160.0 - tests) * 3.0, 0.0, 300.0) + np.where(tests < 120.0, 40.0, 0.0)


def lattice(spacing_m: float) -> FloatArray:
    side = np.arange(spacing_m / 2, SIDE_M, spacing_m)
    east, north = np.meshgrid(side, side)
    return np.column_stack([east.ravel(), north.ravel()])


class Ground:
    def __init__(self, samples: int, spacing_m: float, candidates: int) -> None:
        rng = np.random.default_rng(20)
        self.places = rng.uniform(0.0, SIDE_M, (samples, 2))
        self.cells = lattice(spacing_m)
        picked = rng.choice(len(self.cells), min(candidates, len(self.cells)), replace=False)
        self.candidates = self.cells[np.sort(picked)]
        self.mean = rng.normal(125.0, 25.0, len(self.cells))

    def system(self, more: FloatArray | None = None) -> KrigingSystem:
        places = self.places if more is None else np.vstack([self.places, more])
        return kriging_system(places=places, values=np.zeros(len(places)), variogram=MODEL)

    def rank(self, count: int) -> Ranking:
        system = self.system()
        return rank_samples(
            mean=self.mean, variance=kriging_area_variance(system=system, places=self.cells),
            cross=kriging_covariance(system=system, first=self.candidates, second=self.cells),
            between=kriging_covariance(
                system=system, first=self.candidates, second=self.candidates),
            noise=MODEL.nugget, acres=np.full(len(self.cells), 0.1), rates=rates, count=count)

    def anew(self) -> FloatArray:
        """Expected misapplied amount after each candidate alone, kriged anew for each."""
        before = kriging_area_variance(system=self.system(), places=self.cells)
        found = []
        for one in self.candidates:
            left = kriging_area_variance(system=self.system(one), places=self.cells)
            found.append(0.1 * expected_misapplied(
                mean=self.mean, variance=before, left=np.minimum(left, before), rates=rates).sum())
        return np.array(found)


def timed(run: object, times: int = 5) -> float:
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        run()  # type: ignore[operator]
        taken.append(time.perf_counter() - begun)
    return statistics.median(taken)


def main() -> None:
    ground = Ground(60, 20.0, 500)
    ranking = ground.rank(1)
    begun = time.perf_counter()
    anew = ground.anew()
    slow = time.perf_counter() - begun
    fast = timed(lambda: ground.rank(1))
    apart = np.abs(ranking.loss_before - ranking.first_gain - anew).max() / ranking.loss_before
    print(f"one pick of {len(ground.candidates)} candidates, {len(ground.cells)} cells, 60 samples:"
          f" {fast:.3f} s; kriged anew for each {slow:.1f} s, {slow / fast:.0f} times;"
          f" largest difference {apart:.1e} of the loss")
    print("\n| samples | cells | candidates | picks | s |\n|---|---|---|---|---|")
    for samples, spacing, candidates, count in (
        (60, 40.0, 400, 10), (60, 20.0, 500, 1), (60, 20.0, 500, 10), (60, 20.0, 500, 40),
        (60, 20.0, 1600, 10), (60, 10.0, 500, 10), (200, 20.0, 500, 10), (500, 20.0, 500, 10),
    ):
        one = Ground(samples, spacing, candidates)
        taken = timed(lambda one=one, count=count: one.rank(count), 3)
        print(f"| {samples} | {len(one.cells)} | {len(one.candidates)} | {count} | {taken:.2f} |")
    print("\n| points walked | s | shorter than given order |\n|---|---|---|")
    for count in (20, 50, 150, 500):
        places = np.random.default_rng(count).uniform(0.0, SIDE_M, (count, 2))
        start = np.zeros(2)
        taken = timed(lambda places=places, start=start: walk(start=start, places=places), 1)
        found = walk_length(start=start, places=places, order=walk(start=start, places=places))
        given = walk_length(start=start, places=places, order=np.arange(count))
        print(f"| {count} | {taken:.2f} | {1 - found / given:.0%} |")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"\npeak memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
