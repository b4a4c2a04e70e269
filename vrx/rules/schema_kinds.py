"""Rules on stand age, conditions, indices and tissue classes, one model for each kind."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from vrx.rules.schema_classes import (
    OptionName,
    RuleBase,
    SoilClass,
    no_shares,
    require_cover,
    require_rates,
)
from vrx.rules.schema_parts import (
    Amount,
    Cited,
    Number,
    Positive,
    Strict,
    Text,
    YesNo,
    rising,
    unique,
)


class RefusedPart(Strict):
    """A plant part that must not be read with the rule, and why."""

    part: Text
    why: Text


class LastYear(Cited):
    """What is left out of the rate in the stand's last year, where the soil test is above a level.

    `share` of the rate stays (0: none).
    """

    soil_above: Number
    share: Amount = 0.0


class StandYear(Cited):
    """From this year of the stand on, `share` of the rate stays; the seeding year is year 1."""

    from_year: Amount
    share: Amount


class StandAge(RuleBase):
    """The rate so far, less what the guide leaves out by the stand's age or in its last year."""

    kind: Literal["stand-age"]
    last_year: LastYear | None = None
    years: tuple[StandYear, ...] = ()

    @model_validator(mode="after")
    def _something(self) -> StandAge:
        if self.last_year is None and not self.years:
            raise ValueError("give last_year, years, or both")
        rising([y.from_year for y in self.years], "from_year")
        shares = [*(y.share for y in self.years), *([self.last_year.share] if self.last_year
                                                    else [])]
        if any(s > 1 for s in shares):
            raise ValueError("a share of the rate that stays lies from 0 to 1")
        return self


class Condition(Cited):
    """One condition: a yes or no of the plan (`option`), or a reading under a limit."""

    words: Text
    option: OptionName | None = None
    reading: Literal["organic_matter", "cec", "ph"] | None = None
    below: Number | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Condition:
        if (self.option is None) == (self.reading is None):
            raise ValueError("give option (a yes or no of the plan) or reading with below")
        if (self.reading is None) != (self.below is None):
            raise ValueError("reading and below go together")
        return self


class ConditionalRate(RuleBase):
    """One rate where every condition holds, else nothing; without a rate, the plan's own."""

    kind: Literal["conditional-rate"]
    conditions: tuple[Condition, ...] = Field(min_length=1)
    rate_lb_per_ac: Amount | None = None
    usual_lb_per_ac: tuple[Amount, Amount] | None = None

    @model_validator(mode="after")
    def _whole(self) -> ConditionalRate:
        unique([c.option or c.reading or "" for c in self.conditions], "condition")
        return self


class IndexChoice(Strict):
    """One word of a choice, and what it counts in the index."""

    name: Text
    counts: Amount


class IndexTerm(Cited):
    """One summand of an index: `per_unit` x a reading or an option of the plan, or a choice.

    Without `default` and without a value it counts nothing, with a finding, and `required` refuses.
    """

    term: Text
    reading: Literal["organic_matter"] | None = None
    option: OptionName | None = None
    choices: tuple[IndexChoice, ...] = ()
    per_unit: Positive = 1.0
    default: Amount | None = None
    required: YesNo = False

    @model_validator(mode="after")
    def _one_form(self) -> IndexTerm:
        if self.reading is None and self.option is None:
            raise ValueError("give reading, option, or both (the option then stands for a field "
                             "without the reading)")
        if self.choices and (self.option is None or self.reading is not None):
            raise ValueError("choices need option, the name by which the plan chooses")
        unique([c.name for c in self.choices], "choice")
        return self


class AvailabilityIndex(RuleBase):
    """A sum of supplies put into classes; low sums get a rate."""

    kind: Literal["availability-index"]
    terms: tuple[IndexTerm, ...] = Field(min_length=1)
    classes: tuple[SoilClass, ...] = Field(min_length=2)
    printed_step: Positive | None = None
    as_printed: YesNo = False
    usual_lb_per_ac: tuple[Amount, Amount] | None = None

    @model_validator(mode="after")
    def _whole(self) -> AvailabilityIndex:
        require_cover(self.classes, self.printed_step)
        require_rates(self.classes, 0, as_printed=self.as_printed)
        no_shares(self.classes)
        unique([t.term for t in self.terms], "term")
        unique([t.option for t in self.terms if t.option], "option")
        return self


class TissueTable(RuleBase):
    """Classes of a tissue content, alone or with a rate each."""

    kind: Literal["tissue-table"]
    nutrient: Literal["sulfur", "sulfate-sulfur", "potassium"]
    unit: Literal["%", "ppm"]
    classes: tuple[SoilClass, ...] = Field(min_length=2)
    parts: tuple[Text, ...] = Field(min_length=1)
    stages: tuple[Text, ...] = Field(min_length=1)
    refused: tuple[RefusedPart, ...] = ()
    printed_step: Positive | None = None
    as_printed: YesNo = False

    @model_validator(mode="after")
    def _whole(self) -> TissueTable:
        require_cover(self.classes, self.printed_step)
        require_rates(self.classes, 0, as_printed=self.as_printed)
        no_shares(self.classes)
        if (self.unit == "ppm") != (self.nutrient == "sulfate-sulfur"):
            raise ValueError("sulfate-sulfur in tissue is read in ppm, sulfur and potassium in %")
        return self

    @property
    def has_rates(self) -> bool:
        """Whether every class carries a rate."""
        return all(c.rate_lb_per_ac is not None for c in self.classes)
