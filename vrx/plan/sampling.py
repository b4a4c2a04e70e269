"""`[sampling]`: where a crew takes samples, and how."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from vrx.plan.base import Depth, Latitude, Longitude, NotNegative, Positive, Section, Share, Text

LayoutName = Literal[
    "where it pays", "widest gaps", "offset grid", "square grid", "long axis", "by zones"
]
Corner = Literal["southwest", "southeast", "northwest", "northeast"]
Count = Annotated[int, Field(ge=1, le=500, strict=True)]


class SamplingSection(Section):
    """`[sampling]`: every line may be left out; vrx then takes its own figure and says its source.

    `layout` "where it pays" and "widest gaps" add `points` to the samples that the plan reads; the
    others lay out a field anew by `ac_per_sample`. `gate` = [longitude, latitude] or a corner of
    the field is where the walk begins. Without prices misapplied product is counted in pounds.
    """

    layout: LayoutName | None = None
    points: Count | None = None
    ac_per_sample: Positive | None = None
    least_per_zone: Annotated[int, Field(ge=1, le=100, strict=True)] | None = None
    edge_ft: NotNegative | None = None
    border_ft: NotNegative | None = None
    exclusions: Text | None = None
    exclusions_layer: Text | None = None
    exclusions_crs: Text | None = None
    exclusion_ft: NotNegative | None = None
    seed: Annotated[int, Field(ge=0, le=2**31, strict=True)] | None = None
    lattice_m: Annotated[float, Field(ge=5, le=200, strict=True)] = 20.0
    gate: tuple[Longitude, Latitude] | Corner = "southwest"
    depths_in: tuple[Depth, ...] | None = None
    cores: Count | None = None
    core_radius_ft: Positive | None = None
    second_bag_one_in: Annotated[int, Field(ge=0, le=1000, strict=True)] | None = None
    plants: bool | None = None
    nutrient: Literal["potassium", "sulfate"] = "potassium"
    sure_from: Annotated[float, Field(gt=0.5, lt=1, strict=True)] | None = None
    gain_from: Share | None = None
    usd_per_lb_over: NotNegative | None = None
    usd_per_lb_short: NotNegative | None = None
    usd_per_sample: Positive | None = None

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.exclusions is None and (self.exclusions_layer or self.exclusions_crs):
            raise ValueError('exclusions_layer and exclusions_crs need exclusions = "<file>"')
        if (self.usd_per_lb_over is None) != (self.usd_per_lb_short is None):
            raise ValueError("give usd_per_lb_over and usd_per_lb_short both, or neither")
        if self.usd_per_sample is not None and self.usd_per_lb_over is None:
            raise ValueError("usd_per_sample needs usd_per_lb_over and usd_per_lb_short")
        if self.usd_per_lb_over == 0 and self.usd_per_lb_short == 0:
            raise ValueError("one of usd_per_lb_over and usd_per_lb_short must be above 0")
        for top, bottom in self.depths_in or ():
            if bottom <= top:
                raise ValueError("depths_in holds [top, bottom] in inches, bottom below top")
        return self
