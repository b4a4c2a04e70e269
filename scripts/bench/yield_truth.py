"""Faults planted on a known yield surface: what cleaning catches, loses and gains, in one run.

Prints by kind of fault the share set aside, by filter the good readings lost (known truth), and the
error of the gridded pattern against the truth without cleaning, with the mean ± 3 standard
deviations alone, and with all filters:

    python scripts/bench/yield_truth.py [seeds]
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np
import shapely

from vrx.geo import area_ac, centre_of, from_lonlat, grid_over, to_lonlat
from vrx.intake.yields import clean_yield, grid_yield
from vrx.intake.yields._defaults import filters
from vrx.model import Field, Grid, YieldLog

CENTRE = (-93.6, 41.04)
HALF_M, SWATH_M, STEP_M, CELL_M = 300.0, 6.0, 2.0, 10.0
FAULTS = ("outlier", "zero", "header up", "filling", "emptying", "narrow swath", "overlap",
          "speed change", "standing", "receiver jump", "same place")
EVERY = tuple(one.id for one in filters())


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """A log and what is wrong with each reading, (n,): -1 nothing, else the place in `FAULTS`."""

    log: YieldLog
    fault: np.ndarray


def surface(east: np.ndarray, north: np.ndarray) -> np.ndarray:
    """Short tons per acre of one cutting, 0.9 to 2.3."""
    return 1.6 + 0.4 * np.sin(north / 70.0) * np.cos(east / 90.0) + 0.3 * np.tanh(east / 120.0)


def field() -> Field:
    box = to_lonlat(shapely.box(-HALF_M, -HALF_M, HALF_M, HALF_M), CENTRE)
    centre = centre_of(box)
    boundary = shapely.MultiPolygon([from_lonlat(box, centre)])
    return Field(name="bench", crs_centre=centre, boundary=boundary,
                 area_ac=area_ac(boundary, centre))


def planted(seed: int) -> Planted:
    """Passes there and back, one reading a second, noise of 6 %, and faults of eleven kinds."""
    rng = np.random.default_rng(seed)
    lanes, per = int(2 * HALF_M / SWATH_M), int(2 * HALF_M / STEP_M)
    lane, along = np.divmod(np.arange(lanes * per), per)
    north = np.where(lane % 2 == 0, along, per - 1 - along) * STEP_M - HALF_M + STEP_M / 2
    east = lane * SWATH_M - HALF_M + SWATH_M / 2
    n = len(lane)
    tons = surface(east, north) * (1 + 0.06 * rng.standard_normal(n))
    time = np.arange(n) + 25.0 * lane
    speed = STEP_M * (1 + 0.03 * rng.standard_normal(n))
    swath, working = np.full(n, SWATH_M), np.ones(n, dtype=bool)
    fault = np.full(n, -1)

    def mark(name: str, which: np.ndarray) -> np.ndarray:
        free = which[fault[which] < 0]
        fault[free] = FAULTS.index(name)
        return free

    fill = mark("filling", np.flatnonzero(along < 4))
    tons[fill] *= 0.2 + 0.2 * along[fill]
    tons[mark("emptying", np.flatnonzero(along >= per - 3))] *= 0.5
    up = np.flatnonzero((lane % 11 == 4) & (along > 200) & (along < 212))
    working[mark("header up", up)], tons[up] = False, 0.0
    tons[mark("zero", rng.choice(n, n // 200))] = 0.0
    wild = mark("outlier", rng.choice(n, n // 100))
    tons[wild] *= rng.choice([0.1, 3.0, 12.0], len(wild))
    few = mark("narrow swath", np.flatnonzero((lane % 17 == 9) & (along > 20)))
    swath[few], tons[few] = SWATH_M / 3, tons[few] / 3
    slow = mark("speed change", np.flatnonzero((lane % 7 == 3) & (along % 90 == 45)))
    speed[slow], tons[slow] = 0.45 * STEP_M, tons[slow] * 2.2
    stand = mark("standing", np.flatnonzero((lane % 9 == 5) & (along % 110 == 70)))
    speed[stand], tons[stand] = 0.0, tons[stand] * 4
    jump = mark("receiver jump", np.flatnonzero((lane % 13 == 6) & (along % 120 == 60)))
    east = east.copy()
    east[jump] += 130.0 * np.where(east[jump] > 0, -1, 1)
    same = mark("same place", np.flatnonzero((lane % 8 == 2) & (along % 100 == 33)))
    east[same], north[same] = east[same - 1], north[same - 1]
    # Lanes driven again at the end: almost nothing is left to take up.
    again = np.flatnonzero(np.isin(lane, (20, 45, 70)) & (fault < 0))
    order = np.concatenate([np.arange(n), again])
    last = np.concatenate([np.arange(n) < 0, np.ones(len(again), dtype=bool)])
    east, north, swath = east[order] + np.where(last, 1.0, 0.0), north[order], swath[order]
    tons = np.where(last, 0.15 * tons[order], tons[order])
    time = np.where(last, time[order] + time.max() + 60.0, time[order])
    kinds = np.where(last, FAULTS.index("overlap"), fault[order])
    log = YieldLog(
        file="invented", harvest="", source="invented", moisture_pct=12.0,
        record=np.arange(2, len(order) + 2), easting_m=east, northing_m=north, tons_per_ac=tons,
        reason=np.zeros(len(order), dtype=np.int64), reasons=("no-position", "outside-field"),
        time_s=time, speed_m_per_s=speed[order], swath_m=swath, working=working[order])
    return Planted(log=log, fault=kinds)


def error_of(log: YieldLog, grid: Grid, where: Field) -> tuple[float, float]:
    """Root mean square of gridded less true yield, and of their relative patterns, in percent."""
    layer = grid_yield(log=log, grid=grid, field=where, fill_within_m=40.0)
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    use = np.isfinite(layer.values) & shapely.contains_xy(where.boundary, east, north)
    found, true = layer.values[use], surface(east, north)[use]
    pattern = found / found.mean() - true / true.mean()
    return float(np.sqrt(np.mean((found - true) ** 2))), 100 * float(np.sqrt(np.mean(pattern**2)))


def ways(log: YieldLog) -> dict[str, YieldLog]:
    """The log uncleaned, by mean ± 3 standard deviations alone, and by all filters."""
    value = log.tons_per_ac
    far = np.abs(value - value.mean()) > 3 * value.std(ddof=1)
    return {
        "no cleaning": log,
        "mean ± 3 sd only": replace(log, reason=3 * far.astype(np.int64),
                                    reasons=(*log.reasons, "far from the mean")),
        "all filters": clean_yield(log=log),
    }


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    where = field()
    grid = grid_over(where.boundary, cell_m=CELL_M)
    caught = np.zeros((seeds, 3, len(FAULTS)))
    lost, errors = np.zeros((seeds, 3)), np.zeros((seeds, 3, 2))
    by_filter = np.zeros((seeds, 2, len(EVERY)))
    names: list[str] = []
    for k in range(seeds):
        made = planted(k)
        bad = made.fault >= 0
        tried = ways(made.log)
        names = list(tried)
        for w, log in enumerate(tried.values()):
            gone = ~log.kept
            caught[k, w] = [gone[made.fault == f].mean() for f in range(len(FAULTS))]
            lost[k, w] = gone[~bad].mean()
            errors[k, w] = error_of(log, grid, where)
        full = tried["all filters"]
        for j, name in enumerate(EVERY):
            own = full.reason == full.reasons.index(name) + 1
            by_filter[k, :, j] = own[bad].sum() / bad.sum(), own[~bad].sum() / (~bad).sum()
    _tell(names, caught.mean(0), lost.mean(0), errors.mean(0),
          by_filter=by_filter.mean(0), seeds=seeds)


def _tell(
    names: list[str], caught: np.ndarray, lost: np.ndarray, errors: np.ndarray, *,
    by_filter: np.ndarray, seeds: int,
) -> None:
    print(f"numpy {np.__version__}; {seeds} seeds, means; share of readings in percent\n")
    print(f"{'planted fault set aside':<26}" + "".join(f"{name:>20}" for name in names))
    for f, kind in enumerate(FAULTS):
        print(f"  {kind:<24}" + "".join(f"{100 * row[f]:>20.1f}" for row in caught))
    print(f"{'good readings lost':<26}" + "".join(f"{100 * v:>20.2f}" for v in lost))
    print(f"{'rmse, short ton/ac':<26}" + "".join(f"{row[0]:>20.4f}" for row in errors))
    print(f"{'rmse of the pattern, %':<26}" + "".join(f"{row[1]:>20.3f}" for row in errors))
    print("\nall filters: share of all planted, and of all good readings, set aside by each")
    for j, name in enumerate(EVERY):
        if by_filter[:, j].any():
            print(f"  {name:<24}{100 * by_filter[0, j]:>10.2f}{100 * by_filter[1, j]:>10.2f}")


if __name__ == "__main__":
    main()
