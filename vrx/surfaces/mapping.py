"""From samples to a soil-test map: method chosen by test, guarded, limited to what was measured."""

from __future__ import annotations

from dataclasses import dataclass, field
from difflib import get_close_matches

import numpy as np

from vrx.errors import ComputeError
from vrx.model import Finding, FloatArray, Grid, MethodScore, Surface, note, warn
from vrx.surfaces.kriging import point_krige
from vrx.surfaces.samples import (
    Samples,
    on_one_line,
    outlier_finding,
    outlier_limit,
    prepare,
    robust_z,
)
from vrx.surfaces.scoring import (
    Kriging,
    fit_kriging,
    inverse_distance_score,
    mean_score,
)
from vrx.surfaces.simple import inverse_distance
from vrx.surfaces.variogram import experimental_variogram

METHODS = ("choose", "kriging", "inverse distance", "field mean")
LEAST_FOR_A_MAP = 5
LEAST_FOR_A_VARIOGRAM = 8
LEAST_DISTINCT = 4
EQUAL = 1e-9
"""Relative spread below which values are equal but for rounding."""
STRUCTURE_RATIO = 3.84
"""Likelihood ratio that shows structure: the 5 % point of chi-square with 1 degree of freedom.

On simulated pure nugget (8 to 100 samples, random and regular places) 0.5 to 7 % exceed it.
"""

Lags = tuple[FloatArray, FloatArray, FloatArray]


@dataclass(slots=True, kw_only=True)
class _Study:
    """What was tried for one analyte."""

    samples: Samples
    lags: Lags
    scores: dict[str, MethodScore] = field(default_factory=dict)
    kriging: Kriging | None = None
    barred: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    @property
    def structured(self) -> bool:
        """Whether the likelihood ratio shows structure; true where it could not be tested."""
        return self.kriging is None or self.kriging.fit.likelihood_ratio > STRUCTURE_RATIO

    def beats_mean(self, method: str) -> bool:
        """Whether a method's error is lower than the mean's by more than rounding."""
        return self.scores[method].rmse < (1.0 - 1e-9) * self.scores["field mean"].rmse


def _check_request(analyte: str, method: str, grid: Grid) -> None:
    if method not in METHODS:
        near = get_close_matches(method, METHODS, n=1, cutoff=0.0)[0]
        raise ComputeError(
            f"method {method!r} is not known", code="surface-method-unknown", where=analyte,
            hint=f'the nearest name is "{near}"; known are {", ".join(METHODS)}',
        )
    if grid.rows < 1 or grid.columns < 1 or not grid.cell_m > 0.0:
        raise ComputeError(
            f"the grid has {grid.rows} x {grid.columns} cells of {grid.cell_m} m",
            code="surface-grid-empty", where=analyte, hint="give a grid with cells",
        )


def _bars(study: _Study) -> None:
    """Say which methods the samples cannot carry, and why."""
    samples, findings = study.samples, study.findings
    n, distinct = len(samples), len(np.unique(samples.values))
    if np.ptp(samples.values) <= EQUAL * np.abs(samples.values).max():
        distinct = 1
    both = ("kriging", "inverse distance")
    if n < LEAST_FOR_A_MAP:
        count = f"{n} sample{'s' if n > 1 else ''}"
        study.barred = {
            "kriging": f"{count}, {LEAST_FOR_A_VARIOGRAM} are the least",
            "inverse distance": f"{count}, {LEAST_FOR_A_MAP} are the least",
        }
        text = (
            f"{count}: too few for a variogram (at least {LEAST_FOR_A_VARIOGRAM}) or a map "
            f"(at least {LEAST_FOR_A_MAP})"
        )
        findings.append(warn(
            "surface-too-few", samples.analyte, text, done="one value for the field: the mean",
            todo="take more samples, or apply one rate",
        ))
    elif n < LEAST_FOR_A_VARIOGRAM:
        study.barred = {"kriging": f"{n} samples, {LEAST_FOR_A_VARIOGRAM} are the least"}
        findings.append(warn(
            "surface-too-few", samples.analyte,
            f"{n} samples: too few for a variogram (at least {LEAST_FOR_A_VARIOGRAM})",
            done="no kriging", todo="take more samples",
        ))
    if n > 1 and distinct == 1:
        study.barred = dict.fromkeys(both, "all values are equal")
        findings.append(note(
            "surface-constant", samples.analyte,
            f"no variation: all {n} values are {samples.values[0]:g} {samples.unit}",
            done="this value in every cell", todo="apply one rate",
        ))
    elif n >= LEAST_FOR_A_VARIOGRAM and distinct < LEAST_DISTINCT:
        study.barred["kriging"] = f"{distinct} distinct values, {LEAST_DISTINCT} are the least"
        findings.append(warn(
            "surface-few-values", samples.analyte,
            f"{n} samples have only {distinct} distinct values: too few for a variogram",
            done="no kriging", todo="ask the lab for unrounded results",
        ))
    if on_one_line(samples.places):
        findings.append(warn(
            "surface-collinear", samples.analyte,
            f"the {n} samples lie on one line: no information across it",
            done="values stay within those measured", todo="sample beside the line",
        ))


def _try_methods(study: _Study) -> None:
    """Score every method that the samples can carry."""
    samples = study.samples
    if len(samples) < 2:
        return
    study.scores["field mean"] = mean_score(samples)
    mean_rmse = study.scores["field mean"].rmse
    if "inverse distance" not in study.barred:
        study.scores["inverse distance"] = inverse_distance_score(samples, mean_rmse)
    if "kriging" in study.barred:
        return
    try:
        study.kriging = fit_kriging(samples, study.lags, mean_rmse)
    except ComputeError as err:
        study.barred["kriging"] = err.message
        return
    study.scores["kriging"] = study.kriging.score
    # Those that the robust z has named already are not named twice.
    named = np.abs(robust_z(samples.values)) > outlier_limit(len(samples))
    fresh = np.where(named, 0.0, study.kriging.standardised)
    study.findings.extend(outlier_finding(samples, fresh, "leave-one-out z"))


def _no_structure(study: _Study) -> Finding:
    samples = study.samples
    if not study.structured and study.kriging is not None:
        ratio = study.kriging.fit.likelihood_ratio
        why = f"likelihood ratio {ratio:.2f} against pure nugget, {STRUCTURE_RATIO} is needed (5 %)"
    else:
        rivals = [s for s in study.scores.values() if s.method != "field mean"]
        best = min(rivals, key=lambda s: s.rmse)
        mean = study.scores["field mean"]
        why = (
            f"the best of {len(rivals)} methods ({best.method}) errs by {best.rmse:.4g} "
            f"{samples.unit} at left-out samples, the field mean by {mean.rmse:.4g}"
        )
    return warn(
        "surface-no-structure", samples.analyte,
        f"no spatial structure found in {len(samples)} samples: {why}",
        done=f"uniform value {samples.values.mean():.4g} {samples.unit}, the field mean",
        todo="apply one rate, or sample more densely",
    )


def _choose(study: _Study) -> str:
    rivals = [m for m in study.scores if m != "field mean" and study.beats_mean(m)]
    if study.structured and rivals:
        return min(rivals, key=lambda m: study.scores[m].rmse)
    if len(study.scores) > 1:
        study.findings.append(_no_structure(study))
    return "field mean"


def _obey(study: _Study, method: str) -> str:
    """The user's method, or the field mean where the samples cannot carry it."""
    samples = study.samples
    if method in study.barred:
        chosen = "field mean"
        if method == "kriging" and "inverse distance" not in study.barred:
            chosen = "inverse distance" if study.beats_mean("inverse distance") else chosen
        study.findings.append(warn(
            "surface-method-not-possible", samples.analyte,
            f"{method} cannot be done: {study.barred[method]}", value=method,
            done=f"{chosen} instead",
        ))
        return chosen
    weak = method != "field mean" and not (study.structured and study.beats_mean(method))
    if weak:
        mean, own = study.scores["field mean"], study.scores[method]
        study.findings.append(warn(
            "surface-worse-than-mean", samples.analyte,
            f"{method} was asked for, but shows no gain over the field mean: error {own.rmse:.4g} "
            f"against {mean.rmse:.4g} {samples.unit} at left-out samples"
            + ("" if study.structured else ", and no spatial structure at the 5 % level"),
            value=method, done="kept as asked", todo="apply one rate, or sample more densely",
        ))
    return method


def _draw(study: _Study, method: str, targets: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Values and standard errors at `targets` (m, 2), both (m,)."""
    samples = study.samples
    if method == "kriging" and study.kriging is not None:
        if study.kriging.fit.at_bound:
            study.findings.append(note(
                "surface-range-at-bound", samples.analyte,
                "the fitted range reached the longest allowed: values trend across the field",
                value=f"{study.kriging.fit.variogram.range_m:.0f} m",
            ))
        values, variance = point_krige(system=study.kriging.system, targets=targets)
        return values, np.sqrt(variance)
    if method == "inverse distance":
        values = inverse_distance(
            places=samples.places, values=samples.values, targets=targets
        )
        return values, np.full(len(targets), study.scores[method].rmse)
    n = len(samples)
    if n == 1:
        # Nothing is known of the spread; finite and large rather than a false certainty.
        error = abs(float(samples.values[0]))
        study.findings.append(warn(
            "surface-one-sample", samples.analyte,
            "the standard error cannot be known from one sample",
            done="assumed as large as the value itself", todo="take more samples",
        ))
    else:
        error = float(samples.values.std(ddof=1)) * float(np.sqrt(1.0 + 1.0 / n))
    return np.full(len(targets), samples.values.mean()), np.full(len(targets), error)


def _limit(study: _Study, method: str, values: FloatArray) -> FloatArray:
    """Values within those measured; how many cells were limited becomes a finding."""
    low, high = float(study.samples.values.min()), float(study.samples.values.max())
    slack = 1e-9 * max(abs(low), abs(high))
    limited = int(np.count_nonzero((values < low - slack) | (values > high + slack)))
    if limited:
        study.findings.append(note(
            "surface-limited", study.samples.analyte,
            f"{method} gave {values.min():.4g} to {values.max():.4g} {study.samples.unit}, beyond "
            f"the {low:g} to {high:g} measured, in {limited} of {len(values)} cells",
            value=str(limited), done=f"these cells limited to {low:g} to {high:g}",
        ))
    return np.clip(values, low, high)


def map_analyte(
    *,
    analyte: str,
    unit: str,
    places: FloatArray,
    values: FloatArray,
    grid: Grid,
    method: str = "choose",
    sample_id: tuple[str, ...] | None = None,
) -> Surface:
    """Map one analyte over every cell of `grid`.

    places (n, 2) easting and northing in metres, values (n,) in `unit`, `sample_id` names for
    findings. `method` is "choose", "kriging", "inverse distance" or "field mean".

    "choose" takes the method with the lowest leave-one-out error among ordinary kriging, inverse
    distance and the field mean; but the mean, with `surface-no-structure`, where none beats it or
    where the likelihood ratio against pure nugget stays below 3.84 (5 %). Kriging takes the
    variogram by REML (WLS above 400 samples), exponential unless the spherical model is clearly
    likelier. The standard error is that of a new sample at the cell centre: from kriging variance
    (nugget included), from the samples' deviation for the mean, the leave-one-out error for inverse
    distance. Values never leave the measured range. `variogram` is None unless kriging was used.

    Raises `ComputeError`: unknown method, no sample, wrong shapes, values that are not finite.
    """
    _check_request(analyte, method, grid)
    samples = prepare(
        analyte=analyte, unit=unit, places=places, values=values, sample_id=sample_id
    )
    lags: Lags = (np.empty(0), np.empty(0), np.empty(0))
    if len(samples) >= LEAST_FOR_A_VARIOGRAM:
        lags = experimental_variogram(places=samples.places, values=samples.values)
    study = _Study(samples=samples, lags=lags)
    _bars(study)
    _try_methods(study)
    used = _choose(study) if method == "choose" else _obey(study, method)
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    targets = np.column_stack([east.ravel(), north.ravel()])
    drawn, error = _draw(study, used, targets)
    drawn = _limit(study, used, drawn)
    kriging = study.kriging if used == "kriging" else None
    return Surface(
        analyte=analyte, unit=unit, grid=grid, values=drawn.reshape(grid.shape),
        standard_error=error.reshape(grid.shape), method=used,
        variogram=kriging.fit.variogram if kriging is not None else None,
        scores=tuple(study.scores[m] for m in METHODS if m in study.scores),
        lag_m=lags[0], lag_semivariance=lags[1], lag_pairs=lags[2],
        findings=(*samples.findings, *study.findings),
    )
