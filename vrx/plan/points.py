"""`[soil.points]`: the file that holds the places of results that come by sample name only."""

from __future__ import annotations

from typing import Any, Literal, Self

from pydantic import model_validator

from vrx.plan.base import Section, Text

IdMatch = Literal["exact", "ignore case", "ignore leading zeros", "ignore marks", "as numbers",
                  "dates as month-day", "dates as day-month"]


DegreesAs = Literal["ddmm.mmmm", "ddmmss.s", "microdegrees", "1e-7 degrees", "d m s"]
PointOrder = Literal["longitude latitude", "latitude longitude"]
_STRAYS = ("crs", "zone_column", "longitudes_are_west", "longitudes_are_east",
           "latitudes_are_south", "point_order", "degrees_as", "position_column")


class PointsSection(Section):
    """`[soil.points]`: keys of the same name as in `[soil]`, of the points file.

    Names meet letter by letter unless `id_match` lists in what they may differ.
    """

    file: Text
    id_column: Text
    sheet: Text | None = None
    layer: Text | None = None
    crs: Text | None = None
    position_column: Text | None = None
    longitude_column: Text | None = None
    latitude_column: Text | None = None
    degrees_as: DegreesAs | None = None
    point_order: PointOrder | None = None
    easting_column: Text | None = None
    northing_column: Text | None = None
    zone_column: Text | None = None
    longitudes_are_west: bool = False
    longitudes_are_east: bool = False
    latitudes_are_south: bool = False
    decimal_mark: Literal[".", ","] | None = None
    id_match: tuple[IdMatch, ...] = ()
    only_inside: bool = False
    over_own_positions: bool = False
    repeats: Literal["mean"] | None = None

    @model_validator(mode="after")
    def _ways_fit(self) -> Self:
        require_one_way(self)
        ways = set(self.id_match)
        if "exact" in ways and len(ways) > 1:
            raise ValueError('id_match = ["exact"] stands alone')
        if {"dates as month-day", "dates as day-month"} <= ways:
            raise ValueError("a date is month-day or day-month: keep one in id_match")
        return self


def require_one_way(section: Any) -> None:
    """Raises `ValueError` where one section states its coordinates in two ways."""
    own = [key for key in ("longitude_column", "latitude_column", "easting_column",
                           "northing_column", "zone_column") if getattr(section, key)]
    if section.position_column is not None and own:
        raise ValueError(f"position_column holds both coordinates: take {own[0]} out, or it")
    if section.degrees_as is not None and not (
            section.position_column or section.longitude_column):
        raise ValueError("degrees_as belongs to columns of longitude and latitude, or to a "
                         "position_column")


def refuse_strays(points: PointsSection | None, given: set[str]) -> None:
    """Raises `ValueError` for keys of `[soil]` that would be passed over beside a points file."""
    strays = [key for key in _STRAYS if key in given]
    if points is not None and strays and not points.over_own_positions:
        raise ValueError(f"{strays[0]} of [soil] is of positions in the sample table; those of the "
                         "points file are stated in [soil.points]")
