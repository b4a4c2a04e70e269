"""What the user states about a soil table; plain values, nothing read yet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from types import MappingProxyType

Depth = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnSpec:
    """One analyte: the heading, and its unit (or the column that holds it), form, method, depth.

    `form` is "K", "K2O", "SO4-S", "SO4", "S", "P" or "P2O5" where the analyte has forms.
    `depth_in` is (top, bottom), inches. `depth` chooses among the depths of the table for this
    analyte. `limit_of_detection` gives a value to "ND" (in the column's unit); without it such a
    result is missing. In a table of one result a row `analyte_is` (and `method_is`, where one
    analyte has several methods) stand for `column`: the words of the analyte in its column.
    `optional`: left out with a note where the table has no such column.
    """

    column: str = ""
    analyte_is: str | None = None
    method_is: str | None = None
    unit: str | None = None
    unit_column: str | None = None
    form: str | None = None
    extractant: str | None = None
    depth_in: Depth | None = None
    depth: str | None = None
    limit_of_detection: float | None = None
    optional: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilSpec:
    """A soil table: where its samples lie, when and by whom they were tested, what it holds.

    Places: longitude and latitude columns (WGS 84 unless `crs`), or easting and northing columns
    with `crs` or with a `zone_column` of UTM zones, or neither for a vector file of points; or a
    `position_column` with both in one cell, in the order of `point_order` where the cells do not
    say it. `degrees_as` names another way to write degrees (`vrx.intake._odd_degrees.WAYS`).
    `leave_out` names samples that the user does not want (an outlier that is a slip of the pen).
    `longitudes_are_west` makes unsigned longitudes negative, `longitudes_are_east` signed ones
    positive, `latitudes_are_south` unsigned latitudes negative. `only_inside` passes over samples
    of other fields, however many they are. `depth` chooses among several
    depths. `date_order` is "mdy" or "dmy" for dates that read both ways, `decimal_mark` "." or ",".

    One result a row: `analyte_column` and `value_column`, with `unit_column` and `method_column`
    where the table has them; `reruns` of one sample give their "mean" or the "last" counts.
    Depth in two columns: `depth_top_column`, `depth_bottom_column` and `depth_unit` ("in", "cm" or
    "ft"). Several years: `use_year` is a year, or "latest" at each place; the year stands in
    `year_column`, else it is that of the date. `point_order` ("longitude latitude" or "latitude
    longitude") says how a result file, or a `position_column`, writes its points. `points` names
    the file that holds the places of results that come by name only.
    """

    columns: Mapping[str, ColumnSpec] = field(default_factory=lambda: MappingProxyType({}))
    sheet: str | None = None
    layer: str | None = None
    crs: str | None = None
    id_column: str | None = None
    position_column: str | None = None
    longitude_column: str | None = None
    latitude_column: str | None = None
    degrees_as: str | None = None
    easting_column: str | None = None
    northing_column: str | None = None
    zone_column: str | None = None
    longitudes_are_west: bool = False
    longitudes_are_east: bool = False
    latitudes_are_south: bool = False
    date_column: str | None = None
    date_order: str | None = None
    sampled_on: date | None = None
    lab: str | None = None
    lab_column: str | None = None
    report_number: str | None = None
    report_column: str | None = None
    depth_column: str | None = None
    depth: str | None = None
    depth_top_column: str | None = None
    depth_bottom_column: str | None = None
    depth_unit: str | None = None
    analyte_column: str | None = None
    value_column: str | None = None
    unit_column: str | None = None
    method_column: str | None = None
    reruns: str = "mean"
    year_column: str | None = None
    use_year: int | str | None = None
    point_order: str | None = None
    decimal_mark: str | None = None
    leave_out: tuple[str, ...] = ()
    merge_within_m: float = 0.5
    keep_outside_m: float = 10.0
    only_inside: bool = False
    points: PointsSpec | None = None

    @property
    def by_geometry(self) -> bool:
        """True if places come from the file's own geometry."""
        return not any((self.position_column, self.longitude_column, self.latitude_column,
                        self.easting_column, self.northing_column))

    @property
    def places_and_names(self) -> tuple[str, ...]:
        """Headings that tell one sample from another: name, place, time, laboratory, depth."""
        named = (self.id_column, self.position_column, self.longitude_column,
                 self.latitude_column, self.easting_column, self.northing_column,
                 self.zone_column, self.date_column, self.year_column, self.lab_column,
                 self.report_column, self.depth_column, self.depth_top_column,
                 self.depth_bottom_column)
        return tuple(dict.fromkeys(heading for heading in named if heading))

    @property
    def needed(self) -> tuple[str, ...]:
        """All headings that the table must have, in a fixed order."""
        named = [*self.places_and_names, self.analyte_column, self.value_column, self.unit_column,
                 self.method_column]
        for column in self.columns.values():
            named += [] if column.optional else [column.column, column.unit_column]
        return tuple(dict.fromkeys(heading for heading in named if heading))


@dataclass(frozen=True, slots=True, kw_only=True)
class PointsSpec:
    """The file that holds the places of results that come by sample name only.

    `places` states its id column and coordinates as a soil table's are. `id_match` lists the ways
    (see `vrx.intake._ids.WAYS`) in which names may differ, none by default. `only_inside` passes
    over points outside the field; `over_own_positions` prefers the points to positions that the
    results have of their own. `repeats` "mean" averages results of one name, depth and year.
    """

    path: Path
    places: SoilSpec
    id_match: tuple[str, ...] = ()
    only_inside: bool = False
    over_own_positions: bool = False
    repeats: str | None = None
