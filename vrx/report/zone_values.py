"""How much zones vary inside, whether they are worth it, and what earlier samples say of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from vrx.model import BUILT_UP, CANNOT_TELL, DRAWN_DOWN, DepthProfile, Job, ZoneReading, ZoneTrend
from vrx.report import numbers, words


@dataclass(frozen=True, slots=True, kw_only=True)
class InsideView:
    """One soil test: a row for each zone of how it varies inside, and what the zones explain."""

    name: str
    unit: str
    rows: tuple[tuple[str, ...], ...]
    classes: bool
    meaning: str
    explained: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PastView:
    """A table by zone of earlier samples or of depths; the first column is the zone."""

    title: str
    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def inside_views(job: Job) -> list[InsideView]:
    """Soil tests of the nutrients that are prescribed."""
    letters = [zone.letter for zone in job.zones.zones]
    return [
        _inside(reading, letters) for key, reading in job.readings.items()
        if words.steers(key) and reading.percentiles is not None and reading.samples is not None
    ]


def _inside(reading: ZoneReading, letters: list[str]) -> InsideView:
    rows = []
    share, chance = reading.outside_share, reading.outside_chance
    for k, letter in enumerate(letters):
        row = [letter, "–" if reading.samples is None else str(int(reading.samples[k]))]
        if reading.percentiles is not None:
            row += [numbers.reading(float(value), reading.analyte)
                    for value in reading.percentiles[:, k]]
        if share is not None and chance is not None:
            row += [numbers.share(float(share[k])), numbers.share(float(chance[k]))]
        rows.append(tuple(row))
    limits = ", ".join(f"{value:g}" for value in reading.class_breaks)
    return InsideView(
        name=words.opening(words.substance(reading.analyte)), unit=reading.unit,
        rows=tuple(rows), classes=share is not None,
        meaning="" if share is None else (
            f"Each zone is treated as the class of its mean; limits {limits} {reading.unit}."),
        explained=explained_words(reading, len(letters)),
    )


def mean_words(reading: ZoneReading) -> str:
    """What a zone's mean and its standard error are."""
    if reading.mean_by == "block kriging":
        return "means of zones are kriged blocks, with the standard error of the block"
    return "means of zones are those of the map over their area"


def explained_words(reading: ZoneReading, count: int) -> str:
    """How much of the variance the zones explain, of the map and of samples; "" for one zone."""
    if count < 2:
        return ""
    parts = []
    if math.isfinite(reading.explained_map):
        parts.append(
            f"{numbers.share(reading.explained_map)} of the map’s variance lies between zones")
    told = reading.explained_samples
    if math.isfinite(told):
        parts.append(
            "of what the field mean leaves of the samples the zones explain "
            f"{numbers.share(max(told, 0.0))}, each sample left out and told by the others of its "
            "zone")
    if not parts:
        return ""
    said = f"{words.opening('; '.join(parts))}."
    if reading.explains_little:
        said += " That is little: for this soil test one flat rate would do as well."
    return said


def trend_view(job: Job, trend: ZoneTrend) -> PastView:
    """Means by year, slope with its interval, and the verdict, by zone."""
    rows = []
    for k, zone in enumerate(job.zones.zones):
        means = [
            "–" if not n else f"{numbers.reading(float(value), trend.analyte)} ({n})"
            for value, n in zip(trend.mean[k], trend.samples[k], strict=True)
        ]
        slope = "–"
        if math.isfinite(float(trend.slope[k])):
            slope = numbers.signed(float(trend.slope[k]), 1)
        span = "–"
        if math.isfinite(float(trend.low[k])):
            span = (f"{numbers.signed(float(trend.low[k]), 1)} to "
                    f"{numbers.signed(float(trend.high[k]), 1)}")
        rows.append((zone.letter, *means, slope, span, trend.verdict[k]))
    name = words.opening(words.substance(trend.analyte))
    how = ("The same places were sampled again, and each is compared with itself." if trend.paired
           else "Places differ from year to year, which is part of the noise.")
    return PastView(
        title=f"{name} over the years, by zone",
        caption=(
            f"Mean in {trend.unit} (samples), {trend.extractant + ', ' if trend.extractant else ''}"
            f"{words.depth(trend.depth_in)}; change in {trend.unit} a year with its 90 % interval, "
            f"the noise of all zones together ({_noise(trend)} {trend.unit} a sample). {how} The "
            "interval does not hold what a whole sampling has in common: season, moisture, the "
            "laboratory’s run. No rate rests on this table."),
        headings=("Zone", *(str(year) for year in trend.years), "Change a year", "90 % interval",
                  "Soil test"),
        rows=tuple(rows),
    )


def _noise(trend: ZoneTrend) -> str:
    return "not known" if not math.isfinite(trend.noise) else numbers.spread(
        trend.noise, trend.analyte)


def profile_view(job: Job, profile: DepthProfile) -> PastView:
    """Means by depth and zone."""
    rows = [
        (zone.letter, *(
            "–" if not n else f"{numbers.reading(float(value), profile.analyte)} ({n})"
            for value, n in zip(profile.mean[k], profile.samples[k], strict=True)))
        for k, zone in enumerate(job.zones.zones)
    ]
    name = words.opening(words.substance(profile.analyte))
    return PastView(
        title=f"{name} by depth and zone",
        caption=f"Mean of the samples in {profile.unit} (samples). Rates use the chosen depth "
        "only.",
        headings=("Zone", *(words.depth(depth) for depth in profile.depths_in)),
        rows=tuple(rows),
    )


def past_views(job: Job) -> list[PastView]:
    """Trends, then profiles."""
    return [*(trend_view(job, one) for one in job.past.trends),
            *(profile_view(job, one) for one in job.past.profiles)]


def past_words(job: Job) -> list[str]:
    """For the short version: which zones were drawn down or built up; nothing without a trend."""
    said = []
    for trend in job.past.trends:
        by_word: dict[str, list[str]] = {}
        for zone, word in zip(job.zones.zones, trend.verdict, strict=True):
            by_word.setdefault(word, []).append(zone.letter)
        parts = [f"{word} in {numbers.listing(by_word[word])}"
                 for word in (DRAWN_DOWN, BUILT_UP, "held", CANNOT_TELL) if word in by_word]
        span = f"{trend.years[0]} to {trend.years[-1]}"
        said.append(f"{words.opening(words.substance(trend.analyte))} {span}: "
                    f"{'; '.join(parts)}.")
    return said
