"""`[conditions]`: what holds on the day, for all passes and for one; and `[livestock]`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from vrx.plan.base import NotNegative, Positive, Section
from vrx.plan.calendar import require_passes

Switch = Annotated[bool, Field(strict=True)]
Fahrenheit = Annotated[float, Field(ge=-60, le=130, strict=True)]
Percent = Annotated[float, Field(ge=0, le=100, strict=True)]
Part = Annotated[float, Field(ge=0, le=1, strict=True)]


class StatedSection(Section):
    """What is stated; limits (`*_most_*`, `setback_ft`, `salt_out_f`) are of label, code, manual.

    What changes from day to day holds for `stated_on`.

    `low_f` is the lowest temperature until the liquid is used, `line_clean` says that tank, line
    and water hold neither acid nor hypochlorite. Feet are distances to the ground that gets
    product; `injection_point_ft` is from the injection point to wellhead or waterway.
    """

    stated_on: date | None = None
    ground_frozen: Switch | None = None
    snow_cover: Switch | None = None
    soil: Literal["dry", "moist", "wet"] | None = None
    leaves_wet: Switch | None = None
    regrowth_in: NotNegative | None = None
    rain_ahead_in: NotNegative | None = None
    rain_most_in: NotNegative | None = None
    slope_pct: Percent | None = None
    slope_most_pct: Percent | None = None
    well_ft: NotNegative | None = None
    water_ft: NotNegative | None = None
    setback_ft: NotNegative | None = None
    injection_point_ft: NotNegative | None = None
    wind_mph: NotNegative | None = None
    wind_most_mph: NotNegative | None = None
    low_f: Fahrenheit | None = None
    salt_out_f: Fahrenheit | None = None
    line_clean: Switch | None = None

    def stated(self) -> dict[str, Any]:
        """What is given, without the sections of passes."""
        return self.model_dump(exclude={"passes"}, exclude_none=True)


class ConditionsSection(StatedSection):
    """`[conditions]`, and `[conditions.pass.<pass id>]`, which goes before it key by key."""

    passes: dict[str, StatedSection] = Field(default_factory=dict, alias="pass")

    def require_passes(self, ids: Sequence[str]) -> None:
        """Raises `ValueError` for a pass that the plan does not have."""
        require_passes(self.passes, ids, "conditions.pass")


class LivestockSection(Section):
    """`[livestock]`: who eats the hay. Percents of dry matter, shares of the ration's dry matter.

    `hay_share` is this hay, `forage_share` all forage of the ration; the rest of the ration holds
    `rest_s_pct` and `rest_k_pct`. Water counts with its sulfate, gallons and dry matter a day.
    """

    animals: Literal["dry cows", "milking cows", "beef cattle", "other"]
    hay_k_pct: Percent | None = None
    hay_s_pct: Percent | None = None
    hay_na_pct: Percent | None = None
    hay_cl_pct: Percent | None = None
    hay_share: Part | None = None
    forage_share: Part | None = None
    rest_s_pct: Percent | None = None
    rest_k_pct: Percent | None = None
    water_sulfate_so4_ppm: NotNegative | None = None
    water_sulfate_s_ppm: NotNegative | None = None
    water_gal_per_day: Positive | None = None
    dry_matter_lb_per_day: Positive | None = None

    @model_validator(mode="after")
    def _agree(self) -> Self:
        if self.water_sulfate_so4_ppm is not None and self.water_sulfate_s_ppm is not None:
            raise ValueError("give water_sulfate_so4_ppm or water_sulfate_s_ppm, as the water "
                             "report prints it")
        sulfate = (self.water_sulfate_so4_ppm, self.water_sulfate_s_ppm)
        if any(one is not None for one in sulfate) and (
                self.water_gal_per_day is None or self.dry_matter_lb_per_day is None):
            raise ValueError("sulfate of drinking water also needs water_gal_per_day and "
                             "dry_matter_lb_per_day")
        if (self.hay_share is not None and self.forage_share is not None
                and self.hay_share > self.forage_share + 1e-9):
            raise ValueError("hay_share is more than forage_share, which holds it")
        return self
