"""Passes, zones and order made ready for print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from vrx.model import Job, PassRates
from vrx.report import maps, numbers, words
from vrx.units import SHORT_TON_LB

MOST_NAMED, MOST_RATES = 15, 6
"""Zones and rates that a sentence names; beyond, the map of the pass tells."""
BY_HAND = "† "
"""Before a rate that a person set, so that digits stay below each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PassView:
    """One pass in print."""

    number: int
    timing: str
    method: str
    material: str
    sentence: str
    where: str
    kind: str
    serves: str
    column: str
    unit: str
    least: str
    most: str
    step: str
    average: str
    total: str
    order_total: str
    short_tons: str
    treated: str
    outside: str
    area: str
    liquid: bool
    density: str
    memory: str
    changed: str
    by_hand: tuple[str, ...]
    picture: Markup
    remark: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneRow:
    """A zone in the loader's table: its rate and amount in every pass."""

    letter: str
    zone_id: int
    label: str
    area: str
    cells: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderRow:
    """A material of the order."""

    material: str
    quantity: str
    lb: str
    short_tons: str
    k2o_lb: str
    s_lb: str
    n_lb: str
    usd: str
    price_note: str
    memory: str


def _changed(rates: PassRates) -> str:
    """What limits and rounding changed, in product; "" if nothing that prints."""
    unit = words.product_unit(rates.material)
    parts = []
    ruled = rates.planned_total if rates.rule_planned_total is None else rates.rule_planned_total
    for what, before, after in (
        ("limits", rates.wanted_total, ruled), ("rates set by hand", ruled, rates.planned_total),
        ("rounding to machine steps", rates.planned_total, rates.prescription_total),
    ):
        if numbers.fixed(after - before) != "0":
            parts.append(f"{what} {numbers.signed(after - before)} {unit}")
    if not parts:
        return ""
    asked = numbers.amount(rates.wanted_total, unit)
    return f"The need asked for {asked}; {numbers.listing(parts)}."


def rate_text(rates: PassRates, zone_id: int, rate: float) -> str:
    """A zone's rate as tables print it; one set by hand carries a mark."""
    text = numbers.rate(rate, rates.step)
    by_hand = any(one.zone_id == zone_id for one in rates.by_hand)
    return f"{BY_HAND}{text}" if by_hand else text


def _by_hand(rates: PassRates) -> tuple[str, ...]:
    """What each mark stands for: both rates, and the reason."""
    return tuple(
        f"zone {one.letter} {numbers.rate(one.rate, rates.step)} {one.unit} set by hand, the rule "
        f"gives {numbers.rate(one.rule_rate, rates.step)}: {one.because}" for one in rates.by_hand)


def _where(rates: PassRates, job: Job) -> str:
    """Which zones get which rate, or which earlier pass has the same ones.

    "" where every zone gets one rate, and where more would be told than anybody reads.
    """
    if float(rates.rates.min()) == float(rates.rates.max()):
        return ""
    alike = next((one for one in job.prescription.passes if one.number < rates.number
                  and one.material.unit == rates.material.unit
                  and np.array_equal(one.rates, rates.rates)), None)
    if alike is not None:
        return f"The same rates by zone as pass {alike.number}."
    zones: dict[float, list[str]] = {}
    for zone, rate in zip(job.zones.zones, rates.rates.tolist(), strict=True):
        zones.setdefault(rate, []).append(zone.letter)
    if len(job.zones.zones) > MOST_NAMED or len(zones) > MOST_RATES:
        return ""
    unit = rates.material.unit
    told = [f"{numbers.rate(rate, rates.step)}{'' if k else f' {unit}'} in "
            f"{numbers.listing(zones[rate])}" for k, rate in enumerate(sorted(zones))]
    return f"By zone: {'; '.join(told)}."


def _outside(rates: PassRates, job: Job, area_ac: float) -> str:
    """Acres that get product beyond the prescription; "" for none that prints.

    A schedule of injection knows them by the ground: where the injector is off inside the field,
    more lies outside than the acres alone would say.
    """
    beyond = (rates.treated_ac or 0.0) - area_ac
    made = next((one for one in job.irrigation if one.pass_id == rates.pass_id), None)
    if made is not None and rates.treated_ac is not None:
        inside = made.product_in_field_ac
        beyond = beyond if inside is None else made.wetted_ac - inside
    return numbers.acres(beyond) if beyond >= 0.005 else ""


def pass_view(rates: PassRates, job: Job, notes: Sequence[str]) -> PassView:
    """One pass, with its map."""
    areas = job.prescription.zone_area_ac
    material, unit = rates.material, rates.material.unit
    product = words.product_unit(material)
    memory = words.memory_of_pass(rates, job)
    picture = maps.rate_map(
        key=f"map-pass-{rates.number}", field=job.field, zones=job.zones, rates=rates,
        remark=memory,
    )
    mean = numbers.fixed(words.average_rate(rates, areas), numbers.step_decimals(rates.step) + 1)
    treated = "" if rates.treated_ac is None else numbers.acres(rates.treated_ac)
    density = material.density_lb_per_gal
    return PassView(
        number=rates.number, timing=rates.timing, method=rates.method, material=material.id,
        sentence=words.pass_sentence(rates, areas), where=_where(rates, job),
        kind=rates.kind, serves=rates.serves,
        column=rates.column, unit=unit, least=numbers.rate(float(rates.rates.min()), rates.step),
        most=numbers.rate(float(rates.rates.max()), rates.step),
        step=numbers.rate(rates.step, rates.step), average=mean,
        total=numbers.amount(rates.prescription_total, product),
        order_total=numbers.amount(rates.order_total, product),
        short_tons=numbers.tons(rates.order_total * material.lb_per_unit / SHORT_TON_LB),
        treated=treated, outside=_outside(rates, job, sum(areas)), area=numbers.acres(sum(areas)),
        liquid=material.form == "liquid",
        density="" if density is None else numbers.fixed(density, 2), memory=memory,
        changed=_changed(rates), by_hand=_by_hand(rates),
        picture=Markup(picture.svg),  # noqa: S704 - built and escaped in svg.py
        remark=picture.remark, notes=tuple(notes),
    )


def pass_views(job: Job, notes: Mapping[str, Sequence[str]]) -> list[PassView]:
    """All passes in their order; `notes` adds lines by pass id."""
    return [pass_view(p, job, notes.get(p.pass_id, ())) for p in job.prescription.passes]


def zone_rows(job: Job) -> list[ZoneRow]:
    """Zones by passes: rate and amount, from unrounded acres."""
    rows = []
    for i, zone in enumerate(job.zones.zones):
        area = job.prescription.zone_area_ac[i]
        cells = []
        for rates in job.prescription.passes:
            value = float(rates.rates[i])
            cells.append((rate_text(rates, zone.zone_id, value), numbers.fixed(value * area)))
        rows.append(
            ZoneRow(
                letter=zone.letter, zone_id=zone.zone_id, label=zone.label,
                area=numbers.acres(area), cells=tuple(cells),
            )
        )
    return rows


def order_rows(job: Job) -> list[OrderRow]:
    """The order, material by material."""
    known = {m.id: m for m in job.materials}
    known |= {p.material.id: p.material for p in job.prescription.passes}
    rows = []
    for line in job.prescription.order:
        material = known.get(line.material)
        memory = "" if material is None else words.memory_of_material(material)
        rows.append(
            OrderRow(
                material=line.material, quantity=numbers.amount(line.quantity, line.unit),
                lb=numbers.fixed(line.lb), short_tons=numbers.tons(line.short_tons),
                k2o_lb=numbers.pounds(line.k2o_lb), s_lb=numbers.pounds(line.s_lb),
                n_lb=numbers.pounds(line.n_lb),
                usd="no price" if line.usd is None else numbers.usd(line.usd),
                price_note=line.price_note,
                memory=f"{memory}: {words.MEMORY_SHORT}" if memory else "",
            )
        )
    return rows


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderSum:
    """The last line of the order."""

    short_tons: str
    k2o_lb: str
    s_lb: str
    n_lb: str
    usd: str


def order_sum(job: Job) -> OrderSum:
    """Sums over the materials; the money says when a price is missing."""
    order = job.prescription.order
    priced = [line.usd for line in order if line.usd is not None]
    usd = numbers.usd(sum(priced)) if priced else "no price"
    if priced and len(priced) < len(order):
        usd = f"{usd} (priced lines only)"
    return OrderSum(
        short_tons=numbers.tons(sum(line.short_tons for line in order)),
        k2o_lb=numbers.pounds(sum(line.k2o_lb for line in order)),
        s_lb=numbers.pounds(sum(line.s_lb for line in order)),
        n_lb=numbers.pounds(sum(line.n_lb for line in order)), usd=usd,
    )
