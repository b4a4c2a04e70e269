"""Soil-test maps: a value and its standard error in every cell, and how good they are."""

from __future__ import annotations

from dataclasses import dataclass

from vrx.model.arrays import FloatArray, array_value
from vrx.model.field import Grid
from vrx.model.finding import Finding

PRACTICAL_RANGES = {"exponential": 3.0, "matern-3/2": 4.743864518}
"""Length scales to 95 % of the sill: 3 by custom (exactly 2.9957), the other solved."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Variogram:
    """A covariance model. Convention: range_m is the *length scale* of the formula.

    exponential: C(h) = partial_sill * exp(-h / range_m), 95 % of the sill at 3 * range_m.
    spherical: C(h) = partial_sill * (1 - 1.5 h/range_m + 0.5 (h/range_m)^3) up to range_m, then 0.
    matern-3/2: C(h) = partial_sill * (1 + h/range_m) exp(-h/range_m), 95 % of the sill at 4.74
    range_m.
    The nugget adds at h = 0 only; `error_variance` is the part of it that is error of sampling and
    laboratory, not soil. Units: (unit of the analyte)^2 and metres.

    Geometric anisotropy: h is measured along the direction `anisotropy_deg` (compass degrees
    clockwise from grid north, 0 to 180), in which the range is longest; across it every metre
    counts `anisotropy_ratio` (>= 1) metres.
    """

    model: str
    nugget: float
    partial_sill: float
    range_m: float
    error_variance: float = 0.0
    anisotropy_ratio: float = 1.0
    anisotropy_deg: float = 0.0

    @property
    def practical_range_m(self) -> float:
        """Distance at which 95 % of the sill is reached (spherical: all of it)."""
        return PRACTICAL_RANGES.get(self.model, 1.0) * self.range_m


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodScore:
    """Leave-one-out score of one method. `skill` is 1 - (rmse / rmse of the field mean)^2.

    `msdr` is the mean squared deviation ratio (1 = the standard errors are honest), None where the
    method gives no standard error. `block_rmse` is the error where each sample is left out with
    all of its compact block, None where there are too few samples. `remark` says in words why the
    method was taken or not.
    """

    method: str
    n: int
    mean_error: float
    rmse: float
    skill: float
    msdr: float | None
    block_rmse: float | None = None
    remark: str = ""


@array_value
class Surface:
    """A mapped analyte. `values` and `standard_error` are (rows, columns) on `grid`, all finite.

    `method` is one of `vrx.surfaces.METHODS`; `scores` lists every method tried, in their order.
    `drift` names the covariates of the kriging's trend ("easting", "northing" or layers); for
    layers `drift_at_samples` (samples as given, covariates) and `drift_on_grid` (rows, columns,
    covariates) hold them, NaN where a layer has no value: there the map is kriged without them.
    `bounds_error` (rows, columns) is the part of `standard_error` that comes from results known
    only as below or above a limit, None where there is none. `variance_factor` is by how much
    kriging variances were raised because the variogram was fitted to the same samples;
    `left_out` (samples, 2) holds each measured value and what the map's own method makes of that
    place from the other samples, without results known only as below or above a limit, None where
    nothing could be left out; `variogram_words` say in plain sentences what the samples tell of
    each other.
    """

    analyte: str
    unit: str
    grid: Grid
    values: FloatArray
    standard_error: FloatArray
    method: str
    variogram: Variogram | None
    scores: tuple[MethodScore, ...]
    lag_m: FloatArray
    lag_semivariance: FloatArray
    lag_pairs: FloatArray
    findings: tuple[Finding, ...] = ()
    drift: tuple[str, ...] = ()
    drift_at_samples: FloatArray | None = None
    drift_on_grid: FloatArray | None = None
    bounds_error: FloatArray | None = None
    variance_factor: float = 1.0
    left_out: FloatArray | None = None
    variogram_words: tuple[str, ...] = ()
