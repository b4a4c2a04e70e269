"""What samples cannot carry, and what a reader of the map must know of them."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from vrx.model import BoolArray, Finding, FloatArray, Grid, note, warn
from vrx.surfaces.samples import Samples, on_one_line
from vrx.surfaces.spline import LEAST as LEAST_FOR_A_SPLINE
from vrx.surfaces.spline import MOST as MOST_FOR_A_SPLINE

LEAST_FOR_A_MAP = 5
LEAST_FOR_A_VARIOGRAM = 8
LEAST_DISTINCT = 4
PER_COEFFICIENT = 5
"""Samples that each coefficient of a trend, the mean among them, must have (own rule)."""
EQUAL = 1e-9
"""Relative spread below which values are equal but for rounding."""
FAR_SPACINGS = 1.5
"""Distance, in mean spacings sqrt(area / n), beyond which a place is far from every sample.

Of evenly spread samples no cell inside is farther than 0.71; of random ones exp(-1.5^2 pi) = 0.1 %
of the cells are (Poisson process), more along the boundary.
"""
FAR_SHARE = 0.10
FEET = 0.3048

KRIGINGS = ("kriging", "kriging with trend", "kriging with drift")
SIMPLE = ("inverse distance", "spline", "nearest sample")


def bars(samples: Samples) -> tuple[dict[str, str], list[Finding]]:
    """Methods that the samples cannot carry, each with the reason, and findings."""
    n, distinct = len(samples), len(np.unique(samples.values))
    if np.ptp(samples.values) <= EQUAL * np.abs(samples.values).max():
        distinct = 1
    barred: dict[str, str] = {}
    findings: list[Finding] = []
    count = f"{n} sample{'s' if n > 1 else ''}"
    if n < LEAST_FOR_A_VARIOGRAM:
        barred = dict.fromkeys(KRIGINGS, f"{count}, {LEAST_FOR_A_VARIOGRAM} are the least")
        few = n < LEAST_FOR_A_MAP
        if few:
            barred |= dict.fromkeys(SIMPLE, f"{count}, {LEAST_FOR_A_MAP} are the least")
        findings.append(warn(
            "surface-too-few", samples.analyte,
            f"{count}: too few for a variogram (at least {LEAST_FOR_A_VARIOGRAM})"
            + (f" or a map (at least {LEAST_FOR_A_MAP})" if few else ""),
            done="one value for the field: the mean" if few else "no kriging",
            todo="take more samples, or apply one rate" if few else "take more samples",
        ))
    line = on_one_line(samples.places)
    if n < LEAST_FOR_A_VARIOGRAM:
        barred.setdefault("nearest sample", f"{count}, {LEAST_FOR_A_VARIOGRAM} are the least")
    if n < LEAST_FOR_A_SPLINE or n > MOST_FOR_A_SPLINE or line:
        barred.setdefault("spline", "the samples lie on one line" if line else (
            f"{count}, {LEAST_FOR_A_SPLINE} to {MOST_FOR_A_SPLINE} can be used"))
    if n > 1 and distinct == 1:
        barred |= dict.fromkeys((*KRIGINGS, *SIMPLE), "all values are equal")
        findings.append(note(
            "surface-constant", samples.analyte,
            f"no variation: all {n} values are {samples.values[0]:g} {samples.unit}",
            done="this value in every cell", todo="apply one rate",
        ))
    elif n >= LEAST_FOR_A_VARIOGRAM and distinct < LEAST_DISTINCT:
        barred |= dict.fromkeys(
            KRIGINGS, f"{distinct} distinct values, {LEAST_DISTINCT} are the least")
        findings.append(warn(
            "surface-few-values", samples.analyte,
            f"{n} samples have only {distinct} distinct values: too few for a variogram",
            done="no kriging", todo="ask the lab for unrounded results",
        ))
    if line:
        barred.setdefault("kriging with trend", "the samples lie on one line")
        findings.append(warn(
            "surface-collinear", samples.analyte,
            f"the {n} samples lie on one line: no information across it",
            done="values stay within those measured", todo="sample beside the line",
        ))
    least = 3 * PER_COEFFICIENT
    if n < least:
        barred.setdefault("kriging with trend", f"{count}, {least} are the least")
    return barred, findings


def far_findings(
    samples: Samples, *, grid: Grid, targets: FloatArray, inside: BoolArray
) -> list[Finding]:
    """A warning where much of the field lies far from every sample.

    targets (m, 2) cell centres, inside (m,): those in the field.
    """
    n = len(samples)
    if n < LEAST_FOR_A_MAP or not inside.any():
        return []
    area_m2 = float(inside.sum()) * grid.cell_m**2
    far_m = FAR_SPACINGS * float(np.sqrt(area_m2 / n))
    distance, _ = cKDTree(samples.places).query(targets[inside])
    share = float(np.mean(distance > far_m))
    if share <= FAR_SHARE:
        return []
    return [warn(
        "surface-far-from-samples", samples.analyte,
        f"{share:.0%} of the field lies more than {far_m / FEET:.0f} ft from any sample, up to "
        f"{distance.max() / FEET:.0f} ft; {n} samples spread evenly would leave none so far",
        value=f"{share:.3f}", done="mapped from the samples there are; the standard errors say how "
        "little is known there", todo="sample there before a variable rate is applied there",
    )]
