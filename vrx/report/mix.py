"""The joint plan ready for print: what each pass carries, at what cost, and what holds it back."""

from __future__ import annotations

from dataclasses import dataclass

from vrx.model import Job, MixLimit, MixRival, SeasonMix
from vrx.report import numbers

AIM_WORDS = {
    "least cost": "The cheapest of all mixes that keep the limits",
    "fewest passes": "The mix with the fewest passes that keeps the limits",
    "least deviation": "The mix that lies closest to both needs within the limits",
}
NONE = "nothing: at rate 0"


@dataclass(frozen=True, slots=True, kw_only=True)
class MixView:
    """One row a planned pass, the sums, and what is to be said below."""

    lead: str
    rows: tuple[tuple[str, ...], ...]
    total: tuple[str, ...]
    said: tuple[tuple[str, str], ...]
    limits: tuple[tuple[str, ...], ...]
    short: tuple[str, ...]


def mix_view(job: Job) -> MixView | None:
    """The joint plan in print; None where no pass was planned jointly."""
    mix = job.prescription.mix
    if mix is None:
        return None
    said = [("Proof", _proof(mix))]
    if mix.rival is not None:
        said.insert(0, ("The next best mix", _rival(mix, mix.rival)))
    elif mix.passes_used:
        none = "None: without any one of these materials the candidates do not bring as much."
        said.insert(0, ("The next best mix", none))
    units = {one.material.id: one.material.unit.removesuffix("/ac")
             for one in job.prescription.passes}
    said += [("Whole loads", _loads(load, units.get(load[0], ""))) for load in mix.loads]
    return MixView(
        lead=_lead(mix), rows=tuple(_rows(job, mix)), total=_total(mix), said=tuple(said),
        limits=tuple(_limit(one) for one in mix.limits),
        short=tuple(_short(mix, k) for k in range(len(mix.shortfalls))),
    )


def _loads(load: tuple[str, int, float, float], unit: str) -> str:
    name, number, size, left = load
    return (f"{name}: {number} of {numbers.amount(size, unit)} each; {numbers.amount(left, unit)}"
            " are left over. The sum pays for all of it.")


def _lead(mix: SeasonMix) -> str:
    held = AIM_WORDS[mix.aim]
    if mix.shortfalls and mix.aim != "least deviation":
        held = (f"No mix meets the needs within the limits. This one falls least short of them,"
                f" and among such it has the {mix.aim}")
    return (f"{held}. S that comes with potash and K2O that comes with S products are counted;"
            " figures before rounding to machine steps.")


def _rows(job: Job, mix: SeasonMix) -> list[tuple[str, ...]]:
    area = job.field.area_ac
    rates = {one.pass_id: one for one in job.prescription.passes}
    rows: list[tuple[str, ...]] = []
    for one in mix.choices:
        others = [name for name in one.candidates if name != one.material]
        if one.material:
            material = rates[one.pass_id].material
            decimals = 1 if material.form == "liquid" else 0
            mean = numbers.fixed(rates[one.pass_id].planned_total / area, decimals)
            rate = f"{mean} {material.unit}"
        else:
            rate = "0"
        rows.append((
            f"{one.number}, {one.timing}", one.material or NONE, rate,
            numbers.fixed(one.k2o_lb), numbers.fixed(one.s_lb),
            "no price" if one.usd is None else numbers.usd_whole(one.usd),
            numbers.listing(others) if others else "no other named",
        ))
    return rows


def _total(mix: SeasonMix) -> tuple[str, ...]:
    product = "no price" if mix.usd_product is None else numbers.usd_whole(mix.usd_product)
    trips = f"and {numbers.usd_whole(mix.usd_passes)} for the trips" if mix.usd_passes else ""
    return (numbers.fixed(sum(one.k2o_lb for one in mix.choices)),
            numbers.fixed(sum(one.s_lb for one in mix.choices)), product, trips)


def _proof(mix: SeasonMix) -> str:
    steps = " in whole machine steps" if mix.steps_inside else ""
    if mix.gap == 0:
        return f"Every other mix{steps} was ruled out: none is better."
    return (f"The search{steps} ended before every other mix was ruled out: a better one could be"
            f" at most {100 * mix.gap:.2g} % below this one.")


def _rival(mix: SeasonMix, rival: MixRival) -> str:
    total = (mix.usd_product or 0.0) + (mix.usd_passes or 0.0)
    if rival.unit == "usd":
        more = f"{numbers.usd_whole(rival.more)} more"
        if total > 0:
            more += f" ({100 * rival.more / total:.1f} %)"
        if rival.more < 0.5:
            more = "for the same money"
    elif rival.unit == "passes":
        count = round(rival.more)
        more = "with as many passes" if count == 0 else (
            f"with {count} more pass{'es' if count > 1 else ''}")
    else:
        more = f"{100 * rival.more:.1f} % of the needs further off"
    return (f"Without {numbers.listing(list(rival.without))}:"
            f" {numbers.listing(list(rival.materials)) if rival.materials else 'nothing'},"
            f" {more}.")


def _limit(one: MixLimit) -> tuple[str, ...]:
    zones = "the flat pass" if one.zones == ("all",) else ", ".join(one.zones)
    usd = "" if one.usd_per_unit is None else numbers.usd_whole(one.usd_per_unit)
    return (one.words, zones, f"{usd} for 1 {one.unit}", one.key)


def _short(mix: SeasonMix, k: int) -> str:
    one = mix.shortfalls[k]
    zones = ", ".join(f"{zone} ({numbers.fixed(lb, 1)})" for zone, lb in one.zones)
    text = (f"{numbers.fixed(one.lb)} lb {one.nutrient} short, in zone"
            f"{'s' if len(one.zones) > 1 else ''} {zones} (lb/ac).")
    if mix.must_give:
        sets = "; or ".join(" and ".join(held) for held in mix.must_give)
        text += (f" What holds it: {sets}. Labels and law are not yours to raise; another"
                 " material, another pass or less need is.")
    return text
