"""`[controller]` and `[machine.<pass id>]`: what the machines can do, load and follow."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from vrx.plan.base import NotNegative, Positive, Section, Text

Count = Annotated[int, Field(ge=1, le=100_000_000, strict=True)]
Limit = Count | Literal["none"]
Switch = Annotated[bool, Field(strict=True)]
Percent = Annotated[float, Field(ge=0, le=100, strict=True)]
Ratio = Annotated[float, Field(ge=1, le=1000, strict=True)]
FormatName = Literal["shapefile", "geojson", "geopackage", "geotiff", "geoparquet", "iso11783"]


class ControllerSection(Section):
    """`[controller]`: what the rate controllers of all passes load; the maker's manual says it.

    `"none"` states that there is no limit; a limit that is left out is not known. `takes` are the
    formats that it reads. `reduce_within_ft` asks for corners to be left out of the files made for
    the machine, with no edge moving farther than that. `limits_from` says where the limits stand.
    """

    takes: tuple[FormatName, ...] = ()
    most_polygons: Limit | None = None
    most_vertices: Limit | None = None
    most_vertices_polygon: Limit | None = None
    most_cells: Limit | None = None
    most_rates: Limit | None = None
    most_products: Limit | None = None
    most_name_characters: Limit | None = None
    narrowest_ft: NotNegative | None = None
    holes: Switch | None = None
    parts: Switch | None = None
    other_crs: Switch | None = None
    reduce_within_ft: Positive | None = None
    limits_from: Text | None = None


class BlendPartSection(Section):
    """`[[machine.<pass id>.blend_part]]`: bulk density, and mean particle size in 0.01 mm (SGN)."""

    name: Text
    bulk_lb_per_ft3: Annotated[float, Field(ge=10, le=200, strict=True)] | None = None
    sgn: Annotated[float, Field(ge=10, le=1000, strict=True)] | None = None


class CatchSection(Section):
    """`[machine.<pass id>.catch_test]`: what was caught, over which ground, at which set rate."""

    on: date | None = None
    caught_lb: Positive | None = None
    caught_gal: Positive | None = None
    caught_oz: Positive | None = None
    width_ft: Positive
    distance_ft: Positive | None = None
    seconds: Positive | None = None
    speed_mph: Positive | None = None
    set_lb_per_ac: Positive | None = None
    set_gal_per_ac: Positive | None = None

    @model_validator(mode="after")
    def _one_of_each(self) -> Self:
        caught = (self.caught_lb, self.caught_gal, self.caught_oz)
        if sum(one is not None for one in caught) != 1:
            raise ValueError("give one of caught_lb, caught_gal and caught_oz (fluid ounces)")
        still = self.seconds is not None and self.speed_mph is not None
        if (self.distance_ft is None) != still or (
                self.distance_ft is not None and (self.seconds, self.speed_mph) != (None, None)):
            raise ValueError("give distance_ft; or, caught standing still, seconds and speed_mph")
        if self.set_lb_per_ac is not None and self.set_gal_per_ac is not None:
            raise ValueError("set_lb_per_ac and set_gal_per_ac: keep the one of the material's "
                             "unit")
        return self


class MachineSection(ControllerSection):
    """`[machine.<pass id>]`: what the machine of that pass can do; 0 always stays 0 (off).

    Keys of `[controller]` stand here too, and go before it key by key.
    """

    least_lb_per_ac: NotNegative | None = None
    most_lb_per_ac: Positive | None = None
    step_lb_per_ac: Positive | None = None
    least_gal_per_ac: NotNegative | None = None
    most_gal_per_ac: Positive | None = None
    step_gal_per_ac: Positive | None = None
    below_least: Literal["nearest", "raise", "off"] = "nearest"
    tank_gal: Positive | None = None
    hopper_lb: Positive | None = None
    swath_ft: Positive | None = None
    pattern_tested_on: date | None = None
    pattern_cv_pct: Percent | None = None
    speed_mph: tuple[Positive, Positive] | None = None
    flow_gal_per_min: tuple[Positive, Positive] | None = None
    flow_lb_per_min: tuple[Positive, Positive] | None = None
    turndown: Ratio | None = None
    fixed_orifice: Switch | None = None
    blend_part: tuple[BlendPartSection, ...] = ()
    catch_test: CatchSection | None = None

    @model_validator(mode="after")
    def _ranges(self) -> Self:
        for name in ("speed_mph", "flow_gal_per_min", "flow_lb_per_min"):
            pair: Sequence[float] | None = getattr(self, name)
            if pair is not None and pair[0] > pair[1]:
                raise ValueError(f"{name} is [least, most], least first")
        if self.flow_gal_per_min is not None and self.flow_lb_per_min is not None:
            raise ValueError("flow_gal_per_min and flow_lb_per_min: keep the one of the "
                             "material's unit")
        names = [one.name for one in self.blend_part]
        if len(set(names)) != len(names):
            raise ValueError("blend_part names a part twice")
        return self
