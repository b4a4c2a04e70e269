"""A variogram that the user states, beside the automatic one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vrx.errors import ComputeError
from vrx.model import Finding, FloatArray, Variogram, note, warn
from vrx.surfaces.covariance import check_variogram
from vrx.surfaces.fitting import assess, fit_variogram
from vrx.surfaces.kriging import checked_samples, kriging_leave_one_out, kriging_system
from vrx.surfaces.reml import VariogramFit
from vrx.surfaces.simple import mean_leave_one_out
from vrx.surfaces.variogram import diagonal_m

WORSE = 1.05
"""Ratio of leave-one-out errors beyond which a stated variogram is doubted (own rule)."""
HONEST_MSDR = (0.5, 2.0)
"""Mean squared deviation ratios between which standard errors pass as honest (own rule)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """Leave-one-out of one variogram: error, mean error, mean squared deviation ratio."""

    rmse: float
    mean_error: float
    msdr: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A stated variogram against the automatic one.

    `automatic` and `automatic_left_out` are None where the samples carry no automatic variogram
    (`why_not` says why). `likelihood_loss` is 2 * (log likelihood of the automatic one - that of
    the stated one): what the samples hold against it. `mean_rmse` is that of the field mean.
    """

    stated: VariogramFit
    stated_left_out: LeftOut
    automatic: VariogramFit | None
    automatic_left_out: LeftOut | None
    likelihood_loss: float | None
    mean_rmse: float
    why_not: str = ""


def check_stated(variogram: Variogram, where: str = "") -> None:
    """Raise `ComputeError` where a stated variogram is none: as `check_variogram`, or all 0."""
    check_variogram(variogram)
    if not variogram.nugget + variogram.partial_sill > 0.0:
        raise ComputeError(
            "nugget and partial_sill of the stated variogram are both 0",
            code="surface-variogram-invalid", where=where, hint="state at least one of them",
        )


def left_out(
    places: FloatArray, values: FloatArray, variogram: Variogram, drift: FloatArray | None
) -> tuple[LeftOut, FloatArray]:
    """Leave-one-out scores of kriging with `variogram`, and the standardised residuals (n,)."""
    system = kriging_system(places=places, values=values, variogram=variogram, drift=drift)
    residual, variance = kriging_leave_one_out(system=system)
    standard = residual / np.sqrt(variance)
    return LeftOut(
        rmse=float(np.sqrt(np.mean(residual**2))), mean_error=float(residual.mean()),
        msdr=float(np.mean(standard**2)),
    ), standard


def judge_variogram(
    *,
    places: FloatArray,
    values: FloatArray,
    stated: Variogram,
    automatic: VariogramFit | None = None,
    drift: FloatArray | None = None,
) -> Judgement:
    """Leave-one-out scores and likelihood of a stated variogram beside the automatic one's.

    places (n, 2) metres, all different; values (n,), n >= 3; drift (n, p) or none. `automatic` is
    fitted here unless given. Raises `ComputeError`: surface-variogram-invalid, or surface-singular
    where kriging with the stated one cannot be solved (no nugget and samples at one place).
    """
    check_stated(stated)
    places, values = checked_samples(places, values)
    assessed = assess(places=places, values=values, variogram=stated, drift=drift)
    own, _ = left_out(places, values, stated, drift)
    why_not, theirs = "", None
    if automatic is None:
        try:
            automatic = fit_variogram(places=places, values=values, drift=drift)
        except ComputeError as err:
            why_not = err.message
    if automatic is not None:
        try:
            theirs, _ = left_out(places, values, automatic.variogram, drift)
        except ComputeError as err:
            automatic, why_not = None, err.message
    loss = None
    if automatic is not None:
        loss = 2.0 * (automatic.log_likelihood - assessed.log_likelihood)
    residual, _ = mean_leave_one_out(values=values)
    return Judgement(
        stated=assessed, stated_left_out=own, automatic=automatic, automatic_left_out=theirs,
        likelihood_loss=loss, mean_rmse=float(np.sqrt(np.mean(residual**2))), why_not=why_not,
    )


def judgement_findings(
    *, judgement: Judgement, analyte: str, unit: str, places: FloatArray
) -> tuple[Finding, ...]:
    """What a stated variogram is told with: both scores always, a warning where it does badly."""
    own, other = judgement.stated_left_out, judgement.automatic_left_out
    told = f"left-out samples are missed by {own.rmse:.4g} {unit} (deviation ratio {own.msdr:.2f})"
    beside = f"no automatic variogram to compare with: {judgement.why_not}"
    if other is not None:
        beside = f"with the fitted one by {other.rmse:.4g} (deviation ratio {other.msdr:.2f})"
    found = [note(
        "surface-variogram-stated", analyte, f"the variogram is the plan's, not fitted: {told}, "
        f"{beside}", done="kriged with the plan's",
    )]
    why = []
    if other is not None and own.rmse > WORSE * other.rmse:
        why.append(f"it misses by {own.rmse / other.rmse:.2f} times as much as the fitted one")
    if own.rmse > judgement.mean_rmse:
        why.append(f"the field mean misses by less, {judgement.mean_rmse:.4g} {unit}")
    if not HONEST_MSDR[0] <= own.msdr <= HONEST_MSDR[1]:
        size = "small" if own.msdr > 1.0 else "large"
        why.append(
            f"its standard errors are {max(own.msdr, 1.0 / own.msdr) ** 0.5:.1f} times too {size}"
        )
    reach = judgement.stated.variogram.range_m
    if reach > 10.0 * diagonal_m(places):
        why.append("its range is beyond ten times the samples' extent: is it in feet?")
    if why:
        found.append(warn(
            "surface-variogram-doubtful", analyte,
            f"the stated variogram does not suit the samples: {'; '.join(why)}",
            done="kept as stated", todo="check units and range, or take it out of the plan",
        ))
    return tuple(found)
