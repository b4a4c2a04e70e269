"""Candidates for a map: each method's left-out residuals, and the scores made from them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vrx.model import FloatArray, IntArray, MethodScore
from vrx.surfaces.censored import Bounds
from vrx.surfaces.kriged import Kriging
from vrx.surfaces.simple import (
    inverse_distance_leave_one_out,
    mean_leave_block_out,
    mean_leave_one_out,
    nearest_leave_out,
)
from vrx.surfaces.spline import Spline, fit_spline, spline_leave_block_out, spline_leave_one_out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A method and its residuals (measured - estimated), (n,), at samples left out.

    `residual`: each sample alone; `block_residual`: with its whole block, None without blocks.
    `variance` of the former, None where the method gives none.
    """

    method: str
    residual: FloatArray
    block_residual: FloatArray | None
    variance: FloatArray | float | None = None
    kriging: Kriging | None = None
    spline: Spline | None = None

    @property
    def rmse(self) -> float:
        """Root mean square of the residuals of samples left out alone."""
        return root_mean_square(self.residual)

    @property
    def block_rmse(self) -> float | None:
        """The same with whole blocks left out; None without blocks."""
        return None if self.block_residual is None else root_mean_square(self.block_residual)


def root_mean_square(residual: FloatArray) -> float:
    """Root mean square, without overflow."""
    size = float(np.abs(residual).max(initial=0.0))
    return size * float(np.sqrt(np.mean((residual / size) ** 2))) if size > 0.0 else 0.0


def within_bounds(
    residual: FloatArray, values: FloatArray, bounds: Bounds | None
) -> FloatArray:
    """Residuals (n,) where a censored sample misses by its distance beyond its bounds, else 0."""
    if bounds is None:
        return residual
    found = residual.copy()
    estimate = values[bounds.index] - residual[bounds.index]
    found[bounds.index] = np.clip(estimate, bounds.low, bounds.high) - estimate
    return found


def score(one: Candidate, mean: Candidate, remark: str = "") -> MethodScore:
    """The score of a candidate against that of the field mean."""
    msdr: float | None = None
    if one.variance is not None and np.all(np.asarray(one.variance) > 0.0):
        ratio = one.residual / np.sqrt(one.variance)
        msdr = float(np.mean(ratio * ratio))
    return MethodScore(
        method=one.method, n=len(one.residual), mean_error=float(one.residual.mean()),
        rmse=one.rmse, skill=1.0 - (one.rmse / mean.rmse) ** 2 if mean.rmse > 0.0 else 0.0,
        msdr=msdr, block_rmse=one.block_rmse, remark=remark,
    )


def mean_candidate(
    values: FloatArray, block: IntArray | None, bounds: Bounds | None = None
) -> Candidate:
    """The field mean; n >= 2."""
    residual, variance = mean_leave_one_out(values=values)
    by_block = None if block is None else mean_leave_block_out(values=values, block=block)
    return _bounded(
        Candidate(method="field mean", residual=residual, block_residual=by_block,
                  variance=variance if bounds is None else None), values, bounds,
    )


def _weighted_candidate(
    method: str, leave_out: Callable[..., FloatArray], *, places: FloatArray, values: FloatArray,
    block: IntArray | None, bounds: Bounds | None,
) -> Candidate:
    """A method of weights only: `leave_out` takes places and values, and blocks where there are."""
    residual = leave_out(places=places, values=values)
    by_block = None if block is None else leave_out(places=places, values=values, block=block)
    return _bounded(
        Candidate(method=method, residual=residual, block_residual=by_block), values, bounds
    )


def inverse_distance_candidate(
    places: FloatArray, values: FloatArray, block: IntArray | None, bounds: Bounds | None = None
) -> Candidate:
    """Inverse distance; n >= 2, all places different."""
    return _weighted_candidate(
        "inverse distance", inverse_distance_leave_one_out, places=places, values=values,
        block=block, bounds=bounds,
    )


def nearest_candidate(
    places: FloatArray, values: FloatArray, block: IntArray | None, bounds: Bounds | None = None
) -> Candidate:
    """The nearest sample; n >= 2, all places different."""
    return _weighted_candidate(
        "nearest sample", nearest_leave_out, places=places, values=values, block=block,
        bounds=bounds,
    )


def spline_candidate(
    places: FloatArray, values: FloatArray, block: IntArray | None, bounds: Bounds | None = None
) -> Candidate:
    """The thin-plate spline. Raises `ComputeError` where it cannot be fitted."""
    spline = fit_spline(places=places, values=values)
    residual = spline_leave_one_out(spline=spline)
    by_block = None if block is None else spline_leave_block_out(spline=spline, block=block)
    return _bounded(
        Candidate(method="spline", residual=residual, block_residual=by_block, spline=spline),
        values, bounds,
    )


def kriging_candidate(
    kriging: Kriging, block: IntArray | None, bounds: Bounds | None = None,
    beside: Candidate | None = None,
) -> Candidate:
    """Kriging as fitted. Samples that its layers do not cover take the residuals of `beside`."""
    residual, variance = kriging.left_out()
    by_block = None if block is None else kriging.block_left_out(block)
    if not kriging.covered.all() and beside is not None:
        residual = _filled(residual, beside.residual, kriging)
        variance = _filled(variance, np.asarray(beside.variance), kriging)
        if by_block is not None and beside.block_residual is not None:
            by_block = _filled(by_block, beside.block_residual, kriging)
    return _bounded(
        Candidate(
            method=kriging.method, residual=residual, block_residual=by_block, variance=variance,
            kriging=kriging,
        ),
        kriging.values, bounds,
    )


def _filled(own: FloatArray, other: FloatArray, kriging: Kriging) -> FloatArray:
    found = other.copy()
    found[kriging.covered] = own
    return found


def _bounded(one: Candidate, values: FloatArray, bounds: Bounds | None) -> Candidate:
    if bounds is None:
        return one
    by_block = one.block_residual
    return Candidate(
        method=one.method, residual=within_bounds(one.residual, values, bounds),
        block_residual=None if by_block is None else within_bounds(by_block, values, bounds),
        variance=None, kriging=one.kriging, spline=one.spline,
    )
