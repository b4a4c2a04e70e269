"""`[irrigation]`: the system that product is injected through, and how each such pass runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from vrx.plan.base import Azimuth, Latitude, Longitude, Section
from vrx.units import FT2_PER_AC

# No farm has more; beyond, figures are slips of the pen and sums leave the numbers.
_SQUARE_LEAST = 0.98
"""Nozzles may throw a little over the fence (our choice); a square much narrower is another's."""
Pct = Annotated[float, Field(ge=1, le=100, strict=True)]
Feet = Annotated[float, Field(ge=1, le=20_000, strict=True)]
FeetOrNone = Annotated[float, Field(ge=0, le=20_000, strict=True)]
Hours = Annotated[float, Field(ge=0.01, le=5_000, strict=True)]
HoursOrNone = Annotated[float, Field(ge=0, le=5_000, strict=True)]
Inches = Annotated[float, Field(ge=0.01, le=100, strict=True)]
Gallons = Annotated[float, Field(ge=0.01, le=1_000_000, strict=True)]
Acres = Annotated[float, Field(ge=0.01, le=10_000, strict=True)]
PassId = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
ArcDeg = tuple[Azimuth, Azimuth]

PIVOT = "centre pivot"
SURFACE = ("border", "furrow")


def _require_arcs(key: str, arcs: Sequence[ArcDeg]) -> None:
    for begin, end in arcs:
        if begin == end:
            raise ValueError(f"{key}: from {begin:g} to {end:g} degrees is no arc; [0, 360] is all "
                             "round")
        if abs(end - begin) > 360:
            raise ValueError(f"{key}: from {begin:g} to {end:g} degrees is more than a turn")


class PivotMachineSection(Section):
    """`[irrigation.pivot]`: the pivot; its ground may come from `[field.pivot]`.

    Feet, WGS 84 [longitude, latitude], compass degrees clockwise from north. Full speed is that
    with the percent timer at 100.
    """

    centre: tuple[Longitude, Latitude] | None = None
    radius_ft: Feet | None = None
    inner_radius_ft: FeetOrNone = 0.0
    start_deg: Azimuth | None = None
    stop_deg: Azimuth | None = None
    end_gun_ft: FeetOrNone = 0.0
    end_gun_arcs: tuple[ArcDeg, ...] = ()
    corner_arm_ft: FeetOrNone = 0.0
    corner_arm_arcs: tuple[ArcDeg, ...] = ()
    square_side_ft: Feet | None = None
    last_tower_ft: Feet | None = None
    full_speed_ft_per_h: Feet | None = None
    full_speed_circle_h: Hours | None = None

    GROUND: ClassVar[tuple[str, ...]] = (
        "centre", "radius_ft", "inner_radius_ft", "start_deg", "stop_deg", "end_gun_ft",
        "end_gun_arcs", "corner_arm_ft", "corner_arm_arcs", "square_side_ft")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.radius_ft is None and self.model_fields_set & set(self.GROUND):
            raise ValueError("give radius_ft, the wetted radius without the end gun")
        if self.radius_ft is not None:
            if self.centre is None:
                raise ValueError("radius_ft needs centre = [longitude, latitude]")
            if self.inner_radius_ft >= self.radius_ft:
                raise ValueError("inner_radius_ft is not below radius_ft")
            if self.last_tower_ft is not None and self.last_tower_ft > self.radius_ft:
                raise ValueError("last_tower_ft is beyond radius_ft")
        if (self.start_deg is None) != (self.stop_deg is None):
            raise ValueError("a pivot that turns over a part of the circle needs start_deg and "
                             "stop_deg")
        if (self.end_gun_ft > 0) != bool(self.end_gun_arcs):
            raise ValueError("an end gun needs end_gun_ft and end_gun_arcs")
        self._require_arm()
        if self.start_deg is not None and self.stop_deg is not None:
            _require_arcs("start_deg, stop_deg", [(self.start_deg, self.stop_deg)])
        _require_arcs("end_gun_arcs", self.end_gun_arcs)
        _require_arcs("corner_arm_arcs", self.corner_arm_arcs)
        if self.full_speed_circle_h is not None and self.full_speed_ft_per_h is not None:
            raise ValueError("full speed stands twice: keep full_speed_circle_h or "
                             "full_speed_ft_per_h")
        if self.full_speed_ft_per_h is not None and self.last_tower_ft is None:
            raise ValueError("full_speed_ft_per_h needs last_tower_ft, its distance from the pivot")
        return self

    def _require_arm(self) -> None:
        arm = (self.corner_arm_ft > 0, bool(self.corner_arm_arcs), self.square_side_ft is not None)
        if len(set(arm)) > 1:
            raise ValueError("a corner arm needs corner_arm_ft, corner_arm_arcs and "
                             "square_side_ft, the side of the square that it fills")
        across = 2.0 * (self.radius_ft or 0.0)
        if self.square_side_ft is not None and self.square_side_ft < _SQUARE_LEAST * across:
            raise ValueError(f"square_side_ft = {self.square_side_ft:g} is narrower than the "
                             f"circle of radius_ft, {across:g} ft across: no arm fills its corners")


class SetsSection(Section):
    """`[irrigation.sets]`: what one set wets, and how many there are.

    Acres of each in `acres`, or of all alike in `set_ac`, or as `width_ft` by `length_ft`.
    """

    number: Annotated[int, Field(ge=1, le=1000, strict=True)] | None = None
    set_ac: Acres | None = None
    acres: tuple[Acres, ...] = ()
    width_ft: Feet | None = None
    length_ft: Feet | None = None
    per_day: Annotated[int, Field(ge=1, le=24, strict=True)] | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.width_ft is None) != (self.length_ft is None):
            raise ValueError("a set has width_ft and length_ft")
        ways = (self.set_ac is not None, bool(self.acres), self.width_ft is not None)
        if sum(ways) != 1:
            raise ValueError("give one of set_ac, acres (of each set) and width_ft with length_ft")
        if bool(self.acres) == (self.number is not None):
            raise ValueError("acres lists every set; number goes with set_ac or width_ft")
        return self

    def each_ac(self) -> tuple[float, ...]:
        """Acres of every set."""
        if self.acres:
            return self.acres
        one = self.set_ac or (self.width_ft or 0.0) * (self.length_ft or 0.0) / FT2_PER_AC
        return (one,) * (self.number or 1)


class PaceSection(Section):
    """One of `sectors`: an arc with a speed of its own."""

    from_deg: Azimuth
    to_deg: Azimuth
    hours: Hours | None = None
    speed_pct: Pct | None = None
    gross_in: Inches | None = None

    @model_validator(mode="after")
    def _one_pace(self) -> Self:
        if sum(one is not None for one in (self.hours, self.speed_pct, self.gross_in)) != 1:
            raise ValueError("give one of hours, speed_pct and gross_in for the sector")
        _require_arcs("from_deg, to_deg", [(self.from_deg, self.to_deg)])
        return self


class InjectSection(Section):
    """`[irrigation.inject.<pass id>]`: how one pass runs.

    A pivot has `begin_deg`, `direction` and a pace; sets have `set_h` and `inject_h`.
    """

    injector: Literal["fixed", "set anew"]
    flush_h: Hours
    clean_before_h: HoursOrNone = 0.0
    tank_gal: Gallons | None = None
    least_gal_per_h: Gallons | None = None
    most_gal_per_h: Gallons | None = None
    begin_deg: Azimuth | None = None
    direction: Literal["clockwise", "counterclockwise"] | None = None
    full_circle_h: Hours | None = None
    speed_pct: Pct | None = None
    gross_in: Inches | None = None
    sectors: tuple[PaceSection, ...] = ()
    off_arcs_deg: tuple[ArcDeg, ...] = ()
    set_h: Hours | None = None
    inject_h: Hours | None = None

    OF_PIVOT: ClassVar[tuple[str, ...]] = (
        "begin_deg", "direction", "full_circle_h", "speed_pct", "gross_in", "sectors",
        "off_arcs_deg")
    OF_SETS: ClassVar[tuple[str, ...]] = ("set_h", "inject_h")

    @model_validator(mode="after")
    def _fits(self) -> Self:
        low, high = self.least_gal_per_h, self.most_gal_per_h
        if low is not None and high is not None and low > high:
            raise ValueError(f"least_gal_per_h = {low:g} is above most_gal_per_h = {high:g}")
        _require_arcs("off_arcs_deg", self.off_arcs_deg)
        return self

    def require_fit(self, *, pivot: bool) -> None:
        """The keys belong to the system, and none that it needs is missing."""
        strange = self.model_fields_set & set(self.OF_SETS if pivot else self.OF_PIVOT)
        if strange:
            raise ValueError(f"{min(strange)} belongs to "
                             + ("sets, not to a pivot" if pivot else "a pivot, not to sets"))
        if not pivot:
            if self.set_h is None or self.inject_h is None:
                raise ValueError("give set_h, the hours of one set, and inject_h, those with "
                                 "product")
            if self.clean_before_h + self.inject_h > self.set_h:
                raise ValueError(
                    f"clean_before_h + inject_h = {self.clean_before_h + self.inject_h:g} h are "
                    f"longer than the set of {self.set_h:g} h")
            return
        paces = (self.full_circle_h, self.speed_pct, self.gross_in)
        if sum(one is not None for one in paces) != 1:
            raise ValueError("give one of full_circle_h, speed_pct and gross_in")
        if self.begin_deg is None or self.direction is None:
            raise ValueError("give begin_deg, where the pivot stands at the start, and direction")


class IrrigationSection(Section):
    """`[irrigation]`: system, water, evenness, and where water and product may get away."""

    system: Literal["centre pivot", "wheel line", "hand line", "solid set", "border", "furrow"]
    flow_gpm: Gallons | None = None
    application_efficiency_pct: Pct | None = None
    distribution_uniformity_pct: Pct | None = None
    uniformity_least_pct: Pct | None = None
    line_gal: Gallons | None = None
    injection_to_water_ft: FeetOrNone | None = None
    tailwater: Literal["none", "returned", "leaves the field"] | None = None
    tailwater_to_water_ft: FeetOrNone | None = None
    pivot: PivotMachineSection | None = None
    sets: SetsSection | None = None
    inject: dict[PassId, InjectSection] = Field(default_factory=dict)

    @property
    def is_pivot(self) -> bool:
        """Whether the system turns."""
        return self.system == PIVOT

    @model_validator(mode="after")
    def _system_has_its_keys(self) -> Self:
        if self.is_pivot and self.sets is not None:
            raise ValueError("[irrigation.sets] belongs to a system that is set, not to a pivot")
        if not self.is_pivot and self.pivot is not None:
            raise ValueError(f'[irrigation.pivot] belongs to system = "{PIVOT}", not to '
                             f'"{self.system}"')
        if not self.is_pivot and self.sets is None:
            raise ValueError(f'system = "{self.system}" needs [irrigation.sets]')
        ends = self.model_fields_set & {"tailwater", "tailwater_to_water_ft"}
        if ends and self.system not in SURFACE:
            raise ValueError(f"{min(ends)} belongs to border and furrow irrigation")
        for name, one in self.inject.items():
            try:
                one.require_fit(pivot=self.is_pivot)
            except ValueError as err:
                raise ValueError(f"[irrigation.inject.{name}]: {err}") from None
            a_day = None if self.sets is None else self.sets.per_day
            if a_day is not None and one.set_h is not None and a_day * one.set_h > 24:
                raise ValueError(f"[irrigation.inject.{name}]: {a_day} sets of {one.set_h:g} h "
                                 "are more than a day")
        return self

    def require_one_tank(self, tanks: Mapping[str, float | None]) -> None:
        """The tank of a pass has one size; `tanks` is `tank_gal` of `[machine]` by pass id."""
        for name, one in self.inject.items():
            other = tanks.get(name)
            if one.tank_gal is not None and other is not None and other != one.tank_gal:
                raise ValueError(f"tank_gal is {one.tank_gal:g} in [irrigation.inject.{name}] and "
                                 f"{other:g} in [machine.{name}]; keep one of them")

    def require_passes(self, methods: dict[str, str], *, field_pivot: bool) -> None:
        """Passes that are named exist and go through irrigation; `methods` is by pass id."""
        for name in self.inject:
            if name not in methods:
                raise ValueError(f"[irrigation.inject.{name}] fits no pass; the pass ids are "
                                 f"{', '.join(methods)}")
            if methods[name] != "through irrigation":
                raise ValueError(f"[irrigation.inject.{name}]: that pass goes "
                                 f'"{methods[name]}", not "through irrigation"')
        own = self.pivot is not None and self.pivot.radius_ft is not None
        if self.is_pivot and not own and not field_pivot:
            raise ValueError("[irrigation.pivot] needs centre and radius_ft, since the field is no "
                             "[field.pivot]")
