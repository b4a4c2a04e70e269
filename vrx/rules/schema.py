"""The shape of a rule book, a conversion list and the crop list, as pydantic models.

A book holds numbers, words and the names of kinds; nothing in it is evaluated. Every part that
holds a number carries `locator` (where it is printed) and `evidence` (how well it is known).
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import ConfigDict, Field, model_validator

from vrx.rules.schema_parts import (
    Amount,
    Caution,
    Cited,
    Conversion,
    Crop,
    Number,
    Positive,
    Range,
    Slug,
    SoilTest,
    SourceText,
    Strict,
    Text,
    Ton,
    unique,
)
from vrx.rules.schema_rules import (
    KINDS_BY_TABLE_TON,
    KINDS_IN_ANY_UNIT,
    KINDS_THAT_READ_SOIL,
    Rule,
)


class WaterGiven(Strict):
    """An example's water test."""

    net_in: Amount
    sulfate_so4_ppm: Amount | None = None
    sulfate_s_ppm: Amount | None = None


class TissueGiven(Strict):
    """An example's tissue test."""

    part: Text
    stage: Text
    sulfur_pct: Amount | None = None
    potassium_pct: Amount | None = None
    sulfate_s_ppm: Amount | None = None


class ReadingsGiven(Strict):
    """An example's soil readings."""

    potassium: Amount | None = None
    sulfate: Amount | None = None
    cec: Amount | None = None
    organic_matter: Amount | None = None
    ph: Amount | None = None


class Given(Strict):
    """What an example starts from; extractant and depth are the book's own unless given."""

    crop: Text | None = None
    yield_tons_per_ac: Positive = 1.0
    yield_moisture_pct: Amount = 12.0
    readings: ReadingsGiven = ReadingsGiven()
    extractant: Text | None = None
    depth_in: tuple[Amount, Positive] | None = None
    options: dict[str, Any] = Field(default_factory=dict)
    water: WaterGiven | None = None
    tissue: TissueGiven | None = None


class ExpectedLine(Strict):
    """A line of the need that an example prints."""

    term: Text
    lb_per_ac: Number


class Expected(Strict):
    """What an example ends with: a rate, a class, lines, or the code of a refusal."""

    lb_per_ac: Amount | None = None
    tolerance: Amount = 0.0
    soil_class: Text | None = None
    lines: tuple[ExpectedLine, ...] = ()
    refused: Text | None = None

    @model_validator(mode="after")
    def _something(self) -> Expected:
        if self == Expected.model_construct(tolerance=self.tolerance):
            raise ValueError("expects nothing: give lb_per_ac, soil_class, lines or refused")
        return self


class Example(Cited):
    """A worked example; `read` where the source prints both question and answer."""

    title: Text
    given: Given
    expect: Expected


class BookFile(Strict):
    """One TOML file: one guide, one nutrient."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)
    schema_number: Literal[1] = Field(alias="schema")
    id: Slug
    name: Text
    nutrient: Literal["K2O", "S"]
    form: Literal["oxide K2O", "elemental S"]
    region: tuple[Text, ...]
    crops: tuple[Text, ...] = Field(min_length=1)
    source: SourceText
    soil: SoilTest | None = None
    ton: Ton | None = None
    ranges: tuple[Range, ...] = ()
    cautions: tuple[Caution, ...] = ()
    conversions: tuple[Conversion, ...] = ()
    rules: tuple[Rule, ...] = Field(min_length=1)
    examples: tuple[Example, ...] = ()
    no_published_example_because: Text | None = None

    @model_validator(mode="after")
    def _whole(self) -> BookFile:
        unique([r.id for r in self.rules], "rule id")
        unique([r.input for r in self.ranges], "range of input")
        unique([r.kind for r in self.rules if r.kind != "stated-credit"], "kind of rule")
        unique([r.option for r in self.rules if r.kind == "stated-credit"], "option")
        if (self.nutrient == "K2O") != (self.form == "oxide K2O"):
            raise ValueError(f"nutrient {self.nutrient} cannot have the form {self.form!r}")
        for rule in self.rules:
            self._check_rule(rule)
        published = any(e.evidence == "read" for e in self.examples)
        if published == (self.no_published_example_because is not None):
            raise ValueError(
                "give an example with evidence 'read', or no_published_example_because (not both)"
            )
        return self

    def _check_rule(self, rule: Any) -> None:
        reads_soil = (rule.kind in KINDS_THAT_READ_SOIL
                      or getattr(rule, "last_year", None) is not None)
        if reads_soil and self.soil is None:
            raise ValueError(
                f"rule {rule.id!r} ({rule.kind}) reads a soil test: add a [soil] table")
        if (reads_soil and self.soil is not None and self.soil.unit != "ppm"
                and rule.kind not in KINDS_IN_ANY_UNIT):
            raise ValueError(f"rule {rule.id!r}: {rule.kind} reads ppm, not {self.soil.unit}")
        for critical in getattr(rule, "critical", ()):
            if self.soil is not None and self.soil.extractants_not_stated != (
                    critical.extractant is None):
                raise ValueError(f"rule {rule.id!r}: give extractant with every critical value, "
                                 "or none where the guide states none")
        wants_ton = rule.kind in KINDS_BY_TABLE_TON or bool(getattr(rule, "yield_tons", None))
        if wants_ton and self.ton is None:
            raise ValueError(f"rule {rule.id!r} ({rule.kind}) reads a yield: add a [ton] table")
        held = [*getattr(rule, "sources", ())]
        held += [r for r in (getattr(rule, "removal", None), getattr(rule, "uptake", None)) if r]
        for source in held:
            if (source.form == "S") != (self.nutrient == "S"):
                raise ValueError(f"rule {rule.id!r}: {source.name} is in {source.form}, the book's "
                                 f"nutrient is {self.nutrient}")


class ConversionList(Strict):
    """The list of conversions between extractants."""

    schema_number: Literal[1] = Field(alias="schema")
    conversions: tuple[Conversion, ...]


class CropList(Strict):
    """The crops with an uptake figure."""

    schema_number: Literal[1] = Field(alias="schema")
    crops: tuple[Crop, ...]
