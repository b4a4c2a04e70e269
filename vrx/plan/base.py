"""What all sections of a plan file share: strict kinds of values, and the base of sections."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
# Strict, so that the text "20" is never taken for the number 20.
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False, strict=True)]
Share = Annotated[float, Field(gt=0, le=1, strict=True)]
# lb in a US gallon of a liquid fertilizer: what lies outside is in another unit (kg/L, say).
Density = Annotated[float, Field(gt=6, lt=20, strict=True)]
Depth = tuple[NotNegative, NotNegative]
Longitude = Annotated[float, Field(ge=-180, le=180, strict=True)]
Latitude = Annotated[float, Field(gt=-90, lt=90, strict=True)]
Azimuth = Annotated[float, Field(ge=-360, le=360, strict=True)]
SoilKey = Literal["potassium", "sulfate", "cec", "organic_matter", "ph", "phosphorus", "boron",
                  "magnesium", "sodium", "ec"]


class Section(BaseModel):
    """Base of all sections: unknown keys refused, frozen, no text taken for a number."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)
