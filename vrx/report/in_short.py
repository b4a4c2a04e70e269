"""The grower's summary: what flat would cost, what the crop gets, what is bought, is not known."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from vrx.model import Job, ZoneReading
from vrx.report import numbers, words


def flat_sentences(job: Job) -> list[str]:
    """Dollars of by zone against flat, and where there is nothing to vary.

    Without a comparison: what one rate everywhere would have moved, in product.
    """
    told = job.money.comparison
    if told is not None:
        return [*(one.in_short or one.verdict for one in told.against), *told.remarks]
    areas = job.prescription.zone_area_ac
    return [f"Pass {one.number}: {text}" for one in job.prescription.passes
            if (text := words.flat_or_variable(one, areas))]


def gets_sentences(job: Job) -> list[str]:
    """What passes and water bring an acre, beside what the crop takes up."""
    truth, goal = job.crop_truth, job.expected_yield
    if not job.money.pass_words:
        return _water(job)
    source = truth.takes_up_source
    basis = (f" ({words.MEMORY_SHORT})" if words.is_from_memory(source)
             else " (common practice, no source)" if words.is_unsourced(source) else "")
    takes = (
        f"At {goal.tons_per_ac:g} tons/ac of {goal.moisture_pct:g} % moisture the crop takes up "
        f"about {numbers.fixed(truth.takes_up_k2o_lb_per_ac)} lb K2O/ac and "
        f"{numbers.fixed(truth.takes_up_s_lb_per_ac)} lb S/ac{basis}.")
    return [*job.money.pass_words[:-1], *_against_need(job), *_water(job), takes]


def _against_need(job: Job) -> list[str]:
    """Mean need and what the passes bring of it, an acre of the field."""
    area = np.asarray(job.prescription.zone_area_ac)
    shares = area / area.sum()
    asked = [one for one in job.prescription.balances if one.need.any()]
    if not asked:
        return []
    needs, brought = ([numbers.fixed(float(values @ shares)) for values in each] for each in (
        [one.need for one in asked], [one.brought for one in asked]))
    named = [f"{need} lb {one.nutrient}/ac" for need, one in zip(needs, asked, strict=True)]
    return [(f"On average the need asks for {numbers.listing(named)}; the passes bring "
             f"{numbers.listing(brought)}.")]


def _water(job: Job) -> list[str]:
    """What irrigation water counts against a need, as its lines say."""
    out = []
    for nutrient, needs in job.needs.items():
        if all(one.lb_per_ac <= 0 for one in needs):
            continue  # told with "flat or by zone": nothing of it is needed
        counts = [-sum(line.lb_per_ac for line in one.lines
                       if line.lb_per_ac < 0 and "water" in line.term.casefold())
                  for one in needs]
        low, high = numbers.fixed(min(counts)), numbers.fixed(max(counts))
        if max(counts) >= 0.5:
            span = low if low == high else f"{low} to {high}"
            out.append(f"The irrigation water brings {span} lb {nutrient}/ac; the need is that "
                       "much smaller.")
    return out


def bought_sentence(job: Job) -> str:
    """Dollars of what is bought, where that is more than the rates take; "" otherwise."""
    bought = job.money.purchases
    known = [one.usd_bought for one in bought if one.usd_bought is not None]
    if not known or all(abs(one.left_over) <= 0.05 for one in bought):
        return ""
    rest = "" if len(known) == len(bought) else ", as far as prices are given"
    return (f"Bought in whole packages, with some to spare: "
            f"{numbers.usd(math.fsum(known))}{rest}.")


SULFATE_IS_WEAK = (
    "A topsoil sulfate test is a weak guide to what alfalfa will find (extension services of "
    "Ontario, Illinois, Michigan, Iowa and Nebraska say so); a tissue test, top 6 inches at bud, "
    "tells more."
)


def plain_difference(reading: ZoneReading, letters: Sequence[str]) -> str:
    """`zone_difference` for the grower: without the error as a figure."""
    if len(letters) < 2:
        return ""
    least, most = int(reading.mean.argmin()), int(reading.mean.argmax())
    gap = float(reading.mean[most] - reading.mean[least])
    shown = numbers.reading(gap, reading.analyte)
    if not any(c in "123456789" for c in shown):
        return words.zone_difference(reading, letters)
    both = math.hypot(
        float(reading.standard_error[most]), float(reading.standard_error[least])
    )
    sure = (
        "more than the doubt of the map, so these two zones very likely differ"
        if gap > 2 * both
        else "not clearly more than the doubt of the map, so even these two zones may be alike"
    )
    return (
        f"{words.opening(words.substance(reading.analyte))} is {shown} {reading.unit} higher in "
        f"zone {letters[most]} than in zone {letters[least]}: {sure}."
    )


def reading_errors(reading: ZoneReading) -> str:
    """How far zones may be off, from the span of their standard errors."""
    low = numbers.spread(float(reading.standard_error.min()), reading.analyte)
    high = numbers.spread(float(reading.standard_error.max()), reading.analyte)
    span = low if low == high else f"{low} to {high}"
    return (
        f"{words.opening(words.substance(reading.analyte))} of a zone is right within {span} "
        f"{reading.unit} about two times in three; one time in three it is off by more."
    )


def unknowns(job: Job) -> list[str]:
    """What is not known well, in plain sentences."""
    said = [reading_errors(job.readings[key]) for key in job.readings if words.steers(key)]
    if "S" in job.needs or "sulfate" in job.readings:
        said.append(SULFATE_IS_WEAK)
    memory = words.memory_nutrients(job)
    if memory:
        said.append(
            f"Part of the need of {numbers.listing(memory)} rests on numbers that were written "
            "down from memory, not read in the guide; check them there before you order."
        )
    unsourced = words.unsourced_nutrients(job)
    if unsourced:
        said.append(
            f"Part of the need of {numbers.listing(unsourced)} rests on common practice without a "
            "printed source."
        )
    said.append(
        f"The yield of {numbers.fixed(job.expected_yield.tons_per_ac, 1)} tons/ac is what you "
        "expect, not a forecast."
    )
    return said
