"""`[surface.variogram.<analyte>]`: a variogram that the user states in place of the fitted one."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from vrx.model import Variogram
from vrx.plan.base import NotNegative, Positive, Section
from vrx.units import m_from_ft


class VariogramSection(Section):
    """One stated variogram; variances in (unit of the analyte)^2, lengths in feet.

    `range_ft` is the length scale of the formula, `practical_range_ft` the distance at which 95 %
    of the sill is reached (spherical: all of it): give one of the two. `ratio` is the longest range
    over the shortest, `direction_deg` the compass direction of the longest, clockwise from north.
    `error_variance` is the part of the nugget that is error of laboratory and sampling.
    """

    model: Literal["exponential", "spherical", "matern-3/2"]
    nugget: NotNegative
    partial_sill: NotNegative
    range_ft: Positive | None = None
    practical_range_ft: Positive | None = None
    ratio: Annotated[float, Field(ge=1, le=100, allow_inf_nan=False, strict=True)] = 1.0
    direction_deg: Annotated[float, Field(ge=0, le=180, strict=True)] = 0.0
    error_variance: NotNegative = 0.0

    @model_validator(mode="after")
    def _one_model(self) -> Self:
        if (self.range_ft is None) == (self.practical_range_ft is None):
            raise ValueError(
                "give range_ft (the length scale of the formula) or practical_range_ft (where 95 % "
                "of the sill is reached), not both"
            )
        if not self.nugget + self.partial_sill > 0:
            raise ValueError("nugget and partial_sill are both 0: state at least one of them")
        if self.error_variance > self.nugget:
            raise ValueError(
                f"error_variance = {self.error_variance:g} is part of the nugget and cannot exceed "
                f"it: nugget = {self.nugget:g}"
            )
        return self

    def variogram(self) -> Variogram:
        """The stated variogram, in metres."""
        unit = Variogram(
            model=self.model, nugget=self.nugget, partial_sill=self.partial_sill, range_m=1.0,
            error_variance=self.error_variance, anisotropy_ratio=self.ratio,
            anisotropy_deg=self.direction_deg,
        )
        if self.practical_range_ft is not None:
            return replace(
                unit, range_m=m_from_ft(self.practical_range_ft) / unit.practical_range_m
            )
        return replace(unit, range_m=m_from_ft(self.range_ft or 0.0))
