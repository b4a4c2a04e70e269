"""`[credits.potassium]`, `[credits.sulfur]`: what is subtracted beside the lines of the guide."""

from __future__ import annotations

from typing import Self

from pydantic import model_validator

from vrx.plan.base import Depth, NotNegative, Positive, Section, Share, Text


class ResidualSection(Section):
    """`residual_sulfate`: sulfate in a layer under the one that the guide reads.

    Without `so4s_ppm` it is the mean, by zone, of the samples that the soil table holds of that
    depth. `share` is what of it roots are taken to reach in the season.
    """

    depth_in: Depth
    share: Share
    so4s_ppm: NotNegative | None = None
    source: Text | None = None
    bulk_density_g_per_cm3: Positive | None = None

    @model_validator(mode="after")
    def _a_layer(self) -> Self:
        if self.depth_in[1] <= self.depth_in[0]:
            raise ValueError("depth_in is [top, bottom] in inches, bottom below top")
        density = self.bulk_density_g_per_cm3
        if density is not None and not 0.5 <= density <= 2.0:
            raise ValueError("bulk_density_g_per_cm3 must lie from 0.5 to 2")
        if self.source is not None and self.so4s_ppm is None:
            raise ValueError("source belongs to so4s_ppm")
        return self


class CreditSection(Section):
    """What both nutrients share; a switch left out leaves it to vrx (see `vrx.rules.credits`)."""

    water: bool | None = None
    water_share: Share = 1.0
    manure: bool | None = None
    carry_over_lb_per_ac: Positive | None = None
    carry_over_source: Text | None = None

    @model_validator(mode="after")
    def _source_is_named(self) -> Self:
        if (self.carry_over_lb_per_ac is None) != (self.carry_over_source is None):
            raise ValueError("carry_over_lb_per_ac and carry_over_source go together: say where "
                             "the figure is from")
        return self


class SulfurCreditSection(CreditSection):
    """`[credits.sulfur]`."""

    organic_matter: bool | None = None
    residual_sulfate: ResidualSection | None = None


class CreditsSection(Section):
    """`[credits]`, by nutrient."""

    potassium: CreditSection = CreditSection()
    sulfur: SulfurCreditSection = SulfurCreditSection()
