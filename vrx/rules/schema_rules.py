"""The rules of a book, one model for each kind of the closed set."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StringConstraints, model_validator

from vrx.rules.schema_classes import (
    ClassShare,
    ClassTable,
    GroupedClassTable,
    RatingTable,
    Removal,
    RuleBase,
)
from vrx.rules.schema_kinds import (
    AvailabilityIndex,
    ConditionalRate,
    RefusedPart,
    StandAge,
    TissueTable,
)
from vrx.rules.schema_parts import (
    Amount,
    Cited,
    Number,
    Positive,
    Slug,
    Strict,
    Text,
    YesNo,
    falling,
    rising,
    unique,
)

__all__ = ["Removal", "Rule"]

_CEC = (1.0, 5.0, 10.0, 20.0, 40.0)  # of soils, meq/100 g: where levels are held against each other


class RateTable(RuleBase):
    """Rates at soil-test rows and yield columns, straight lines in between.

    Without `yield_tons` there is one rate a row, whatever the yield. `sufficiency_pct` is what the
    guide prints of the yield that each row reaches; it is told and moves no rate.
    """

    kind: Literal["rate-table"]
    soil_test: tuple[Number, ...] = Field(min_length=2)
    yield_tons: tuple[Positive, ...] = ()
    rates_lb_per_ac: tuple[tuple[Amount, ...], ...]
    sufficiency_pct: tuple[Annotated[Amount, Field(le=100)], ...] = ()
    as_printed: YesNo = False

    @model_validator(mode="after")
    def _whole(self) -> RateTable:
        rising(self.soil_test, "soil_test")
        rising(self.yield_tons, "yield_tons")
        if len(self.rates_lb_per_ac) != len(self.soil_test):
            raise ValueError(f"{len(self.soil_test)} soil_test rows need as many rows of rates")
        columns = max(len(self.yield_tons), 1)
        for row in self.rates_lb_per_ac:
            if len(row) != columns:
                raise ValueError(f"a row of rates has {len(row)}, not {columns} columns"
                                 + ("" if self.yield_tons else "; more need yield_tons"))
        if self.sufficiency_pct:
            if len(self.sufficiency_pct) != len(self.soil_test):
                raise ValueError(f"{len(self.soil_test)} soil_test rows need as many "
                                 "sufficiency_pct")
            rising(self.sufficiency_pct, "sufficiency_pct")
        rows = [f"row {t:g}" for t in self.soil_test]
        for column in range(0 if self.as_printed else columns):
            falling([row[column] for row in self.rates_lb_per_ac], rows, "rates_lb_per_ac")
        return self


class LevelStep(Strict):
    """A level that holds up to a CEC (inclusive); the last step has no `cec_up_to`."""

    cec_up_to: Positive | None = None
    ppm: Positive


class Level(Cited):
    """A soil-test level, by steps of CEC or as intercept + slope x CEC."""

    steps: tuple[LevelStep, ...] = ()
    intercept_ppm: Number | None = None
    slope_ppm_per_cec: Number | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Level:
        line = self.intercept_ppm is not None and self.slope_ppm_per_cec is not None
        if line == bool(self.steps):
            raise ValueError("give either steps, or intercept_ppm and slope_ppm_per_cec")
        ends = [s.cec_up_to for s in self.steps]
        if ends and (ends[-1] is not None or None in ends[:-1]):
            raise ValueError("every step but the last needs cec_up_to, the last has none")
        rising([e for e in ends if e is not None], "cec_up_to")
        return self

    def at(self, cec: float) -> float:
        """The level in ppm at a CEC."""
        if not self.steps:
            return (self.intercept_ppm or 0.0) + (self.slope_ppm_per_cec or 0.0) * cec
        return next(s.ppm for s in self.steps if s.cec_up_to is None or cec <= s.cec_up_to)


class BuildUp(Cited):
    """(critical level - soil test) x (base + per_cec x CEC), each of `years` years."""

    base: Number
    per_cec: Number
    years: Positive
    optional: YesNo


class Constant(Cited):
    """A fixed amount that the guide adds."""

    lb_per_ac: Amount


class DrawDown(Cited):
    """Width above the maintenance limit in which the rate falls to nothing."""

    width_ppm: Positive


class CecCaution(Cited):
    """Soil pH above which a computed CEC is doubtful."""

    ph_above: Number


class BuildUpMaintenance(RuleBase):
    """Build-up under a critical level, maintenance up to a limit, nothing (or a fall) above."""

    kind: Literal["build-up-maintenance"]
    class_names: tuple[Text, Text, Text]
    critical_level: Level
    maintenance_limit: Level
    build_up: BuildUp
    removal: Removal
    constant: Constant | None = None
    draw_down: DrawDown | None = None
    cec_caution: CecCaution | None = None

    @model_validator(mode="after")
    def _ordered(self) -> BuildUpMaintenance:
        for cec in _CEC:
            critical, limit = self.critical_level.at(cec), self.maintenance_limit.at(cec)
            if critical > limit:
                raise ValueError(
                    f"at CEC {cec:g} the maintenance limit ({limit:g} ppm) lies under the critical "
                    f"level ({critical:g} ppm)")
        return self


class LinearInYield(RuleBase):
    """(intercept - slope x soil test) x yield, never below nothing."""

    kind: Literal["linear-in-yield"]
    intercept_lb_per_ton: Positive
    slope_lb_per_ton_per_ppm: Positive


class RemovalBalance(RuleBase):
    """Nutrient per ton x yield x share; the source is chosen by name from the list."""

    kind: Literal["removal-balance"]
    source_option: Literal["removal_source", "crop_source"]
    default_source: Slug | None = None
    sources: tuple[Removal, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _known_default(self) -> RemovalBalance:
        names = [s.name for s in self.sources]
        unique(names, "source name")
        if self.default_source is not None and self.default_source not in names:
            raise ValueError(f"default_source {self.default_source!r} is not among the sources")
        return self


class TissueCriterion(RuleBase):
    """A fixed rate where a tissue test lies below a critical content."""

    kind: Literal["tissue-criterion"]
    nutrient: Literal["sulfur", "potassium"]
    critical_pct: Positive
    rate_lb_per_ac: Amount | None = None
    usual_lb_per_ac: tuple[Amount, Amount] | None = None
    parts: tuple[Text, ...] = Field(min_length=1)
    stages: tuple[Text, ...] = Field(min_length=1)
    refused: tuple[RefusedPart, ...] = ()


class CriticalValue(Cited):
    """A critical soil value for one extractant; `at_or_below` counts the value itself as low.

    Without `extractant` it is for whatever extractant the plan stands for, where the guide names
    none.
    """

    extractant: Text | None = None
    ppm: Positive
    at_or_below: YesNo = False


class SoilCriterion(RuleBase):
    """A fixed rate where a soil test lies below a critical value; without one, the plan's rate."""

    kind: Literal["soil-criterion"]
    critical: tuple[CriticalValue, ...] = Field(min_length=1)
    rate_lb_per_ac: Amount | None = None
    usual_lb_per_ac: tuple[Amount, Amount] | None = None


class FlatRate(RuleBase):
    """One rate for the whole field; the plan may give its own, and must where none is printed."""

    kind: Literal["flat-rate"]
    rate_lb_per_ac: Amount | None = None
    usual_lb_per_ac: tuple[Amount, Amount] | None = None


class OrganicMatterCredit(RuleBase):
    """lb/ac per 1 % organic matter, subtracted."""

    kind: Literal["organic-matter-credit"]
    lb_per_ac_per_pct: Positive


class WaterCredit(RuleBase):
    """Sulfate-S that the season's net irrigation brings, subtracted."""

    kind: Literal["water-credit"]


class SoilLayerCredit(RuleBase):
    """A share of the sulfate-S found in the sampled layer, subtracted."""

    kind: Literal["soil-layer-credit"]
    default_share: Annotated[float, Field(strict=True, ge=0, le=1)]
    bulk_density_g_per_cm3: Positive


class StatedCredit(RuleBase):
    """An amount that the plan states, subtracted; `usual_most` is where a warning starts."""

    kind: Literal["stated-credit"]
    term: Text
    option: Annotated[str, StringConstraints(strict=True, pattern=r"^[a-z][a-z0-9_]*_lb_per_ac$")]
    default_lb_per_ac: Amount
    usual_most_lb_per_ac: Positive | None = None


class WaterCap(RuleBase):
    """The rate so far is cut to what the irrigation water leaves of the crop's uptake."""

    kind: Literal["water-cap"]
    uptake: Removal


class Limit(RuleBase):
    """The most that the guide advises in a year; what is above is cut, with a finding."""

    kind: Literal["limit"]
    most_lb_per_ac: Positive


Rule = Annotated[
    ClassTable | RateTable | BuildUpMaintenance | LinearInYield | RemovalBalance | TissueCriterion
    | SoilCriterion | FlatRate | OrganicMatterCredit | WaterCredit | SoilLayerCredit | StatedCredit
    | WaterCap | Limit | RatingTable | GroupedClassTable | ClassShare | StandAge | ConditionalRate
    | AvailabilityIndex | TissueTable,
    Field(discriminator="kind"),
]
KINDS_THAT_READ_SOIL = {
    "class-table", "rate-table", "build-up-maintenance", "linear-in-yield", "soil-criterion",
    "rating-table", "grouped-class-table", "class-share",
}
KINDS_BY_TABLE_TON = {"linear-in-yield"}
KINDS_IN_ANY_UNIT = {"class-table", "rate-table", "rating-table", "grouped-class-table",
                     "class-share", "stand-age"}
