"""`[export.task_data]`: how task data of ISO 11783-10 are written, where formats names them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from vrx.plan.base import NotNegative, Section, Text


class FallbackSection(Section):
    """`[export.task_data.rates.<pass id>]`: rates of one pass where the map says nothing.

    In the unit of the pass's material: lb for dry ones, gal for liquids. What is left out is 0.
    """

    default_lb_per_ac: NotNegative | None = None
    position_lost_lb_per_ac: NotNegative | None = None
    outside_lb_per_ac: NotNegative | None = None
    default_gal_per_ac: NotNegative | None = None
    position_lost_gal_per_ac: NotNegative | None = None
    outside_gal_per_ac: NotNegative | None = None

    @model_validator(mode="after")
    def _one_unit(self) -> Self:
        units = {key.rpartition("_per_ac")[0].rpartition("_")[2] for key in self.model_fields_set}
        if len(units) > 1:
            raise ValueError("give all rates of a pass in the unit of its material: lb per acre "
                             "for a dry one, gal per acre for a liquid")
        return self

    def of_unit(self, unit: str) -> tuple[float, float, float] | None:
        """(default, position lost, outside) in "lb/ac" or "gal/ac"; None where another was given.
        """
        short, other = ("gal", "lb") if unit == "gal/ac" else ("lb", "gal")
        words = ("default", "position_lost", "outside")
        if any(getattr(self, f"{word}_{other}_per_ac") is not None for word in words):
            return None
        default, lost, outside = (getattr(self, f"{word}_{short}_per_ac") or 0.0 for word in words)
        return default, lost, outside


class TaskDataSection(Section):
    """`[export.task_data]`: every line may be left out.

    `form`: zones as polygons (at most 254), as a grid of zone codes (type 1) or of rates (type 2);
    left out, polygons where they fit and else the grid of rates.
    `tasks`: one task a pass, or one for all `passes` (those that are applied together). `cell_m`:
    side of grid cells on the ground, metres. `customer` and `farm` are what operators pick tasks
    by, at most 32 characters.
    """

    form: Literal["polygons", "grid type 1", "grid type 2"] | None = None
    tasks: Literal["one per pass", "one for all"] = "one per pass"
    cell_m: Annotated[float, Field(ge=0.5, le=100, strict=True)] = 5.0
    customer: Text | None = None
    farm: Text | None = None
    passes: tuple[Text, ...] = ()
    rates: dict[str, FallbackSection] = Field(default_factory=dict)

    def require_passes(self, ids: Sequence[str]) -> None:
        """Raise `ValueError` for a pass that the plan has not."""
        for name in (*self.passes, *self.rates):
            if name not in ids:
                raise ValueError(f"export.task_data names the pass {name!r}; the pass ids are "
                                 f"{', '.join(ids)}")
