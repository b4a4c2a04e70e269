"""What is told of a map's variogram: words, the refit without doubtful samples, the judgement."""

from __future__ import annotations

import numpy as np

from vrx.errors import ComputeError
from vrx.model import Finding, FloatArray
from vrx.surfaces.choice import drifting
from vrx.surfaces.judging import judge_variogram, judgement_findings
from vrx.surfaces.outliers import outlier_refit_finding, refit_without_outliers
from vrx.surfaces.samples import outlier_limit, robust_z
from vrx.surfaces.structure import TrendTest
from vrx.surfaces.study import FITTED, Study, trend_of
from vrx.surfaces.telling import describe, structure_words


def variogram_words(study: Study, used: str) -> tuple[str, ...]:
    """Plain sentences for the picture; of the test alone where the map is not kriged."""
    kriging = study.kriging(used)
    if kriging is None:
        return () if study.structure is None else (structure_words(study.structure),)
    seen_m = float(study.lags[0].max()) if len(study.lags[0]) else None
    words = describe(
        fit=kriging.fit, n=int(kriging.covered.sum()), unit=study.samples.unit,
        structure=study.structure, trend=_trend(study), seen_m=seen_m,
    )
    if kriging.names:
        left = f"The model is of what {' and '.join(kriging.names)} leave over"
        words += (f"{left}, the points are of the values themselves.",)
    return words


def _trend(study: Study) -> TrendTest | None:
    """The test of a trend, unless the choice of method comes to see one that it does not show."""
    test = study.trend
    return test if test is None or test.shown == drifting(study, "kriging with trend") else None


def refit_findings(study: Study, targets: FloatArray) -> list[Finding]:
    """The variogram and the map without doubtful samples, where there are any."""
    one, samples = study.kriging(), study.samples
    if one is None or one.fit.method == "stated":
        return []
    doubted = np.abs(robust_z(samples.values)) > outlier_limit(len(samples))
    try:
        refit = refit_without_outliers(
            places=samples.places, values=study.values, fit=one.fit, targets=targets,
            doubted=doubted,
        )
    except ComputeError:
        return []  # kriging itself was not possible: said by the study already
    if refit is None:
        return []
    return [outlier_refit_finding(
        refit=refit, analyte=samples.analyte, unit=samples.unit, names=samples.names,
        values=study.values,
    )]


def stated_findings(study: Study, used: str) -> list[Finding]:
    """Both scores of a stated variogram and the fitted one, and doubts."""
    one, samples = study.kriging(used), study.samples
    if one is None or one.fit.method != "stated":
        return []
    inside = one.covered
    drift = one.drift
    if used == "kriging with trend":
        drift = trend_of(samples.places, samples.places)
    fitted = study.kriging(FITTED)
    return list(judgement_findings(
        judgement=judge_variogram(
            places=samples.places[inside], values=one.values[inside], stated=one.fit.variogram,
            automatic=fitted.fit if fitted is not None and drift is None else None, drift=drift,
        ),
        analyte=samples.analyte, unit=samples.unit, places=samples.places,
    ))
