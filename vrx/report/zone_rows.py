"""The zones as rows beside their map: acres, soil tests, needs, rates, what a zone holds."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vrx.model import ANALYTES, Need, PassRates, Prescription, Zone, ZoneReading, Zones
from vrx.report import numbers, words

STEERING = ("potassium", "sulfate")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A rate: `by_hand` is the reason where it was set by hand, `rule` the rate it replaced."""

    text: str
    by_hand: str = ""
    rule: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneLine:
    """One zone of the table; `said` is the zone in a sentence's words."""

    zone_id: int
    letter: str
    label: str
    acres: str
    soils: tuple[str, ...]
    needs: tuple[str, ...]
    rates: tuple[Cell, ...]
    samples: str
    outside: str
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneLines:
    """The table: headings of the soil tests, needs and passes (short, whole), and its rows."""

    soils: tuple[tuple[str, str], ...]
    needs: tuple[tuple[str, str], ...]
    passes: tuple[tuple[str, str], ...]
    rows: tuple[ZoneLine, ...]
    total: str
    field: str


def zone_lines(
    zones: Zones, readings: Mapping[str, ZoneReading], needs: Mapping[str, Sequence[Need]],
    planned: Prescription, *, field_ac: float, colour_unit: str, colour_texts: Sequence[str],
) -> ZoneLines:
    """The table of zones; `colour_texts` is the number printed in each zone, in `colour_unit`."""
    steering = [readings[key] for key in STEERING if key in readings]
    rows = []
    for k, zone in enumerate(zones.zones):
        printed = f"{colour_texts[k]} {colour_unit}".strip()
        soils = tuple(_soil(one, k) for one in steering)
        rows.append(ZoneLine(
            zone_id=zone.zone_id, letter=zone.letter, label=zone.label,
            acres=numbers.acres(zone.area_ac), soils=soils,
            needs=tuple(numbers.nutrient(one[k].lb_per_ac) for one in needs.values()),
            rates=tuple(_rate(one, k, zone) for one in planned.passes),
            samples=_samples(steering, k), outside=_outside(steering, k),
            said=f"Zone {zone.letter}, {numbers.acres(zone.area_ac)} ac"
                 + (f", {printed}" if colour_unit else "")))
    return ZoneLines(
        soils=tuple((_short(one.analyte), f"{ANALYTES[one.analyte].label}, mean and standard error")
                    for one in steering),
        needs=tuple((f"{nutrient}, lb/ac", f"need of {nutrient}") for nutrient in needs),
        passes=tuple((f"Pass {one.number}, {one.material.unit}",
                      f"pass {one.number}, {one.timing}: {one.material.id}")
                     for one in planned.passes),
        rows=tuple(rows), total=numbers.acres(zones.area_ac), field=numbers.acres(field_ac))


def _short(analyte: str) -> str:
    return {"potassium": "K, ppm", "sulfate": "S, ppm"}[analyte]


def _soil(reading: ZoneReading, k: int) -> str:
    mean = numbers.reading(float(reading.mean[k]), reading.analyte)
    error = float(reading.standard_error[k])
    if math.isnan(error):
        return f"{mean} ± …"
    return f"{mean} ± {numbers.spread(error, reading.analyte)}"


def _rate(rates: PassRates, k: int, zone: Zone) -> Cell:
    text = numbers.rate(float(rates.rates[k]), rates.step)
    for one in getattr(rates, "by_hand", ()):
        if one.zone_id == zone.zone_id:
            return Cell(text=text, by_hand=one.because,
                        rule=numbers.rate(one.rule_rate, rates.step))
    return Cell(text=text)


def _samples(steering: Sequence[ZoneReading], k: int) -> str:
    counts = [int(one.samples[k]) for one in steering if one.samples is not None]
    return numbers.fixed(max(counts)) if counts else "–"


def _outside(steering: Sequence[ZoneReading], k: int) -> str:
    """The share of the zone that the map has in another class, by substance."""
    if any(one.outside_share is not None and math.isnan(float(one.outside_share[k]))
           for one in steering):
        return "…"
    told = [f"{numbers.share(float(one.outside_share[k]))} {_short(one.analyte)[0]}"
            for one in steering if one.outside_share is not None]
    return ", ".join(told) or "–"


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneCard:
    """Everything about one zone: soil tests (words, value), need lines, passes."""

    zone_id: int
    letter: str
    label: str
    acres: str
    soils: tuple[tuple[str, str], ...]
    needs: tuple[tuple[str, str, tuple[tuple[str, str, str], ...]], ...]
    rates: tuple[tuple[str, str, Cell], ...]


def zone_card(
    zones: Zones, readings: Mapping[str, ZoneReading], needs: Mapping[str, Sequence[Need]],
    planned: Prescription, *, zone_id: int,
) -> ZoneCard | None:
    """What is known of one zone; None where no zone has that id (any more)."""
    k = next((k for k, zone in enumerate(zones.zones) if zone.zone_id == zone_id), None)
    if k is None:
        return None
    zone = zones.zones[k]
    return ZoneCard(
        zone_id=zone.zone_id, letter=zone.letter, label=zone.label,
        acres=numbers.acres(zone.area_ac),
        soils=tuple((words.opening(words.analyte_name(key)), _soil_words(one, k))
                    for key, one in readings.items()),
        needs=tuple((nutrient, numbers.fixed(one[k].lb_per_ac, 1), tuple(
            (line.term, numbers.signed(line.lb_per_ac, 1), line.detail) for line in one[k].lines))
            for nutrient, one in needs.items()),
        rates=tuple((one.pass_id, _pass_words(one), _rate(one, k, zone))
                    for one in planned.passes))


def _pass_words(rates: PassRates) -> str:
    return f"Pass {rates.number}, {rates.timing}: {rates.material.id}, {rates.material.unit}"


def _soil_words(reading: ZoneReading, k: int) -> str:
    low, high = (numbers.reading(float(one[k]), reading.analyte)
                 for one in (reading.low, reading.high))
    return f"{_soil(reading, k)}, cells from {low} to {high}"
