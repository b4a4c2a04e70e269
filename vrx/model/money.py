"""What is bought, what it costs, and what a season takes from the soil: values, no verbs."""

from __future__ import annotations

from dataclasses import dataclass

from vrx.model.arrays import FloatArray, array_value
from vrx.model.finding import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class AmountLine:
    """One step from the rates to what is bought; `amount` in the purchase's unit, with its sign."""

    words: str
    amount: float
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Purchase:
    """What is bought of one material. `lines` add up to `bought`.

    `unit` is "lb" or "gal"; `net` is what the rates need on the acres treated. `lb_per_unit` is
    the pounds of one unit at delivery, `density_from` where a liquid's density comes from.
    `package` is "bag", "tote" or "bulk"; `package_size` (in `unit`) and `packages` are None where
    nothing is said. `loads` counts trucks of `load_size` (in `unit`), the last carries `last_load`.
    Dollars are None without a price. `shares` are (pass number, pass id, net amount).
    """

    material: str
    form: str
    unit: str
    lines: tuple[AmountLine, ...]
    shares: tuple[tuple[int, str, float], ...]
    net: float
    bought: float
    lb_per_unit: float
    density_from: str
    package: str
    package_size: float | None
    packages: int | None
    load_size: float | None
    loads: int | None
    last_load: float | None
    k2o_lb: float
    s_lb: float
    n_lb: float
    usd_per_unit: float | None
    usd_net: float | None
    usd_bought: float | None
    price_note: str

    @property
    def bought_lb(self) -> float:
        """Pounds bought."""
        return self.bought * self.lb_per_unit

    @property
    def left_over(self) -> float:
        """What stays when the rates are spread, in the unit."""
        return self.bought - self.net


@dataclass(frozen=True, slots=True, kw_only=True)
class TankFills:
    """Fills of one pass. `tank` is what it holds, in `unit`; acres are those of one full tank.

    `acres_per_fill` is at the mean rate over the acres that get product, `acres_at_most` at its
    highest rate.
    """

    pass_id: str
    number: int
    material: str
    unit: str
    tank: float
    total: float
    fills: int
    last_fill: float
    acres_per_fill: float
    acres_at_most: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """Acres and pounds of a nutrient above, near and below the need of the zones.

    "Near" is within `slack` lb/ac, which half a machine step can make. Pounds of `near_lb` carry
    their sign, so that over - short + near = brought - need.
    """

    nutrient: str
    slack: float
    over_ac: float
    over_lb: float
    near_ac: float
    near_lb: float
    short_ac: float
    short_lb: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Charge:
    """A charge beside the product; `usd` None where the plan states no figure."""

    what: str
    usd: float | None
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RateCase:
    """One way to spread the season: by zone, or one rate a pass.

    `product` lists (material, quantity, unit, usd or None) of every material, at net rates;
    `rates` (pass id, unit, least, most). `usd_product` is None where a price is missing.
    """

    name: str
    rates: tuple[tuple[str, str, float, float], ...]
    product: tuple[tuple[str, float, str, float | None], ...]
    usd_product: float | None
    charges: tuple[Charge, ...]
    supplies: tuple[Supply, ...]

    @property
    def usd_known(self) -> float | None:
        """Product and the charges that are known; None without the product's cost."""
        if self.usd_product is None:
            return None
        return self.usd_product + sum(one.usd for one in self.charges if one.usd is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """By zone held against one flat case; dollars by zone less flat.

    `usd_more` is None where it cannot be known, `uncounted` what it leaves out. `breakeven_tons`
    is the hay of the whole field that pays for `usd_more` (0 where by zone costs no more), None
    without a price of hay. `response_tons` is the hay that the user's own response figure expects
    by zone beyond flat, None without one.
    """

    flat: str
    usd_more: float | None
    uncounted: tuple[str, ...]
    breakeven_tons: float | None
    response_tons: float | None
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Flat against variable: the plan's own case first."""

    cases: tuple[RateCase, ...]
    against: tuple[Against, ...]
    hay_usd_per_ton: float | None
    response: tuple[tuple[str, float], ...]
    remarks: tuple[str, ...]


@array_value
class SoilBalance:
    """What a season brings and takes of a nutrient, lb/ac, arrays in the order of the zones.

    `brought` is by the passes, `otherwise` by what `otherwise_words` name, `removed` with the hay
    at the yield goal (`removed_words`: source and basis of the ton).

    `ppm_low` and `ppm_high` (zones,) bound the change of the soil test in one season, `after_low`
    and `after_high` the soil test after `seasons` of the same kind; None where that cannot be told,
    for the reason in `cannot_tell`. `buffer_low` and `buffer_high` are lb of the nutrient that
    change the soil test by 1 ppm.
    """

    nutrient: str
    brought: FloatArray
    otherwise: FloatArray
    otherwise_words: str
    removed: FloatArray
    removed_words: str
    seasons: int
    soil_now: FloatArray | None
    buffer_low: FloatArray | None
    buffer_high: FloatArray | None
    ppm_low: FloatArray | None
    ppm_high: FloatArray | None
    after_low: FloatArray | None
    after_high: FloatArray | None
    basis: tuple[str, ...]
    cannot_tell: str

    @property
    def left(self) -> FloatArray:
        """Brought less removed, lb/ac: below 0 it is drawn from the soil."""
        return self.brought + self.otherwise - self.removed


@dataclass(frozen=True, slots=True, kw_only=True)
class Bid:
    """One line of the bid sheet. Dollars a pound are None where no price is given or none is held.

    `quantity` in `unit` brings as much of `nutrient` as the order of `instead_of` does; `k2o_lb`,
    `s_lb`, `n_lb`, `cl_lb` are what it brings. `usd_per_lb_*` put the whole delivered price on one
    nutrient, `usd_per_lb_s_net` after taking off its K2O at `k2o_usd_per_lb`. `equal_usd` is the
    price per `equal_per` at which it costs as much a pound of the nutrient as the order, before
    freight. `usd_delivered` is price and freight of the quantity, `usd_spread` with spreading.
    `state` is "quote", "order" (the plan's own price), "open" (to be filled in) or "substitute".
    """

    state: str
    seller: str
    material: str
    instead_of: str
    nutrient: str
    quantity: float
    unit: str
    short_tons: float
    k2o_lb: float
    s_lb: float
    n_lb: float
    cl_lb: float
    usd: float | None
    per: str
    freight_usd: float | None
    spreading_usd_per_ac: float | None
    usd_delivered: float | None
    usd_spread: float | None
    usd_per_lb_k2o: float | None
    usd_per_lb_s: float | None
    usd_per_lb_s_net: float | None
    k2o_usd_per_lb: float | None
    equal_usd: float | None
    equal_per: str
    valid_until: str
    as_of: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Money:
    """Purchases, tank fills, flat against variable, balances and bids of one season."""

    ordered_on: str = ""
    purchases: tuple[Purchase, ...] = ()
    fills: tuple[TankFills, ...] = ()
    comparison: Comparison | None = None
    balances: tuple[SoilBalance, ...] = ()
    pass_words: tuple[str, ...] = ()
    bids: tuple[Bid, ...] = ()
    findings: tuple[Finding, ...] = ()


NO_MONEY = Money()
