"""From net rates to what is bought: overage, whole packages, loads, cost; each step a line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from vrx.errors import PlanError
from vrx.model import AmountLine, Finding, Material, PassRates, Price, Purchase, note, warn
from vrx.prescription.order import plain_name, usd_per_unit_of
from vrx.prescription.practice import cite, figures

TINY = 1e-9
_DENSITY_APART = 0.01
"""A load ticket further than this share from the density of the rates is told (our choice)."""
_MOST_COUNT = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyTerms:
    """How a material is sold and hauled, as the plan says it.

    `package` is "bag", "tote" or "bulk", its size in lb or in gal; a bulk size is the step in which
    it is sold. `load_lb` or `load_gal` is what one truck carries. `ticket_lb_per_gal` is the
    density of the load ticket, `ticket` its number or date.
    """

    material: str
    package: str = "bulk"
    package_lb: float | None = None
    package_gal: float | None = None
    load_lb: float | None = None
    load_gal: float | None = None
    overage_pct: float | None = None
    ticket_lb_per_gal: float | None = None
    ticket: str = ""


def purchases(
    passes: Sequence[PassRates], prices: Sequence[Price] = (), terms: Sequence[SupplyTerms] = (),
    *, overage_pct: float = 0.0,
) -> tuple[tuple[Purchase, ...], list[Finding]]:
    """What is bought of every material that a pass uses, in the order of the passes.

    `overage_pct` holds where a material's own terms say none. Raises `PlanError` for sizes,
    densities and shares that are none, and for a gallon of a dry material.
    """
    told = _by_name(terms)
    priced = {plain_name(one.material): one for one in prices}
    grouped: dict[str, list[PassRates]] = {}
    for one in passes:
        grouped.setdefault(plain_name(one.material.id), []).append(one)
    made, findings = [], []
    for name, group in grouped.items():
        own = told.pop(name, SupplyTerms(material=group[0].material.id))
        _require_sizes(own, group[0].material)
        if sum(one.order_total for one in group) <= 0:
            continue
        purchase, said = _purchase(group, priced.get(name), own, overage_pct)
        made.append(purchase)
        findings += said
    findings += [
        note("order-terms-unused", f"[order.material] {one.material}", "no pass buys this material",
             done="its terms are left aside") for one in told.values()
    ]
    return tuple(made), findings


def _purchase(
    group: Sequence[PassRates], price: Price | None, own: SupplyTerms, overage_pct: float
) -> tuple[Purchase, list[Finding]]:
    listed = group[0].material
    at_delivery = listed if own.ticket_lb_per_gal is None else replace(
        listed, density_lb_per_gal=own.ticket_lb_per_gal)
    per = at_delivery.lb_per_unit
    unit = listed.unit.removesuffix("/ac")
    net = math.fsum(one.order_total for one in group)
    share = overage_pct if own.overage_pct is None else own.overage_pct
    if not 0 <= share <= 100:
        raise PlanError(f"overage_pct = {share:g}", code="order-overage",
                        where=f"order of {listed.id}", hint="give a percentage from 0 to 100")
    lines = _net_lines(group)
    extra = net * share / 100.0
    lines.append(AmountLine(words="overage stated", amount=extra, detail=(
        f"{share:g} % of {net:,.1f} {unit}" if share else "none is stated")))
    size = _size(own.package_lb, own.package_gal, per, listed)
    packages = None
    bought = net + extra
    if size is not None:
        packages = _count(bought / size, listed.id)
        lines.append(AmountLine(
            words="whole packages" if own.package != "bulk" else "whole steps of sale",
            amount=packages * size - bought,
            detail=f"{packages:,} of {size:,.5g} {unit}, rounded up"))
        bought = packages * size
    load = _size(own.load_lb, own.load_gal, per, listed)
    loads = None if load is None else _count(bought / load, listed.id)
    usd_per = None if price is None else usd_per_unit_of(price, at_delivery)
    findings = _told_ticket(listed, own, net)
    if price is not None and price.usd == 0:
        findings.append(note("order-price-zero", f"price of {listed.id}", "the price is 0 USD",
                             done="counted as free", todo="leave the price out if it is unknown"))
    if size is not None and size > 2.0 * (net + extra):
        findings.append(warn(
            "order-mostly-left-over", f"order of {listed.id}",
            f"one package holds {size:,.5g} {unit}, the season needs {net:,.5g}",
            value=f"{bought - net:.6g} {unit} left over",
            todo="look for a smaller package, or share one with another field"))
    return Purchase(
        material=listed.id, form=listed.form, unit=unit, lines=tuple(lines),
        shares=tuple((one.number, one.pass_id, one.order_total) for one in group),
        net=net, bought=bought, lb_per_unit=per, density_from=_density_words(listed, own),
        package=own.package, package_size=size, packages=packages, load_size=load, loads=loads,
        last_load=None if load is None or loads is None else bought - (loads - 1) * load,
        k2o_lb=bought * at_delivery.nutrient_lb_per_unit("K2O"),
        s_lb=bought * at_delivery.nutrient_lb_per_unit("S"),
        n_lb=bought * at_delivery.nutrient_lb_per_unit("N"),
        usd_per_unit=usd_per, usd_net=None if usd_per is None else net * usd_per,
        usd_bought=None if usd_per is None else bought * usd_per,
        price_note="not known: no price given" if price is None else price_words(price),
    ), findings


def price_words(price: Price) -> str:
    """ "480 USD per short ton, as of 2026-11-01", with every digit that was given."""
    return f"{price.usd:,.10g} USD per {price.per}, as of {price.as_of}"


def _net_lines(group: Sequence[PassRates]) -> list[AmountLine]:
    exact = math.fsum(one.planned_total for one in group)
    rounded = math.fsum(one.prescription_total for one in group)
    net = math.fsum(one.order_total for one in group)
    steps = ", ".join(dict.fromkeys(f"{one.step:g} {one.material.unit}" for one in group))
    beyond = [f"pass {one.number}: {one.treated_ac:,.2f} ac" for one in group
              if one.treated_ac is not None]
    return [
        AmountLine(words="exact rates on the zones' acres", amount=exact,
                   detail=f"{len(group)} pass{'es' if len(group) > 1 else ''}, before rounding"),
        AmountLine(words="machine steps", amount=rounded - exact,
                   detail=f"steps of {steps}, each zone rounded for itself"),
        AmountLine(words="acres treated beyond or short of the zones", amount=net - rounded,
                   detail="; ".join(beyond) or "none: the passes cover the zones' acres"),
    ]


def _size(
    lb: float | None, gal: float | None, lb_per_unit: float, material: Material
) -> float | None:
    """A size in the material's unit."""
    if lb is not None:
        return lb / lb_per_unit
    if gal is not None and material.form == "liquid":
        return gal
    return None


def _count(share: float, material: str) -> int:
    if not share <= _MOST_COUNT:
        raise PlanError(f"{share:,.0f} packages or loads are needed", code="order-size",
                        where=f"order of {material}", hint="give a larger size")
    return max(1, math.ceil(share - TINY * max(1.0, share)))


def _require_sizes(own: SupplyTerms, material: Material) -> None:
    where = f"order of {material.id}"
    for name in ("package_lb", "package_gal", "load_lb", "load_gal", "ticket_lb_per_gal"):
        value = getattr(own, name)
        if value is None:
            continue
        if not (math.isfinite(value) and value > 0):
            raise PlanError(f"{name} = {value:g}", code="order-size", where=where,
                            hint="a package, a load and a density are above 0; leave the line out "
                            "if nothing is known")
        if "gal" in name and material.form != "liquid":
            raise PlanError(f"{name} does not fit a dry material", code="order-unit", where=where,
                            hint=f"use {name.replace('_gal', '_lb')}" if "per" not in name else
                            "leave it out")
    for one in ("package", "load"):
        if getattr(own, f"{one}_lb") is not None and getattr(own, f"{one}_gal") is not None:
            raise PlanError(f"{one}_lb and {one}_gal are both given", code="order-size",
                            where=where, hint="keep one of them")
    if own.package in ("bag", "tote") and own.package_lb is None and own.package_gal is None:
        raise PlanError(f"package = {own.package!r} without its size", code="order-size",
                        where=where, hint="give package_lb or package_gal")


def _density_words(material: Material, own: SupplyTerms) -> str:
    if material.form != "liquid":
        return ""
    if own.ticket_lb_per_gal is not None:
        return f"load ticket {own.ticket}".strip()
    return "the density of the rates"


def _told_ticket(material: Material, own: SupplyTerms, net: float) -> list[Finding]:
    listed, ticket = material.density_lb_per_gal, own.ticket_lb_per_gal
    if listed is None or ticket is None or abs(ticket - listed) <= _DENSITY_APART * listed:
        return []
    apart = ticket / listed - 1.0
    return [warn(
        "order-ticket-density", f"order of {material.id}",
        f"the load ticket says {ticket:g} lb/gal, the rates were made with {listed:g}: the same "
        f"gallons bring {apart:+.1%} of every nutrient", value=f"{net * (ticket - listed):.6g} lb",
        done="pounds and cost of the purchase follow the ticket, the rates do not",
        todo=f"set density_lb_per_gal = {ticket:g} in its passes, so that the rates follow")]


def _by_name(terms: Sequence[SupplyTerms]) -> dict[str, SupplyTerms]:
    found: dict[str, SupplyTerms] = {}
    for one in terms:
        if plain_name(one.material) in found:
            raise PlanError(f"{one.material} stands twice", code="order-terms-twice",
                            where="[order.material]", hint="keep one of them")
        found[plain_name(one.material)] = one
    return found


def price_age_findings(
    prices: Sequence[Price], *, on: date | None, season: int, days: int | None = None
) -> list[Finding]:
    """Prices that are older at the day of the order than `days`, and those without a day.

    Without a day of the order, 1 January of the season stands for it.
    """
    most = int(figures()["price_age"]["days"]) if days is None else days
    day = on or date(season, 1, 1)
    named = f"{day}" if on else f"{day}, as [order] names no day"
    found = []
    for price in prices:
        where = f"price of {price.material}"
        given = read_day(price.as_of)
        if given is None:
            found.append(note(
                "order-price-undated", where, f"as_of = {price.as_of!r} is no day",
                done="its age is not judged", todo="write it as 2026-11-01"))
            continue
        age = (day - given).days
        if age > most:
            found.append(warn(
                "order-price-old", where, f"is of {given}, {age} days before the order ({named}); "
                f"more than {most} days" + ("" if days is not None else f": {cite('price_age')}"),
                value=f"{age} days", todo="ask again before you order"))
        elif age < 0 and on is not None:
            found.append(note(
                "order-price-later", where, f"is of {given}, after the day of the order, {day}",
                todo="look whether one of the two days is wrong"))
    return found


def read_day(text: str) -> date | None:
    """A day written as 2026-11-01, else None."""
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        return None


