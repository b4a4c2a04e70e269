"""Do nine in ten intervals hold nine in ten new samples? Counted on simulated fields, by scenario.

    OPENBLAS_NUM_THREADS=1 nice python scripts/bench/coverage.py [--fields 200] [--few]
        [--layouts random grid] [--truths exponential spherical gaussian "two scales"]

Fields of 65 ha with 30, 60 or 150 samples at random or on a grid, nugget share 0.1, 0.3 or 0.5. The
truth is exponential (fitted with that model: rightly specified), or spherical, Gaussian or a sum of
two scales (fitted by the automatic choice: the last two are no model of ours). Each field has 60
new samples at random places; an interval is estimate ± 1.645 standard errors. The first column
takes the fitted variogram as true, the second raises the variance by (n - p) / (n - p - 5); the
last is what maps show: raised further where other variograms fit as well, and the field mean's
interval where no structure is shown. `--few` adds 8, 12 and 20 samples. A scenario outside 85 to
95 % is marked, and makes the exit code 1.
"""

from __future__ import annotations

import argparse
import runpy
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from vrx.model import FloatArray
from vrx.surfaces import (
    VariogramFit,
    fit_reml,
    fit_variogram,
    kriging_system,
    point_krige,
    structure_test,
    with_allowance,
)

NORMAL_90 = 1.6448536
TARGETS = 60
TRUTHS = ("exponential", "spherical", "gaussian", "two scales")
SHARES = (0.1, 0.3, 0.5)


def _fields() -> SimpleNamespace:
    path = Path(__file__).resolve().parents[2] / "tests" / "surfaces" / "simulated_fields.py"
    return SimpleNamespace(**runpy.run_path(str(path)))


FIELDS = _fields()


def fitted(truth: str, places: FloatArray, values: FloatArray) -> VariogramFit:
    if truth == "exponential":
        return fit_reml(places=places, values=values)
    return fit_variogram(places=places, values=values)


def one_field(
    *, truth: str, kind: str, n: int, share: float, rng: np.random.Generator
) -> tuple[float, float, float]:
    """Shares of new samples within plain intervals, within raised ones, within those shown."""
    places, values, targets, news = FIELDS.field(
        truth=truth, kind=kind, n=n, nugget_share=share, rng=rng, targets=TARGETS
    )
    fit = fitted(truth, places, values)
    estimate, variance = point_krige(
        system=kriging_system(places=places, values=values, variogram=fit.variogram),
        targets=targets,
    )
    miss = np.abs(news - estimate)
    plain = miss <= NORMAL_90 * np.sqrt(variance)
    raised = miss <= NORMAL_90 * np.sqrt(variance * fit.variance_factor)
    allowed = with_allowance(places=places, values=values, fit=fit)
    shown = miss <= NORMAL_90 * np.sqrt(variance * allowed.variance_factor)
    if not structure_test(places=places, values=values).shown:
        error = values.std(ddof=1) * np.sqrt(1.0 + 1.0 / n)
        shown = np.abs(news - values.mean()) <= NORMAL_90 * error
    return float(plain.mean()), float(raised.mean()), float(shown.mean())


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fields", type=int, default=200)
    parser.add_argument("--few", action="store_true")
    parser.add_argument("--layouts", nargs="+", default=["random", "grid"])
    parser.add_argument("--truths", nargs="+", default=list(TRUTHS))
    asked = parser.parse_args()
    outside, start = 0, time.perf_counter()
    print("layout  truth        n    nugget   plain   raised  shown")
    for kind in asked.layouts:
        for truth in asked.truths:
            for n in (*((8, 12, 20) if asked.few else ()), 30, 60, 150):
                for share in SHARES:
                    rng = np.random.default_rng(
                        [n, int(10 * share), TRUTHS.index(truth), kind == "grid"]
                    )
                    held = np.mean(
                        [one_field(truth=truth, kind=kind, n=n, share=share, rng=rng)
                         for _ in range(asked.fields)], axis=0,
                    )
                    bad = not 0.85 <= held[2] <= 0.95
                    outside += bad
                    print(
                        f"{kind:7} {truth:12} {n:<4} {share:<6}  "
                        + "  ".join(f"{100 * one:5.1f}%" for one in held)
                        + ("  OUTSIDE 85 to 95 %" if bad else ""), flush=True,
                    )
    print(
        f"{outside} scenarios outside 85 to 95 %, {asked.fields} fields each, "
        f"{time.perf_counter() - start:.0f} s"
    )
    return 1 if outside else 0


if __name__ == "__main__":
    sys.exit(main())
