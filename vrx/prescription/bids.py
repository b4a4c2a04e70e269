"""The bid sheet: what a pound of K2O or S costs delivered, and what could stand in by analysis."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from vrx.errors import PlanError
from vrx.model import Bid, Finding, Material, PassRates, Price, Purchase, note, warn
from vrx.prescription.buying import read_day
from vrx.prescription.order import plain_name, usd_per_unit_of
from vrx.units import SHORT_TON_LB

_MOST_USD = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class BidTerms:
    """A quote as the user enters it; `instead_of` names the ordered material that it replaces.

    `freight_usd_per_short_ton` or `freight_usd` (for all of it); spreading per acre and trip.
    """

    seller: str
    material: str
    usd: float
    per: str
    as_of: str
    instead_of: str = ""
    freight_usd_per_short_ton: float | None = None
    freight_usd: float | None = None
    spreading_usd_per_ac: float | None = None
    valid_until: date | None = None
    note: str = ""


def bid_sheet(
    *, purchases: Sequence[Purchase], passes: Sequence[PassRates], area_ac: float,
    materials: Mapping[str, Material], prices: Sequence[Price] = (),
    quotes: Sequence[BidTerms] = (), on: date | None = None,
) -> tuple[tuple[Bid, ...], list[Finding]]:
    """Lines by ordered material: the plan's price (or a blank), quotes, substitutes by analysis.

    Amounts are what is bought, overage and whole packages included. Raises `PlanError` for a quote
    of a material that is not known or replaces nothing, and for amounts below 0.
    """
    known = {plain_name(name): one for name, one in materials.items()}
    priced = {plain_name(one.material): one for one in prices}
    bought = {plain_name(one.material): one for one in purchases}
    sheet = _Sheet(passes=passes, area_ac=area_ac)
    placed: dict[str, list[BidTerms]] = {name: [] for name in bought}
    for quote in quotes:
        placed[_target(quote, known, bought)].append(quote)
    out: list[Bid] = []
    for name, purchase in bought.items():
        material = sheet.delivered(name, purchase)
        out.append(sheet.own(purchase, material, priced.get(name)))
        base = out[-1]
        out += [sheet.quote(one, _delivered_as(known[plain_name(one.material)], material),
                            purchase, material, base) for one in placed[name]]
        out += [
            sheet.substitute(one, purchase, material, base) for key, one in known.items()
            if key not in bought and key not in {plain_name(q.material) for q in placed[name]}
            and _may_stand_in(one, material, base.nutrient)
        ]
    return _with_equal_prices(_net_of_k2o(out)), _told(quotes, on)


def _delivered_as(quoted: Material, ordered: Material) -> Material:
    # The ticket's density belongs to the material that is ordered, not to another one.
    return ordered if plain_name(quoted.id) == plain_name(ordered.id) else quoted


def _target(
    quote: BidTerms, known: Mapping[str, Material], bought: Mapping[str, Purchase]
) -> str:
    where = f"[[bid]] of {quote.seller}"
    for name in ("usd", "freight_usd_per_short_ton", "freight_usd", "spreading_usd_per_ac"):
        value = getattr(quote, name)
        if value is not None and not 0 <= value <= _MOST_USD:
            raise PlanError(f"{name} = {value:g}", code="bid-value", where=where,
                            hint="an amount is 0 or more; leave it out if it is not known")
    if quote.freight_usd is not None and quote.freight_usd_per_short_ton is not None:
        raise PlanError("freight is given twice", code="bid-value", where=where,
                        hint="keep freight_usd or freight_usd_per_short_ton")
    if plain_name(quote.material) not in known:
        raise PlanError(f"unknown material {quote.material!r}", code="bid-material", where=where,
                        hint="`vrx materials` lists them; or add a materials list of your own")
    name = plain_name(quote.instead_of or quote.material)
    if name not in bought:
        listed = ", ".join(one.material for one in bought.values()) or "nothing"
        raise PlanError(
            f"{quote.instead_of or quote.material!r} is not ordered", code="bid-not-ordered",
            where=where, hint=f"ordered: {listed}; give instead_of = the material that it replaces")
    return name


def _may_stand_in(one: Material, ordered: Material, nutrient: str) -> bool:
    if one.form != ordered.form or one.nutrient_lb_per_unit(nutrient) <= 0:
        return False
    # Elemental S is not there this season, so it stands in for no S; nor does it bring K2O.
    return not (nutrient == "S" and one.s_form == "elemental")


class _Sheet:
    """Makes the lines of the sheet."""

    def __init__(self, *, passes: Sequence[PassRates], area_ac: float) -> None:
        self.passes = passes
        self.area_ac = area_ac

    def _of(self, name: str) -> list[PassRates]:
        return [one for one in self.passes if plain_name(one.material.id) == name]

    def delivered(self, name: str, purchase: Purchase) -> Material:
        """The ordered material with the density at delivery."""
        material = self._of(name)[0].material
        if material.form != "liquid":
            return material
        return replace(material, density_lb_per_gal=purchase.lb_per_unit)

    def _nutrient(self, material: Material) -> str:
        """The nutrient that the material is bought for."""
        for one in self._of(plain_name(material.id)):
            # A pass that was planned for both needs names both.
            for nutrient in one.serves.split(" and ") if one.serves else ():
                if material.nutrient_lb_per_unit(nutrient) > 0:
                    return nutrient
        return "K2O" if material.k2o_pct > 0 else "S"

    def own(self, purchase: Purchase, material: Material, price: Price | None) -> Bid:
        """The plan's own price, or a line to be filled in."""
        usd = None if price is None else price.usd
        return self._line(
            "open" if price is None else "order", "", material, purchase,
            ordered=material, amount=purchase.bought, usd=usd,
            per="" if price is None else price.per,
            as_of="" if price is None else price.as_of)

    def quote(
        self, told: BidTerms, quoted: Material, purchase: Purchase, ordered: Material, base: Bid
    ) -> Bid:
        """A seller's quote for as much of the nutrient as the order brings."""
        per_lb = quoted.nutrient_lb_per_unit(base.nutrient)
        if per_lb <= 0:
            raise PlanError(
                f"{quoted.id} brings no {base.nutrient}, for which {ordered.id} is bought",
                code="bid-material", where=f"[[bid]] of {told.seller}",
                hint="quote a material that brings it, or name another in instead_of")
        same = quoted is ordered
        amount = purchase.bought if same else (
            purchase.bought * ordered.nutrient_lb_per_unit(base.nutrient) / per_lb)
        return self._line(
            "quote", told.seller, quoted, purchase, ordered=ordered, amount=amount, usd=told.usd,
            per=told.per, as_of=told.as_of, freight_per_ton=told.freight_usd_per_short_ton,
            freight=told.freight_usd, spreading=told.spreading_usd_per_ac,
            valid_until="" if told.valid_until is None else str(told.valid_until),
            note_text=told.note)

    def substitute(
        self, one: Material, purchase: Purchase, ordered: Material, base: Bid
    ) -> Bid:
        """Another material by analysis, without a price, for the same amount of the nutrient."""
        amount = purchase.bought * ordered.nutrient_lb_per_unit(base.nutrient) / (
            one.nutrient_lb_per_unit(base.nutrient))
        return self._line(
            "substitute", "", one, purchase, ordered=ordered, amount=amount)

    def _line(
        self, state: str, seller: str, material: Material, purchase: Purchase, *,
        ordered: Material, amount: float, usd: float | None = None, per: str = "", as_of: str = "",
        freight_per_ton: float | None = None, freight: float | None = None,
        spreading: float | None = None, valid_until: str = "", note_text: str = "",
    ) -> Bid:
        nutrient = self._nutrient(ordered)
        lb = amount * material.lb_per_unit
        tons = lb / SHORT_TON_LB
        haul = freight if freight is not None else (
            None if freight_per_ton is None else freight_per_ton * tons)
        cost = None
        if usd is not None:
            price = Price(material=material.id, usd=usd, per=per, as_of=as_of)
            cost = amount * usd_per_unit_of(price, material) + (haul or 0.0)
        acres = math.fsum(
            self.area_ac if one.treated_ac is None else one.treated_ac
            for one in self._of(plain_name(ordered.id)) if one.rates.any())
        held = {name: amount * material.nutrient_lb_per_unit(name)
                for name in ("K2O", "S", "N", "Cl")}
        equal_per = "gal" if material.form == "liquid" else "short ton"
        return Bid(
            state=state, seller=seller, material=material.id, instead_of=ordered.id,
            nutrient=nutrient, quantity=amount, unit=purchase.unit, short_tons=tons,
            k2o_lb=held["K2O"], s_lb=held["S"], n_lb=held["N"], cl_lb=held["Cl"], usd=usd, per=per,
            freight_usd=haul, spreading_usd_per_ac=spreading, usd_delivered=cost,
            usd_spread=None if cost is None or spreading is None else cost + spreading * acres,
            usd_per_lb_k2o=_each(cost, held["K2O"]), usd_per_lb_s=_each(cost, held["S"]),
            usd_per_lb_s_net=None, k2o_usd_per_lb=None, equal_usd=None, equal_per=equal_per,
            valid_until=valid_until, as_of=as_of, note=note_text,
        )


def _each(usd: float | None, lb: float) -> float | None:
    return None if usd is None or lb <= 0 else usd / lb


def _net_of_k2o(lines: Sequence[Bid]) -> tuple[Bid, ...]:
    """Cost of S after the K2O that comes with it, at the cheapest K2O without S or N on the sheet.

    That is how the University of Wisconsin compares sources of S (ipcm.wisc.edu, April 2012).
    """
    plain = [one.usd_per_lb_k2o for one in lines
             if one.usd_per_lb_k2o is not None and one.s_lb <= 0 and one.n_lb <= 0]
    if not plain:
        return tuple(lines)
    worth = min(plain)
    return tuple(
        one if one.usd_delivered is None or one.s_lb <= 0 or one.k2o_lb <= 0 else replace(
            one, k2o_usd_per_lb=worth,
            usd_per_lb_s_net=(one.usd_delivered - worth * one.k2o_lb) / one.s_lb)
        for one in lines)


def _with_equal_prices(lines: Sequence[Bid]) -> tuple[Bid, ...]:
    """Substitutes with the price at which they cost as much a pound as the plan's own material.

    For S its K2O is taken at `k2o_usd_per_lb` on both sides where that is known; otherwise, and
    for K2O, all of the price is put on the nutrient and what else comes counts as nothing.
    """
    own = {one.instead_of: one for one in lines if one.state == "order"}
    out = []
    for one in lines:
        base = own.get(one.instead_of)
        if one.state == "substitute" and base is not None and base.usd_delivered is not None:
            cost = base.usd_delivered
            if one.nutrient == "S" and base.k2o_usd_per_lb is not None:
                cost += base.k2o_usd_per_lb * (one.k2o_lb - base.k2o_lb)
            units = one.quantity if one.equal_per == "gal" else one.short_tons
            out.append(replace(one, equal_usd=max(cost, 0.0) / units))
        else:
            out.append(one)
    return tuple(out)


def _told(quotes: Sequence[BidTerms], on: date | None) -> list[Finding]:
    found = []
    for one in quotes:
        where = f"[[bid]] of {one.seller}, {one.material}"
        if on is not None and one.valid_until is not None and one.valid_until < on:
            found.append(warn(
                "bid-expired", where, f"was valid until {one.valid_until}, the order is of {on}",
                done="shown as it stands", todo="ask for a new one"))
        given = read_day(one.as_of)
        if given is not None and one.valid_until is not None and one.valid_until < given:
            found.append(warn(
                "bid-expired", where, f"is of {given}, yet valid until {one.valid_until}",
                todo="look whether one of the two days is wrong"))
        if one.freight_usd is None and one.freight_usd_per_short_ton is None:
            found.append(note(
                "bid-no-freight", where, "no freight is given",
                done="its price is taken as delivered", todo="add freight_usd_per_short_ton, 0 if "
                "it is delivered"))
    return found
