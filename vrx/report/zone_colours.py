"""What the zones are coloured by: nothing, a need, a rate, or how far a rate is from its mean."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from vrx.model import FloatArray, Need, PassRates, Prescription, Zones
from vrx.report import frame as frames
from vrx.report import numbers, words
from vrx.report.colours import nice_classes, rate_ramp
from vrx.report.maps import rate_classes

PLAIN = "#e9ecdf"


@dataclass(frozen=True, slots=True, kw_only=True)
class Colouring:
    """Colour and printed text of every zone, and the legend as (colour, words).

    `unit` is the unit of the texts, for what a screen reader says after the number.
    """

    key: str
    title: str
    unit: str
    fills: tuple[str, ...]
    texts: tuple[str, ...]
    legend: tuple[tuple[str, str], ...]


def choices(needs: Mapping[str, Sequence[Need]], planned: Prescription) -> tuple[
        tuple[str, str], ...]:
    """Keys and words of everything that zones can be coloured by."""
    passes = [(str(one.number), f"pass {one.number}, {one.timing}") for one in planned.passes]
    return (
        *((f"rate {number}", f"rate of {name}") for number, name in passes),
        *((f"apart {number}", f"difference from the mean of {name}") for number, name in passes),
        *((f"need {nutrient}", f"need of {nutrient}") for nutrient in needs),
        ("acres", "acres alone"),
    )


def colouring(
    key: str, zones: Zones, needs: Mapping[str, Sequence[Need]], planned: Prescription
) -> Colouring:
    """The colouring of a key of `choices`; the first that there is for an unknown key."""
    known = [one for one, _ in choices(needs, planned)]
    key = key if key in known else known[0]
    kind, _, which = key.partition(" ")
    if kind == "acres":
        texts = tuple(f"{numbers.fixed(zone.area_ac, 1)} ac" for zone in zones.zones)
        return Colouring(key=key, title="Zones and their acres", unit="", texts=texts,
                         fills=(PLAIN,) * len(zones.zones), legend=())
    if kind == "need":
        values = np.array([one.lb_per_ac for one in needs[which]])
        return _of_values(
            key, zones, values, title=f"Need of {which}", unit=f"lb {which}/ac",
            texts=tuple(numbers.nutrient(value) for value in values.tolist()))
    rates = next(one for one in planned.passes if str(one.number) == which)
    if kind == "rate":
        return _of_rates(key, zones, rates)
    areas = planned.zone_area_ac
    mean = words.average_rate(rates, areas)
    apart = rates.rates - mean
    decimals = numbers.step_decimals(rates.step)
    return _of_values(
        key, zones, apart, unit=rates.material.unit,
        title=f"Pass {rates.number}: rate above or below its mean, "
              f"{numbers.fixed(mean, decimals + 1)} {rates.material.unit}",
        texts=tuple(numbers.signed(value, decimals) for value in apart.tolist()))


def _of_rates(key: str, zones: Zones, rates: PassRates) -> Colouring:
    index, said, ramp = rate_classes(rates)
    texts = tuple(numbers.rate(value, rates.step) for value in rates.rates.tolist())
    return Colouring(
        key=key, unit=rates.material.unit, texts=texts,
        title=f"Pass {rates.number}: {rates.material.id}, {rates.material.unit}",
        fills=tuple(ramp[i] for i in index), legend=_legend(zones, index, ramp, said))


def _of_values(
    key: str, zones: Zones, values: FloatArray, *, title: str, unit: str, texts: tuple[str, ...]
) -> Colouring:
    classes = nice_classes(values)
    index, ramp = classes.index(values).tolist(), rate_ramp(classes.count)
    said = [
        f"{frames.edge_text(classes, i)} to {frames.edge_text(classes, i + 1)} {unit}"
        if classes.edges[0] != classes.edges[-1] else f"{frames.edge_text(classes, 0)} {unit}"
        for i in range(classes.count)]
    return Colouring(key=key, title=title, unit=unit, texts=texts,
                     fills=tuple(ramp[i] for i in index),
                     legend=_legend(zones, index, ramp, said))


def _legend(
    zones: Zones, index: Sequence[int], ramp: Sequence[str], said: Sequence[str]
) -> tuple[tuple[str, str], ...]:
    """Classes that a zone is in, with their acres."""
    rows = []
    for i, (colour, words_of) in enumerate(zip(ramp, said, strict=True)):
        members = [zone for zone, k in zip(zones.zones, index, strict=True) if k == i]
        if members:
            acres = numbers.acres(sum(zone.area_ac for zone in members))
            count = "1 zone" if len(members) == 1 else f"{len(members)} zones"
            rows.append((colour, f"{words_of}: {count}, {acres} ac"))
    return tuple(rows)
