"""`[[blend]]`: mixes by parts, which passes then name like any material."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from vrx.plan.base import Positive, Section, Text


class BlendPartSection(Section):
    """One part: a material of the lists (or a blend that stands before), and how much of it."""

    material: Text
    parts: Positive


class BlendSection(Section):
    """A mix. `by` is "weight" (dry, or liquids on a scale) or "volume" (liquids by the gallon).

    `density_lb_per_gal` is that of the load ticket, for liquids.
    """

    id: Text
    code: Annotated[str, StringConstraints(pattern=r"^[A-Z]{3,4}$")] = "BLND"
    by: Literal["weight", "volume"]
    part: Annotated[tuple[BlendPartSection, ...], Field(min_length=2)]
    density_lb_per_gal: Positive | None = None


Blends = tuple[BlendSection, ...]
