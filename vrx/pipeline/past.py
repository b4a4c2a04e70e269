"""Earlier samples and other depths, zone by zone: told beside the rates, never in them."""

from __future__ import annotations

from datetime import date
from itertools import combinations

import numpy as np

from vrx import zones
from vrx.model import (
    ANALYTES,
    DepthProfile,
    Finding,
    Past,
    SoilTable,
    Zones,
    ZoneTrend,
    note,
)
from vrx.pipeline.inputs import Inputs
from vrx.pipeline.zone_values import zone_of

SEASON_APART_DAYS = 60
"""Soil-test K moves through the year; samplings further apart in it are told (our choice)."""
_TRENDS = ("potassium",)
_PROFILES = ("potassium", "sulfate")


def read_past(inputs: Inputs, made: Zones) -> Past:
    """Trend of soil-test K over the years, and profiles over depths, where the file has them."""
    findings = list(inputs.history.findings)
    trends = []
    for analyte in _TRENDS:
        trend, said = _trend(analyte, inputs, made)
        findings += said
        trends += [] if trend is None else [trend]
    profiles = [one for analyte in _PROFILES
                if (one := _profile(analyte, inputs, made)) is not None]
    return Past(trends=tuple(trends), profiles=tuple(profiles), findings=tuple(findings))


def _trend(
    analyte: str, inputs: Inputs, made: Zones
) -> tuple[ZoneTrend | None, list[Finding]]:
    tables = {year: table for year, table in inputs.history.years.items()
              if analyte in table.columns and len(table.measured(analyte)[1])}
    if len(tables) < 2:
        return None, []
    tables, findings = _alike(analyte, tables)
    if len(tables) < 2:
        return None, findings
    findings += [*_season(analyte, tables), *_beyond(analyte, tables)]
    years = sorted(tables)
    groups, spots = [], []
    for year in years:
        places, values = tables[year].measured(analyte)
        spots.append(places)
        groups.append((values, zone_of(places, made)))
    count, mean = zones.means_by(groups, len(made.zones))
    when = np.concatenate([
        np.full(len(values), float(year)) for year, (values, _) in zip(years, groups, strict=True)])
    zone = np.concatenate([zone for _, zone in groups])
    place = zones.resampled(places=np.concatenate(spots), year=when, zone=zone)
    lines = zones.zone_lines(
        year=when, value=np.concatenate([values for values, _ in groups]), zone=zone,
        zones=len(made.zones), place=place)
    total = np.where(count > 0, np.nan_to_num(mean) * count, 0.0).sum(axis=1)
    number = count.sum(axis=1)
    level = np.divide(total, number, out=np.full(len(number), np.nan), where=number > 0)
    column = tables[years[-1]].columns[analyte]
    if len(years) == 2:
        findings.append(note(
            "trend-two-years", ANALYTES[analyte].substance,
            f"the trend rests on two samplings, {years[0]} and {years[1]}",
            done="told, with what differs from sample to sample; what a whole sampling has in "
            "common cannot be told from a trend", todo="a third sampling would show it"))
    return ZoneTrend(
        analyte=analyte, unit=ANALYTES[analyte].unit, extractant=column.extractant,
        depth_in=column.depth_in, years=tuple(int(year) for year in years), samples=count,
        mean=mean, slope=lines.slope, low=lines.low, high=lines.high, noise=lines.noise,
        freedom=lines.freedom, verdict=zones.verdicts(lines, mean=level),
        paired=place is not None,
    ), findings


def _alike(
    analyte: str, tables: dict[str, SoilTable]
) -> tuple[dict[str, SoilTable], list[Finding]]:
    """Years of the same laboratory, extractant and depth as the last one; others are told."""
    last = tables[max(tables)]
    column = last.columns[analyte]
    kept, findings = {}, []
    for year, table in tables.items():
        own = table.columns[analyte]
        differs = [
            f"{what} {theirs or 'not given'}, not {ours or 'not given'}"
            for what, theirs, ours in (
                ("laboratory", table.lab, last.lab),
                ("extractant", own.extractant, column.extractant),
                ("depth", _depth(own.depth_in), _depth(column.depth_in)),
            ) if theirs != ours
        ]
        if differs:
            findings.append(note(
                "trend-not-alike", f"{ANALYTES[analyte].substance}, {year}",
                "; ".join(differs), done="left out of the trend: such results are not to be mixed"))
        else:
            kept[year] = table
    return kept, findings


def _depth(depth_in: tuple[float, float]) -> str:
    return f"{depth_in[0]:g}-{depth_in[1]:g} in"


def _season(analyte: str, tables: dict[str, SoilTable]) -> list[Finding]:
    """A note where samplings were of different seasons, or nobody knows."""
    name = ANALYTES[analyte].substance
    day = {year: _day_of_year(table, year) for year, table in tables.items()}
    unknown = [year for year, middle in day.items() if middle is None]
    if unknown:
        return [note("trend-season-unknown", name,
                     f"no sampling date for {', '.join(sorted(unknown))}",
                     done="the trend takes all samplings as of one season",
                     todo="state date_column: soil-test K differs between spring and autumn")]
    apart = 0.0
    for one, two in combinations([d for d in day.values() if d is not None], 2):
        step = abs(one - two) % 365.25
        apart = max(apart, min(step, 365.25 - step))
    if apart <= SEASON_APART_DAYS:
        return []
    return [note("trend-season-differs", name,
                 f"samplings differ by up to {apart:.0f} days in the time of year",
                 value=f"{apart:.0f}", done="the trend is told all the same",
                 todo="sample in one season: soil-test K differs between spring and autumn")]


def _beyond(analyte: str, tables: dict[str, SoilTable]) -> list[Finding]:
    censored = {year: int((table.columns[analyte].censored != 0).sum())
                for year, table in tables.items()}
    if not any(censored.values()):
        return []
    said = ", ".join(f"{year}: {count}" for year, count in sorted(censored.items()) if count)
    return [note("trend-beyond-limit", ANALYTES[analyte].substance,
                 f"results below or above the laboratory's limit ({said})",
                 done="taken at half the lower limit, or at the upper one")]


def _day_of_year(table: SoilTable, year: str) -> float | None:
    """The middle of a sampling in days of the year, on the circle of the year.

    One date that the plan states for all samples says nothing of another year's.
    """
    days = [date.fromisoformat(day).timetuple().tm_yday for day in table.sampled_on
            if day.startswith(year)]
    if not days:
        return None
    angle = 2.0 * np.pi * np.array(days) / 365.25
    middle = np.arctan2(np.sin(angle).mean(), np.cos(angle).mean())
    return float(middle / (2.0 * np.pi) * 365.25 % 365.25)


def _profile(analyte: str, inputs: Inputs, made: Zones) -> DepthProfile | None:
    if analyte not in inputs.soil.columns:
        return None
    column = inputs.soil.columns[analyte]
    tables = {
        depth: table for depth, table in sorted(inputs.history.depths.items())
        if analyte in table.columns and len(table.measured(analyte)[1])
        and table.columns[analyte].extractant == column.extractant
    }
    if len(tables) < 2:
        return None
    groups = []
    for table in tables.values():
        places, values = table.measured(analyte)
        groups.append((values, zone_of(places, made)))
    count, mean = zones.means_by(groups, len(made.zones))
    return DepthProfile(
        analyte=analyte, unit=ANALYTES[analyte].unit, extractant=column.extractant,
        depths_in=tuple(tables), samples=count, mean=mean,
    )
