"""The cutting calendar: windows worked by hand from a printed calendar, and days that cannot be."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import PlanError
from vrx.model import Cutting, PassWindow
from vrx.products import Calendar, PassDays, PassRequest, parse_timing, pass_windows

FEW = settings(derandomize=True, max_examples=60, deadline=None)
BASE = PassRequest(pass_id="a", number=1, timing="stubble of cutting 1", method="broadcast",
                   material="muriate of potash 0-0-60", kind="variable", serves="K2O")
FIRST = Cutting(number=1, cut=date(2027, 5, 28), bales_off=date(2027, 6, 1))
SECOND = Cutting(number=2, cut=date(2027, 7, 2), bales_off=date(2027, 7, 5),
                 water_on=date(2027, 7, 6))
LAST = Cutting(number=3, cut=date(2027, 9, 4), bales_off=date(2027, 9, 8))
FROST = date(2027, 10, 10)
CALENDAR = Calendar(cuttings=(FIRST, SECOND, LAST), killing_frost=FROST)


def window(calendar: Calendar = CALENDAR, **more: object) -> PassWindow:
    return pass_windows([replace(BASE, **more)], calendar, season=2027)[0][0]  # type: ignore[arg-type]


def codes(calendar: Calendar = CALENDAR, **more: object) -> list[str]:
    request = replace(BASE, **more)  # type: ignore[arg-type]
    return [one.code for one in pass_windows([request], calendar, season=2027)[1]]


@pytest.mark.parametrize(("text", "kind", "cutting", "weeks"), [
    ("dormant", "dormant", None, None), ("Late fall, dormant", "dormant", None, None),
    ("green-up", "green-up", None, None), ("early spring green up", "green-up", None, None),
    ("stubble of cutting 2", "stubble", 2, None), ("Stubble of  Cutting 3", "stubble", 3, None),
    ("after cutting 1", "stubble", 1, None), ("after 2nd cutting", "stubble", 2, None),
    ("after the first cutting", "stubble", 1, None),
    ("after the last cutting", "after the last cutting", None, None),
    ("stubble of the last cutting", "after the last cutting", None, None),
    ("4 to 6 weeks before killing frost", "before killing frost", None, (4.0, 6.0)),
    ("6-4 weeks before a killing frost", "before killing frost", None, (4.0, 6.0)),
    ("5 weeks before frost", "before killing frost", None, (5.0, 5.0)),
    ("preplant", "before seeding", None, None), ("whenever it suits", "other", None, None),
])
def test_words_of_timings(
    text: str, kind: str, cutting: int | None, weeks: tuple[float, float] | None
) -> None:
    told = parse_timing(text)
    assert (told.kind, told.cutting, told.weeks) == (kind, cutting, weeks)


def test_wheels_may_go_until_five_days_after_the_cut() -> None:
    # Ontario field crop news: regrowth starts about 5 days after cutting, apply before that.
    told = window(timing="after the last cutting")
    assert (told.opens, told.closes) == (date(2027, 9, 8), date(2027, 9, 9))
    assert "Ontario" in told.words
    assert window(Calendar(cuttings=(FIRST,), wheels_days=7)).closes == date(2027, 6, 4)


def test_ground_machines_go_before_the_water_and_injection_after_it() -> None:
    ground = window(timing="stubble of cutting 2")
    assert (ground.opens, ground.closes) == (date(2027, 7, 5), date(2027, 7, 6))
    water = window(timing="stubble of cutting 2", method="through irrigation")
    assert (water.opens, water.closes) == (date(2027, 7, 6), date(2027, 7, 8))
    own = Calendar(cuttings=(FIRST, replace(SECOND, regrowth=date(2027, 7, 7))))
    assert window(own, timing="stubble of cutting 2",
                  method="through irrigation").closes == date(2027, 7, 7)
    days = Calendar(cuttings=(FIRST, SECOND), regrowth_days=9)
    assert window(days, timing="stubble of cutting 2",
                  method="through irrigation").closes == date(2027, 7, 11)


def test_a_window_that_is_over_before_it_opens_is_told_with_its_days() -> None:
    late = replace(FIRST, bales_off=date(2027, 6, 6))
    (told,), found = pass_windows([BASE], Calendar(cuttings=(late,)), season=2027)
    assert told.closed
    assert [one.code for one in found] == ["calendar-no-window"]
    assert "4 days before it opens" in found[0].what  # closes June 2, opens June 6
    water = replace(SECOND, water_on=date(2027, 7, 12))
    assert "calendar-no-window" in codes(Calendar(cuttings=(FIRST, water)),
                                         timing="stubble of cutting 2",
                                         method="through irrigation")


def test_weeks_before_frost_meet_the_last_stubble() -> None:
    # 6 weeks before Oct 10 is Aug 29, 4 weeks Sep 12; wheels on cutting 3 from Sep 8 to Sep 9.
    told = window(timing="4 to 6 weeks before killing frost")
    assert (told.opens, told.closes) == (date(2027, 9, 8), date(2027, 9, 9))
    early = Calendar(cuttings=(FIRST, SECOND), killing_frost=FROST)
    told = window(early, timing="4 to 6 weeks before killing frost")
    assert (told.opens, told.closes) == (date(2027, 8, 29), date(2027, 9, 12))
    assert codes(early, timing="4 to 6 weeks before killing frost") == ["calendar-regrowth"]


def test_dormant_green_up_and_what_cannot_be_told() -> None:
    frozen = replace(CALENDAR, ground_freezes=date(2027, 11, 20), green_up=date(2027, 4, 12))
    told = window(frozen, timing="dormant")
    assert (told.opens, told.closes) == (FROST, date(2027, 11, 20))
    assert window(frozen, timing="green-up").opens == date(2027, 4, 12)
    assert "poor time" in window(frozen, timing="green-up").words
    for timing in ("stubble of cutting 7", "some day", "before seeding"):
        assert codes(timing=timing) == ["calendar-window-unknown"]
    assert codes(Calendar(), timing="dormant") == ["calendar-window-unknown"]


def test_dormant_passes_of_the_fall_before() -> None:
    both = replace(CALENDAR, last_frost=date(2026, 10, 12), ground_freezes=date(2026, 11, 25))
    told = window(both, timing="dormant")
    assert (told.opens, told.closes) == (date(2026, 10, 12), date(2026, 11, 25))
    after = replace(both, passes={"a": PassDays(on=date(2027, 11, 1))})
    told = window(after, timing="dormant")
    assert (told.opens, told.closes, told.fits) == (FROST, None, True)
    before = replace(both, passes={"a": PassDays(on=date(2026, 11, 1))})
    assert window(before, timing="dormant").fits is True
    thawed = replace(both, ground_freezes=None, green_up=date(2027, 4, 12))
    assert window(thawed, timing="dormant").closes == date(2027, 4, 12)
    with pytest.raises(PlanError, match="is not in 2026"):
        window(replace(both, last_frost=date(2027, 10, 12)))


def test_the_planned_day_and_days_that_are_forbidden() -> None:
    def day(**told: object) -> Calendar:
        return replace(CALENDAR, passes={"a": PassDays(**told)})  # type: ignore[arg-type]

    inside = window(day(on=date(2027, 6, 1)))
    assert inside.fits is True
    assert codes(day(on=date(2027, 6, 1))) == []
    assert codes(day(on=date(2027, 6, 9))) == ["calendar-outside-window"]
    held = day(on=date(2027, 6, 1), not_before=date(2027, 6, 2), reason="injury until then")
    assert codes(held) == ["calendar-outside-window"]
    assert window(held).opens == date(2027, 6, 2)
    assert "injury until then" in pass_windows([BASE], held, season=2027)[1][0].what
    assert codes(day(not_before=date(2027, 6, 20))) == ["calendar-no-window"]
    # Without a calendar the day still stands against the forbidden days.
    lone = Calendar(passes={"a": PassDays(on=date(2027, 3, 1), not_before=date(2027, 4, 1))})
    assert codes(lone, timing="some day") == ["calendar-outside-window"]


@pytest.mark.parametrize(("calendar", "says"), [
    (Calendar(cuttings=(replace(FIRST, bales_off=date(2027, 5, 1)),)), "bales_off on 2027-05-01"),
    (Calendar(cuttings=(SECOND, replace(FIRST, number=2))), "before bales_off of cutting 2"),
    (Calendar(cuttings=(replace(FIRST, cut=date(2025, 5, 28)),)), "outside the season"),
    (Calendar(cuttings=(replace(FIRST, regrowth=date(2027, 5, 1)),)), "regrowth_2_in"),
    (Calendar(killing_frost=FROST, ground_freezes=date(2027, 9, 1)), "ground_freezes"),
    (Calendar(passes={"b": PassDays(on=FROST)}), "no pass is called 'b'"),
])
def test_days_that_cannot_be(calendar: Calendar, says: str) -> None:
    with pytest.raises(PlanError, match=says) as caught:
        pass_windows([BASE], calendar, season=2027)
    assert caught.value.code == "calendar-days"


@FEW
@given(st.dates(date(2027, 5, 1), date(2027, 5, 20)), st.integers(0, 9), st.integers(0, 12),
       st.sampled_from(["broadcast", "band", "through irrigation"]), st.integers(0, 20))
def test_no_day_fits_that_lies_before_bales_are_off(
    cut: date, off: int, water: int, method: str, on: int
) -> None:
    one = Cutting(number=1, cut=cut, bales_off=cut + timedelta(days=off),
                  water_on=cut + timedelta(days=off + water))
    day = cut + timedelta(days=on)
    told = window(Calendar(cuttings=(one,), passes={"a": PassDays(on=day)}), method=method)
    if told.fits:
        assert one.bales_off <= day
        if method == "through irrigation":
            assert one.water_on is not None
            assert one.water_on <= day <= one.bales_off + timedelta(days=3)
        else:
            assert (day - cut).days <= 5
    assert told.closed == (told.closes < told.opens)  # type: ignore[operator]
