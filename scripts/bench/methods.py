"""What the automatic choice of a map costs or gains, on fields whose truth is known.

`python scripts/bench/methods.py [FIELDS]` (default 40 per kind): root mean square error of each map
at 400 places of the true field, as a ratio to kriging with the true model (pure nugget: to the
field mean); median and 90th percentile over the fields of a kind. Beside the choice: scipy's
RBFInterpolator as it comes, PyKrige's automatic variogram, the field mean. One run, no tests.
`python scripts/bench/methods.py real`: the choice on real soil tables (LimeSoDa 0.1.5).
"""

from __future__ import annotations

import importlib.util
import sys
import time
import warnings
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pykrige.ok import OrdinaryKriging
from scipy.interpolate import RBFInterpolator
from scipy.spatial.distance import cdist

from vrx.errors import ComputeError
from vrx.model import FloatArray, Grid, Variogram
from vrx.surfaces import kriging_system, map_analyte, point_krige

SIDE_M = 800.0
GRID = Grid(west_m=0.0, north_m=SIDE_M, cell_m=40.0, rows=20, columns=20)
COLUMNS = ("choice", "scipy RBF", "PyKrige", "field mean")


@dataclass(frozen=True)
class Kind:
    """One kind of field: covariance, nugget share, samples, layout, trend, effect of a layer."""

    name: str
    model: str
    range_m: float
    nugget: float
    n: int
    layout: str = "random"
    trend: float = 0.0
    effect: float = 0.0


KINDS = (
    Kind("exponential, nugget .1, n 30", "exponential", 150.0, 0.1, 30),
    Kind("exponential, nugget .5, n 30", "exponential", 150.0, 0.5, 30),
    Kind("exponential, nugget .1, n 60", "exponential", 150.0, 0.1, 60),
    Kind("exponential, nugget .5, n 60", "exponential", 150.0, 0.5, 60),
    Kind("exponential, nugget .5, grid 64", "exponential", 150.0, 0.5, 64, "grid"),
    Kind("exponential, nugget .3, n 150", "exponential", 150.0, 0.3, 150),
    Kind("exponential, clustered 64", "exponential", 150.0, 0.3, 64, "cluster"),
    Kind("smooth, nugget .1, n 60", "gaussian", 200.0, 0.1, 60),
    Kind("smooth, nugget .3, grid 64", "gaussian", 200.0, 0.3, 64, "grid"),
    Kind("trend + exponential, n 60", "exponential", 100.0, 0.3, 60, trend=1.0),
    Kind("trend + noise, n 60", "none", 1.0, 1.0, 60, trend=1.0),
    Kind("layer + exponential, n 60", "exponential", 100.0, 0.4, 60, effect=1.0),
    Kind("layer + noise, n 60", "none", 1.0, 1.0, 60, effect=1.0),
    Kind("pure nugget, n 30", "none", 1.0, 1.0, 30),
    Kind("pure nugget, grid 64", "none", 1.0, 1.0, 64, "grid"),
)


def places_of(kind: Kind, rng: np.random.Generator) -> FloatArray:
    if kind.layout == "random":
        return rng.uniform(0.0, SIDE_M, (kind.n, 2))
    if kind.layout == "grid":
        steps = (np.arange(8) + 0.5) * SIDE_M / 8
        east, north = np.meshgrid(steps, steps)
        return np.column_stack([east.ravel(), north.ravel()]) + rng.uniform(-10.0, 10.0, (64, 2))
    centres = rng.uniform(100.0, 700.0, (8, 2))
    near = centres[rng.integers(0, 8, kind.n)] + rng.normal(0.0, 25.0, (kind.n, 2))
    return np.clip(near, 0.0, SIDE_M) + rng.uniform(0.0, 0.5, (kind.n, 2))


def shape(model: str, distance: FloatArray, range_m: float) -> FloatArray:
    if model == "none":
        return np.zeros_like(distance)
    scaled = distance / range_m
    return np.exp(-scaled) if model == "exponential" else np.exp(-scaled * scaled)


def drawn(cov: FloatArray, rng: np.random.Generator) -> FloatArray:
    root, vectors = np.linalg.eigh(cov)
    return vectors @ (np.sqrt(np.maximum(root, 0.0)) * rng.normal(size=len(cov)))


def rmse(found: FloatArray, truth: FloatArray) -> float:
    return float(np.sqrt(np.mean((found - truth) ** 2)))


def one_field(kind: Kind, seed: int) -> tuple[dict[str, float], str]:
    """Ratios of the errors, and the method chosen."""
    rng = np.random.default_rng(seed)
    places = places_of(kind, rng)
    east, north = np.meshgrid(GRID.easting_m, GRID.northing_m)
    targets = np.column_stack([east.ravel(), north.ravel()])
    everywhere = np.vstack([places, targets])
    distance = cdist(everywhere, everywhere)
    layer = drawn(np.exp(-((distance / 250.0) ** 2)), rng)
    known = kind.trend * (everywhere[:, 0] - SIDE_M / 2) / 230.0 + kind.effect * layer
    structure = (1.0 - kind.nugget) * shape(kind.model, distance, kind.range_m)
    field = drawn(structure, rng) + known
    n = len(places)
    values = 10.0 + field[:n] + np.sqrt(kind.nugget) * rng.normal(size=n)
    truth = 10.0 + field[n:]
    surface = map_analyte(
        analyte="potassium", unit="ppm", places=places, values=values, grid=GRID,
        drift={"layer": layer[n:].reshape(GRID.shape)} if kind.effect else None,
        drift_at_samples={"layer": layer[:n]},
    )
    found = {"choice": rmse(surface.values.ravel(), truth)}
    spline = RBFInterpolator(places / SIDE_M, values)
    found["scipy RBF"] = rmse(spline(targets / SIDE_M), truth)
    found["PyKrige"] = rmse(pykrige_map(places, values, targets), truth)
    found["field mean"] = rmse(np.full(len(targets), values.mean()), truth)
    best = found["field mean"]
    if kind.model == "exponential":
        model = Variogram(model="exponential", nugget=kind.nugget, partial_sill=1.0 - kind.nugget,
                          range_m=kind.range_m)
        system = kriging_system(places=places, values=values - known[:n], variogram=model)
        best = rmse(point_krige(system=system, targets=targets)[0] + known[n:], truth)
    elif kind.model == "gaussian":
        inner = structure[:n, :n] + kind.nugget * np.eye(n)
        weights = np.linalg.solve(inner, np.column_stack([values - known[:n], np.ones(n)]))
        level = weights[:, 0].sum() / weights[:, 1].sum()
        best = rmse(level + structure[n:, :n] @ (weights[:, 0] - level * weights[:, 1])
                    + known[n:], truth)
    elif kind.trend or kind.effect:
        basis = np.column_stack([np.ones(n), known[:n]])
        line = np.linalg.lstsq(basis, values, rcond=None)[0]
        best = rmse(line[0] + line[1] * known[n:], truth)
    return {name: value / best for name, value in found.items()}, surface.method


def pykrige_map(places: FloatArray, values: FloatArray, targets: FloatArray) -> FloatArray:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = OrdinaryKriging(*places.T, values, variogram_model="exponential")
        return np.asarray(model.execute("points", *targets.T)[0])


def known_truth(fields: int) -> None:
    print(f"{fields} fields a kind; ratio of errors to the true model: median (90th percentile)")
    print("kind".ljust(34), *(name.rjust(15) for name in COLUMNS), "  chosen")
    begun = time.perf_counter()
    for number, kind in enumerate(KINDS):
        both = [one_field(kind, 1000 * number + seed) for seed in range(fields)]
        cells = []
        for name in COLUMNS:
            ratios = [found[name] for found, _ in both]
            cells.append(f"{np.median(ratios):.3f} ({np.quantile(ratios, 0.9):.2f})".rjust(15))
        chosen = Counter(method for _, method in both).most_common()
        print(kind.name.ljust(34), *cells, "  " + ", ".join(f"{m} {k}" for m, k in chosen),
              flush=True)
    print(f"{time.perf_counter() - begun:.0f} s")


def real_tables() -> list[tuple[str, str, FloatArray, FloatArray]]:
    """Soil tables with true coordinates in metres: set, quantity, places, values."""
    spec = importlib.util.find_spec("LimeSoDa")
    if spec is None or spec.origin is None:
        raise SystemExit("LimeSoDa is absent: pip install --no-deps LimeSoDa==0.1.5")
    found = []
    for path in sorted((Path(spec.origin).parent / "data").glob("*.npz")):
        held = np.load(path, allow_pickle=True)
        headings = [str(one) for one in held.get("coordinates_columns", ())]
        if not headings or "dummy" in headings[0]:
            continue
        places = np.asarray(held["coordinates_data"], dtype=np.float64)[:, :2]
        for column, heading in enumerate(held["dataset_columns"]):
            if str(heading).endswith("_target"):
                values = np.asarray(held["dataset_data"][:, column], dtype=np.float64)
                known = np.isfinite(values)
                name = str(heading).removesuffix("_target")
                found.append((path.stem, name, places[known], values[known]))
    return found


def real() -> None:
    print("set       quantity   n  method               error / mean's: alone, in blocks;  ms")
    gains, lost = [], 0
    for name, quantity, places, values in real_tables():
        west, south = places.min(axis=0)
        size = float(np.ptp(places, axis=0).max())
        grid = Grid(west_m=west, north_m=south + size, cell_m=size / 100, rows=100, columns=100)
        begun = time.perf_counter()
        try:
            surface = map_analyte(
                analyte="potassium", unit="", places=places, values=values, grid=grid)
        except ComputeError as err:
            print(f"{name:9} {quantity:8} {len(values):4}  {err.message}")
            continue
        took = time.perf_counter() - begun
        by = {one.method: one for one in surface.scores}
        own, mean = by[surface.method], by["field mean"]
        gains.append(own.rmse / mean.rmse)
        lost += own.rmse > (1.0 + 1e-9) * mean.rmse
        blocks = own.block_rmse / mean.block_rmse if own.block_rmse and mean.block_rmse else np.nan
        print(f"{name:9} {quantity:8} {own.n:4}  {own.method:20} {gains[-1]:.3f}  {blocks:.3f}  "
              f"{took * 1e3:.0f}", flush=True)
    print(f"{len(gains)} tables, median {np.median(gains):.3f}, lost to the mean {lost}")


if __name__ == "__main__":
    if sys.argv[1:] == ["real"]:
        real()
    else:
        known_truth(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
