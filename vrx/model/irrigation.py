"""Injection through the irrigation: the schedule that an operator follows."""

from __future__ import annotations

from dataclasses import dataclass

from vrx.model.finding import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class InjectionLeg:
    """A sector of a pivot's way, or one set: what it wets, how long it takes and what goes in.

    `start_deg` and `stop_deg` are compass degrees in the order of travel, `sweep_deg` those between
    them, below 0 where the pivot turns counterclockwise; None for a set.
    `wetted_ac` are all acres that get water, `field_ac` those of them that lie in the field (None
    where that is not known). `hours` are those of injection, `start_h` the hours of water since the
    first. `gross_in` is the water put on, `net_in` what of it stays (None without flow, and
    efficiency). `wanted_gal_per_ac` is the prescription's rate, `gal_per_ac` what the leg gets.
    Whatever the injector does: `hold_gal_per_h` is the setting that brings the wanted rate here,
    `one_setting_gal_per_ac` the rate if the pump kept one setting all the way, and `hold_hours` the
    hours that would bring the wanted rate at that one setting.
    """

    label: str
    wetted_ac: float
    hours: float
    start_h: float
    start_deg: float | None = None
    stop_deg: float | None = None
    sweep_deg: float | None = None
    field_ac: float | None = None
    injecting: bool = True
    end_gun: bool = False
    corner_arm: bool = False
    tower_ft_per_h: float | None = None
    speed_pct: float | None = None
    gross_in: float | None = None
    net_in: float | None = None
    wanted_gal_per_ac: float = 0.0
    gal_per_ac: float = 0.0
    gal_per_h: float = 0.0
    gallons: float = 0.0
    cumulative_gal: float = 0.0
    hold_gal_per_h: float = 0.0
    one_setting_gal_per_ac: float = 0.0
    hold_hours: float = 0.0

    @property
    def ac_per_h(self) -> float:
        """Acres wetted in an hour."""
        return self.wetted_ac / self.hours


@dataclass(frozen=True, slots=True, kw_only=True)
class TankFill:
    """One filling of the nurse tank: how much, and where and when the one before it is empty."""

    number: int
    gallons: float
    leg: int
    at_h: float
    at_deg: float | None = None


CLEAN, FILL, INJECT, OFF, FLUSH = (
    "clean water", "fill the tank", "inject", "injector off", "flush")
"""What an operator does at a step of the schedule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleStep:
    """One line of the operator's list: what to do, when, where, for how long.

    `leg` is the position of the leg it belongs to. `fill` is set for a filling of the tank, which
    takes no hours here.
    """

    what: str
    leg: int
    start_h: float
    hours: float = 0.0
    fill: TankFill | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InjectionSchedule:
    """One pass through the irrigation, step by step.

    `wetted_ac` are the acres that get product, `total_gal` what the pump draws for them;
    `order_gal` is what the order counts for the pass. `clean_before_h` and `flush_h` are hours of
    clean water before and after (of each set, where there are sets). `line_h` is the least time
    that a change at the pump takes to the far end, None without the water that the pipe holds.
    `steps` are all of it in the order of time, `checks` the safety list, each with its evidence.
    """

    pass_id: str
    number: int
    material: str
    system: str
    injector: str
    legs: tuple[InjectionLeg, ...]
    wetted_ac: float
    total_gal: float
    order_gal: float
    flush_h: float
    clean_before_h: float = 0.0
    flow_gpm: float | None = None
    efficiency_pct: float | None = None
    uniformity_pct: float | None = None
    tank_gal: float | None = None
    fills: tuple[TankFill, ...] = ()
    line_h: float | None = None
    direction: str = ""
    last_tower_ft: float | None = None
    radius_ft: float | None = None
    set_h: float | None = None
    sets_per_day: int | None = None
    steps: tuple[ScheduleStep, ...] = ()
    checks: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def is_pivot(self) -> bool:
        """Whether the legs are sectors."""
        return self.legs[0].start_deg is not None

    @property
    def injecting_h(self) -> float:
        """Hours of injection over all legs."""
        return sum(leg.hours for leg in self.legs if leg.injecting)

    @property
    def days(self) -> float:
        """Days from the first water to the end of the last leg, by sets a day where stated."""
        if self.set_h is not None:
            each = self.set_h / 24.0 if not self.sets_per_day else 1.0 / self.sets_per_day
            return len(self.legs) * each
        last = self.legs[-1]
        return (last.start_h + last.hours) / 24.0

    @property
    def one_setting(self) -> bool:
        """Whether the pump keeps one setting from the first leg to the last."""
        settings = [leg.gal_per_h for leg in self.legs if leg.injecting]
        return max(settings) - min(settings) <= 1e-9 * max(1.0, *settings)
