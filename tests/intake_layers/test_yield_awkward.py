"""Logs as people have them: out of order, mixed, rounded, rolled over, per bale.

Each is read right, or what is wrong is told. All data is invented: a known yield surface over a
400 m square, driven in passes.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely

from vrx.errors import InputError
from vrx.geo import area_ac, to_lonlat
from vrx.intake.yields import (
    LogColumn,
    PlaceColumns,
    clean_yield,
    grid_yield,
    normalise_yields,
    read_yield_log,
    read_yield_logs,
    zone_stability,
)
from vrx.intake.yields._clock import in_order, spread
from vrx.intake.yields._outliers import far_from_mean
from vrx.model import Field, Grid, LayerGrid, YieldLog

TON_AC = LogColumn(column="yield", unit="short ton/ac")
SECONDS = LogColumn(column="time", unit="s")
ISO = LogColumn(column="time", unit="ISO 8601")
PER_BALE = LogColumn(column="weight", unit="lb/bale")


def counts(log: YieldLog) -> dict[str, int]:
    return {name: count for name, count in log.counts.items() if count}


def codes(log: YieldLog) -> set[str]:
    return {f.code for f in log.findings}


def surface(east: Any, north: Any) -> Any:
    """Short tons per acre."""
    return 2.0 + 0.5 * np.sin(np.asarray(north) / 60.0) + 0.3 * np.cos(np.asarray(east) / 50.0)


def driven(make: SimpleNamespace, **given: Any) -> dict[str, np.ndarray]:
    track = make.swaths(**{"lanes": 20, "per_lane": 60, **given})
    track["tons"] = surface(track["east"], track["north"])
    return track


def columns(make: SimpleNamespace, track: dict[str, np.ndarray], **more: Any) -> dict[str, Any]:
    where = make.lonlat(track["east"], track["north"])
    return {"lon": [f"{v:.8f}" for v in where[:, 0]], "lat": [f"{v:.8f}" for v in where[:, 1]],
            "yield": [f"{v:.4f}" for v in track["tons"]],
            "time": [f"{v:g}" for v in track["time"]], **more}


@pytest.fixture
def reading(make: SimpleNamespace, field: Field, tmp_path: Path) -> Any:
    def read(cells: dict[str, Any], **changes: Any) -> YieldLog:
        path = make.write(tmp_path / "log.csv", cells)
        return read_yield_log(path=path, field=field, spec=make.spec(
            **{"amount": TON_AC, "time": SECONDS, "swath_m": 6.0, **changes}))

    return read


# --- order and clocks ---------------------------------------------------------------------------


def test_rows_out_of_order_are_judged_as_in_order(make: SimpleNamespace) -> None:
    track = driven(make)
    mixed = np.random.default_rng(1).permutation(len(track["tons"]))
    right = clean_yield(log=make.log_of(track))
    done = clean_yield(log=make.log_of({k: v[mixed] for k, v in track.items()},
                                       record=(np.arange(len(mixed)) + 2)[mixed]))
    assert "yield-time-sorted" in codes(done)
    assert (done.reason == right.reason[mixed]).all()
    assert (done.record == mixed + 2).all()
    assert (done.time_s == track["time"][mixed]).all()


def test_a_log_written_newest_first_is_judged_as_in_order(make: SimpleNamespace) -> None:
    track = driven(make)
    right = clean_yield(log=make.log_of(track))
    done = clean_yield(log=make.log_of({k: v[::-1].copy() for k, v in track.items()}))
    assert (done.reason == right.reason[::-1]).all()


def test_rows_out_of_order_without_a_time_keep_their_readings(make: SimpleNamespace) -> None:
    track = driven(make)
    mixed = np.random.default_rng(1).permutation(len(track["tons"]))
    done = clean_yield(log=make.log_of({k: v[mixed] for k, v in track.items()}, time_s=None))
    assert "yield-order-unclear" in codes(done)
    assert done.kept.mean() > 0.98
    assert "short-pass (rows in no order of driving)" in next(
        f.what for f in done.findings if f.code == "yield-cleaned")


def test_repeated_time_stamps_are_shared_out_by_hand() -> None:
    # Five readings a second, stamps of whole seconds; then a turn of 20 s, which none may fill.
    more = np.concatenate([np.repeat(np.arange(9.0), 5), [28.0, 28.0]])
    assert spread(more)[:10] == pytest.approx([0, 0.2, 0.4, 0.6, 0.8, 1, 1.2, 1.4, 1.6, 1.8])
    assert spread(more)[40:] == pytest.approx([8, 8.2, 8.4, 8.6, 8.8, 28, 28.5])
    assert (np.diff(spread(more)) > 0).all()


def test_repeated_time_stamps_do_not_make_speeds_wrong(make: SimpleNamespace) -> None:
    track = driven(make)
    fine = clean_yield(log=make.log_of({**track, "time": track["time"] / 5}))
    stamped = clean_yield(log=make.log_of({**track, "time": np.floor(track["time"] / 5)}))
    assert stamped.kept.mean() > 0.9 * fine.kept.mean()
    assert "speed" not in counts(stamped)


@pytest.mark.parametrize(("period", "start"), [(86_400.0, 86_000.0), (604_800.0, 604_300.0)])
def test_a_clock_that_starts_again_runs_on(
    make: SimpleNamespace, period: float, start: float
) -> None:
    track = driven(make)
    right = clean_yield(log=make.log_of(track))
    done = clean_yield(log=make.log_of({**track, "time": (track["time"] + start) % period}))
    assert "yield-clock-rollover" in codes(done)
    assert (done.reason == right.reason).all()


@pytest.mark.parametrize("hours", [-1.0, 1.0])
def test_an_hour_set_in_spring_or_autumn_costs_one_pass_ends_only(
    make: SimpleNamespace, hours: float
) -> None:
    track = driven(make)
    right = clean_yield(log=make.log_of(track))
    jump = np.where(np.arange(len(track["time"])) >= 630, 3600.0 * hours, 0.0)
    for more in ({}, {"pass_number": track["lane"]}):
        done = clean_yield(log=make.log_of({**track, "time": track["time"] + jump}, **more))
        assert right.kept.sum() - done.kept.sum() <= 8
        assert "yield-time-sorted" not in codes(done)


@pytest.mark.parametrize("clock", ["still", "empty"])
def test_a_clock_that_tells_nothing_sets_nothing_aside(
    make: SimpleNamespace, clock: str
) -> None:
    track = driven(make)
    time = np.full(len(track["time"]), 7.0 if clock == "still" else np.nan)
    done = clean_yield(log=make.log_of({**track, "time": time}))
    assert "start-of-pass" not in counts(done)
    assert done.kept.mean() > 0.98


@pytest.mark.parametrize(("unit", "write"), [
    ("hh:mm:ss", lambda s: f"{int(s // 3600) % 24:02d}:{int(s // 60) % 60:02d}:{s % 60:04.1f}"),
    ("%m/%d/%Y %H:%M:%S",
     lambda s: f"05/12/2026 {int(s // 3600):02d}:{int(s // 60) % 60:02d}:{int(s % 60):02d}"),
    ("ISO 8601", lambda s: f"2026-05-12T{int(s // 3600):02d}:{int(s // 60) % 60:02d}:"
                           f"{int(s % 60):02d}-06:00"),
])
def test_written_times_give_the_gaps_of_seconds(
    make: SimpleNamespace, reading: Any, unit: str, write: Any
) -> None:
    track = driven(make, lanes=4)
    cells = columns(make, track)
    log = reading({**cells, "time": [write(float(t)) for t in track["time"]]},
                  time=LogColumn(column="time", unit=unit))
    assert np.diff(log.time_s) == pytest.approx(np.diff(track["time"]), abs=1e-6)


def test_a_time_not_in_its_stated_form_is_named(make: SimpleNamespace, reading: Any) -> None:
    cells = columns(make, driven(make, lanes=2))
    cells["time"] = [f"08:00:{k % 60:02d}" for k in range(120)]
    cells["time"][5] = "quarter past"
    with pytest.raises(InputError, match="quarter past") as caught:
        reading(cells, time=LogColumn(column="time", unit="hh:mm:ss"))
    assert caught.value.code == "layer-value-unreadable"


# --- machines, fields, harvests -----------------------------------------------------------------


def test_two_machines_in_turn_are_parted_by_their_column(
    make: SimpleNamespace, reading: Any
) -> None:
    track = driven(make)
    half = len(track["tons"]) // 2
    turn = np.stack([np.arange(half), np.arange(half) + half]).T.ravel()
    both = {k: v[turn] for k, v in track.items()}
    both["time"] = np.repeat(track["time"][:half], 2)
    cells = columns(make, both, who=["north one", "south one"] * half)
    done = clean_yield(log=reading(cells, machine_column="who"))
    alone = clean_yield(log=make.log_of(track))
    assert done.kept.sum() == alone.kept.sum()
    assert (done.record == np.arange(2, 2 * half + 2)).all()
    blind = clean_yield(log=reading(cells))
    assert "yield-order-unclear" in codes(blind)
    assert blind.kept.mean() > 0.95


def test_readings_of_another_field_are_set_aside_and_counted(
    make: SimpleNamespace, reading: Any
) -> None:
    track = driven(make)
    other = {**track, "east": track["east"] + 900.0, "time": track["time"] + 9000}
    both = {k: np.concatenate([track[k], other[k]]) for k in track}
    done = clean_yield(log=reading(columns(make, both)))
    assert done.counts["outside-field"] == len(track["tons"])
    assert done.kept.sum() == clean_yield(log=make.log_of(track)).kept.sum()


def two_cuttings(make: SimpleNamespace, days: float) -> dict[str, np.ndarray]:
    track = driven(make)
    again = {**track, "tons": track["tons"] / 2, "time": track["time"] + days * 86_400}
    return {k: np.concatenate([track[k], again[k]]) for k in track}


def test_cuttings_weeks_apart_are_parted_by_time(
    make: SimpleNamespace, reading: Any, field: Field, tmp_path: Path
) -> None:
    both = two_cuttings(make, 30.0)
    start = np.datetime64("2026-05-12T08:00:00")
    stamps = [f"{start + np.timedelta64(int(t), 's')}Z" for t in both["time"]]
    cells = columns(make, both, time=stamps)
    with pytest.raises(InputError, match="2026-06-11") as caught:
        reading(cells, time=ISO)
    assert caught.value.code == "yield-harvests-several"
    spec = make.spec(amount=TON_AC, time=ISO, swath_m=6.0)
    logs = read_yield_logs(path=tmp_path / "log.csv", field=field, spec=spec)
    assert [log.harvest for log in logs] == ["2026-05-12", "2026-06-11"]
    assert np.median(logs[0].tons_per_ac) == pytest.approx(2 * np.median(logs[1].tons_per_ac),
                                                           rel=1e-3)
    named = read_yield_logs(path=tmp_path / "log.csv", field=field,
                            spec=replace(spec, harvest="2026-06-11"))
    assert [log.harvest for log in named] == ["2026-06-11"]
    with pytest.raises(InputError, match="has no harvest"):
        read_yield_logs(path=tmp_path / "log.csv", field=field,
                        spec=replace(spec, harvest="third"))


def test_cuttings_by_seconds_get_numbers_and_a_short_stop_parts_nothing(
    make: SimpleNamespace, reading: Any, field: Field, tmp_path: Path
) -> None:
    reading(columns(make, two_cuttings(make, 3.0)))
    make.write(tmp_path / "log.csv", columns(make, {
        **(both := two_cuttings(make, 400.0)), "time": np.round(both["time"])}))
    logs = read_yield_logs(path=tmp_path / "log.csv", field=field,
                           spec=make.spec(amount=TON_AC, time=SECONDS))
    assert [log.harvest for log in logs] == ["part 1", "part 2"]
    whole = read_yield_log(path=tmp_path / "log.csv", field=field,
                           spec=make.spec(amount=TON_AC, time=SECONDS, part_by_time=False))
    assert len(whole.record) == len(both["tons"])


def test_years_and_cuttings_by_a_column_and_one_of_them_by_name(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    both = two_cuttings(make, 30.0)
    half = len(both["tons"]) // 2
    path = make.write(tmp_path / "log.csv", columns(
        make, both, cut=["2025-3"] * half + ["2026-1"] * half))
    spec = make.spec(amount=TON_AC, harvest_column="cut")
    assert [log.harvest for log in read_yield_logs(path=path, field=field, spec=spec)] == [
        "2025-3", "2026-1"]
    only = read_yield_logs(path=path, field=field, spec=replace(spec, harvest="2026-1"))
    assert [log.harvest for log in only] == ["2026-1"]


# --- places -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("decimals", "coarse"), [(3, 111.0), (4, 11.1), (7, 0.0)])
def test_rounded_coordinates_keep_their_readings(
    make: SimpleNamespace, reading: Any, decimals: int, coarse: float
) -> None:
    track = driven(make)
    where = make.lonlat(track["east"], track["north"])
    cells = columns(make, track) | {
        "lon": [f"{v:.{decimals}f}" for v in where[:, 0]],
        "lat": [f"{v:.{decimals}f}" for v in where[:, 1]]}
    log = reading(cells)
    assert log.coarse_m == coarse
    done = clean_yield(log=log)
    assert "same-place" not in counts(done)
    assert done.kept.sum() > 0.85 * (log.reason == 0).sum()
    assert ("layer-places-coarse" in codes(done)) == bool(coarse)


def test_jumps_of_the_receiver_are_set_aside_and_their_pass_stays(make: SimpleNamespace) -> None:
    track = driven(make)
    jumped = np.arange(90, 1150, 120)
    east = track["east"].copy()
    east[jumped] += 95.0
    right = clean_yield(log=make.log_of(track))
    done = clean_yield(log=make.log_of({**track, "east": east}))
    assert not done.kept[jumped].any()
    # What is lost beside each jump: the end of one piece of the pass and the start of the next.
    assert right.kept.sum() - done.kept.sum() <= 10 * len(jumped)


def test_passes_in_circles_under_a_pivot_stay_whole(make: SimpleNamespace) -> None:
    radius = np.repeat(np.arange(30.0, 150.0, 6.0), 240)
    lane = np.repeat(np.arange(20), 240)
    turn = np.tile(np.arange(240) * 2 * np.pi / 240, 20) * np.where(lane % 2, -1, 1)
    track = {"east": radius * np.cos(turn), "north": radius * np.sin(turn), "lane": lane,
             "time": np.arange(4800.0) + 30.0 * lane}
    track["tons"] = surface(track["east"], track["north"])
    done = clean_yield(log=make.log_of(track))
    assert done.kept.mean() > 0.9
    # The way's length differs from ring to ring, so its speed does; both are no faults.
    assert counts(done).get("overlap", 0) <= 60


def test_a_delay_is_found_on_circles_that_end_where_they_begin(make: SimpleNamespace) -> None:
    from vrx.intake.yields import CleanSpec

    rings, each, step = 24, 300, 2.0
    lane = np.repeat(np.arange(rings), each)
    radius = 60.0 + 5.0 * lane
    way = np.tile(np.arange(each) * step, rings) / radius * np.where(lane % 2, -1, 1)
    late = way - 6 * step / radius * np.where(lane % 2, -1, 1)
    east, north = radius * np.cos(way), radius * np.sin(way)
    noise = np.random.default_rng(2).normal(0, 0.05, len(lane))
    tons = 3.0 + np.sin(radius * np.sin(late) / 9.0) + noise
    done = clean_yield(log=make.log_of(
        {"east": east, "north": north, "tons": tons, "lane": lane,
         "time": np.arange(len(lane)) + 40.0 * lane}, swath_m=None),
        spec=CleanSpec(delay_s="estimate"))
    assert done.delay_s == pytest.approx(6.0, abs=1.0)


def test_readings_on_an_island_of_the_field_are_set_aside(
    make: SimpleNamespace, tmp_path: Path
) -> None:
    hole = shapely.box(-30.0, -30.0, 30.0, 30.0)
    box = shapely.difference(shapely.box(-200.0, -200.0, 200.0, 200.0), hole)
    ringed = make.field_of(to_lonlat(box, (-93.6, 41.04)))
    track = driven(make)
    path = make.write(tmp_path / "log.csv", columns(make, track))
    log = read_yield_log(path=path, field=ringed, spec=make.spec(
        places=make.places(keep_outside_m=0.0), amount=TON_AC))
    # Readings on the very edge belong to the field.
    within = shapely.contains_xy(hole.buffer(-0.01), track["east"], track["north"])
    edge = shapely.contains_xy(hole.buffer(0.01), track["east"], track["north"])
    assert 0 < int(within.sum()) <= log.counts["outside-field"] <= int(edge.sum())


# --- swath, speed, states -----------------------------------------------------------------------


def test_one_wild_swath_and_empty_ones_do_not_empty_the_log(make: SimpleNamespace) -> None:
    track = driven(make)
    swath = np.full(len(track["tons"]), 6.0)
    swath[100], swath[200:205], swath[300] = 999.0, 0.0, np.nan
    done = clean_yield(log=make.log_of(track, swath_m=swath))
    assert done.kept.sum() > 0.8 * len(swath)
    assert not done.kept[200:205].any()


def test_a_mass_over_no_swath_is_no_yield(make: SimpleNamespace, reading: Any) -> None:
    track = driven(make)
    n = len(track["tons"])
    cells = columns(make, track, wide=["0" if k in {50, 51} else "6" for k in range(n)],
                    far=["3"] * n, mass=[f"{t * 2000 * 18 / 4046.8564224:.6f}"
                                         for t in track["tons"]])
    log = reading(cells, swath_m=None, amount=LogColumn(column="mass", unit="lb"),
                  swath=LogColumn(column="wide", unit="m"),
                  distance=LogColumn(column="far", unit="m"))
    assert np.isnan(log.tons_per_ac[[50, 51]]).all()
    rest = np.delete(np.arange(n), [50, 51])
    assert log.tons_per_ac[rest] == pytest.approx(track["tons"][rest], rel=1e-5)
    assert clean_yield(log=log).counts["no-yield"] == 2


@pytest.mark.parametrize("unit", ["lb/s", "lb/min", "lb/h", "kg/s", "kg/min", "kg/h"])
def test_flows_a_second_a_minute_and_an_hour_agree(
    make: SimpleNamespace, reading: Any, unit: str
) -> None:
    track = driven(make, lanes=4)
    n = len(track["tons"])
    times = {"s": 1.0, "min": 60.0, "h": 3600.0}[unit.split("/")[1]]
    per_lb = 0.45359237 if unit.startswith("kg") else 1.0
    flow = track["tons"] * 2000 * 18 / 4046.8564224 * times * per_lb
    log = reading(columns(make, track, flow=[f"{v:.6f}" for v in flow], far=["3"] * n,
                          each=["1"] * n),
                  amount=LogColumn(column="flow", unit=unit),
                  distance=LogColumn(column="far", unit="m"),
                  interval=LogColumn(column="each", unit="s"))
    assert log.tons_per_ac == pytest.approx(track["tons"], rel=1e-5)


@pytest.mark.parametrize("unit", ["lb", "lb/bale"])
def test_a_running_total_is_refused(make: SimpleNamespace, reading: Any, unit: str) -> None:
    track = driven(make)
    total = np.cumsum(np.full(len(track["tons"]), 8.0))
    with pytest.raises(InputError, match="running total") as caught:
        reading(columns(make, track, total=[f"{v:g}" for v in total],
                        far=["3"] * len(total)),
                amount=LogColumn(column="total", unit=unit),
                distance=LogColumn(column="far", unit="m"))
    assert caught.value.code == "yield-running-total"


@pytest.mark.parametrize(("off", "on"), [
    ("0", "1"), ("off", "on"), ("Up", "Down"), ("raised", "lowered"), ("Suspended", "Recording"),
    ("0.00", "1.00"), ("", "x1")])
def test_suspended_rows_are_known_by_their_words(
    make: SimpleNamespace, reading: Any, off: str, on: str
) -> None:
    track = driven(make)
    idle = np.arange(len(track["tons"])) % 60 < 6
    cells = columns(make, track, state=[off if i else on for i in idle])
    if on == "x1":
        with pytest.raises(InputError, match="x1") as caught:
            reading(cells, working_column="state")
        assert caught.value.code == "yield-working-unclear"
        return
    done = clean_yield(log=reading(cells, working_column="state"))
    assert done.counts["not-working"] == int(idle.sum())
    assert not done.kept[idle].any()


def test_a_log_of_short_passes_is_not_emptied(make: SimpleNamespace) -> None:
    track = driven(make, lanes=40, per_lane=4, step=40.0)
    track["time"] = track["time"] * 20.0
    done = clean_yield(log=make.log_of(track))
    assert done.kept.mean() > 0.9


def test_a_log_of_fifty_readings_is_cleaned_and_gridded(
    make: SimpleNamespace, field: Field, grid: Grid
) -> None:
    track = {k: v[:50] for k, v in driven(make).items()}
    done = clean_yield(log=make.log_of(track))
    assert 30 <= done.kept.sum() <= 50
    layer = grid_yield(log=done, grid=grid, field=field)
    assert layer.covered_share < 0.1
    assert next(f.severity for f in layer.findings if f.code == "yield-gridded") == "warn"


@pytest.mark.parametrize("logged", [True, False])
def test_places_off_by_a_third_of_a_step_break_no_passes(
    make: SimpleNamespace, logged: bool
) -> None:
    track = driven(make)
    rng = np.random.default_rng(9)
    off = {k: track[k] + rng.normal(0, 1.0, len(track[k])) for k in ("east", "north")}
    more = {"speed_m_per_s": np.full(len(track["tons"]), 3.0)} if logged else {}
    done = clean_yield(log=make.log_of({**track, **off}, **more))
    # Twenty lanes lose four seconds at each end.
    assert done.counts["start-of-pass"] == done.counts["end-of-pass"] == 80
    assert done.kept.mean() > 0.8


def test_readings_ten_seconds_apart_keep_their_passes(make: SimpleNamespace) -> None:
    thin = {k: v[::10] for k, v in driven(make).items()}
    done = clean_yield(log=make.log_of(thin))
    assert counts(done).get("short-pass", 0) == 0
    assert done.kept.sum() == len(thin["tons"]) - 40


def test_a_second_machine_of_half_the_width_is_not_narrow(make: SimpleNamespace) -> None:
    track = driven(make)
    swath = np.where(np.arange(len(track["tons"])) < 500, 2.8, 6.0)
    swath[700:710] = 1.0
    done = clean_yield(log=make.log_of(track, swath_m=swath))
    assert done.counts["narrow-swath"] + done.counts["start-of-pass"] <= 90
    assert not done.kept[700:710].any()
    none = clean_yield(log=make.log_of(track, swath_m=np.zeros(len(swath))))
    assert "narrow-swath (no swath is above 0)" in none.findings[-1].what


# --- values -------------------------------------------------------------------------------------


def test_equal_yields_are_no_outliers(make: SimpleNamespace) -> None:
    track = driven(make)
    for value in (3.1, 0.1 + 0.2, 1e-3):
        done = clean_yield(log=make.log_of({**track, "tons": np.full(len(track["tons"]), value)}))
        assert "global-outlier" not in counts(done)
        assert "local-outlier" not in counts(done)


@pytest.mark.parametrize("wild", [3.4028235e38, 1e300, 65535.0, -9999.0])
def test_a_sentinel_hides_no_other_outlier(make: SimpleNamespace, wild: float) -> None:
    track = driven(make)
    plain, worse = track["tons"].copy(), track["tons"].copy()
    plain[500:900:50] = worse[500:900:50] = 25.0
    worse[::97] = wild
    done = clean_yield(log=make.log_of({**track, "tons": worse}))
    assert not done.kept[::97].any()
    assert not done.kept[500:900:50].any()
    assert done.kept.sum() > 0.8 * len(plain)


def test_limits_come_from_the_core_by_hand() -> None:
    values = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 1e30])
    found, low, high = far_from_mean(values, most_sd=3.0)
    # Median 3.5, median absolute deviation 1.5; the core is 1 to 5: mean 3, sd sqrt(2.5).
    assert (low, high) == pytest.approx((3 - 3 * 2.5**0.5, 3 + 3 * 2.5**0.5))
    assert found.tolist() == [False] * 5 + [True]


def test_negative_yields_and_a_stuck_speed_are_told(make: SimpleNamespace) -> None:
    track = driven(make)
    tons = track["tons"].copy()
    tons[::40] *= -1
    assert clean_yield(log=make.log_of({**track, "tons": tons})).counts["zero-yield"] == 30
    with pytest.raises(InputError) as caught:
        clean_yield(log=make.log_of(track, speed_m_per_s=np.zeros(len(tons))))
    assert caught.value.code == "yield-nothing-left"
    assert "yield-filter-standing" in {f.code for f in caught.value.findings}


def test_a_wrong_unit_shows_in_the_level(make: SimpleNamespace, reading: Any) -> None:
    cells = columns(make, driven(make))
    cells["yield"] = [f"{float(v) * 2000:.1f}" for v in cells["yield"]]
    assert "yield-level-unusual" in codes(clean_yield(log=reading(cells)))
    right = clean_yield(log=reading(cells, amount=LogColumn(column="yield", unit="lb/ac")))
    assert "yield-level-unusual" not in codes(right)


def test_moisture_missing_zero_and_none_at_all(make: SimpleNamespace, reading: Any) -> None:
    track = driven(make, lanes=4)
    n = len(track["tons"])
    moist = ["" if k == 3 else "0" if k in {7, 8} else "12" for k in range(n)]
    dry = {"moisture_pct": None, "moisture_column": "moist", "to_moisture_pct": 0.0}
    log = reading(columns(make, track, moist=moist), **dry)
    assert np.flatnonzero(np.isnan(log.tons_per_ac)).tolist() == [3, 7, 8]
    assert "yield-moisture-zero" in codes(log)
    # Wet to dry by hand: 88 % of the wet tons are dry matter.
    assert log.tons_per_ac[0] == pytest.approx(0.88 * track["tons"][0], abs=1e-4)
    all_dry = reading(columns(make, track, moist=["0"] * n), **dry)
    assert all_dry.tons_per_ac == pytest.approx(track["tons"], abs=1e-4)
    with pytest.raises(InputError) as caught:
        reading(columns(make, track, moist=[""] * n), **dry)
    assert caught.value.code == "yield-moisture-missing"


def test_wet_and_dry_tons_give_one_pattern_and_two_levels(
    make: SimpleNamespace, reading: Any
) -> None:
    cells = columns(make, driven(make, lanes=4), moist=["50"] * 240)
    to = {"moisture_pct": None, "moisture_column": "moist"}
    wet = reading(cells, **to, to_moisture_pct=50.0)
    dry = reading(cells, **to, to_moisture_pct=0.0)
    assert dry.tons_per_ac * 2 == pytest.approx(wet.tons_per_ac)
    assert (wet.moisture_pct, dry.moisture_pct) == (50.0, 0.0)


def test_a_file_put_together_twice_counts_once(make: SimpleNamespace) -> None:
    track = driven(make)
    twice = {k: np.concatenate([v, v]) for k, v in track.items()}
    done = clean_yield(log=make.log_of(twice))
    assert done.counts["same-place"] == len(track["tons"])
    assert next(f for f in done.findings if f.code == "yield-cleaned").severity == "warn"


def test_a_second_heading_row_in_the_middle_is_named(make: SimpleNamespace, reading: Any) -> None:
    cells = columns(make, driven(make, lanes=2))
    for name, column in cells.items():
        column.insert(60, name)
    with pytest.raises(InputError, match="row 62") as caught:
        reading(cells)
    assert caught.value.code == "layer-value-unreadable"


def test_order_and_places_of_a_clean_log_are_not_touched(make: SimpleNamespace) -> None:
    log = make.log_of(driven(make))
    same, order, said = in_order(log)
    assert order is None
    assert not said
    assert (same.time_s == log.time_s).all()


# --- bales --------------------------------------------------------------------------------------


def baled(weight_lb: float = 1300.0, swath: float = 9.0, seed: int = 4) -> dict[str, np.ndarray]:
    """Bales dropped along windrows wherever `weight_lb` had come together; the ends are carried on.

    Hay is taken up over the surface's yield, so that pounds a bale over ground is known.
    """
    rng = np.random.default_rng(seed)
    step = 1.0
    load, places, weights = 0.0, [], []
    wanted = weight_lb
    for lane, east in enumerate(np.arange(-200 + swath / 2, 200, swath)):
        north = np.arange(-200 + step / 2, 200, step)
        for y in north if lane % 2 == 0 else north[::-1]:
            load += float(surface(east, y)) * 2000 * swath * step / 4046.8564224
            if load >= wanted:
                places.append((east, y))
                weights.append(load)
                load, wanted = 0.0, weight_lb * (1 + 0.03 * rng.standard_normal())
    at = np.array(places)
    return {"east": at[:, 0], "north": at[:, 1], "lb": np.array(weights)}


def bale_cells(make: SimpleNamespace, bales: dict[str, np.ndarray]) -> dict[str, Any]:
    where = make.lonlat(bales["east"], bales["north"])
    return {"lon": [f"{v:.8f}" for v in where[:, 0]], "lat": [f"{v:.8f}" for v in where[:, 1]],
            "weight": [f"{v:.1f}" for v in bales["lb"]]}


def test_bales_with_weights_give_the_known_yield(
    make: SimpleNamespace, reading: Any, field: Field, grid: Grid
) -> None:
    bales = baled()
    log = reading(bale_cells(make, bales), amount=PER_BALE, time=None)
    assert log.bale_area_ac is not None
    # Every pound stays: yield times ground is weight, and the ground is the field's.
    assert log.tons_per_ac * log.bale_area_ac * 2000 == pytest.approx(bales["lb"], abs=0.06)
    assert log.bale_area_ac.sum() == pytest.approx(field.boundary.area / 4046.8564224, rel=0.01)
    done = clean_yield(log=log)
    assert done.kept.all()
    layer = grid_yield(log=done, grid=grid, field=field)
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    truth = surface(east, north)
    inside = np.isfinite(layer.values) & shapely.contains_xy(field.boundary, east, north)
    # Mean within 2 %; the pattern's error well below the pattern itself.
    assert layer.values[inside].mean() == pytest.approx(truth[inside].mean(), rel=0.02)
    error = np.sqrt(np.mean((layer.values - truth)[inside] ** 2))
    assert error < 0.7 * truth[inside].std()
    assert np.corrcoef(layer.values[inside], truth[inside])[0, 1] > 0.75


@pytest.mark.parametrize(("unit", "per_lb"), [
    ("lb/bale", 1.0), ("kg/bale", 0.45359237), ("short ton/bale", 1 / 2000),
    ("t/bale", 0.45359237 / 1000)])
def test_bale_units_agree(
    make: SimpleNamespace, reading: Any, unit: str, per_lb: float
) -> None:
    bales = baled()
    cells = bale_cells(make, bales) | {"weight": [f"{v * per_lb:.9f}" for v in bales["lb"]]}
    log = reading(cells, amount=LogColumn(column="weight", unit=unit), time=None)
    assert np.nansum(log.tons_per_ac * log.bale_area_ac) * 2000 == pytest.approx(bales["lb"].sum())


def test_a_bale_listed_twice_one_without_weight_and_one_wild(
    make: SimpleNamespace, reading: Any
) -> None:
    cells = bale_cells(make, baled())
    n = len(cells["lon"])
    for column in cells.values():
        column.append(column[10])
    cells["weight"][20], cells["weight"][30] = "", "99999"
    done = clean_yield(log=reading(cells, amount=PER_BALE, time=None))
    assert done.counts["same-place"] == 1
    assert done.reason[n] != 0
    assert not done.kept[[20, 30]].any()
    assert done.counts["no-yield"] == 1
    assert done.counts["global-outlier"] == 1
    assert done.bale_area_ac is not None
    assert done.bale_area_ac[20] > 0


def test_bales_at_a_stack_or_too_few_are_refused(make: SimpleNamespace, reading: Any) -> None:
    rng = np.random.default_rng(3)
    heap = {"east": rng.normal(150, 4, 200), "north": rng.normal(0, 4, 200),
            "lb": rng.normal(1300, 20, 200)}
    with pytest.raises(InputError, match="stack") as caught:
        reading(bale_cells(make, heap), amount=PER_BALE, time=None)
    assert caught.value.code == "yield-bales-stacked"
    few = {k: v[:5] for k, v in baled().items()}
    with pytest.raises(InputError) as caught:
        reading(bale_cells(make, few), amount=PER_BALE, time=None)
    assert caught.value.code == "yield-bales-few"


def test_bales_as_plain_pounds_are_told_the_way(make: SimpleNamespace, reading: Any) -> None:
    with pytest.raises(InputError) as caught:
        reading(bale_cells(make, baled()), amount=LogColumn(column="weight", unit="lb"), time=None)
    assert caught.value.code == "yield-measure-missing"
    assert "lb/bale" in caught.value.hint


def test_half_a_field_baled_is_no_thin_yield_over_the_whole(
    make: SimpleNamespace, reading: Any, field: Field, grid: Grid
) -> None:
    bales = baled()
    west = bales["east"] < 0
    log = reading(bale_cells(make, {k: v[west] for k, v in bales.items()}), amount=PER_BALE,
                  time=None)
    said = next(f for f in log.findings if f.code == "yield-bales")
    assert said.severity == "warn"
    assert np.median(log.tons_per_ac) == pytest.approx(2.0, rel=0.15)
    assert grid_yield(log=log, grid=grid, field=field).covered_share < 0.7


def test_bales_of_two_cuttings_have_each_their_own_ground(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    one, two = baled(), baled(weight_lb=900.0, seed=5)
    cells = {k: [*bale_cells(make, one)[k], *bale_cells(make, two)[k]]
             for k in ("lon", "lat", "weight")}
    cells["cut"] = ["1"] * len(one["lb"]) + ["2"] * len(two["lb"])
    path = make.write(tmp_path / "log.csv", cells)
    logs = read_yield_logs(path=path, field=field, spec=make.spec(
        amount=PER_BALE, places=PlaceColumns(longitude_column="lon", latitude_column="lat"),
        harvest_column="cut"))
    for log in logs:
        assert log.bale_area_ac is not None
        assert log.bale_area_ac.sum() == pytest.approx(
            area_ac(field.boundary, field.crs_centre), rel=0.01)


# --- over harvests ------------------------------------------------------------------------------


def layer(grid: Grid, values: np.ndarray, name: str, share: float = 1.0) -> LayerGrid:
    return LayerGrid(name=name, kind="yield", unit="short ton/ac", source="", grid=grid,
                     values=values, count=np.ones(grid.shape, dtype=np.int64), covered_share=share)


def test_a_harvest_of_the_better_half_does_not_flatten_the_pattern(
    field: Field, grid: Grid
) -> None:
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    truth = 1.0 + east / 1000.0
    good = np.where(east > 0, 3.0 * truth, np.nan)
    pattern = normalise_yields(field=field, layers=[
        layer(grid, 2.0 * truth, "one"), layer(grid, 4.0 * truth, "two"),
        layer(grid, good, "half", 0.5)])
    inside = shapely.contains_xy(field.boundary, east, north)
    assert pattern.relative[inside] == pytest.approx(truth[inside] / truth[inside].mean())
    assert "yield-harvest-partial" in {f.code for f in pattern.findings}


def test_stability_tells_steady_zones_from_fickle_ones(field: Field, grid: Grid) -> None:
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    zones = {"A": shapely.box(-200, -200, 0, 0), "B": shapely.box(0, -200, 200, 0),
             "C": shapely.box(-200, 0, 200, 200)}
    base = np.where(north > 0, 1.3, 0.9)
    # A and B change places from harvest to harvest; C is above every time.
    layers = [layer(grid, k * (base + 0.2 * np.sign(east) * (1 if k % 2 else -1) * (north < 0)),
                    f"H{k}") for k in (1, 2, 3, 4)]
    said = zone_stability(layers=layers, field=field, zones=zones)
    assert "C above in 4, below in 0 of 4" in said[0].what
    assert said[0].what.count("of 4") == 3
    # A lies at 0.7 and 1.1 of a mean of 1.1: below twice, near twice; neither is above.
    assert "A above in 0, below in 2 of 4" in said[0].what
    assert len(said) == 1
    turned = [layer(grid, k * np.where((east > 0) == bool(k % 2), 1.5, 0.5), f"H{k}")
              for k in (1, 2, 3, 4)]
    fickle = zone_stability(layers=turned, field=field, zones={
        "A": shapely.box(-200, -200, 0, 200), "B": shapely.box(0, -200, 200, 200)})
    assert [f.code for f in fickle] == ["yield-stability", "yield-unsteady"]
    assert fickle[1].where == "zone A, B"
    assert "one harvest" in zone_stability(layers=layers[:1], field=field, zones=zones)[0].what
