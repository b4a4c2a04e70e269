"""What the user states about a yield log, and which filters clean it; plain values."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class LogColumn:
    """A column by its heading, and its unit, which is always stated."""

    column: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceColumns:
    """Where readings lie: longitude and latitude (WGS 84 unless `crs`), or easting and northing
    with `crs`, or neither for a vector file of points.
    """

    longitude_column: str | None = None
    latitude_column: str | None = None
    easting_column: str | None = None
    northing_column: str | None = None
    crs: str | None = None
    layer: str | None = None
    sheet: str | None = None
    decimal_mark: str | None = None
    keep_outside_m: float = 10.0

    @property
    def by_geometry(self) -> bool:
        """True if places come from the file's own geometry."""
        return not any((self.longitude_column, self.latitude_column, self.easting_column,
                        self.northing_column))

    @property
    def pair(self) -> tuple[str, ...]:
        """The two headings, easting or longitude first; () by geometry or if incomplete."""
        if self.longitude_column and self.latitude_column:
            return self.longitude_column, self.latitude_column
        if self.easting_column and self.northing_column:
            return self.easting_column, self.northing_column
        return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class YieldSpec:
    """A yield log: its columns, units and the moisture at which its yields are stated.

    `amount` is a yield ("t/ha", "kg/ha", "short ton/ac", "lb/ac"; "bu/ac" only with
    `lb_per_bushel`), a mass flow ("lb/s", "lb/min", "lb/h", "kg/s", "kg/min", "kg/h", "t/h", "short
    ton/h"), a mass a reading ("lb", "kg") or one bale a reading ("lb/bale", "kg/bale", "short
    ton/bale", "t/bale"). A flow or mass needs a swath, and a distance or a speed with interval; a
    flow needs the interval. Lengths are "m", "ft" or "in"; speeds "m/s", "km/h" or "mph"; intervals
    "s"; times "s", "ms", "min", "h", "ISO 8601", "hh:mm:ss" (time of day) or a strptime format such
    as "%m/%d/%Y %H:%M:%S".

    Moisture: `moisture_pct` where the log's yields are at one moisture, or `moisture_column`
    (percent) with `to_moisture_pct`, or `moisture_unknown` (then yields serve as relative only).
    `harvest_column` parts the file into harvests, `harvest` names the one to read; without the
    column `harvest` is just the label, unless the log's times have a gap of more than ten days:
    then its parts are harvests, named by their first day, unless `part_by_time` is False.
    `working_column` tells by 0 or 1, on or off, up or down whether the header worked.
    `machine_column` parts a file of several machines.
    """

    amount: LogColumn
    places: PlaceColumns
    lb_per_bushel: float | None = None
    moisture_pct: float | None = None
    moisture_column: str | None = None
    to_moisture_pct: float | None = None
    moisture_unknown: bool = False
    harvest_column: str | None = None
    harvest: str | None = None
    part_by_time: bool = True
    time: LogColumn | None = None
    interval: LogColumn | None = None
    distance: LogColumn | None = None
    speed: LogColumn | None = None
    swath: LogColumn | None = None
    swath_m: float | None = None
    pass_column: str | None = None
    working_column: str | None = None
    machine_column: str | None = None

    @property
    def numeric(self) -> dict[str, LogColumn]:
        """The measured columns that are stated, by what they are, in a fixed order."""
        named = {"amount": self.amount, "interval": self.interval, "distance": self.distance,
                 "speed": self.speed, "swath": self.swath}
        return {key: column for key, column in named.items() if column is not None}

    @property
    def needed(self) -> tuple[str, ...]:
        """All headings that the table must have, in a fixed order."""
        named = [*self.places.pair, *(c.column for c in self.numeric.values()),
                 self.moisture_column, self.time.column if self.time else None,
                 self.harvest_column, self.pass_column, self.working_column,
                 self.machine_column]
        return tuple(dict.fromkeys(heading for heading in named if heading))


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanSpec:
    """Which filters clean a yield log; None takes the default of `filters.toml`.

    `off` names filters that are not to run. `delay_s` is the flow delay in seconds, or "estimate"
    to find it from neighbouring passes within `delay_search_s` (least, most; below 0 for logs that
    were moved too far), or None to take places as logged. Yield limits are short tons per acre.
    `full_swath_m` is the machine's width; without it the greatest logged swath counts.
    `global_quantiles` (least, most) take the place of standard deviations where they are given.
    """

    off: tuple[str, ...] = ()
    delay_s: float | str | None = None
    delay_search_s: tuple[float, float] = (-10.0, 30.0)
    start_pass_s: float | None = None
    end_pass_s: float | None = None
    least_readings: int | None = None
    standing_m_per_s: float | None = None
    least_speed_m_per_s: float | None = None
    most_speed_m_per_s: float | None = None
    least_speed_share: float | None = None
    most_speed_share: float | None = None
    most_speed_change: float | None = None
    distance_sd: float | None = None
    distance_within_share: float | None = None
    full_swath_m: float | None = None
    least_swath_share: float | None = None
    most_overlap_share: float | None = None
    least_tons_per_ac: float | None = None
    most_tons_per_ac: float | None = None
    global_sd: float | None = None
    global_quantiles: tuple[float, float] | None = None
    local_neighbours: int | None = None
    local_sd: float | None = None
    local_within_share: float | None = None
