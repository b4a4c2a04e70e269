"""What water, manure and earlier cuttings bring and take, plant tests, and limits of the user."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from vrx.plan.base import NotNegative, Positive, Section, Share, Text
from vrx.plan.tables import ManureTableSection, TissueTableSection, WaterTableSection

# Guards against another unit, well above what plants hold (alfalfa 0.2 to 0.5 % S, up to 4 % K).
_MOST_PCT = {"sulfur_pct": 2.0, "potassium_pct": 10.0}


class WaterSection(Section):
    """`[water]`: what irrigation brings in the season, net of losses.

    `potassium_ppm` is of the element K. `chloride_ppm`, `sodium_ppm` and `ec_ds_per_m` are read
    along; they move no rate.
    `[water.table]` takes the place of all concentrations, and of `net_in` for several sources.
    """

    net_in: NotNegative = 0.0
    table: WaterTableSection | None = None
    sulfate_so4_ppm: NotNegative | None = None
    sulfate_s_ppm: NotNegative | None = None
    sulfate_meq_per_l: NotNegative | None = None
    potassium_ppm: NotNegative | None = None
    chloride_ppm: NotNegative | None = None
    sodium_ppm: NotNegative | None = None
    ec_ds_per_m: NotNegative | None = None
    sampled_on: date | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        given = self.model_fields_set - {"table", "net_in"}
        if self.table is not None:
            if given:
                raise ValueError(f"{min(given)} and [water.table] are both given: keep one")
            ways = ("net_in" in self.model_fields_set, bool(self.table.net_in_of),
                    self.table.net_in_column is not None)
            if sum(ways) != 1:
                raise ValueError("give one of net_in (one source), net_in_of of [water.table] (by "
                                 "source) and its net_in_column")
            return self
        if "net_in" not in self.model_fields_set:
            raise ValueError("give net_in, the net inches of the season")
        forms = (self.sulfate_so4_ppm, self.sulfate_s_ppm, self.sulfate_meq_per_l)
        if sum(form is not None for form in forms) != 1:
            raise ValueError(
                "give one of sulfate_so4_ppm, sulfate_s_ppm and sulfate_meq_per_l, as the water "
                "report prints it"
            )
        return self


class TissueSection(Section):
    """`[tissue]`: a plant test, with the part and stage that a rule may ask for."""

    sulfur_pct: Positive | None = None
    potassium_pct: Positive | None = None
    sulfate_s_ppm: Positive | None = None
    part: Text
    stage: Text
    table: TissueTableSection | None = None

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if self.table is not None and (
                self.sulfur_pct or self.potassium_pct or self.sulfate_s_ppm):
            raise ValueError("contents and [tissue.table] are both given: keep one")
        return self

    @model_validator(mode="after")
    def _per_cent(self) -> Self:
        for key, most in _MOST_PCT.items():
            pct = getattr(self, key)
            if pct is not None and pct > most:
                raise ValueError(
                    f"{key} = {pct:g} is more than hay holds ({most:g} % and less): give per cent "
                    "of dry matter (2.4 g/kg are 0.24 %, 2,400 ppm too)")
        return self


class ManureSection(Section):
    """`[manure]`, or `[[manure]]` for each of several: amount spread and its own analysis.

    Tons are short tons as spread, at the moisture of the analysis. `available_share` is the share
    of its sulfur that the season's crop can use, `k2o_available_share` that of its potash.
    """

    name: Text = "manure"
    applied_on: date | None = None
    tons_per_ac: Positive | None = None
    s_lb_per_ton: NotNegative | None = None
    k2o_lb_per_ton: NotNegative | None = None
    gal_per_ac: Positive | None = None
    s_lb_per_1000_gal: NotNegative | None = None
    k2o_lb_per_1000_gal: NotNegative | None = None
    available_share: Share | None = None
    k2o_available_share: Share | None = None
    table: ManureTableSection | None = None

    @model_validator(mode="after")
    def _one_basis(self) -> Self:
        amounts = (self.tons_per_ac, self.gal_per_ac)
        solid = (self.s_lb_per_ton, self.k2o_lb_per_ton)
        liquid = (self.s_lb_per_1000_gal, self.k2o_lb_per_1000_gal)
        if self.table is not None:
            if any(one is not None for one in (*solid, *liquid)):
                raise ValueError("an analysis and its table are both given: keep one")
            if sum(one is not None for one in amounts) != 1:
                raise ValueError("give tons_per_ac or gal_per_ac, the amount spread")
            return self
        given = [any(one is not None for one in pair) for pair in (solid, liquid)]
        if given != [one is not None for one in amounts] or sum(given) != 1:
            raise ValueError("give tons_per_ac with s_lb_per_ton or k2o_lb_per_ton, or gal_per_ac "
                             "with s_lb_per_1000_gal or k2o_lb_per_1000_gal, as the manure's "
                             "analysis prints it")
        return self


def _listed(value: object) -> object:
    return [value] if isinstance(value, dict) else value


Manures = Annotated[tuple[ManureSection, ...], BeforeValidator(_listed)]


class CuttingSection(Section):
    """One cutting of `[soil] cuttings_hauled_since_sampling`."""

    tons_per_ac: Annotated[float, Field(gt=0, le=20, strict=True)]
    moisture_pct: Annotated[float, Field(ge=0, lt=60, strict=True)]


class FixFirstSection(Section):
    """`[fix_first]`: your own limits below which something else is to be put right first."""

    source: Text
    ph: Positive | None = None
    phosphorus_ppm: Positive | None = None
    boron_ppm: Positive | None = None
    stems_per_ft2: Positive | None = None
