"""`[[yield_goal.log]]`: yield logs that share the field's yield goal out over its zones."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from vrx.plan.base import NotNegative, Positive, Section, Text


class YieldLogSection(Section):
    """A yield log: where its columns stand, in which units, at which moisture.

    Units and moisture are never guessed; see `vrx.intake.YieldSpec` for those known.
    """

    file: Text
    amount_column: Text
    amount_unit: Text
    longitude_column: Text | None = None
    latitude_column: Text | None = None
    easting_column: Text | None = None
    northing_column: Text | None = None
    crs: Text | None = None
    layer: Text | None = None
    sheet: Text | None = None
    moisture_pct: Annotated[float, Field(ge=0, lt=60, strict=True)] | None = None
    moisture_unknown: bool = False
    harvest: Text | None = None
    harvest_column: Text | None = None
    pass_column: Text | None = None
    working_column: Text | None = None
    machine_column: Text | None = None
    moisture_column: Text | None = None
    to_moisture_pct: Annotated[float, Field(ge=0, lt=60, strict=True)] | None = None
    time_column: Text | None = None
    time_unit: Text | None = None
    interval_column: Text | None = None
    interval_unit: Text | None = None
    distance_column: Text | None = None
    distance_unit: Text | None = None
    speed_column: Text | None = None
    speed_unit: Text | None = None
    swath_column: Text | None = None
    swath_unit: Text | None = None
    swath_m: Positive | None = None
    delay_s: NotNegative | Literal["estimate"] | None = None
    filters_off: tuple[Text, ...] = ()

    @model_validator(mode="after")
    def _columns_have_units(self) -> Self:
        for name in ("time", "interval", "distance", "speed", "swath"):
            column, unit = getattr(self, f"{name}_column"), getattr(self, f"{name}_unit")
            if (column is None) != (unit is None):
                raise ValueError(f"give {name}_column and {name}_unit together")
        return self
