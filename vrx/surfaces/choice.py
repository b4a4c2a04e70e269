"""Which method draws the map, and in words why the others do not.

A method is supported by a test: kriging by `structure_test`, a layer by the F test of its
coefficients, a trend by that or by `trend_test`, the others by structure or trend. It must beat the
field mean at samples left out. Of those that do, the first in the order below is taken, unless a
later one is clearly better: by more than one standard error of the difference of squared misses, at
samples left out alone and where whole blocks are left out; where a test has shown its gain, by a
quarter of one alone, and not worse in blocks. Parameters (variogram, smoothing) are kept while
samples are left out; means and trends are found anew.
"""

from __future__ import annotations

import numpy as np

from vrx.model import Finding, FloatArray, note, warn
from vrx.surfaces.kriged import DRIFT_LEVEL, TREND_LEVEL
from vrx.surfaces.scoring import Candidate
from vrx.surfaces.study import FITTED, Study

TESTED = ("kriging with drift", "kriging with trend")
ORDER = ("kriging", "kriging with drift", "kriging with trend", "inverse distance", "spline",
         "nearest sample")
"""Ordinary kriging first: it tells its own error, and errs least on known truth."""
ROUNDING = 1e-9
PLAY_TESTED, PLAY = (0.25, 0.0), (1.0, 1.0)
"""Standard errors by which a method must gain at samples left out alone, and in blocks; less where
a test has shown already what it adds. Least loss on known truth among 0 to 2
(`scripts/bench/methods.py`); without the second a spline wins too often on clustered samples."""


def structured(study: Study) -> bool:
    """Whether structure is shown, or could not be tested, or the user states it."""
    kriging = study.kriging()
    if kriging is None or study.structure is None or kriging.fit.method == "stated":
        return True
    return study.structure.shown


def drifting(study: Study, method: str) -> bool:
    """Whether a test shows the drift of a kriging."""
    kriging = study.kriging(method)
    if kriging is None or kriging.drift_p is None:
        return False
    if method == "kriging with trend":
        by_likelihood = study.trend is not None and study.trend.shown
        return by_likelihood or kriging.drift_p < TREND_LEVEL
    return kriging.drift_p < DRIFT_LEVEL


def supported(study: Study, method: str) -> bool:
    """Whether a test shows what the method builds on."""
    if method in TESTED:
        return drifting(study, method)
    return structured(study) or (method != "kriging" and drifting(study, "kriging with trend"))


def beats_mean(study: Study, method: str) -> bool:
    """Whether a method errs less than the mean at left-out samples, by more than rounding."""
    return study.candidates[method].rmse < (1.0 - ROUNDING) * study.mean.rmse


def holds_in_blocks(study: Study, method: str) -> bool:
    """Whether a method is no worse than the mean where whole blocks are left out."""
    own, mean = study.candidates[method].block_rmse, study.mean.block_rmse
    return own is None or mean is None or own <= (1.0 + ROUNDING) * mean


def clearly_better(one: Candidate, other: Candidate) -> bool:
    """Whether `one` misses less than `other` beyond its play, alone and with blocks left out.

    The play: the standard error of the mean difference of squared misses, times `PLAY`.
    """
    alone, in_blocks = PLAY_TESTED if one.method in TESTED else PLAY
    if not _gains(one.residual, other.residual, alone):
        return False
    if one.block_residual is None or other.block_residual is None:
        return True
    return _gains(one.block_residual, other.block_residual, in_blocks)


def _gains(one: FloatArray, other: FloatArray, play: float) -> bool:
    gain = other**2 - one**2
    return bool(gain.mean() > play * gain.std(ddof=1) / np.sqrt(len(gain)))


def choose(study: Study) -> str:
    """The method to map with, or "field mean" with a finding where none is better."""
    fit = [m for m in ORDER if m in study.candidates and supported(study, m)
           and beats_mean(study, m)]
    if not fit:
        if len(study.candidates) > 1:
            study.findings.append(_no_structure(study))
        return "field mean"
    chosen = fit[0]
    for method in fit[1:]:
        if clearly_better(study.candidates[method], study.candidates[chosen]):
            chosen = method
    if not holds_in_blocks(study, chosen):
        study.findings.append(_near_only(study, chosen))
    return chosen


def _near_only(study: Study, method: str) -> Finding:
    own, mean = study.candidates[method].block_rmse, study.mean.block_rmse
    return note(
        "surface-near-samples-only", study.samples.analyte,
        f"{method} beats the field mean beside samples, but not where a whole block of samples is "
        f"left out: it then errs by {own:.4g} {study.samples.unit}, the mean by {mean:.4g}",
        done="mapped: between the samples it is better",
        todo="do not carry the map beyond the samples",
    )


def _no_structure(study: Study) -> Finding:
    samples, kriging = study.samples, study.kriging()
    n, unit = len(samples), samples.unit
    rivals = {m: one for m, one in study.candidates.items() if m != "field mean"}
    best = min(rivals.values(), key=lambda one: one.rmse)
    if kriging is not None and not any(supported(study, m) for m in rivals):
        why = _chance(study)
    else:
        why = (
            f"the best of {len(rivals)} methods ({best.method}) errs by {best.rmse:.4g} {unit} at "
            f"left-out samples, the field mean by {study.mean.rmse:.4g}"
        )
    return warn(
        "surface-no-structure", samples.analyte,
        f"no spatial structure found in {n} samples: {why}",
        done=f"uniform value {study.values.mean():.4g} {unit}, the field mean",
        todo="apply one rate, or sample more densely",
    )


def _chance(study: Study) -> str:
    test = study.structure
    if test is None:
        return "near samples are no more alike than far ones"
    return (
        f"{test.p_value:.0%} of random exchanges of the values look as structured as they do; at "
        f"most {test.limit:.0%} may"
    )


def obey(study: Study, method: str) -> str:
    """The user's method, or another, with a finding, where the samples cannot carry it."""
    samples = study.samples
    if method in study.barred:
        chosen = next(
            (m for m in ("kriging", "inverse distance")
             if method.startswith("kriging") and m in study.candidates
             and supported(study, m) and beats_mean(study, m)), "field mean",
        )
        study.findings.append(warn(
            "surface-method-not-possible", samples.analyte,
            f"{method} cannot be done: {study.barred[method]}", value=method,
            done=f"{chosen} instead",
        ))
        return chosen
    if method not in study.candidates:  # one sample
        return "field mean"
    shown = supported(study, method)
    if method != "field mean" and not (shown and beats_mean(study, method)):
        own, mean = study.candidates[method].rmse, study.mean.rmse
        study.findings.append(warn(
            "surface-worse-than-mean", samples.analyte,
            f"{method} was asked for, but shows no gain over the field mean: error {own:.4g} "
            f"against {mean:.4g} {samples.unit} at left-out samples"
            + ("" if shown else ", and no spatial structure is shown"),
            value=method, done="kept as asked", todo="apply one rate, or sample more densely",
        ))
    return method


def remark(study: Study, method: str, chosen: str, *, asked: bool) -> str:
    """Why a method was taken, or not, in words."""
    if method == FITTED:
        return "for comparison with the variogram stated in the plan"
    if asked:
        return "taken as asked for" if method == chosen else "not asked for"
    if method == "field mean":
        flat = "taken: no map is shown to be better"
        return flat if method == chosen else "the measure of all others"
    if method == chosen:
        return "taken"
    if not supported(study, method):
        return _not_shown(study, method)
    return _not_better(study, method, chosen)


def _not_better(study: Study, method: str, chosen: str) -> str:
    own, other = study.candidates[method], study.candidates[chosen]
    if not beats_mean(study, method):
        return "no better than the field mean at samples left out"
    if own.rmse >= other.rmse:
        return f"misses by more than {chosen}"
    less = f"misses by {1.0 - own.rmse / other.rmse:.1%} less than {chosen}"
    blocks = own.block_rmse, other.block_rmse
    if blocks[0] is not None and blocks[1] is not None and blocks[0] > blocks[1]:
        return f"{less}, but by more where whole blocks are left out"
    if _gains(own.residual, other.residual, PLAY[0]):
        return f"{less}, but not clearly where whole blocks are left out"
    return f"{less}: within the play of {len(own.residual)} samples"


def _not_shown(study: Study, method: str) -> str:
    kriging = study.kriging(method)
    if method not in TESTED or kriging is None or kriging.drift_p is None:
        return f"no structure shown: {_chance(study)}"
    if method == "kriging with trend":
        return f"no trend shown: p = {kriging.drift_p:.2g}, {TREND_LEVEL:g} is needed"
    return f"no effect of the layer shown: p = {kriging.drift_p:.2g}, {DRIFT_LEVEL:g} is needed"
