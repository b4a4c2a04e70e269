"""Which method draws the map, and in words why the others do not.

A method is supported by a test: kriging by the likelihood ratio against pure nugget, a trend or a
layer by the F test of its coefficients, the others by either. It must beat the field mean at
samples left out alone, and with their blocks. Of those that do, the first in the order below is
taken, unless a later one is clearly better: by more than one standard error of the difference of
squared misses at left-out samples, and not worse with blocks left out.
"""

from __future__ import annotations

import numpy as np

from vrx.model import Finding, warn
from vrx.surfaces.kriged import DRIFT_LEVEL
from vrx.surfaces.scoring import Candidate
from vrx.surfaces.study import Study

ORDER = ("kriging", "kriging with drift", "kriging with trend", "inverse distance", "spline",
         "nearest sample")
"""Ordinary kriging first: it tells its own error, and of simple methods it errs least on known truth.
"""
STRUCTURE_RATIO = 3.84
"""Likelihood ratio that shows structure: the 5 % point of chi-square with 1 degree of freedom.

On simulated pure nugget (8 to 100 samples, random and regular places) 0.5 to 7 % exceed it.
"""
ROUNDING = 1e-9


def structured(study: Study) -> bool:
    """Whether structure is shown at the 5 % level, or could not be tested."""
    kriging = study.kriging()
    return kriging is None or kriging.fit.likelihood_ratio > STRUCTURE_RATIO


def drifting(study: Study, method: str) -> bool:
    """Whether the drift of a kriging passes its F test."""
    kriging = study.kriging(method)
    return kriging is not None and kriging.drift_p is not None and kriging.drift_p < DRIFT_LEVEL


def supported(study: Study, method: str) -> bool:
    """Whether a test shows what the method builds on."""
    if method == "kriging":
        return structured(study)
    if method in ("kriging with drift", "kriging with trend"):
        return drifting(study, method)
    return structured(study) or drifting(study, "kriging with trend")


def beats_mean(study: Study, method: str) -> bool:
    """Whether a method errs less than the mean at left-out samples, by more than rounding."""
    return study.candidates[method].rmse < (1.0 - ROUNDING) * study.mean.rmse


def holds_in_blocks(study: Study, method: str) -> bool:
    """Whether a method is no worse than the mean where whole blocks are left out."""
    own, mean = study.candidates[method].block_rmse, study.mean.block_rmse
    return own is None or mean is None or own <= (1.0 + ROUNDING) * mean


def clearly_better(one: Candidate, other: Candidate) -> bool:
    """Whether `one` misses less than `other` by more than one standard error, and in blocks too."""
    gain = other.residual**2 - one.residual**2
    play = float(gain.std(ddof=1)) / np.sqrt(len(gain))
    if not float(gain.mean()) > play:
        return False
    return one.block_rmse is None or other.block_rmse is None or one.block_rmse <= other.block_rmse


def choose(study: Study) -> str:
    """The method to map with, or "field mean" with a finding where none is better."""
    fit = [m for m in ORDER if m in study.candidates and supported(study, m)
           and beats_mean(study, m) and holds_in_blocks(study, m)]
    if not fit:
        if len(study.candidates) > 1:
            study.findings.append(_no_structure(study))
        return "field mean"
    chosen = fit[0]
    for method in fit[1:]:
        if clearly_better(study.candidates[method], study.candidates[chosen]):
            chosen = method
    return chosen


def _no_structure(study: Study) -> Finding:
    samples, kriging = study.samples, study.kriging()
    n, unit = len(samples), samples.unit
    rivals = {m: one for m, one in study.candidates.items() if m != "field mean"}
    best = min(rivals.values(), key=lambda one: one.rmse)
    if kriging is not None and not any(supported(study, m) for m in rivals):
        why = (
            f"likelihood ratio {kriging.fit.likelihood_ratio:.2f} against pure nugget, "
            f"{STRUCTURE_RATIO} is needed (5 %)"
        )
    elif beats_mean(study, best.method) and best.block_rmse and study.mean.block_rmse:
        why = (
            f"where whole blocks of samples are left out the best of {len(rivals)} methods "
            f"({best.method}) errs by {best.block_rmse:.4g} {unit}, the field mean by "
            f"{study.mean.block_rmse:.4g}"
        )
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
            + ("" if shown else ", and no spatial structure at the 5 % level"),
            value=method, done="kept as asked", todo="apply one rate, or sample more densely",
        ))
    return method


def remark(study: Study, method: str, chosen: str, *, asked: bool) -> str:
    """Why a method was taken, or not, in words."""
    if method == chosen:
        if asked:
            return "taken as asked for"
        return "taken" if method != "field mean" else "taken: no map is shown to be better"
    if method == "field mean":
        return "the measure of all others" if not asked else "not asked for"
    if asked:
        return "not asked for"
    own = study.candidates[method]
    if not supported(study, method):
        kriging = study.kriging(method)
        if kriging is not None and kriging.drift_p is not None:
            what = "no trend" if method == "kriging with trend" else "no effect of the layer"
            return f"{what} shown (p = {kriging.drift_p:.2g}, {DRIFT_LEVEL:g} needed)"
        ratio = study.kriging()
        told = "" if ratio is None else f" (ratio {ratio.fit.likelihood_ratio:.2g})"
        return f"no structure shown{told}"
    if not beats_mean(study, method):
        return "no better than the field mean at samples left out"
    if not holds_in_blocks(study, method):
        return "worse than the field mean where whole blocks are left out"
    other = study.candidates[chosen]
    if own.rmse >= other.rmse:
        return f"misses by more than {chosen}"
    return f"not clearly better than {chosen}: {1.0 - own.rmse / other.rmse:.1%} less, within its play"
