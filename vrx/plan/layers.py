"""`[[layer]]`: rasters and tables of points beside the soil test, and those that share the goal."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from vrx.plan.base import NotNegative, Section, Text

YIELD_UNITS = ("short ton/ac", "lb/ac", "bu/ac", "t/ha", "kg/ha", "relative yield", "% of mean")
"""Units of a layer that may share a yield goal out: amounts over area, or relative ones."""

_OF_POINTS = (
    "longitude_column", "latitude_column", "easting_column", "northing_column", "layer", "sheet",
    "decimal_mark", "fill_within_m",
)
_OF_RASTERS = ("classes", "no_data")


def _number(value: Any) -> Any:
    # "NaN" and infinity are never measured, so that a file need not state them.
    if isinstance(value, bool) or (isinstance(value, str) and value != "none"):
        raise ValueError('must be a number, or "none" if every pixel was measured')
    return value


NoDataValue = Annotated[
    Annotated[float, Field(allow_inf_nan=False)] | Literal["none"], BeforeValidator(_number)]


class LayerSection(Section):
    """One layer: a band of a raster (`band`) or a column of a table of points (`value_column`).

    The unit is what the user states, never what a file seems to hold. `no_data` is the pixel value
    (before a scale) that means nothing was measured, where the file itself does not say so.
    """

    name: Annotated[Text, Field(max_length=60)]
    file: Text
    unit: Text
    crs: Text | None = None
    band: Annotated[int, Field(ge=1, strict=True)] | None = None
    classes: bool = False
    no_data: NoDataValue | None = None
    value_column: Text | None = None
    longitude_column: Text | None = None
    latitude_column: Text | None = None
    easting_column: Text | None = None
    northing_column: Text | None = None
    layer: Text | None = None
    sheet: Text | None = None
    decimal_mark: Literal[".", ","] | None = None
    fill_within_m: NotNegative = 0.0

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        if not self.name.isprintable():
            raise ValueError(f"name {self.name!r} holds a line break or a control character; "
                             "write it in one line")
        if (self.band is None) == (self.value_column is None):
            raise ValueError(
                f"layer {self.name!r}: give band for a raster (band = 1), or value_column for a "
                'table of points; with "?" in its place `vrx check` shows what the file holds')
        raster = self.band is not None
        stray = sorted(set(_OF_POINTS if raster else _OF_RASTERS) & self.model_fields_set)
        if stray:
            raise ValueError(f"layer {self.name!r}: {stray[0]} belongs to a "
                             + ("table of points, not to a raster" if raster
                                else "raster, not to a table of points"))
        degrees = (self.longitude_column, self.latitude_column)
        metres = (self.easting_column, self.northing_column)
        if (degrees[0] is None) != (degrees[1] is None) or (
                (metres[0] is None) != (metres[1] is None)) or (degrees[0] and metres[0]):
            raise ValueError(
                f"layer {self.name!r}: give longitude_column and latitude_column, or "
                "easting_column, northing_column and crs, or neither for a vector file of points")
        return self

    @property
    def is_raster(self) -> bool:
        """Whether a raster's band is read, not a column of points."""
        return self.band is not None


def _listed(value: object) -> object:
    return [value] if isinstance(value, dict) else value


Layers = Annotated[tuple[LayerSection, ...], BeforeValidator(_listed)]
"""`[[layer]]` for each, or one plain `[layer]`."""


def require_known(layers: Sequence[LayerSection], of_yield: Sequence[str]) -> None:
    """Names stand once, and `[yield_goal] layers` names layers of yield. Raises `ValueError`."""
    seen: dict[str, str] = {}
    for one in layers:
        twin = seen.setdefault(one.name.casefold(), one.name)
        if twin is not one.name:
            raise ValueError(f"two [[layer]] sections are called {one.name!r}; every layer needs "
                             "a name of its own (capitals do not tell them apart)")
    known = {one.name: one for one in layers}
    for position, name in enumerate(of_yield):
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            raise ValueError(
                f"yield_goal.layers names {name!r}, but no [[layer]] is called so; "
                + (f"did you mean {near[0]!r}?" if near else
                   f"known: {', '.join(map(repr, known))}" if known else "add a [[layer]] section"))
        if name in of_yield[:position]:
            raise ValueError(f"yield_goal.layers names {name!r} twice")
        one = known[name]
        if one.unit not in YIELD_UNITS or one.classes:
            raise ValueError(
                f"yield_goal.layers names {name!r}, whose unit {one.unit!r}"
                f"{' (classes)' if one.classes else ''} is no yield; a layer that shares the goal "
                f"out is in one of {', '.join(YIELD_UNITS)}")
