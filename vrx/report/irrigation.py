"""The operator's schedule of injection made ready for print, with a plan of a pivot's turn."""

from __future__ import annotations

import math
from dataclasses import dataclass

from markupsafe import Markup

from vrx.model import CLEAN, FLUSH, OFF, InjectionLeg, InjectionSchedule, Job, ScheduleStep
from vrx.report import numbers
from vrx.report.turn import plan_of_turn
from vrx.units import GAL_M3

_ML_PER_GAL = GAL_M3 * 1e6
MOST_ROWS = 120
"""Steps that the page prints; a schedule with more shows the first and points to its file."""
_THROUGH = {
    "centre pivot": "the centre pivot", "border": "border irrigation",
    "furrow": "furrow irrigation",
    "wheel line": "the wheel line", "hand line": "the hand line", "solid set": "the solid set",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRow:
    """One step of the operator's list in print."""

    kind: str
    what: str
    place: str
    clock: str
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleView:
    """One schedule in print; `pairs` are (name, value) of its head."""

    number: int
    pass_id: str
    material: str
    system: str
    time: str
    setting: str
    pairs: tuple[tuple[str, str], ...]
    headings: tuple[str, ...]
    rows: tuple[StepRow, ...]
    more: int
    total: str
    truth: str
    settings: tuple[tuple[str, ...], ...]
    by_speed: str
    even: str
    checks: tuple[str, ...]
    picture: Markup | None
    file: str


def schedule_views(job: Job) -> list[ScheduleView]:
    """All schedules in the order of their passes."""
    return [_view(one) for one in sorted(job.irrigation, key=lambda one: one.number)]


def _view(made: InjectionSchedule) -> ScheduleView:
    # Clean water of sets is the same in each and stands in the head.
    shown = [step for step in made.steps
             if made.is_pivot or step.what not in (CLEAN, FLUSH)]
    rows = tuple(_row(made, step) for step in shown)
    picture = None
    if made.is_pivot:
        picture = Markup(plan_of_turn(made))  # noqa: S704 - svg.py built it and escaped every text
    return ScheduleView(
        number=made.number, pass_id=made.pass_id, material=made.material,
        system=_THROUGH[made.system], time="Time" if made.is_pivot else "Time in the set",
        setting=_setting(made), pairs=tuple(_pairs(made)), headings=_headings(made),
        rows=rows[:MOST_ROWS], more=max(0, len(rows) - MOST_ROWS),
        total=f"{numbers.fixed(made.total_gal, 1)} gal on {numbers.acres(made.wetted_ac)} ac",
        truth=_truth(made), settings=_settings(made), by_speed=_by_speed(made),
        even=_even(made), checks=made.checks,
        picture=picture,
        file=f"irrigation_{made.pass_id}.csv",
    )


def _live(made: InjectionSchedule) -> list[InjectionLeg]:
    return [leg for leg in made.legs if leg.gallons > 0]


def _range(values: list[float], decimals: int) -> str:
    low, high = numbers.fixed(min(values), decimals), numbers.fixed(max(values), decimals)
    return low if low == high else f"{low} to {high}"


def _setting(made: InjectionSchedule) -> str:
    settings = [leg.gal_per_h for leg in _live(made)]
    text = _range(settings, 1)
    if " to " in text:
        return f"{text} gal/h, set anew by the list below"
    return f"{text} gal/h all the way"


def _pairs(made: InjectionSchedule) -> list[tuple[str, str]]:
    live = _live(made)
    settings = [leg.gal_per_h for leg in live]
    pairs = [
        ("Wetted", f"{numbers.acres(made.wetted_ac)} ac get product" + _beyond(made)),
        ("Gallons", (f"{numbers.fixed(made.total_gal, 1)} gal over "
                    f"{_hours(made.injecting_h)} of injection")),
        ("Calibrate", (f"{_range([gph * _ML_PER_GAL / 60 for gph in settings], 0)} mL a minute "
                       "from a catch tube; one gallon in "
                       f"{_range([60 / gph for gph in settings], 2)} min")),
    ]
    if made.tank_gal is not None:
        count = len(made.fills)
        pairs.append(("Tank", (f"{numbers.fixed(made.tank_gal)} gal, filled {count} "
                              f"{'time' if count == 1 else 'times'}, last with "
                              f"{numbers.fixed(made.fills[-1].gallons, 1)} gal")))
    gross = [leg.gross_in for leg in made.legs if leg.gross_in is not None]
    if gross and made.flow_gpm is not None:
        water = f"{_range(gross, 2)} in gross at {numbers.fixed(made.flow_gpm)} gpm"
        net = [leg.net_in for leg in made.legs if leg.net_in is not None]
        if net and made.efficiency_pct is not None:
            water += (f"; {_range(net, 2)} in net at {made.efficiency_pct:g} % application "
                      "efficiency, as stated")
        pairs.append(("Water", water))
        thin = [60 * made.flow_gpm / gph for gph in settings]
        pairs.append(("Dilution", f"1 gal of product in {_range(thin, 0)} gal of water"))
    if made.is_pivot:
        before = (f"{_hours(made.clean_before_h)} of clean water, pivot standing; "
                  if made.clean_before_h > 0 else "")
        pairs.append(("Clean water", f"{before}flush {_hours(made.flush_h)} at the end"))
    else:
        after = (made.set_h or 0.0) - made.clean_before_h - live[0].hours
        pairs.append(("Each set", (f"{_hours(made.set_h or 0.0)}: clean water "
                                  f"{_hours(made.clean_before_h)}, product "
                                  f"{_hours(live[0].hours)}, clean water {_hours(after)}")))
        if made.sets_per_day:
            days = math.ceil(len(made.legs) / made.sets_per_day)
            pairs.append(("Sets", (f"{len(made.legs)}, {made.sets_per_day} a day: {days} "
                                  f"{'day' if days == 1 else 'days'}")))
    return pairs


def _beyond(made: InjectionSchedule) -> str:
    inside = [leg.field_ac for leg in made.legs if leg.injecting and leg.field_ac is not None]
    if not inside:
        return ""
    beyond = made.wetted_ac - sum(inside)
    if beyond < 0.005:
        return ", all of them in the field"
    return (f"; {numbers.acres(beyond)} of them lie outside the field (hollows, roads, corners) "
            "and get it too")


def _hours(value: float) -> str:
    """Hours and minutes, to the minute: "36 h", "2 h 15 min", "20 min"."""
    minutes = round(value * 60)
    whole, rest = divmod(minutes, 60)
    # Number and unit stay on one line.
    if rest == 0:
        return f"{whole}\u00a0h"
    return f"{rest}\u00a0min" if whole == 0 else f"{whole}\u00a0h {rest}\u00a0min"


def _clock(hours: float) -> str:
    """A time since the water was turned on, h:mm."""
    whole, rest = divmod(round(hours * 60), 60)
    return f"{whole}:{rest:02d}"


def _headings(made: InjectionSchedule) -> tuple[str, ...]:
    inside = any(leg.field_ac is not None for leg in made.legs)
    common = ["Acres wetted" + (" (in the field)" if inside else ""), "Acres an hour",
              "Pump, gal/h", "gal/ac", "Gallons", "Gallons so far"]
    if any(leg.gross_in is not None for leg in made.legs):
        common.insert(2, "Water, in gross")
    if any(leg.speed_pct is not None for leg in made.legs):
        common.insert(2, "Speed, %")
    return tuple(common)


def _row(made: InjectionSchedule, step: ScheduleStep) -> StepRow:
    leg = made.legs[step.leg]
    # Sets repeat, and moving the line takes time of its own: there the clock starts with each set.
    since = 0.0 if made.set_h is None else step.leg * made.set_h
    clock = _clock(max(0.0, step.start_h - since))
    place = leg.label
    if made.sets_per_day:
        place += f", day {step.leg // made.sets_per_day + 1}"
    wide = len(_headings(made))
    if step.fill is not None:
        if step.fill.at_deg is not None:
            place = f"at {numbers.fixed(step.fill.at_deg, 1)}°"
        words = "before the pump starts" if step.fill.number == 1 else (
            "stop the machine meanwhile: ground that it passes gets none" if made.is_pivot
            else "then pump the rest of this set")
        return StepRow(
            kind="fill", place=place, clock=clock, cells=(words, *[""] * (wide - 1)),
            what=f"Fill {step.fill.number}: {numbers.fixed(step.fill.gallons, 1)} gal")
    ends = f"{clock} to {_clock(step.start_h + step.hours - since)}"
    if step.what in (CLEAN, FLUSH):
        words = "pivot standing, until the far end runs"
        if step.what == FLUSH:
            words = ("let the pivot walk on: what is still in the pipe falls where the turn began"
                     if _is_full_circle(made) else "")
        return StepRow(
            kind="clean", what="Clean water" if step.what == CLEAN else "Flush", place="",
            clock=ends, cells=(words, *[""] * (wide - 1)))
    what = "Injector off" if step.what == OFF else "Inject"
    if any(one.end_gun for one in made.legs):
        what += f", gun {'on' if leg.end_gun else 'off'}"
    if any(one.corner_arm for one in made.legs):
        what += f", arm {'out' if leg.corner_arm else 'in'}"
    wetted = numbers.acres(leg.wetted_ac)
    if leg.field_ac is not None:
        wetted += f" ({numbers.acres(leg.field_ac)})"
    cells = [wetted, numbers.fixed(leg.ac_per_h, 2),
             numbers.fixed(leg.gal_per_h, 1), numbers.fixed(leg.gal_per_ac, 2),
             numbers.fixed(leg.gallons, 1), numbers.fixed(leg.cumulative_gal, 1)]
    if any(one.gross_in is not None for one in made.legs):
        cells.insert(2, numbers.fixed(leg.gross_in or 0.0, 2))
    if any(one.speed_pct is not None for one in made.legs):
        cells.insert(2, f"{leg.speed_pct or 0.0:.3g}")
    return StepRow(kind="off" if step.what == OFF else "inject", what=what, place=place,
                   clock=ends, cells=tuple(cells))


def _is_full_circle(made: InjectionSchedule) -> bool:
    return math.fsum(abs(leg.sweep_deg or 0.0) for leg in made.legs) >= 360.0 - 1e-6


def _truth(made: InjectionSchedule) -> str:
    """What one pump setting would do, against the rate that is wanted."""
    live = _live(made)
    asked = {round(leg.wanted_gal_per_ac, 9) for leg in live}
    kept = [leg.one_setting_gal_per_ac for leg in live]
    same = all(abs(one - leg.wanted_gal_per_ac) <= 1e-6 * max(1.0, leg.wanted_gal_per_ac)
               for one, leg in zip(kept, live, strict=True))
    wanted = f"{_range([leg.wanted_gal_per_ac for leg in live], 2)} gal/ac"
    if same and len(asked) == 1:
        return ("The machine covers the same acres in every hour of injection, so one pump "
                f"setting brings {wanted} everywhere. Change its speed, or switch an end gun, and "
                "the rate changes with it.")
    if made.one_setting:
        return (f"The pump keeps one setting while the acres covered in an hour change: it brings "
                f"{_range(kept, 2)} gal/ac where {wanted} is wanted. The table below says what the "
                "pump would have to be set to.")
    return (f"The pump is set anew at each mark and brings {wanted}. Left at one setting it would "
            f"bring {_range(kept, 2)} gal/ac.")


def _by_speed(made: InjectionSchedule) -> str:
    """Heading of the column that tells how one setting could hold the rate."""
    knows = all(leg.speed_pct is not None for leg in made.legs)
    return "Or one setting at this speed, %" if knows else "Or one setting for these hours"


def _held_by(leg: InjectionLeg) -> str:
    if leg.speed_pct is None:
        return _hours(leg.hold_hours)
    speed = leg.speed_pct * leg.hours / leg.hold_hours
    return f"{speed:.3g}" if speed <= 100 + 1e-9 else "faster than it can"


def _settings(made: InjectionSchedule) -> tuple[tuple[str, ...], ...]:
    """Leg, wanted gal/ac, what one setting brings, and two ways to hold the rate; () where alike.

    The other way is by speed: at the one setting, in the same time for the whole turn.
    """
    live = _live(made)
    if all(abs(leg.one_setting_gal_per_ac - leg.wanted_gal_per_ac)
           <= 1e-6 * max(1.0, leg.wanted_gal_per_ac) for leg in live):
        return ()
    return tuple(
        (leg.label, numbers.fixed(leg.wanted_gal_per_ac, 2),
         numbers.fixed(leg.one_setting_gal_per_ac, 2), numbers.fixed(leg.hold_gal_per_h, 1),
         _held_by(leg))
        for leg in live[:MOST_ROWS])


def _even(made: InjectionSchedule) -> str:
    if made.uniformity_pct is None:
        return "How evenly the water spreads is not stated; product spreads no better."
    mean = made.total_gal / made.wetted_ac
    return (f"Distribution uniformity {made.uniformity_pct:g} %, as stated: where {mean:.3g} "
            "gal/ac fall on average, the driest quarter gets "
            f"{mean * made.uniformity_pct / 100:.3g}.")
