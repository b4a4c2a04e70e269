"""One question to one guide about all zones, asked plainly, cell by cell, and with its error."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import ndtr, ndtri

from vrx.errors import RuleError
from vrx.model import ANALYTES, Finding, FloatArray, IntArray, Need, Yield, ZoneReading
from vrx.model.need_beside import NeedBounds, Threshold
from vrx.rules.book import Book
from vrx.rules.credits import NO_CREDITS, Credits
from vrx.rules.evaluate import Outcome, evaluate
from vrx.rules.inputs import TissueTest, WaterTest
from vrx.rules.need import NO_OPTIONS, check_nutrient, needs


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Question:
    """What `needs` is asked, held together; arguments and errors as there."""

    book: Book
    nutrient: str
    zone_ids: Sequence[int]
    zone_names: Sequence[str]
    readings: Mapping[str, ZoneReading]
    crop: str
    expected_yield: Yield | Sequence[Yield]
    options: Mapping[str, object] = field(default_factory=lambda: NO_OPTIONS)
    water: WaterTest | None = None
    tissue: TissueTest | None = None
    region: str = ""
    credited: Credits = NO_CREDITS
    yield_source: str = ""


def answer(asked: Question) -> tuple[Need, ...]:
    """The need of each zone by its mean; see `needs`."""
    return needs(
        book=asked.book, nutrient=asked.nutrient, zone_ids=asked.zone_ids,
        zone_names=asked.zone_names, readings=asked.readings, crop=asked.crop,
        expected_yield=asked.expected_yield, options=asked.options, water=asked.water,
        tissue=asked.tissue, region=asked.region, credited=asked.credited,
        yield_source=asked.yield_source)


def _on(asked: Question, readings: Mapping[str, ZoneReading], of_zone: IntArray) -> Outcome:
    """The rule on a surface whose cells (n,) lie in the zones at `of_zone` (n,)."""
    check_nutrient(asked.book, asked.nutrient)
    return evaluate(
        book=asked.book, shape=of_zone.shape, zone_ids=(), zone_names=(), readings=readings,
        crop=asked.crop, expected_yield=asked.expected_yield, options=asked.options,
        water=asked.water, tissue=asked.tissue, region=asked.region, credited=asked.credited,
        of_zone=of_zone, all_ids=tuple(int(z) for z in asked.zone_ids),
        all_names=tuple(asked.zone_names))


def in_cells(
    asked: Question, *, readings: Mapping[str, ZoneReading], of_zone: IntArray
) -> tuple[FloatArray, tuple[Finding, ...]]:
    """(lb/ac in every cell, findings): the same rules cell by cell.

    `readings` hold one value a cell, (n,), and `of_zone` (n,) the position of each cell's zone, so
    that yield goals, plant tests and credits of that zone hold in it. RuleError as for `needs`.
    """
    outcome = _on(asked, readings, of_zone)
    return outcome.total, tuple(f for _, f in outcome.context.findings)


def bounds(asked: Question, *, level: float) -> NeedBounds:
    """How far each need moves with the standard error of its zone's soil test.

    `level` (0 to 1) is the share of a normal distribution about the zone's mean that is looked at:
    0.9 looks at 1.645 standard errors either way. The least and greatest need are those of its two
    ends and its middle (guides do not rise with the soil test). The other readings of the zone are
    taken as known. A soil test below zero, or beyond where the guide refuses to read, is held at
    that end. Where a bound would need a rate that the guide does not print, `low` and `high` are
    NaN and `no_rate` says so. `refused` instead of an error where the guide reads no mapped soil
    test, or the map has no standard error. RuleError as for `needs`.
    """
    if not 0 < level < 1:
        raise RuleError(f"a level of {level!r} is no share between 0 and 1", code="bounds-level",
                        where="[need] bounds_level", hint="0.9 is usual")
    analyte = asked.book.analyte
    times = float(ndtri(0.5 + level / 2.0))
    reading = asked.readings.get(analyte)
    zones = np.arange(len(asked.zone_ids))
    middle = _on(asked, asked.readings, zones)
    if not analyte or reading is None:
        return _none(asked, level, times, "the guide reads no mapped soil test")
    error = reading.standard_error
    if not np.isfinite(error).all():
        return _none(asked, level, times, "the map gives no standard error")
    least, most = _readable(asked.book, middle.context.factor)
    low = np.minimum(np.clip(reading.mean - times * error, least, most), reading.mean)
    high = np.maximum(np.clip(reading.mean + times * error, least, most), reading.mean)
    no_rate = ""
    try:
        ends = [middle.total] + [
            _on(asked, {**asked.readings, analyte: replace(reading, mean=end)}, zones).total
            for end in (low, high)]
    except RuleError as err:
        # Only zones at a bound may need a rate that the guide does not print.
        ends, no_rate = [np.full(zones.shape, np.nan)], f"{err.message} ({err.hint})"
    return NeedBounds(
        nutrient=asked.nutrient, analyte=analyte, unit=reading.unit, level=level, times=times,
        low=np.min(ends, axis=0), high=np.max(ends, axis=0), soil_low=low, soil_high=high,
        thresholds=_thresholds(middle, reading), no_rate=no_rate)


def _thresholds(outcome: Outcome, reading: ZoneReading) -> tuple[Threshold, ...]:
    """Where the rule turns, on the laboratory's scale, and the chance to lie under it."""
    error = reading.standard_error
    found = []
    for words, level in outcome.context.thresholds:
        own = level / outcome.context.factor
        apart = own - reading.mean
        with np.errstate(over="ignore"):
            normal = ndtr(apart / np.where(error > 0, error, 1.0))
        found.append(Threshold(
            words=words, level=own, below=np.where(error > 0, normal, (apart > 0) * 1.0)))
    return tuple(found)


def _readable(book: Book, factor: float) -> tuple[float, float]:
    """Soil tests, on the laboratory's scale, that the guide does not refuse."""
    for one in book.data.ranges:
        if one.input == book.analyte and one.outside == "stop":
            # A hair inside, so that going there and back by the factor stays inside.
            return max(one.low, 0.0) / factor * (1 + 1e-12), one.high / factor * (1 - 1e-12)
    return 0.0, np.inf


def _none(asked: Question, level: float, times: float, why: str) -> NeedBounds:
    empty = np.empty(0)
    analyte = asked.book.analyte
    return NeedBounds(
        nutrient=asked.nutrient, analyte=analyte,
        unit=ANALYTES[analyte].unit if analyte else "", level=level, times=times, low=empty,
        high=empty, soil_low=empty, soil_high=empty, refused=why)
