"""The operator's list: clean water, fillings, injection and flush in the order of time."""

from __future__ import annotations

from vrx.model import (
    CLEAN,
    FILL,
    FLUSH,
    INJECT,
    OFF,
    InjectionSchedule,
    ScheduleStep,
)

_ORDER = (FLUSH, FILL, CLEAN, INJECT, OFF)


def steps_of(made: InjectionSchedule) -> tuple[ScheduleStep, ...]:
    """All steps of a schedule; each set begins with clean water and ends with its flush."""
    found = [
        ScheduleStep(what=INJECT if leg.gallons > 0 else OFF, leg=at, start_h=leg.start_h,
                     hours=leg.hours)
        for at, leg in enumerate(made.legs)]
    # The first filling comes before the water is turned on.
    found += [ScheduleStep(what=FILL, leg=fill.leg, fill=fill,
                           start_h=0.0 if fill.number == 1 else fill.at_h)
              for fill in made.fills]
    if made.set_h is None:
        last = made.legs[-1]
        found.append(ScheduleStep(what=FLUSH, leg=len(made.legs) - 1,
                                  start_h=last.start_h + last.hours, hours=made.flush_h))
        if made.clean_before_h > 0:
            found.append(ScheduleStep(what=CLEAN, leg=0, start_h=0.0, hours=made.clean_before_h))
        return _sorted(found)
    for at, leg in enumerate(made.legs):
        begin = leg.start_h - made.clean_before_h
        if made.clean_before_h > 0:
            found.append(ScheduleStep(what=CLEAN, leg=at, start_h=begin,
                                      hours=made.clean_before_h))
        found.append(ScheduleStep(
            what=FLUSH, leg=at, start_h=leg.start_h + leg.hours,
            hours=made.set_h - made.clean_before_h - leg.hours))
    return _sorted(found)


def _sorted(steps: list[ScheduleStep]) -> tuple[ScheduleStep, ...]:
    # Rounded, since the end of a leg and the start of the next differ in their last bits.
    return tuple(sorted(
        steps, key=lambda one: (round(one.start_h, 9), one.leg, _ORDER.index(one.what))))
