"""The grower's summary: what flat would cost, what the crop gets, what is bought."""

from __future__ import annotations

import math

import numpy as np

from vrx.model import Job
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
            out.append(f"The irrigation water counts {span} lb {nutrient}/ac against the need.")
    return out


def bought_sentence(job: Job) -> str:
    """Dollars of what is bought, where that is more than the rates take; "" otherwise."""
    bought = job.money.purchases
    known = [one.usd_bought for one in bought if one.usd_bought is not None]
    if not known or all(abs(one.left_over) <= 0.05 for one in bought):
        return ""
    rest = "" if len(known) == len(bought) else ", as far as prices are given"
    return (f"Bought with overage and in whole packages: {numbers.usd(math.fsum(known))}{rest}.")
