"""What a season costs and takes, ready for print: balance, flat or by zone, buying, bids."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from vrx.model import Bid, Comparison, FloatArray, Job, Purchase, RateCase, SoilBalance
from vrx.report import numbers, supply_chart, words
from vrx.units import SHORT_TON_LB

NOT_KNOWN = "not known"
_KEPT = "K2O beyond a need stays in the soil for later years, which is not counted"
_STATES = {"quote": "quote", "order": "the plan's price", "open": "to be quoted",
           "substitute": "could stand in"}


@dataclass(frozen=True, slots=True, kw_only=True)
class BalanceView:
    """One nutrient's balance by zone; `ranges` says whether soil-test columns stand."""

    nutrient: str
    otherwise: str
    removed_words: str
    seasons: int
    ranges: bool
    rows: tuple[tuple[str, ...], ...]
    whole: tuple[str, ...]
    basis: tuple[str, ...]
    cannot_tell: str
    memory: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PurchaseView:
    """What is bought of one material, line by line."""

    material: str
    lines: tuple[tuple[str, str, str, str], ...]
    total: tuple[str, str]
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatView:
    """Flat against variable: verdicts, a table with a column for each case, and a picture."""

    names: tuple[str, ...]
    verdicts: tuple[str, ...]
    remarks: tuple[str, ...]
    groups: tuple[tuple[str, tuple[tuple[str, tuple[str, ...]], ...]], ...]
    pictures: tuple[Markup, ...]


def _change(low: FloatArray | None, high: FloatArray | None, k: int, *, sign: bool) -> str:
    if low is None or high is None:
        return "cannot tell"
    show = numbers.signed if sign else numbers.fixed
    ends = float(low[k]), float(high[k])
    # Ends that would print alike get a digit more: a range must never look like one number.
    fine = 1 if show(ends[0]) == show(ends[1]) or (sign and max(map(abs, ends)) < 9.95) else 0
    return " to ".join(show(end, fine) for end in ends)


def balance_views(job: Job) -> list[BalanceView]:
    """By nutrient, zones in order."""
    area = job.prescription.zone_area_ac
    views = []
    for one in job.money.balances:
        ranges = one.nutrient == "K2O"
        rows = []
        for k, zone in enumerate(job.zones.zones):
            row = [zone.letter, numbers.acres(area[k]), numbers.fixed(float(one.brought[k])),
                   numbers.fixed(float(one.otherwise[k])), numbers.fixed(float(one.removed[k])),
                   numbers.signed(float(one.left[k]))]
            if ranges:
                now = "" if one.soil_now is None else numbers.fixed(float(one.soil_now[k]))
                row += [now, _change(one.ppm_low, one.ppm_high, k, sign=True),
                        _change(one.after_low, one.after_high, k, sign=False)]
            rows.append(tuple(row))
        views.append(BalanceView(
            nutrient=one.nutrient, otherwise=one.otherwise_words, removed_words=one.removed_words,
            seasons=one.seasons, ranges=ranges, rows=tuple(rows), whole=_whole(one, area),
            basis=one.basis, cannot_tell=one.cannot_tell,
            memory=any(words.is_from_memory(text) for text in one.basis)))
    return views


def _whole(one: SoilBalance, area: Sequence[float]) -> tuple[str, ...]:
    sums = [float(values @ list(area)) for values in (one.brought, one.otherwise, one.removed)]
    return (numbers.acres(sum(area)), *(f"{numbers.fixed(value)} lb" for value in sums),
            f"{numbers.signed(sums[0] + sums[1] - sums[2])} lb")


def _usd(value: float | None) -> str:
    return NOT_KNOWN if value is None else numbers.usd(value)


def flat_view(job: Job) -> FlatView | None:
    """The comparison in print; None where no run made one."""
    told = job.money.comparison
    if told is None:
        return None
    return FlatView(
        names=tuple(one.name for one in told.cases), remarks=told.remarks,
        verdicts=tuple(one.verdict for one in told.against),
        groups=(("Rates", _rates(told)), ("Product and cost", _costs(told)),
                ("Supply", _supplies(told))),
        pictures=tuple(
            # supply_chart built it through svg.py, which escapes every text
            Markup(supply_chart.supply_chart(key=f"supply-{nutrient}", nutrient=nutrient,  # noqa: S704
                                             comparison=told))
            for nutrient in supply_chart.drawn(told)),
    )


def _rates(told: Comparison) -> tuple[tuple[str, tuple[str, ...]], ...]:
    rows: dict[str, list[str]] = {}
    for case in told.cases:
        for pass_id, unit, low, high in case.rates:
            span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
            rows.setdefault(f"{pass_id}, {unit}", []).append(span)
    return tuple((name, tuple(cells)) for name, cells in rows.items())


def _costs(told: Comparison) -> tuple[tuple[str, tuple[str, ...]], ...]:
    materials = dict.fromkeys(m for case in told.cases for m, *_ in case.product)
    rows = []
    for name in materials:
        cells = []
        for case in told.cases:
            held = {m: (amount, unit, usd) for m, amount, unit, usd in case.product}
            if name not in held:
                cells.append("none")
                continue
            amount, unit, usd = held[name]
            cells.append(f"{numbers.amount(amount, unit)}, {_usd(usd)}")
        rows.append((name, tuple(cells)))
    rows.append(("product, together", tuple(_usd(one.usd_product) for one in told.cases)))
    for name in dict.fromkeys(one.what for case in told.cases for one in case.charges):
        cells = []
        for case in told.cases:
            charge = next((one for one in case.charges if one.what == name), None)
            cells.append("–" if charge is None else
                         f"{_usd(charge.usd)} ({charge.how})")
        rows.append((name, tuple(cells)))
    rows.append(("known cost, together", tuple(map(_known, told.cases))))
    return tuple(rows)


def _known(case: RateCase) -> str:
    """The sum of what is known, and how many charges are not in it."""
    open_charges = sum(one.usd is None for one in case.charges)
    if case.usd_known is None or not open_charges:
        return _usd(case.usd_known)
    return f"{_usd(case.usd_known)}, without {open_charges} that are not entered"


def _supplies(told: Comparison) -> tuple[tuple[str, tuple[str, ...]], ...]:
    rows = []
    for k, first in enumerate(told.cases[0].supplies):
        name = first.nutrient
        held = [case.supplies[k] for case in told.cases]
        rows += [
            (f"{name} short of the need", tuple(
                f"{numbers.fixed(one.short_ac, 1)} ac, {numbers.fixed(one.short_lb)} lb"
                for one in held)),
            (f"{name} more than the need", tuple(
                f"{numbers.fixed(one.over_ac, 1)} ac, {numbers.fixed(one.over_lb)} lb"
                for one in held)),
            (f"{name} within half a machine step ({numbers.fixed(first.slack, 1)} lb/ac)", tuple(
                f"{numbers.fixed(one.near_ac, 1)} ac" for one in held)),
        ]
    return tuple(rows)


def purchase_views(job: Job) -> list[PurchaseView]:
    """Materials in the order of the passes."""
    return [_purchase(one) for one in job.money.purchases]


def _purchase(one: Purchase) -> PurchaseView:
    lines = tuple(
        (numbers.signed(line.amount, 1) if k else numbers.fixed(line.amount, 1), line.words,
         line.detail, _usd(None if one.usd_per_unit is None else line.amount * one.usd_per_unit))
        for k, line in enumerate(one.lines))
    tons = one.bought_lb / SHORT_TON_LB
    facts = [("By pass, net", "; ".join(
        f"pass {number}: {numbers.amount(amount, one.unit)}" for number, _, amount in one.shares))]
    if one.form == "liquid":
        facts.append(("Density", f"{one.lb_per_unit:g} lb/gal, {one.density_from}"))
    facts.append(("Weight", f"{numbers.fixed(one.bought_lb)} lb, {numbers.tons(tons)} short tons"))
    if one.packages is not None and one.package_size is not None:
        name = {"bulk": "steps of sale"}.get(one.package, f"{one.package}s")
        size = f"{one.package_size:,.6g} {one.unit}"
        facts.append(("Packages", f"{one.packages:,} {name} of {size}"))
    if one.loads is not None and one.load_size is not None and one.last_load is not None:
        most, last = (numbers.amount(size, one.unit) for size in (one.load_size, one.last_load))
        facts.append(("Truck loads", f"{one.loads:,} of at most {most}, the last carries {last}"))
    if abs(one.left_over) > 0.05:
        worth = "" if one.usd_per_unit is None else (
            f", {numbers.usd(one.left_over * one.usd_per_unit)}")
        facts.append(("Left when the rates are out", numbers.amount(one.left_over, one.unit)
                      + worth))
    facts += [("Price", one.price_note), ("Cost", _usd(one.usd_bought))]
    return PurchaseView(material=one.material, lines=lines,
                        total=(numbers.amount(one.bought, one.unit), _usd(one.usd_bought)),
                        facts=tuple(facts))


def fill_rows(job: Job) -> list[tuple[str, ...]]:
    """Tank fills by pass."""
    return [
        (f"{one.number}, {one.pass_id}", one.material, numbers.amount(one.tank, one.unit),
         numbers.amount(one.total, one.unit), f"{one.fills:,}",
         numbers.amount(one.last_fill, one.unit), numbers.fixed(one.acres_per_fill, 1),
         numbers.fixed(one.acres_at_most, 1))
        for one in job.money.fills
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class BidView:
    """One line of the bid sheet; `price` and `cost` are lines of one cell."""

    material: str
    who: str
    note: str
    amount: str
    short_tons: str
    brings: str
    price: tuple[str, ...]
    cost: tuple[str, ...]
    per_k2o: str
    per_s: tuple[str, ...]
    valid_until: str
    equal: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BidGroup:
    """The lines for one ordered material: those with a price or a blank, and substitutes."""

    material: str
    nutrient: str
    quotes: tuple[BidView, ...]
    substitutes: tuple[BidView, ...]


def bid_groups(job: Job) -> list[BidGroup]:
    """The bid sheet by ordered material."""
    return [
        BidGroup(
            material=name, nutrient=next(b.nutrient for b in job.money.bids
                                         if b.instead_of == name),
            quotes=tuple(_bid(b) for b in job.money.bids
                         if b.instead_of == name and b.state != "substitute"),
            substitutes=tuple(_bid(b) for b in job.money.bids
                              if b.instead_of == name and b.state == "substitute"))
        for name in dict.fromkeys(one.instead_of for one in job.money.bids)
    ]


def _bid(one: Bid) -> BidView:
    brings = numbers.listing([
        f"{numbers.pounds(lb)} {name}" for name, lb in
        (("K2O", one.k2o_lb), ("S", one.s_lb), ("N", one.n_lb), ("Cl", one.cl_lb)) if lb >= 0.5
    ] or ["nothing"])
    price = [] if one.usd is None else [f"${one.usd:,.10g} per {one.per}"]
    if one.freight_usd is not None:
        price.append(f"freight {numbers.usd(one.freight_usd)}")
    if one.spreading_usd_per_ac is not None:
        price.append(f"spreading ${one.spreading_usd_per_ac:,.10g}/ac and trip")
    cost = [] if one.usd_delivered is None else [numbers.usd(one.usd_delivered)]
    if one.usd_spread is not None:
        cost.append(f"spread: {numbers.usd(one.usd_spread)}")
    per_s = [] if one.usd_per_lb_s is None else [_cents(one.usd_per_lb_s)]
    if one.usd_per_lb_s_net is not None and one.k2o_usd_per_lb is not None:
        per_s.append(f"{_cents(one.usd_per_lb_s_net)} with K2O at {_cents(one.k2o_usd_per_lb)}")
    return BidView(
        material=one.material, note=one.note,
        who=f"{one.seller}, {_STATES[one.state]}" if one.seller else _STATES[one.state],
        amount=numbers.amount(one.quantity, one.unit), short_tons=numbers.tons(one.short_tons),
        brings=brings, price=tuple(price), cost=tuple(cost), per_s=tuple(per_s),
        per_k2o="" if one.usd_per_lb_k2o is None else _cents(one.usd_per_lb_k2o),
        valid_until=one.valid_until,
        equal="" if one.equal_usd is None else f"{numbers.usd(one.equal_usd)} per {one.equal_per}")


def money_views(job: Job) -> dict[str, object]:
    """Everything that the templates `money` and `buying` show, by name."""
    return {
        "season_balances": balance_views(job), "pass_words": job.money.pass_words,
        "flat": flat_view(job), "flat_note": flat_note(job), "purchases": purchase_views(job),
        "fills": fill_rows(job), "bids": bid_groups(job), "ordered_on": job.money.ordered_on,
    }


def flat_note(job: Job) -> str:
    """Whose response of the yield, if any, the comparison rests on."""
    told = job.money.comparison
    if told is None or not told.response:
        return ("No answer of the yield is assumed: this compares product, charges and supply "
                "only. Supply is judged at the needs of the zones, each known to its own error; "
                "zones mix soil within them. Product is at net rates, before overage and packages; "
                f"{_KEPT}.")
    own = numbers.listing([f"{value:g} tons of hay for each lb {name} short"
                           for name, value in told.response])
    return (f"The answer of the yield is your own figure ({own}), not one of vrx. Supply is judged "
            "at the needs of the zones. Product is at net rates, before overage and packages; "
            f"{_KEPT}.")


def _cents(value: float) -> str:
    return f"${numbers.fixed(value, 3)}"
