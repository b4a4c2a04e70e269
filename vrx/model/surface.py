"""Soil-test maps: a value and its standard error in every cell, and how good they are."""

from __future__ import annotations

from dataclasses import dataclass

from vrx.model.arrays import FloatArray, array_value
from vrx.model.field import Grid
from vrx.model.finding import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class Variogram:
    """A covariance model. Convention: range_m is the *length scale* of the formula.

    exponential: C(h) = partial_sill * exp(-h / range_m), 95 % of the sill at 3 * range_m.
    spherical: C(h) = partial_sill * (1 - 1.5 h/range_m + 0.5 (h/range_m)^3) up to range_m, then 0.
    The nugget adds at h = 0 only. Units: (unit of the analyte)^2 and metres.
    """

    model: str
    nugget: float
    partial_sill: float
    range_m: float

    @property
    def practical_range_m(self) -> float:
        """Distance at which 95 % of the sill is reached (spherical: all of it)."""
        return 3.0 * self.range_m if self.model == "exponential" else self.range_m


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodScore:
    """Leave-one-out score of one method. `skill` is 1 - (rmse / rmse of the field mean)^2.

    `msdr` is the mean squared deviation ratio (1 = the standard errors are honest), None where the
    method gives no standard error.
    """

    method: str
    n: int
    mean_error: float
    rmse: float
    skill: float
    msdr: float | None


@array_value
class Surface:
    """A mapped analyte. `values` and `standard_error` are (rows, columns) on `grid`, all finite.

    `method` is "kriging", "inverse distance" or "field mean"; `scores` lists every method tried.
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
