"""What was tried for one analyte: every method that the samples can carry, scored."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from vrx.errors import ComputeError
from vrx.model import Finding, FloatArray, IntArray, Variogram, note, warn
from vrx.surfaces.censored import (
    MOST_SHARE,
    Bounds,
    bounds_of,
    fit_with_bounds,
    impute,
    pure_nugget,
    seed_of,
)
from vrx.surfaces.doubts import LEAST_FOR_A_VARIOGRAM, PER_COEFFICIENT, bars
from vrx.surfaces.drift import trend_columns
from vrx.surfaces.fitting import MOST_REML
from vrx.surfaces.folds import spatial_blocks
from vrx.surfaces.kriged import Kriging, fit_kriging
from vrx.surfaces.kriging import kriging_system
from vrx.surfaces.reml import VariogramFit
from vrx.surfaces.samples import Samples, outlier_finding, outlier_limit, robust_z
from vrx.surfaces.scoring import (
    Candidate,
    inverse_distance_candidate,
    kriging_candidate,
    mean_candidate,
    nearest_candidate,
    spline_candidate,
)
from vrx.surfaces.structure import StructureTest, TrendTest, structure_test, trend_test
from vrx.surfaces.variogram import experimental_variogram

FITTED = "kriging, fitted variogram"
"""Beside a variogram that the user states: what the samples' own would do."""
Lags = tuple[FloatArray, FloatArray, FloatArray]


@dataclass(slots=True, kw_only=True)
class Study:
    """Candidates by method, methods barred by reason, findings; `values` (n,) are completed.

    `spread` (c, c) is the covariance of the censored samples, whose bounds are `bounds`; `layers`
    names the covariates in the samples' `beside`. `structure` and `trend` are the tests, None where
    the samples carry no variogram.
    """

    samples: Samples
    values: FloatArray
    block: IntArray | None
    layers: tuple[str, ...] = ()
    bounds: Bounds | None = None
    spread: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    lags: Lags = field(default_factory=lambda: (np.empty(0), np.empty(0), np.empty(0)))
    structure: StructureTest | None = None
    trend: TrendTest | None = None
    candidates: dict[str, Candidate] = field(default_factory=dict)
    barred: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    @property
    def mean(self) -> Candidate:
        """The field mean, the candidate that every method is held against."""
        return self.candidates["field mean"]

    def kriging(self, method: str = "kriging") -> Kriging | None:
        """The fitted kriging of a method, None where it was not possible."""
        one = self.candidates.get(method)
        return None if one is None else one.kriging


def trend_of(places: FloatArray, at: FloatArray) -> FloatArray:
    """Columns of a linear trend at `at` (m, 2), scaled by the samples' `places`; (m, 2)."""
    scale_m = float(np.ptp(places, axis=0).max()) / 2.0 or 1.0
    return trend_columns(at, centre=places.mean(axis=0), scale_m=scale_m)


def study_samples(
    samples: Samples, *, layers: tuple[str, ...] = (), variogram: Variogram | None = None
) -> Study:
    """Fit and score every method. `variogram` is the user's, for every kriging."""
    study = Study(
        samples=samples, values=samples.values, block=spatial_blocks(samples.places),
        layers=layers,
    )
    study.barred, found = bars(samples)
    study.findings += found
    if len(samples) < 2:
        return study
    _censor(study)
    kriging = _try_kriging(study, "kriging", variogram=variogram)
    if kriging is None and study.bounds is not None:
        _complete_without_kriging(study)
    elif kriging is not None and kriging.imputed is not None:
        study.values, study.spread = kriging.values, kriging.imputed.spread
    if len(samples) >= LEAST_FOR_A_VARIOGRAM:
        study.lags = experimental_variogram(places=samples.places, values=study.values)
    own = (study.values, study.block, study.bounds)
    study.candidates["field mean"] = mean_candidate(*own)
    for method, make in (
        ("inverse distance", inverse_distance_candidate), ("spline", spline_candidate),
        ("nearest sample", nearest_candidate),
    ):
        if method not in study.barred:
            try:
                study.candidates[method] = make(samples.places, *own)
            except ComputeError as err:
                study.barred[method] = err.message
    if kriging is not None:
        study.structure = structure_test(places=samples.places, values=study.values)
    if variogram is not None:
        _try_kriging(study, FITTED, fit_as="kriging")
    _try_trend(study, variogram)
    if layers:
        _try_layers(study, variogram)
    _doubt_values(study)
    _tell_bounds(study)
    return study


def _try_kriging(
    study: Study, method: str, *, variogram: Variogram | None = None,
    drift: FloatArray | None = None, names: tuple[str, ...] = (), fit_as: str = "",
    known: VariogramFit | None = None,
) -> Kriging | None:
    if (fit_as or method) in study.barred:
        return None
    try:
        fitted = fit_kriging(
            method=method, places=study.samples.places, values=study.samples.values, drift=drift,
            names=names, bounds=study.bounds, variogram=variogram, known=known,
        )
        study.candidates[method] = kriging_candidate(
            fitted, study.block, study.bounds, study.candidates.get("kriging")
        )
    except ComputeError as err:
        study.barred[method] = err.message
        return None
    return fitted


def _try_trend(study: Study, variogram: Variogram | None) -> None:
    method, places = "kriging with trend", study.samples.places
    if method in study.barred:
        return
    known = None
    if len(places) <= MOST_REML:
        try:
            study.trend = trend_test(places=places, values=study.values)
        except ComputeError as err:
            study.barred[method] = err.message
            return
        # A trend that is not shown will not be taken: what the test fitted is enough for its score.
        known = None if study.trend.shown else study.trend.left_over
    _try_kriging(study, method, variogram=variogram, drift=trend_of(places, places),
                 names=("easting", "northing"), known=known)


def _try_layers(study: Study, variogram: Variogram | None) -> None:
    """Kriging with the layers as drift, where enough samples lie on them."""
    method, drift = "kriging with drift", study.samples.beside
    covered = int(np.isfinite(drift).all(axis=1).sum())
    n, least = len(study.samples), PER_COEFFICIENT * (len(study.layers) + 1)
    if method not in study.barred and (covered < least or 2 * covered < n):
        study.barred[method] = (
            f"{covered} of {n} samples lie on {' and '.join(study.layers)}; at least "
            f"{max(least, (n + 1) // 2)} must"
        )
    _try_kriging(study, method, variogram=variogram, drift=drift, names=study.layers)
    if method in study.barred:
        study.findings.append(warn(
            "surface-drift-not-possible", study.samples.analyte,
            f"{', '.join(study.layers)} cannot guide the map: {study.barred[method]}",
            done="mapped without", todo="take the layer out of [surface] drift, or mend it",
        ))


def _censor(study: Study) -> None:
    samples = study.samples
    if not samples.censored.any():
        return
    study.bounds = bounds_of(samples.values, samples.censored, samples.places)
    measured = samples.values[samples.censored == 0]
    if study.bounds is not None and np.ptp(measured) <= 1e-9 * np.abs(measured).max():
        study.bounds = None
    if study.bounds is None:
        study.findings.append(warn(
            "surface-bounds-not-used", samples.analyte,
            f"only {len(measured)} samples are measured, or all of them are equal: nothing tells "
            "how the results beyond a limit are spread",
            done="those below count as half the limit, those above as the limit",
            todo="ask the laboratory for a lower limit, or take more samples",
        ))


def _complete_without_kriging(study: Study) -> None:
    """Censored samples as independent draws of one normal distribution, cut to their bounds."""
    bounds, samples = study.bounds, study.samples
    if bounds is None:
        return
    seed = seed_of(samples.values)
    fitted = fit_with_bounds(
        places=samples.places, values=samples.values, bounds=bounds, fit=pure_nugget, seed=seed
    )
    system = kriging_system(
        places=samples.places, values=samples.values, variogram=fitted.variogram
    )
    found = impute(system=system, values=samples.values, bounds=bounds, seed=seed + 1)
    study.values, study.spread = found.values, found.spread


def _doubt_values(study: Study) -> None:
    """Measured samples that kriging misses by far; those named already are not named twice."""
    one = study.candidates.get("kriging")
    if one is None or one.kriging is None:
        return
    residual, variance = one.kriging.left_out()
    samples = study.samples
    named = np.abs(robust_z(samples.values)) > outlier_limit(len(samples))
    fresh = np.where(named | (samples.censored != 0), 0.0, residual / np.sqrt(variance))
    study.findings.extend(outlier_finding(samples, fresh, "leave-one-out z"))


def _tell_bounds(study: Study) -> None:
    samples = study.samples
    if study.bounds is None:
        return
    n, below = len(samples), int((samples.censored < 0).sum())
    above = int((samples.censored > 0).sum())
    words = [f"{k} of {n} results lie {side} the laboratory's limit"
             for k, side in ((below, "below"), (above, "above")) if k]
    plain, bounded = float(samples.values.mean()), float(study.values.mean())
    told = (
        f"{' and '.join(words)}: known only as bounds. Mean with half the limit (or the limit) in "
        f"their place {plain:.4g}, with the bounds {bounded:.4g} {samples.unit}"
    )
    share = (below + above) / n
    if share > MOST_SHARE:
        side = "an upper bound of" if below and not above else "a lower bound of" if not below \
            else "bounds of"
        study.findings.append(warn(
            "surface-bounds-many", samples.analyte, told, value=f"{share:.2f}",
            done=f"above {MOST_SHARE:.0%} the map rests on the shape assumed for the values: where "
            f"they were cut it is no more than {side} the soil test",
            todo="ask the laboratory for a method with a wider range before rates rest on it",
        ))
    else:
        study.findings.append(note(
            "surface-bounds", samples.analyte, told, value=f"{share:.2f}",
            done="mapped from the values that they can have, given the samples around; the "
            "standard errors include what is not known of them",
        ))
