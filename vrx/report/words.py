"""Plain sentences about values of a job. They restate figures; they decide nothing."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from vrx.model import (
    ANALYTES,
    Job,
    Material,
    MethodScore,
    OrderLine,
    PassRates,
    SoilColumn,
    Surface,
    ZoneReading,
)
from vrx.report import numbers

MEMORY_SHORT = "from memory, check your guide"
_FIELD_MEAN = "field mean"


def analyte_name(analyte: str) -> str:
    """Label with substance and unit of an analyte."""
    return ANALYTES[analyte].label if analyte in ANALYTES else analyte


def substance(analyte: str) -> str:
    """Label of an analyte without its unit."""
    return analyte_name(analyte).split(",", maxsplit=1)[0]


def opening(text: str) -> str:
    """A text that starts a sentence: first letter capital, but "pH" stays."""
    small = text[:1].islower() and not text[1:2].isupper()
    return text[:1].upper() + text[1:] if small else text


def taken(column: SoilColumn) -> str:
    """Extractant and depth of an analyte: "mehlich-3, 0 to 8 in"."""
    parts = [column.extractant] if column.extractant else []
    return ", ".join([*parts, depth(column.depth_in)])


def depth(depth_in: tuple[float, float]) -> str:
    """ "0 to 8 in"; 0 to 0 stands for a depth that nobody gave."""
    if depth_in[1] <= depth_in[0]:
        return "depth not given"
    return f"{numbers.fixed(depth_in[0])} to {numbers.fixed(depth_in[1])} in"


def is_from_memory(evidence: str) -> bool:
    """Whether a number was not read in its source."""
    return "from memory" in evidence.lower()


def evidence_words(label: str) -> str:
    """An evidence label as a reader of the page says it."""
    return "your own" if label == "user" else label


def is_unsourced(evidence: str) -> bool:
    """Whether a number is common practice that nobody printed."""
    return "no source" in evidence.lower()


def memory_nutrients(job: Job) -> tuple[str, ...]:
    """Nutrients whose need has a line from memory."""
    return tuple(
        nutrient
        for nutrient, needs in job.needs.items()
        if any(is_from_memory(line.evidence) for need in needs for line in need.lines)
    )


def served(rates: PassRates, job: Job) -> tuple[str, ...]:
    """Nutrients of the job that a pass serves."""
    asked = set(re.split(r"[^A-Za-z0-9]+", rates.serves))
    return tuple(nutrient for nutrient in job.needs if nutrient in asked)


def memory_of_material(material: Material) -> str:
    """Which figures of a material are from memory: "the density of the product"; "" if none."""
    parts = [name for name, _, evidence in
             (part.partition(":") for part in material.evidence.split("; "))
             if is_from_memory(evidence)]
    if not parts:
        return "the product's analysis or density" if is_from_memory(material.evidence) else ""
    return f"the {numbers.listing(parts)} of the product"


def unsourced_nutrients(job: Job) -> tuple[str, ...]:
    """Nutrients whose need has a line, above or below 0, of common practice without a source."""
    return tuple(
        nutrient
        for nutrient, needs in job.needs.items()
        if any(is_unsourced(line.evidence) and line.lb_per_ac
               for need in needs for line in need.lines)
    )


def memory_of_pass(rates: PassRates, job: Job) -> str:
    """What must stand wherever the rates of a pass are shown; "" if all was read."""
    parts = []
    rests_on = [n for n in served(rates, job) if n in memory_nutrients(job)]
    if rests_on and rates.kind != "fixed":
        parts.append(f"the need of {numbers.listing(rests_on)}")
    if is_from_memory(rates.material.evidence):
        parts.append(memory_of_material(rates.material))
    if not parts:
        return ""
    return f"From memory, check your guide: {numbers.listing(parts)}."


def average_rate(rates: PassRates, areas_ac: Sequence[float]) -> float:
    """Prescription total over prescription acres, in the material's unit."""
    return rates.prescription_total / sum(areas_ac)


def product_unit(material: Material) -> str:
    """ "lb" or "gal"."""
    return material.unit.removesuffix("/ac")


def pass_sentence(rates: PassRates, areas_ac: Sequence[float]) -> str:
    """What one pass does, in one sentence without its number."""
    unit = rates.material.unit
    span = numbers.rate_range(rates.rates.tolist(), rates.step)
    if float(rates.rates.max()) == 0.0:
        return f"no {rates.material.id}: every zone is at 0 {unit}"
    if float(rates.rates.min()) == float(rates.rates.max()):
        return f"{rates.material.id} at {span} {unit}, the same everywhere"
    mean = numbers.fixed(average_rate(rates, areas_ac), numbers.step_decimals(rates.step) + 1)
    return f"{rates.material.id} at {span} {unit} by zone, {mean} {unit} on average"


def flat_or_variable(rates: PassRates, areas_ac: Sequence[float]) -> str:
    """What one rate everywhere would have changed, in acres; "" for a flat pass."""
    low, high = float(rates.rates.min()), float(rates.rates.max())
    if low == high:
        return ""
    mean = average_rate(rates, areas_ac)
    pairs = list(zip(rates.rates.tolist(), areas_ac, strict=True))
    more = sum(area for rate, area in pairs if rate > mean)
    less = sum(area for rate, area in pairs if rate < mean)
    moved = numbers.amount(sum((rate - mean) * area for rate, area in pairs if rate > mean),
                           product_unit(rates.material))
    return (
        f"Spread flat at the average, the same product would fall {moved} short of these rates on "
        f"{numbers.fixed(more, 1)} ac and lie as much above them on {numbers.fixed(less, 1)} ac."
    )


def order_sentence(order: Sequence[OrderLine]) -> str:
    """Materials with amounts, and their cost where prices were given."""
    if not order:
        return "Nothing is ordered."
    return " ".join(
        f"{opening(line.material)}: {numbers.amount(line.quantity, line.unit)} "
        f"({numbers.tons(line.short_tons)} short tons)."
        for line in order
    )


def cost_sentence(order: Sequence[OrderLine], area_ac: float) -> str:
    """Cost of the priced lines; says what has no price."""
    if not order:
        return ""
    priced = [line.usd for line in order if line.usd is not None]
    missing = [line.material for line in order if line.usd is None]
    if not priced:
        return "No prices were given, so no cost is shown."
    total = math.fsum(priced)
    text = f"{numbers.usd_whole(total)} for product, {numbers.usd(total / area_ac)} per acre"
    if missing:
        return f"{text}, without {numbers.listing(missing)} (no price given)."
    return f"{text}. Spreading and hauling are not in it."


def _score(surface: Surface, method: str) -> MethodScore | None:
    return next((s for s in surface.scores if s.method == method), None)


def score_words(surface: Surface) -> str:
    """The leave-one-out check of the chosen method, against the field mean."""
    mean = _score(surface, _FIELD_MEAN)
    own = _score(surface, surface.method)
    if own is None:
        return "No leave-one-out check was made, so how good the map is remains unknown."
    miss = f"{numbers.spread(own.rmse, surface.analyte)} {surface.unit}"
    if surface.method == _FIELD_MEAN:
        return (
            f"No map beat the plain field mean, so the mean stands everywhere. Each of {own.n} "
            f"samples, predicted from the others, is missed by {miss} (root mean square)."
        )
    start = (
        f"Each of {own.n} samples was left out and predicted from the others: the map misses by "
        f"{miss} (root mean square)"
    )
    if mean is None:
        return f"{start}."
    flat = numbers.spread(mean.rmse, surface.analyte)
    verdict = (
        f"the map explains {numbers.share(own.skill)} of what the mean leaves"
        if own.skill > 0
        else "the map is no better than the mean"
    )
    blocks = _blocks(own, mean, surface)
    return f"{start}, the field mean by {flat} {surface.unit}: {verdict}.{blocks}"


def _blocks(own: MethodScore, mean: MethodScore, surface: Surface) -> str:
    if own.block_rmse is None or mean.block_rmse is None:
        return ""
    miss, flat = (numbers.spread(v, surface.analyte) for v in (own.block_rmse, mean.block_rmse))
    return (
        f" With the whole block of samples around it left out as well, it misses by {miss}, the "
        f"field mean by {flat}."
    )


def method_words(surface: Surface) -> str:
    """The method of a map, with the layers that guided it."""
    if surface.method == "kriging with drift":
        return f"kriging, guided by {numbers.listing(list(surface.drift))}"
    return surface.method


def honesty_words(surface: Surface) -> str:
    """Whether the standard errors fit the misses; "" where the method gives none."""
    own = _score(surface, surface.method)
    if own is None or own.msdr is None:
        return ""
    ratio = numbers.fixed(own.msdr, 2)
    # The mean of n squared standard normal deviates has variance 2/n (chi-squared distribution).
    play = math.sqrt(2.0 / own.n)
    if own.msdr > 1.0 + play:
        tail = "above 1, so they are rather too small"
    elif own.msdr < 1.0 - play:
        tail = "below 1, so they are rather too large"
    else:
        tail = f"as near to 1 as {own.n} samples can tell"
    return f"Squared misses over squared standard errors average {ratio} (1 is honest): {tail}."


def zone_difference(reading: ZoneReading, letters: Sequence[str]) -> str:
    """How far the extreme zones are apart, and their standard errors; "" for one zone."""
    if len(letters) < 2:
        return ""
    least, most = int(reading.mean.argmin()), int(reading.mean.argmax())
    gap = float(reading.mean[most] - reading.mean[least])
    both = math.hypot(
        float(reading.standard_error[most]), float(reading.standard_error[least])
    )
    name = substance(reading.analyte)
    shown = numbers.reading(gap, reading.analyte)
    if not any(c in "123456789" for c in shown):
        return (
            f"{opening(name)}: the map reads the same in every zone, so it gives no ground to vary "
            "a rate."
        )
    sure = (
        "more than twice that, so these two zones very likely differ"
        if gap > 2 * both
        else "not twice that, so it is not sure that even these two zones differ"
    )
    return (
        f"{opening(name)}: zones {letters[least]} and {letters[most]} are {shown} {reading.unit} "
        f"apart; the standard error of that difference is "
        f"{numbers.spread(both, reading.analyte)}. The gap is {sure}."
    )


def moves_a_rate(analyte: str, job: Job) -> bool:
    """Whether zones differ for a soil test: soil K always, sulfate only where an S pass varies."""
    return analyte == "potassium" or any(
        rates.serves.endswith("S") and float(rates.rates.min()) < float(rates.rates.max())
        for rates in job.prescription.passes
    )


def steers(analyte: str) -> bool:
    """Whether an analyte is a test of a nutrient that is prescribed (potash, sulfur)."""
    return analyte in {"potassium", "sulfate"}


def censored_words(column: SoilColumn) -> str:
    """How many readings were beyond a laboratory's limit; "" if none."""
    below, above = int((column.censored < 0).sum()), int((column.censored > 0).sum())
    parts = []
    if below:
        parts.append(f"{below} below the limit")
    if above:
        parts.append(f"{above} above the limit")
    return numbers.listing(parts) if parts else ""


def dates_words(dates: Sequence[str]) -> str:
    """First and last sampling date."""
    known = sorted({d for d in dates if d})
    if not known:
        return "not given"
    missing = sum(1 for d in dates if not d)
    text = known[0] if len(known) == 1 else f"{known[0]} to {known[-1]}"
    return f"{text} ({missing} without a date)" if missing else text
