"""`[need]`: the rule book of each nutrient, and how its rule is asked."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from vrx.plan.base import Section, Share, Text


class NeedSection(BaseModel):
    """`[need.potassium]`, `[need.sulfur]`: the rule book, and options that the book checks."""

    model_config = ConfigDict(extra="allow", frozen=True)

    book: Text

    def options(self) -> dict[str, object]:
        """What the plan says beside the book's name."""
        return dict(self.model_extra or {})


class NeedsSection(Section):
    """`[need]`: one rule book a nutrient, and how rules are asked.

    `apply_to` says which need is used: that of the zone's mean soil test, or the mean of the rule
    in the zone's cells; from `cells_differ_share` on the two are told as different.
    `bounds_level` is the share of soil tests, about the zone's mean, between the bounds of a need.
    """

    potassium: NeedSection | None = None
    sulfur: NeedSection | None = None
    apply_to: Literal["zone mean", "cells"] = "zone mean"
    cells_differ_share: Share = 0.1
    bounds_level: Annotated[float, Field(gt=0, lt=1, strict=True)] = 0.9
