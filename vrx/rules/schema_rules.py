"""The rules of a book, one model for each kind of the closed set."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StringConstraints, model_validator

from vrx.rules.schema_parts import (
    Amount,
    Cited,
    Evidence,
    Fraction,
    Number,
    Positive,
    Slug,
    Strict,
    Text,
    YesNo,
    rising,
    unique,
)


class SoilClass(Strict):
    """One class: its upper end, exclusive (`below`) or inclusive (`up_to`); the last has none."""

    name: Text
    below: Number | None = None
    up_to: Number | None = None
    rate_lb_per_ac: Amount | tuple[Amount, ...] | None = None

    @property
    def limit(self) -> float | None:
        """The upper end, None for the last class."""
        return self.below if self.below is not None else self.up_to

    @model_validator(mode="after")
    def _one_end(self) -> SoilClass:
        if self.below is not None and self.up_to is not None:
            raise ValueError("give below or up_to, not both")
        return self


class RuleBase(Cited):
    """What every rule has."""

    id: Slug


class ClassTable(RuleBase):
    """Classes of a soil test, alone or with a rate each (or one per yield column)."""

    kind: Literal["class-table"]
    classes: tuple[SoilClass, ...] = Field(min_length=2)
    yield_tons: tuple[Positive, ...] = ()

    @model_validator(mode="after")
    def _whole(self) -> ClassTable:
        limits = [c.limit for c in self.classes]
        if limits[-1] is not None or None in limits[:-1]:
            raise ValueError("every class but the last needs below or up_to, the last has neither")
        rising([x for x in limits if x is not None], "the classes' limits")
        unique([c.name for c in self.classes], "class name")
        rising(self.yield_tons, "yield_tons")
        rates = [c.rate_lb_per_ac for c in self.classes]
        if None in rates and any(r is not None for r in rates):
            raise ValueError("either every class has rate_lb_per_ac or none has")
        columns = len(self.yield_tons)
        for c in self.classes:
            many = isinstance(c.rate_lb_per_ac, tuple)
            if c.rate_lb_per_ac is not None and many != bool(columns):
                raise ValueError(
                    f"class {c.name}: a list of rates goes with yield_tons, and only so")
            if isinstance(c.rate_lb_per_ac, tuple) and len(c.rate_lb_per_ac) != columns:
                raise ValueError(f"class {c.name}: {columns} yield_tons need as many rates")
        if columns == 1:
            raise ValueError("one yield column is a plain rate: leave yield_tons out")
        return self

    @property
    def has_rates(self) -> bool:
        """Whether the classes carry rates."""
        return self.classes[0].rate_lb_per_ac is not None


class RateTable(RuleBase):
    """Rates at soil-test rows and yield columns, straight lines in between."""

    kind: Literal["rate-table"]
    soil_test: tuple[Number, ...] = Field(min_length=2)
    yield_tons: tuple[Positive, ...] = Field(min_length=1)
    rates_lb_per_ac: tuple[tuple[Amount, ...], ...]

    @model_validator(mode="after")
    def _whole(self) -> RateTable:
        rising(self.soil_test, "soil_test")
        rising(self.yield_tons, "yield_tons")
        if len(self.rates_lb_per_ac) != len(self.soil_test):
            raise ValueError(f"{len(self.soil_test)} soil_test rows need as many rows of rates")
        for row in self.rates_lb_per_ac:
            if len(row) != len(self.yield_tons):
                raise ValueError(
                    f"a row of rates has {len(row)}, not {len(self.yield_tons)} columns")
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


class Removal(Cited):
    """Nutrient in one ton of hay: by which author, per which ton, and taken up or removed."""

    name: Slug
    title: Text
    word: Literal["removes", "takes up"]
    form: Literal["K2O", "K", "S"]
    lb_per_ton: Positive
    basis_dm_fraction: Fraction
    basis_evidence: Evidence


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


class RefusedPart(Strict):
    """A plant part that must not be read with the rule, and why."""

    part: Text
    why: Text


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
    """A critical soil value for one extractant."""

    extractant: Text
    ppm: Positive


class SoilCriterion(RuleBase):
    """A fixed rate where a soil test lies below a critical value; without one, the plan's rate."""

    kind: Literal["soil-criterion"]
    critical: tuple[CriticalValue, ...] = Field(min_length=1)
    rate_lb_per_ac: Amount | None = None
    usual_lb_per_ac: tuple[Amount, Amount] | None = None


class FlatRate(RuleBase):
    """One rate for the whole field; the plan may give its own."""

    kind: Literal["flat-rate"]
    rate_lb_per_ac: Amount
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
    | WaterCap | Limit,
    Field(discriminator="kind"),
]
KINDS_THAT_READ_SOIL = {
    "class-table", "rate-table", "build-up-maintenance", "linear-in-yield", "soil-criterion",
}
KINDS_BY_TABLE_TON = {"rate-table", "linear-in-yield"}
