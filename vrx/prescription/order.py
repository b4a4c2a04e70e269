"""What must be bought: one line per material, with pounds, tons, nutrients and cost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from vrx.errors import PlanError
from vrx.model import Finding, Material, OrderLine, PassRates, Price, note
from vrx.units import SHORT_TON_LB

PER = ("short ton", "lb", "gal")
MOST_USD = 1e9
"""More is no price of a ton, and sums of it would leave the numbers."""


def order_lines(
    passes: Sequence[PassRates], prices: Sequence[Price]
) -> tuple[tuple[OrderLine, ...], list[Finding]]:
    """Order lines in the order of the passes; a material with nothing to buy has none.

    Raises `PlanError` for a price whose unit does not fit, or that is given twice.
    """
    by_name = _by_material(prices)
    totals: dict[str, tuple[Material, float]] = {}
    for one in passes:
        _, sum_so_far = totals.get(one.material.id, (one.material, 0.0))
        totals[one.material.id] = (one.material, sum_so_far + one.order_total)
    findings = [
        note("prescription-price-unused", f"price of {price.material}",
             "no pass buys this material", done="left out of the cost")
        for name, price in by_name.items()
        if name not in {plain_name(known) for known, (_, amount) in totals.items() if amount > 0}
    ]
    lines = []
    for material, quantity in totals.values():
        price = by_name.get(plain_name(material.id))
        # The price is judged even where nothing is bought: a wrong unit is a fault of the plan.
        usd_per_unit = usd_per_unit_of(price, material) if price else None
        if quantity <= 0:
            continue
        if usd_per_unit is None:
            findings.append(note("prescription-price-missing", f"order of {material.id}",
                                 "no price given", done="cost left blank"))
        lines.append(_line(material, quantity, price, usd_per_unit))
    return tuple(lines), findings


def _line(
    material: Material, quantity: float, price: Price | None, usd_per_unit: float | None
) -> OrderLine:
    lb = quantity * material.lb_per_unit
    usd = None if usd_per_unit is None else quantity * usd_per_unit
    return OrderLine(
        material=material.id, unit=material.unit.removesuffix("/ac"), quantity=quantity, lb=lb,
        short_tons=lb / SHORT_TON_LB,
        k2o_lb=quantity * material.nutrient_lb_per_unit("K2O"),
        s_lb=quantity * material.nutrient_lb_per_unit("S"),
        n_lb=quantity * material.nutrient_lb_per_unit("N"),
        usd=usd,
        price_note=(f"{_cents(price.usd)} usd per {price.per}, as of {price.as_of}" if price
                    else "no price given"),
    )


def _cents(usd: float) -> str:
    """Two decimals, or all that were given: 0.405 a pound must not read 0.41."""
    return f"{usd:,.2f}" if round(usd, 2) == usd else f"{usd:,.10g}"


def usd_per_unit_of(price: Price, material: Material) -> float:
    """Dollars for one lb or gal of the material. `PlanError` for a price that does not fit."""
    where = f"price of {material.id}"
    if not 0 <= price.usd <= MOST_USD:
        raise PlanError(f"usd = {price.usd:g}", code="prescription-price", where=where,
                        hint=f"give a price of 0 to {MOST_USD:,.0f}")
    if price.per not in PER:
        raise PlanError(f"per = {price.per!r}", code="prescription-price", where=where,
                        hint=f"give the price per {', '.join(PER)}")
    if price.per == "gal":
        if material.form != "liquid":
            raise PlanError("a dry material has no price per gallon", code="prescription-price",
                            where=where, hint='give it per "short ton" or "lb"')
        return price.usd
    per_lb = price.usd / SHORT_TON_LB if price.per == "short ton" else price.usd
    return per_lb * material.lb_per_unit


def _by_material(prices: Sequence[Price]) -> Mapping[str, Price]:
    found: dict[str, Price] = {}
    for price in prices:
        if plain_name(price.material) in found:
            raise PlanError(f"{price.material} has two prices", code="prescription-price",
                            where="prices", hint="keep the one that counts")
        found[plain_name(price.material)] = price
    return found


def plain_name(name: str) -> str:
    """A material's name as it is compared: capitals and blanks do not count."""
    return " ".join(name.split()).casefold()
