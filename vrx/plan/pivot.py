"""`[field.pivot]`: the ground under a centre pivot in the place of a boundary file."""

from __future__ import annotations

from typing import ClassVar, Self

from pydantic import model_validator

from vrx.plan.base import Azimuth, Latitude, Longitude, NotNegative, Positive, Section, Text


class PivotSection(Section):
    """`[field.pivot]`: a centre pivot's circle, sector or ring in the place of a boundary file.

    Feet, WGS 84 [longitude, latitude], and compass degrees clockwise from true north.
    """

    centre: tuple[Longitude, Latitude]
    radius_ft: Positive
    inner_radius_ft: NotNegative = 0.0
    start_deg: Azimuth | None = None
    stop_deg: Azimuth | None = None
    end_gun_ft: NotNegative = 0.0
    end_gun_arcs: tuple[tuple[Azimuth, Azimuth], ...] = ()
    corner_arm_ft: NotNegative = 0.0
    square_side_ft: Positive | None = None
    exclusions: Text | None = None
    exclusions_layer: Text | None = None
    exclusions_crs: Text | None = None

    EXCLUSIONS: ClassVar[tuple[str, ...]] = ("exclusions", "exclusions_layer", "exclusions_crs")

    @model_validator(mode="after")
    def _exclusions_named(self) -> Self:
        if self.exclusions is None and (self.exclusions_layer or self.exclusions_crs):
            raise ValueError('exclusions_layer and exclusions_crs need exclusions = "<file>"')
        return self
