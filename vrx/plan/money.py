"""`[order]`, `[charges]`, `[[bid]]`, `[balance]`: what is bought and hauled, and what it costs."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from datetime import date
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from vrx.plan.base import NotNegative, Positive, Section, Text

Percent = Annotated[float, Field(ge=0, le=100, strict=True)]
Density = Annotated[float, Field(gt=6, lt=20, strict=True)]
ZeroToOne = Annotated[float, Field(ge=0, le=1, strict=True)]
Count = Annotated[int, Field(ge=1, le=100_000, strict=True)]


class SupplySection(Section):
    """`[order.material."<material>"]`: how it is sold and hauled.

    A bulk `package_lb` or `package_gal` is the step in which it is sold. `ticket_lb_per_gal` is
    the density that the load ticket states.
    """

    package: Literal["bag", "tote", "bulk"] = "bulk"
    package_lb: Positive | None = None
    package_gal: Positive | None = None
    load_short_tons: Positive | None = None
    load_gal: Positive | None = None
    overage_pct: Percent | None = None
    ticket_lb_per_gal: Density | None = None
    ticket: Text | None = None

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.package_lb is not None and self.package_gal is not None:
            raise ValueError("package_lb and package_gal: keep one of them")
        if self.load_short_tons is not None and self.load_gal is not None:
            raise ValueError("load_short_tons and load_gal: keep one of them")
        if self.package != "bulk" and self.package_lb is None and self.package_gal is None:
            raise ValueError(f"a {self.package} needs its size: give package_lb or package_gal")
        if self.ticket is not None and self.ticket_lb_per_gal is None:
            raise ValueError("ticket names a load ticket: give its ticket_lb_per_gal")
        return self


class OrderSection(Section):
    """`[order]`: day of the order, overage, and the terms of each material.

    `overage_pct` is bought beyond what the rates need, for what stays in tanks and on the ground.
    """

    on: date | None = None
    overage_pct: Percent = 0.0
    oldest_price_days: Count | None = None
    material: dict[str, SupplySection] = Field(default_factory=dict)


class ChargesSection(Section):
    """`[charges]`: what stands between flat and variable beside the product; none is assumed.

    Spreading and injection are per acre and trip. One round of samples serves `sampling_seasons`
    seasons; a flat rate would take `flat_samples`. The last two are tons of hay lost for each lb
    short of the need: your own figure, for vrx assumes none.
    """

    sampling_usd_per_sample: NotNegative | None = None
    sampling_usd_per_ac: NotNegative | None = None
    mapping_usd_per_ac: NotNegative | None = None
    sampling_seasons: Annotated[int, Field(ge=1, le=20, strict=True)] = 1
    flat_samples: Annotated[int, Field(ge=0, le=1000, strict=True)] = 0
    spreading_flat_usd_per_ac: NotNegative | None = None
    spreading_variable_usd_per_ac: NotNegative | None = None
    injection_usd_per_ac: NotNegative | None = None
    hay_usd_per_ton: Positive | None = None
    hay_tons_per_lb_k2o_short: NotNegative | None = None
    hay_tons_per_lb_s_short: NotNegative | None = None

    @model_validator(mode="after")
    def _once(self) -> Self:
        if self.sampling_usd_per_sample is not None and self.sampling_usd_per_ac is not None:
            raise ValueError("sampling_usd_per_sample and sampling_usd_per_ac: keep one of them")
        if self.flat_samples and self.sampling_usd_per_sample is None:
            raise ValueError("flat_samples needs sampling_usd_per_sample")
        return self

    def response(self) -> tuple[tuple[str, float], ...]:
        """Nutrient and the user's own tons of hay per lb short, where given."""
        told = (("K2O", self.hay_tons_per_lb_k2o_short), ("S", self.hay_tons_per_lb_s_short))
        return tuple((name, value) for name, value in told if value is not None)


class BidSection(Section):
    """`[[bid]]`: a quote. Freight per short ton or for all of it; spreading per acre and trip."""

    seller: Text
    material: Text
    instead_of: Text | None = None
    usd: NotNegative
    per: Literal["short ton", "lb", "gal"]
    as_of: date | Text
    freight_usd_per_short_ton: NotNegative | None = None
    freight_usd: NotNegative | None = None
    spreading_usd_per_ac: NotNegative | None = None
    valid_until: date | None = None
    note: Text | None = None

    @model_validator(mode="after")
    def _one_freight(self) -> Self:
        if self.freight_usd is not None and self.freight_usd_per_short_ton is not None:
            raise ValueError("freight_usd and freight_usd_per_short_ton: keep one of them")
        return self


class BalanceSection(Section):
    """`[balance]`: your own figures of how soil-test K follows, each as [least, most].

    `k2o_lb_per_ppm` lb K2O/ac that move it by 1 ppm; `soil_supplies_share` the share of the hay's
    K2O that soil minerals give back.
    """

    seasons: Annotated[int, Field(ge=1, le=20, strict=True)] | None = None
    k2o_lb_per_ppm: tuple[Positive, Positive] | None = None
    soil_supplies_share: tuple[ZeroToOne, ZeroToOne] | None = None
    source: Text | None = None

    @model_validator(mode="after")
    def _ranges(self) -> Self:
        for name in ("k2o_lb_per_ppm", "soil_supplies_share"):
            pair = getattr(self, name)
            if pair is None:
                continue
            if pair[0] > pair[1]:
                raise ValueError(f"{name} is [least, most], least first")
            if self.source is None:
                raise ValueError(f"{name} needs source: who says so")
        return self


def require_used(names: Iterable[str], used: Iterable[str], where: str) -> None:
    """Raises `ValueError` for a material of a section that no pass uses."""
    known = {" ".join(one.split()).casefold(): one for one in used}
    for name in names:
        plain = " ".join(name.split()).casefold()
        if plain not in known:
            near = difflib.get_close_matches(plain, known, n=1, cutoff=0.6)
            tail = f"did you mean {known[near[0]]!r}?" if near else (
                f"the materials are {', '.join(sorted(known.values()))}")
            raise ValueError(f"{where} names {name!r}, which no pass uses; {tail}")
